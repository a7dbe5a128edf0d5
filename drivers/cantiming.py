"""Durations on a CAN bus, in whole nanoseconds and bits. Pure arithmetic over settings.

Owns the worst-case length of a frame and the instants at which the axes' commands are there.
"""

from __future__ import annotations

from drivers.settings import CanWire

_SETPOINT_BYTES = 6
"""Controlword (2) and target velocity (4)."""


def can_frame_bits_max(data_bytes: int, *, extended: bool = False) -> int:
    """Most bits that one CAN data frame can take on the wire, stuffing and inter-frame space included.

    g + 8 n + 13 + floor((g + 8 n - 1) / 4) with g = 34 for 11-bit and 54 for 29-bit identifiers. Source: Davis,
    Burns, Bril, Lukkien, "Controller Area Network (CAN) schedulability analysis", Real-Time Systems 35 (2007).
    """
    if not 0 <= data_bytes <= 8:
        raise ValueError(f"expected 0 to 8 data bytes, got {data_bytes}")
    overhead = 54 if extended else 34
    stuffed = overhead + 8 * data_bytes
    return stuffed + 13 + (stuffed - 1) // 4


def frame_ns(data_bytes: int, bitrate_bit_s: int) -> int:
    """Longest time that a frame with an 11-bit identifier takes on the bus."""
    return -(-can_frame_bits_max(data_bytes) * 1_000_000_000 // bitrate_bit_s)


def acts_after_ns(wire: CanWire, axes: int) -> tuple[int, ...]:
    """For each axis: from the SYNC of a tick until its command acts, on a bus that is free then.

    At once: the axes' frames follow the SYNC and one another, so each axis is one frame behind the one before it. At
    the SYNC there is no such difference. The SYNC's own frame is the same for all and shifts the whole picture in time.
    """
    if wire.pdo == "sync":
        return (0,) * axes
    one_ns = frame_ns(_SETPOINT_BYTES, wire.bitrate_bit_s)
    return tuple(one_ns * (place + 1) for place in range(axes))
