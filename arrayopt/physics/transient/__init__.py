"""Motion in time: bursts and chirps of one cell, several modes, whole arrays (M8)."""
