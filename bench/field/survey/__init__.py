"""A sensor surveyed by test frames: what lies on it, what it spoils, where to look, and whether a clean helped."""
