"""Cells on their own, several modes and harmonics each."""
