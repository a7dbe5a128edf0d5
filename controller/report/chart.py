"""A chart as data: scales, panels one over another that share their x axis, what is drawn in them, where it leads.

Owns the description and the choice of tick marks. Knows no page and no picture: chartpage draws a chart into HTML,
chartpng as PNG, both from the same description. Colours are names of tokens (controller/report/pieces.py).
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Literal

import numpy as np
import numpy.typing as npt

Vector = npt.NDArray[np.float64]
Shape = Literal["round", "square", "cross"]

AIR = 0.04
"""Share of a linear scale left free beyond the data."""


def plain(value: float) -> str:
    """A number for a tick mark: no exponent below a million, thin spaces between thousands."""
    if abs(value) >= 10_000:
        return f"{value:,.0f}".replace(",", "\u2009")
    return f"{value:.6g}".replace("-", "\u2212")


@dataclass(frozen=True, slots=True)
class Scale:
    """An axis: ``low`` to ``high``, its label with unit, tick marks as (value, words)."""

    label: str
    low: float
    high: float
    marks: tuple[tuple[float, str], ...]
    log: bool = False

    def place(self, values: npt.ArrayLike) -> Vector:
        """Where values lie, 0 at ``low`` and 1 at ``high``; what lies beyond is set to the nearer end."""
        given = np.asarray(values, dtype=np.float64)
        if self.log:
            low, high = np.log10(self.low), np.log10(self.high)
            given = np.log10(np.maximum(given, self.low))
        else:
            low, high = self.low, self.high
        shares: Vector = np.clip((given - low) / (high - low), 0.0, 1.0)
        return shares


def linear(label: str, low: float, high: float, count: int = 5, *, tight: bool = False) -> Scale:
    """A linear scale over the data's ``low`` to ``high`` with about ``count`` marks at 1, 2 or 5 times a power of ten.

    tight: end where the data do, else leave a little air (not below a zero that is the low end).
    """
    if not high > low:
        apart = max(abs(low) * 0.1, 1e-6)
        low, high = (low, low + apart) if low == 0.0 else (low - apart, high + apart)
    raw = (high - low) / count
    power = 10.0 ** np.floor(np.log10(raw))
    step = float(power * next(factor for factor in (1.0, 2.0, 5.0, 10.0) if factor * power >= raw * 0.999))
    if not tight:
        air = AIR * (high - low)
        low, high = (low if low == 0.0 else low - air), high + air
    first = int(np.ceil(low / step - 1e-9))
    marks = tuple(
        (round(index * step, 12), plain(round(index * step, 12)))
        for index in range(first, int(np.floor(high / step + 1e-9)) + 1)
    )
    return Scale(label, low, high, marks)


def logarithmic(label: str, low: float, high: float) -> Scale:
    """A logarithmic scale from ``low`` (above 0) to ``high``, marks at powers of ten."""
    if not 0.0 < low < high:
        raise ValueError(f"expected 0 < low < high, got {low} and {high}")
    powers = range(int(np.ceil(np.log10(low) - 1e-9)), int(np.floor(np.log10(high) + 1e-9)) + 1)
    return Scale(label, low, high, tuple((10.0**power, plain(10.0**power)) for power in powers), log=True)


@dataclass(frozen=True, slots=True)
class Range:
    """From ``low`` to ``high`` (m,) over each piece ``left`` to ``right`` (m,) of the x axis."""

    left: Vector
    right: Vector
    low: Vector
    high: Vector
    colour: str
    label: str = ""


@dataclass(frozen=True, slots=True)
class Marks:
    """Points (m,), joined by lines or not; a shape beside the colour tells series apart."""

    x: Vector
    y: Vector
    colour: str
    shape: Shape = "round"
    label: str = ""
    joined: bool = False


@dataclass(frozen=True, slots=True)
class Bars:
    """A histogram: ``heights`` (m,) over ``edges`` (m + 1,)."""

    edges: Vector
    heights: Vector
    colour: str
    label: str = ""


@dataclass(frozen=True, slots=True)
class Rule:
    """A yardstick: a line across the panel at ``at`` of the y axis, or of the x axis where it stands ``upright``."""

    at: float
    label: str
    upright: bool = False
    colour: str = "ink"


@dataclass(frozen=True, slots=True)
class Peak:
    """A numbered point that leads somewhere; ``words`` say what is there."""

    number: int
    x: float
    y: float
    target: str
    words: str


@dataclass(frozen=True, slots=True)
class Span:
    """A shaded stretch of the x axis with its name."""

    low: float
    high: float
    words: str


@dataclass(frozen=True, slots=True)
class Column:
    """A stretch of the x axis that can be linked to by ``identity``; leads to ``target`` where that is not empty."""

    low: float
    high: float
    identity: str
    target: str
    words: str


@dataclass(frozen=True, slots=True)
class Panel:
    """One field of a chart. ``title``: what its y axis is, when that needs more words than the label."""

    y: Scale
    series: tuple[Range | Marks | Bars, ...]
    rules: tuple[Rule, ...] = ()
    peaks: tuple[Peak, ...] = ()
    title: str = ""


@dataclass(frozen=True, slots=True)
class Chart:
    """``name``: of its files. ``alternative``: what it shows, for who cannot see it; ``caption``: HTML already."""

    name: str
    title: str
    x: Scale
    panels: tuple[Panel, ...]
    alternative: str
    caption: str = ""
    spans: tuple[Span, ...] = ()
    columns: tuple[Column, ...] = field(default=())

    @property
    def legend(self) -> tuple[tuple[str, str, str], ...]:
        """Label, colour and shape of each series that has a label, each once."""
        found: dict[str, tuple[str, str, str]] = {}
        for panel in self.panels:
            for one in panel.series:
                if one.label:
                    shape = one.shape if isinstance(one, Marks) else "area"
                    found.setdefault(one.label, (one.label, one.colour, shape))
        return tuple(found.values())


def spread(values: Iterable[float], count: int, apart: float, at: Iterable[float]) -> list[int]:
    """Places of the ``count`` largest ``values``, each at least ``apart`` from those chosen before along ``at``."""
    given, along = np.array(list(values), dtype=np.float64), np.array(list(at), dtype=np.float64)
    chosen: list[int] = []
    for place in np.argsort(-np.nan_to_num(given, nan=-np.inf), kind="stable").tolist():
        if len(chosen) >= count or not np.isfinite(given[place]):
            break
        if all(abs(along[place] - along[other]) >= apart for other in chosen):
            chosen.append(place)
    return chosen
