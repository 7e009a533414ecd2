"""Stored designs computed anew at the highest fidelity."""
