"""What stands behind a diaphragm: open, a sealed cavity, a cavity with a neck (M5)."""
