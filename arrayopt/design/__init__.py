"""Designs as arrays, as search vectors, as files, and as members of a stored front."""
