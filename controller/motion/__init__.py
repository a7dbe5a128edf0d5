"""Strokes to ticks of integer drive units. Mathematics; no bus, no clock."""
