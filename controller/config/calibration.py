"""The machine file's ``[calibration]`` table: for how long what was measured is believed.

Owns the table's fields. What was measured, and when, stands in the machine's history.
"""

from __future__ import annotations

from pydantic import Field

from drivers.settings import Positive, Settings


class Calibration(Settings):
    """Ages of measured values."""

    warn_after_days: Positive = Field(
        default=90.0,
        le=3650.0,
        description="check warns of a value of the history that was measured longer ago",
    )
