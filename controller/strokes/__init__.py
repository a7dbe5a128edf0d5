"""Outlines and dots to pen paths in a good order. Geometry, no time."""
