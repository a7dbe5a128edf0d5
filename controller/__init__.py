"""Artwork to motion to evidence. May import drivers and safety; the rooms below import one way (tests/test_architecture.py)."""
