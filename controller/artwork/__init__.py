"""SVG to outlines and dots of ink in canvas mm. Geometry, no time."""
