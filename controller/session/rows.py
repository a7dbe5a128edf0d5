"""The journal's rows as plain records. Data only."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Literal

RunEnd = Literal["done", "stopped", "failed", "halted", "refused", "died"]
PassEnd = Literal["stopped", "halted", "finished"]
LookCause = Literal["belt", "switch", "unknown"]
"""What a person found to have moved: belt or pulley, for which homing makes up, or a switch, for which it does not."""

Matrix = tuple[tuple[float, float, float], tuple[float, float, float]]
"""A register map as controller/motion/geometry.py takes it."""


@dataclass(frozen=True, slots=True)
class SessionRow:
    """One session: from the start of a command that may move the machine to its end."""

    id: int
    verb: str
    job: str
    clock: str
    begun_ms: int
    ended_ms: int | None
    end: str | None


@dataclass(frozen=True, slots=True)
class RunRow:
    """One life of the streamer. ``pass_id`` is None for homing and moves; ``end`` None while it runs or when the
    service died over it. ``realtime``: whether real-time rights were got."""

    id: int
    session: int
    pass_id: int | None
    what: str
    folder: Path
    first_segment: int
    begun_ms: int
    ended_ms: int | None
    end: str | None
    reason: str | None
    realtime: bool | None


@dataclass(frozen=True, slots=True)
class HomingRow:
    """One axis of one homing. ``difference_mm`` from the last accepted one; None when there was none."""

    axis: str
    touches_counts: tuple[float, ...]
    mean_counts: float
    spread_mm: float
    offset_counts: float
    difference_mm: float | None
    accepted: bool = False
    reason: str = ""
    session: int = 0
    run: int | None = None
    at_ms: int = 0
    id: int = 0


@dataclass(frozen=True, slots=True)
class PassRow:
    """One pass, by name ``<ink>-<number>``. It may take several runs in several sessions; ``folder`` holds strokes.npz
    and schedule/. ``plan_key``: what its schedule was made from but for the register map; empty where unknown."""

    id: int
    session: int
    job: str
    job_digest: str
    name: str
    ink: str
    ink_index: int
    schedule_digest: str
    folder: Path
    strokes: int
    state: str
    begun_ms: int
    ended_ms: int | None
    plan_key: str = ""


@dataclass(frozen=True, slots=True)
class InterruptionRow:
    """How far a run had come that did not end in order.

    stroke: the one in the middle of which it ended, None when the pen was up. The pen's way from that stroke's start is
    between low_mm and high_mm of length_mm; sent_ticks of of_ticks are known to have been sent. doubtful: later strokes
    that may have been touched. pen_m: metres that the pen had painted by then. note: what the account goes by.
    """

    run: int
    pass_id: int
    stroke: int | None
    sent_ticks: int
    of_ticks: int
    low_mm: float
    high_mm: float
    length_mm: float
    doubtful: tuple[int, ...]
    pen_m: float
    note: str
    at_ms: int = 0


@dataclass(frozen=True, slots=True)
class LookRow:
    """A person looked at the machine after the homing with id ``homing``."""

    id: int
    at_ms: int
    homing: int
    cause: LookCause
    reason: str
    person: str


@dataclass(frozen=True, slots=True)
class MarkMeasured:
    """A mark's nominal place, and where it was found by the map then in force; both canvas mm."""

    name: str
    nominal_mm: tuple[float, float]
    measured_mm: tuple[float, float]


@dataclass(frozen=True, slots=True)
class MapRow:
    """A register map of a job, whole: composed with the one that it replaced. ``summary``: what was said of the fit."""

    id: int
    job: str
    session: int | None
    at_ms: int
    matrix: Matrix
    marks: tuple[MarkMeasured, ...]
    summary: tuple[str, ...]
    person: str


@dataclass(frozen=True, slots=True)
class EventRow:
    """A stop, a latch, a note."""

    id: int
    session: int | None
    at_ms: int
    kind: str
    text: str
