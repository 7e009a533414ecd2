"""Pure functions of SI arrays, one module per model of docs/models.md; nothing here reads files."""
