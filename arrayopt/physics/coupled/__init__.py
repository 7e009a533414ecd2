"""Steady states of whole arrays whose cells hear each other, along a sweep (M9)."""
