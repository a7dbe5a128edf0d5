"""Homing logic, marks, drift, and figures of driven tests. Pure: events in, decisions out; no bus."""
