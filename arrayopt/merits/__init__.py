"""Figures of merit and limits of designs, with what a calibration leaves open (M10)."""
