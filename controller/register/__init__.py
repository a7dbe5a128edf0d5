"""Homing logic and, later, marks and drift. Pure: events in, decisions out; no bus."""
