"""From the numbers in a drive's frames to our integers and back, exact. Pure.

Our side keeps positions in whole counts and velocities in whole units, one unit being one step of the drive's own
velocity command: what is planned in it is what the drive gets. With fractions, *ours = factor x number + add*.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from fractions import Fraction

from drivers.described.format import DataField, DriveFile

FLOAT_BITS = 24
"""Significant bits of an f32 (IEEE 754 binary32)."""


def per_unit(drive: DriveFile, field: DataField) -> Fraction:
    """Counts, or counts per second, in one of the field's unit; 1 for quantities that have no such unit."""
    turn = Fraction(drive.position.counts_per_turn)
    return {
        "turns": turn,
        "turns_s": turn,
        "degrees": turn / 360,
        "deg_s": turn / 360,
        "rpm": turn / 60,
    }.get(field.unit, Fraction(1))


def commanded_velocity(drive: DriveFile) -> DataField:
    """The field in which we command velocities. Raises ValueError when no frame of the command has it."""
    for frame in drive.commands.velocity:
        if (field := frame.field("velocity")) is not None:
            return field
    raise ValueError("commands.velocity: expected a field velocity in one of its frames, got none")


def velocity_unit_counts_s(drive: DriveFile) -> Fraction:
    """Counts per second of one of our velocity units: one step of what is commanded."""
    field = commanded_velocity(drive)
    step = Fraction(str(field.step)) if field.step is not None else field.scale_exact
    return step * per_unit(drive, field)


@dataclass(frozen=True, slots=True)
class Linear:
    """Ours = factor x number + add, kept as ``(numerator x number + addend) / denominator``."""

    numerator: int
    addend: int
    denominator: int

    @classmethod
    def of(cls, factor: Fraction, add: Fraction) -> Linear:
        """From fractions."""
        denominator = math.lcm(factor.denominator, add.denominator)
        return cls(int(factor * denominator), int(add * denominator), denominator)

    @property
    def is_whole(self) -> bool:
        """Whether every number in a frame is a whole one of ours."""
        return self.denominator == 1

    @property
    def is_same(self) -> bool:
        """Whether the number in the frame is ours."""
        return self.numerator == self.denominator == 1 and not self.addend

    def ours(self, number: int) -> int:
        """The nearest of ours; of two as near, the larger."""
        if self.denominator == 1:
            return self.numerator * number + self.addend
        return (2 * (self.numerator * number + self.addend) + self.denominator) // (2 * self.denominator)

    def number(self, ours: int) -> int:
        """The number in the frame. Raises ValueError when no whole number means it."""
        number, rest = divmod(ours * self.denominator - self.addend, self.numerator)
        if rest:
            raise ValueError(f"a value on the drive's own steps (of {self.numerator}), got {ours}")
        return number


@dataclass(frozen=True, slots=True)
class FloatLinear:
    """The same for a floating-point number in the frame."""

    factor: float
    add: float

    def ours(self, number: float) -> int:
        """The nearest of ours. Raises ValueError for what is no finite number."""
        if not math.isfinite(number):
            raise ValueError(f"a finite number, got {number}")
        return round(number * self.factor + self.add)

    def number(self, ours: int) -> float:
        """The number that the frame carries, before it is rounded to an f32."""
        return (ours - self.add) / self.factor


def fractions_of(drive: DriveFile, field: DataField) -> tuple[Fraction, Fraction]:
    """Factor and addend of ``ours = factor x number + add``."""
    per = per_unit(drive, field)
    if field.name == "velocity":
        per /= velocity_unit_counts_s(drive)
    return field.scale_exact * per, field.offset_exact * per


def scaling(drive: DriveFile, field: DataField) -> Linear | FloatLinear:
    """How the field's number becomes ours."""
    factor, add = fractions_of(drive, field)
    return FloatLinear(float(factor), float(add)) if field.is_float else Linear.of(factor, add)


def told_apart_to(factor: Fraction) -> float:
    """The magnitude below which an f32 tells all whole multiples of 1 / ``factor`` apart.

    Numbers from 2^k up to 2^(k+1) lie 2^(k-23) apart (IEEE 754 binary32); each of ours is found again when that is less
    than the distance of two of ours, 1 / factor.
    """
    k = math.floor(math.log2((1 << FLOAT_BITS - 1) / factor))
    while Fraction(2) ** k * factor >= 1 << FLOAT_BITS - 1:
        k -= 1
    return 2.0 ** (k + 1)


def limits(drive: DriveFile, field: DataField) -> tuple[int, int]:
    """The least and the largest of ours that may be commanded in a field."""
    factor, add = fractions_of(drive, field)
    if field.is_float:
        most = told_apart_to(factor)
        low, high = math.ceil(-Fraction(most) * factor + add), math.floor(Fraction(most) * factor + add)
    else:
        least, largest = field.raw_range
        low, high = math.ceil(least * factor + add), math.floor(largest * factor + add)
    per = factor / field.scale_exact
    if field.min is not None:
        low = max(low, math.ceil(Fraction(str(field.min)) * per))
    if field.max is not None:
        high = min(high, math.floor(Fraction(str(field.max)) * per))
    return low, high


def position_span_counts(drive: DriveFile) -> int:
    """Counts after which the reported position begins anew; 0 for one that does not (f32)."""
    if drive.position.wrap_counts is not None:
        return drive.position.wrap_counts
    for reply in drive.replies:
        field = reply.field("position")
        if field is not None and not field.is_float:
            return int(fractions_of(drive, field)[0] * (1 << field.bits_wide))
    return 0
