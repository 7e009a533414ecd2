"""Strategies and runs compared on equal footing."""
