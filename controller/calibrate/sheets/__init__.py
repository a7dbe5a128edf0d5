"""Sheets that the machine paints so that a person reads it: drawings with captions, as ordinary jobs."""
