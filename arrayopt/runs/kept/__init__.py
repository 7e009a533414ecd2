"""What a run keeps on disk: its identity, every generation, fronts and history."""
