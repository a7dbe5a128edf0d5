"""The record of one tick: the same bytes in the shared ring and in the timing log.

Instants are CLOCK_MONOTONIC ns (virtual ns in virtual time). ``planned`` and ``measured`` are raw drive counts:
``planned`` is the expected reading (plan passed through the drive's known lag) at the instant the feedback was
taken, ``measured`` the drive's answer of that round. Axis order x, y.
"""

from __future__ import annotations

import struct

import numpy as np

TICK_DTYPE = np.dtype(
    [
        ("tick", "<i8"),  # counts from 0 in one life of the streamer
        ("scheduled_ns", "<i8"),
        ("sent_ns", "<i8"),
        ("feedback_ns", "<i8"),  # when the latest feedback came; 0 = none yet
        ("velocity_units", "<i4", (2,)),  # as sent, trim included
        ("trim_units", "<i4", (2,)),
        ("planned_counts", "<i8", (2,)),
        ("measured_counts", "<i8", (2,)),
        ("statusword", "<u2", (2,)),
        ("segment", "<i4"),  # of the schedule; -1 in homing and moves
        ("task", "<i2"),  # index of the task in the spec
        ("head", "u1"),
        ("flags", "u1"),  # bit 0: feedback fresh; bit 1: controlled stop in progress; bit 2: trim saturated
    ]
)
"""One tick as a numpy record; ``PACK`` packs the same layout."""

PACK = struct.Struct("<qqqq2i2i2q2q2HihBB")
assert PACK.size == TICK_DTYPE.itemsize, (PACK.size, TICK_DTYPE.itemsize)
