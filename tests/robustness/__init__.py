"""Faults, kills, malformed inputs and soaks, each a program of its own."""
