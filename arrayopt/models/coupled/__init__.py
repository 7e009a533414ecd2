"""Cells that hear each other, one mode each."""
