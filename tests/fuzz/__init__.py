"""Seeded campaigns of damaged input: `python -m tests.fuzz.svg --count 20000`."""
