"""Bands read off points of a response, whatever computed it (M10)."""
