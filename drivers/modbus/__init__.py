"""Drives that speak Modbus RTU on a serial line."""
