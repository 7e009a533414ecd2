"""Cells on their own, one mode each."""
