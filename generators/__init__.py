"""Grounds, shadows of dust, cameras: frames whose truth is known."""
