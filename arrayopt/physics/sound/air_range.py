"""Ranges in which `air` holds, apart from it so that reading a study loads no compiler."""

TEMPERATURE_RANGE = (253.15, 323.15)
"""[K]."""

PRESSURE_RANGE = (60e3, 110e3)
"""[Pa]."""
