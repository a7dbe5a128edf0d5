"""Serial lines: ports, and the master that keeps their silences. No protocol."""
