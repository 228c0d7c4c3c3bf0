"""A learned detector: its weights, what it is shown, how it is run and how it was taught."""
