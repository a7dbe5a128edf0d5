"""Drives that a user describes in a file of their own: their frames on CAN or on a serial line."""
