"""Outlines and dots to pen paths in a good order. Geometry, no time."""

from controller.strokes.strokeset import StrokeKind, StrokeSet, travel_mm

__all__ = ["StrokeKind", "StrokeSet", "travel_mm"]
