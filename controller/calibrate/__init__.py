"""Calibration: from what was driven, drawn or read off to values of the machine file, with their intervals."""
