"""Bursts and chirps of arrays, and what one pulse is worth."""
