"""Plots and the page of a run; nothing is computed here that the store does not hold."""
