"""The stop of a Modbus line as ready-made bytes, for ourselves and for the guard. Pure.

A broadcast writes the quick stop word into the control register of every drive at once, so all maps on a line must
agree in both. Behind it each drive is told by name, in an exchange that also reads its position: that proves that it
stands.
"""

from __future__ import annotations

from drivers.errors import MisuseError
from drivers.interface import StandstillWord, StopPlan
from drivers.modbus import frames
from drivers.settings import GroupSettings, registers_of

KINDS = {"high-first": "modbus-rtu", "low-first": "modbus-rtu-low-first"}
"""Kinds of the guard's wire by the order of words."""


def broadcast_stop(settings: GroupSettings) -> tuple[bytes, ...]:
    """The stop that reaches every drive. Raises MisuseError when the maps do not agree in it."""
    maps = [registers_of(name, drive) for name, drive in settings.axes.items()]
    stops = {(registers.control, registers.quick_stop_word, registers.word_order) for registers in maps}
    if len(stops) != 1:
        raise MisuseError(
            "registers",
            "the same control, quick_stop_word and word_order for all drives of a line: a stop goes to all at once",
            "different ones",
        )
    control, word, _ = stops.pop()
    return (frames.write_one(frames.BROADCAST, control, word).frame,)


def modbus_stop_plan(settings: GroupSettings, channel: str) -> StopPlan:
    """Broadcast stop, and a stop by name with a look at the position for each axis, all equally long.

    ``end_frame`` is empty: on this wire silence ends a frame, and the guard keeps it by the line's own speed.
    """
    stop = broadcast_stop(settings)
    polls, words = [], []
    for name, drive in settings.axes.items():
        registers = registers_of(name, drive)
        polls.append(
            frames.read_write(
                drive.node_id, registers.position, 2, registers.control, [registers.quick_stop_word]
            ).frame
        )
        words.append(
            StandstillWord(
                axis=name,
                can_id=drive.node_id,
                offset_bytes=0,
                length_bytes=4,
                resolution_um=float(1000 / drive.counts_per_mm),
            )
        )
    order = registers_of(*next(iter(settings.axes.items()))).word_order
    return StopPlan(KINDS[order], channel, b"", stop, b"".join(polls), tuple(words))
