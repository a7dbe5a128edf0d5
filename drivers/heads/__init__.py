"""Heads that are not a drive's output: a node on the bus, a device on a line of its own, a described device."""
