"""The question: a study file, checked and frozen, with every default filled in."""
