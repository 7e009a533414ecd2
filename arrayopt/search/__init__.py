"""Multi-objective search over design vectors; knows no files, processes or clocks."""
