"""The hand-over to layout engineers: files, tables, test plan, predictions, their check."""
