"""Suites, judging, statistics, reports, and the chosen method on real photographs."""
