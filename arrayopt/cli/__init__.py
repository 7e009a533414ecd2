"""The ``arrayopt`` command: parse, call, print."""
