"""Slow or independent forms of the models, only to compare with."""
