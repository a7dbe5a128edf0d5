"""The machine file's ``[maintenance]`` table: after how much work which part is to be inspected.

Owns the table's fields. The intervals are the owner's: makers of belts, guides and drives give theirs.
"""

from __future__ import annotations

from pydantic import Field

from drivers.settings import Positive, Settings


class Maintenance(Settings):
    """Intervals of inspection, each from one inspection to the next; what is left out is not reminded of."""

    belt_metres: Positive | None = Field(
        default=None, description="way of either axis, in metres: teeth and tension of its belt"
    )
    belt_reversals: Positive | None = Field(
        default=None, description="times that either axis turned round: pulleys, clamps, play"
    )
    moving_hours: Positive | None = Field(default=None, description="hours in motion: guides, grease")
    powered_hours: Positive | None = Field(
        default=None, description="hours with the drives enabled: cables, connectors, fans"
    )
    pen_lifts: Positive | None = Field(
        default=None, description="times that the pen went up: the head's spring, holder and end switches"
    )
