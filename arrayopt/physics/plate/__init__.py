"""Layer stacks and clamped circular diaphragms: operating point and modes (M1 to M3)."""
