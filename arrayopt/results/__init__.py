"""Readers of stored results."""
