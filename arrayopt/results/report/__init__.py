"""One self-contained page about a run."""
