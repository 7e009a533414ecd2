"""Measured sweeps and bursts from messy CSV files."""
