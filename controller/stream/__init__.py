"""The real-time child: the only timed loop, the tick ring and the timing log."""
