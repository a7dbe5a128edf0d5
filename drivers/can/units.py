"""What a drive tells of its own units, and whether that agrees with the settings. Pure but for ``read_told``.

Owns the arithmetic of the factor objects: 608Fh encoder increments a turn, 6091h gear, 6092h feed, 6094h velocity
factor (an older edition of CiA 402), 60A9h and 60AAh SI units of velocity and acceleration. Silence is accepted and
told; a contradiction is refused, since a wrong unit is a wrong speed and a wrong quick stop.

Codes of SI units (CiA 303-2; from memory, as public drive manuals quote them): byte 3 power of ten (signed), byte 2
numerator, byte 1 denominator, byte 0 reserved. B4h turn, B5h increment, C0h turn a minute; 03h s, 47h min, 57h s2.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from fractions import Fraction

from drivers.settings import DriveSettings

TOLERANCE = 1e-3
"""Relative difference that is still agreement: settings are written with a few digits."""

_TURN, _INCREMENT, _TURN_MIN = 0xB4, 0xB5, 0xC0
_SECOND, _MINUTE, _SECOND_2 = 0x03, 0x47, 0x57

TOLD: tuple[tuple[int, int, str, str], ...] = (
    (0x608F, 1, "I", "encoder increments"),
    (0x608F, 2, "I", "motor revolutions"),
    (0x6091, 1, "I", "gear's motor revolutions"),
    (0x6091, 2, "I", "gear's shaft revolutions"),
    (0x6092, 1, "I", "feed"),
    (0x6092, 2, "I", "feed's shaft revolutions"),
    (0x6094, 1, "I", "velocity factor's numerator"),
    (0x6094, 2, "I", "velocity factor's divisor"),
    (0x60A9, 0, "I", "SI unit of velocity"),
    (0x60AA, 0, "I", "SI unit of acceleration"),
)
"""(index, sub-index, layout, name) of every object that is asked for."""

Told = dict[tuple[int, int], int]
"""What a drive answered, by index and sub-index; what it does not have is left out."""


@dataclass(frozen=True, slots=True)
class Disagreement:
    """The drive tells another value than the settings; ``source`` are the objects that it comes from."""

    setting: str
    expected: float
    told: float
    source: str


@dataclass(frozen=True, slots=True)
class Judgement:
    """``wrong`` are contradictions, ``silent`` the settings of which the drive says nothing."""

    wrong: tuple[Disagreement, ...]
    silent: tuple[str, ...]


def counts_a_turn(told: Told) -> tuple[Fraction, str] | None:
    """Position units in one motor turn, and where that stands; None when the drive does not tell.

    CiA 402: position = internal increments x feed / (increments a turn x gear ratio), so that a motor turn is feed a
    shaft turn over motor turns a shaft turn where the drive has 6092h, and the encoder's increments where it has not.
    """
    increments = _ratio(told, 0x608F)
    feed = _ratio(told, 0x6092)
    if feed is not None:
        return feed / (_ratio(told, 0x6091) or Fraction(1)), "6092h and 6091h"
    return None if increments is None else (increments, "608Fh")


def velocity_unit(told: Told, counts_per_turn: int) -> tuple[Fraction, str] | None:
    """Counts/s of one velocity unit, and where that stands; None when the drive does not tell."""
    si = told.get((0x60A9, 0), 0)
    unit = _si(si, counts_per_turn, {_SECOND: Fraction(1), _MINUTE: Fraction(1, 60)})
    if unit is not None:
        return unit, f"60A9h = {si:08X}h"
    factor = _ratio(told, 0x6094)
    return None if factor is None else (factor, "6094h")


def acceleration_unit(told: Told, counts_per_turn: int) -> tuple[Fraction, str] | None:
    """Counts/s2 of one acceleration unit, and where that stands; None when the drive does not tell."""
    si = told.get((0x60AA, 0), 0)
    unit = _si(si, counts_per_turn, {_SECOND_2: Fraction(1), _SECOND: Fraction(1)}, per_second=True)
    return None if unit is None else (unit, f"60AAh = {si:08X}h")


def judge(drive: DriveSettings, told: Told) -> Judgement:
    """What the drive tells, held against the settings."""
    turn = drive.counts_per_turn
    wrong, silent = [], []
    for setting, expected, found in (
        ("counts_per_turn", float(turn), counts_a_turn(told)),
        ("velocity_unit_counts_s", drive.velocity_unit_counts_s, velocity_unit(told, turn)),
        ("acceleration_unit_counts_s2", drive.quick_stop_unit_counts_s2, acceleration_unit(told, turn)),
    ):
        if found is None:
            silent.append(setting)
        elif abs(float(found[0]) - expected) > TOLERANCE * expected:
            wrong.append(Disagreement(setting, expected, float(found[0]), found[1]))
    return Judgement(tuple(wrong), tuple(silent))


def read_told(read: Callable[[int, int, str, str], int | None]) -> Told:
    """Ask for every object of ``TOLD``; ``read`` answers None for what is not there."""
    told: Told = {}
    missing: set[int] = set()
    for index, subindex, layout, name in TOLD:
        if index in missing:
            continue
        value = read(index, subindex, layout, name)
        if value is None:
            missing.add(index)
        else:
            told[index, subindex] = value
    return told


def _ratio(told: Told, index: int) -> Fraction | None:
    over, under = told.get((index, 1), 0), told.get((index, 2), 0)
    return Fraction(over, under) if over and under else None


def _si(
    code: int, counts_per_turn: int, times: dict[int, Fraction], *, per_second: bool = False
) -> Fraction | None:
    """A unit's code as counts over its time; None for a code that is none of those above (0 is not told)."""
    power = (code >> 24) - 256 if code >> 31 else code >> 24
    numerator, denominator = code >> 16 & 0xFF, code >> 8 & 0xFF
    lengths = {_TURN: Fraction(counts_per_turn), _INCREMENT: Fraction(1)}
    if per_second:
        # A speed over seconds, or a length over seconds squared.
        lengths = lengths if denominator == _SECOND_2 else {_TURN_MIN: Fraction(counts_per_turn, 60)}
    elif numerator == _TURN_MIN and not denominator:
        return Fraction(counts_per_turn, 60) * Fraction(10) ** power
    if numerator not in lengths or denominator not in times:
        return None
    return lengths[numerator] * times[denominator] * Fraction(10) ** power
