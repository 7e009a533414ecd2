"""Steady states of one cell: closed form of one mode, balance of several (M6, M7)."""
