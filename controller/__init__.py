"""Artwork to motion to evidence. May import drivers and safety; its rooms import one way."""
