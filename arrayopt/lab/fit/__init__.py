"""Fits of measured sweeps, from one cell at one bias to the numbers of the stack."""
