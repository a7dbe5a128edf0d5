"""What the doctor finds: one finding, its four states, and a few words for figures. Pure."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import Final, Literal

FINDING_CODES: Final = {
    name: f"doctor-{name.replace(' ', '-').lower()}"
    for name in (
        "real-time scheduling", "real-time throttling", "locked memory", "cores", "clock", "processor frequency",
        "taken away by a host", "port", "USB latency timer", "CAN interface", "wire", "wire load", "drives", "drive",
        "round trip", "timer latency", "feedback age", "rate",
    )
}  # fmt: skip
"""By the name of a finding. Of names that go on with an axis (``drive x (node 1)``), the part before it."""

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

    @property
    def code(self) -> str:
        """The catalogue's entry for what was looked at."""
        whole = FINDING_CODES.get(self.name)
        return whole or next(code for name, code in FINDING_CODES.items() if self.name.startswith(f"{name} "))


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
