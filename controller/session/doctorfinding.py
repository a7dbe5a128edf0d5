"""What the doctor finds: one finding, its four states, and a few words for figures. Pure."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import Literal

State = Literal["good", "could be better", "must be mended", "cannot tell"]


@dataclass(frozen=True, slots=True)
class Figure:
    """A measured number with its unit."""

    value: float
    unit: str


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing looked at: what was measured, and what to do about it (nothing to do: an empty text)."""

    name: str
    state: State
    measured: str
    advice: str = ""
    figures: dict[str, Figure] = field(default_factory=dict)


def must_be_mended(findings: Iterable[Finding]) -> bool:
    """Whether one of them must be mended."""
    return any(one.state == "must be mended" for one in findings)


def percentile(ascending: Sequence[float], share: float) -> float:
    """The value that ``share`` (0 to 1) of the ``ascending`` ones do not exceed: nearest rank.

    Raises ValueError for none.
    """
    if not ascending:
        raise ValueError("expected at least one value")
    rank = -(-len(ascending) * share // 1)
    return ascending[min(len(ascending) - 1, max(0, int(rank) - 1))]


def us(value_ns: float) -> str:
    """A time in the unit it is best read in."""
    if value_ns >= 1e9:
        return f"{value_ns * 1e-9:.3g} s"
    if value_ns >= 1e6:
        return f"{value_ns * 1e-6:.3g} ms"
    return f"{value_ns * 1e-3:.3g} µs"
