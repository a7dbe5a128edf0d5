"""The simulated gantry: drives, belts, play, head, pens and canvas, reached by others over the wire only."""
