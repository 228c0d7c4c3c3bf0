"""Surveys before and after simulated cleans, judged by the truth."""
