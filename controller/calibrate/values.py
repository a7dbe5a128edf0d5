"""A measured value of the machine file, and the refusal of a measurement that does not carry one.

Owns what every step of calibration hands on, whoever took it: a field, a value as it would stand in the machine file,
how sure it is and by what it was found. Knows no file, no journal and no way of measuring.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

Scalar = float | int | bool | str
Table = Mapping[str, float | tuple[float, ...]]
"""Fields of a small table, such as ``{"position_mm": (0.0, 1000.0), "error_mm": (0.0, 0.4)}``."""
Value = Scalar | tuple[float, ...] | Table

_FIELD: Final = re.compile(r"[a-z][a-z0-9_]*(\.[a-z][a-z0-9_]*)+")


class PoorFit(Exception):  # noqa: N818 (a finding about a measurement, no fault of a program)
    """A measurement from which no value is taken. ``expected`` and ``got`` say what a good one would have had;
    ``code`` is the entry of the catalogue that says more."""

    def __init__(self, what: str, expected: str, got: str, *, code: str) -> None:
        self.what = what
        self.expected = expected
        self.got = got
        self.code = code
        super().__init__(f"{what}: expected {expected}, got {got}")


@dataclass(frozen=True, slots=True)
class Measured:
    """One value that was measured.

    ``field``: its dotted path in the machine file, ``axes.x.play_mm`` or, for a table, ``axes.x.length_table``.
    ``value``: as it would stand in the file, in ``unit`` (for a table that of its values).
    ``half_width``: half the interval that holds the true value in 95 of 100 measurements of this kind; the widest one
    for a table; None where the method gives none (then ``note`` says why).
    ``method``: short name of the step that found it. ``n``: readings or samples that it rests on.

    Raises ValueError for a path that is none, for numbers that are not finite and for a negative half width.
    """

    field: str
    value: Value
    unit: str
    half_width: float | None
    method: str
    n: int
    note: str = ""

    def __post_init__(self) -> None:
        if not _FIELD.fullmatch(self.field):
            raise ValueError(f"field: expected a dotted path such as axes.x.play_mm, got {self.field!r}")
        if isinstance(self.value, Mapping):
            if not self.value:
                raise ValueError(f"{self.field}: expected a table with fields, got an empty one")
            own = {
                name: tuple(float(one) for one in part) if isinstance(part, (tuple, list)) else part
                for name, part in self.value.items()
            }
            object.__setattr__(self, "value", own)
        if not all(math.isfinite(one) for one in numbers_of(self.value)):
            raise ValueError(f"{self.field}: expected finite numbers, got {self.value!r}")
        if self.half_width is not None and not (math.isfinite(self.half_width) and self.half_width >= 0):
            raise ValueError(f"{self.field}: expected a half width of 0 or more, got {self.half_width!r}")
        if self.n < 1:
            raise ValueError(f"{self.field}: expected at least one reading, got {self.n}")

    def plain(self) -> Scalar | list[float] | dict[str, float | list[float]]:
        """The value of lists and dictionaries alone, as JSON and TOML know them."""
        if isinstance(self.value, Mapping):
            return {
                name: list(part) if isinstance(part, tuple) else part for name, part in self.value.items()
            }
        return list(self.value) if isinstance(self.value, tuple) else self.value


def numbers_of(value: Value) -> list[float]:
    """Every number of a value, in order; words and truths are none."""
    if isinstance(value, Mapping):
        return [number for part in value.values() for number in numbers_of(part)]
    if isinstance(value, tuple):
        return [float(one) for one in value]
    return [float(value)] if isinstance(value, (int, float)) and not isinstance(value, bool) else []
