"""How long our frames take on the bus. Pure arithmetic over settings, standard library and settings only.

Owns the worst-case length of a frame and the instants at which the axes' commands are there.
"""

from __future__ import annotations

from drivers.settings import CanWire

_RPDO1_BYTES = 6


def frame_bits_max(data_bytes: int) -> int:
    """Most bits of a data frame with an 11-bit identifier, stuffing and the space behind it included: 55 + 10 n.

    Source: Davis, Burns, Bril, Lukkien, "Controller Area Network (CAN) schedulability analysis: refuted, revisited and
    revised", Real-Time Systems 35 (2007).
    """
    stuffed = 34 + 8 * data_bytes
    return stuffed + 13 + (stuffed - 1) // 4


def frame_ns(data_bytes: int, bitrate_bit_s: int) -> int:
    """Longest time that a frame takes on the bus."""
    return -(-frame_bits_max(data_bytes) * 1_000_000_000 // bitrate_bit_s)


def acts_after_ns(wire: CanWire, axes: int) -> tuple[int, ...]:
    """For each axis: from the tick's instant until its command acts, on a bus that is free then.

    At once: the axes' frames follow one another, so each axis is one frame behind the one before it. At the SYNC: none.
    What the SYNC itself takes is the same for all and is left to the drives' own latency.
    """
    if wire.pdo == "sync":
        return (0,) * axes
    one_ns = frame_ns(_RPDO1_BYTES, wire.bitrate_bit_s)
    return tuple(one_ns * (place + 1) for place in range(axes))
