"""Retouching: repaired pictures judged against the clean original, and real photographs repaired."""
