"""Air, radiation of one diaphragm and of pairs, the way to the target (M4, M5)."""
