"""Runs of a study: generations on disk, workers, progress, interruption and resuming."""
