"""Tests, benchmarks and their support: import as ``tests.support.NAME``."""
