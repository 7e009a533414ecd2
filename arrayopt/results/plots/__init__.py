"""Pictures of stored results."""
