"""What the service tells the streamer to do, and what the streamer answers: JSON files and lines.

The service writes a ``StreamSpec`` to a file and starts ``python -m controller.stream SPEC.json``. The child
writes JSON lines to standard output: before the loop ``{"event": "ready", ...}`` (host rights, guard armed), after it
``{"event": "outcome", ...}`` (a ``StreamOutcome``). It prints nothing while it streams. SIGTERM asks for a
controlled stop: decelerate on the path, raise the pen, end. SIGUSR2 asks for the same, and SIGUSR1 for an end after the
stroke in work; a stop may follow either.
"""

from __future__ import annotations

from typing import Literal

from pydantic import BaseModel, ConfigDict


class _Message(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)


class HomingTask(_Message):
    """Home all axes in the machine's order."""

    kind: Literal["homing"] = "homing"


class MoveTask(_Message):
    """Pen up, straight to a place (machine mm). Needs ``offset_counts``."""

    kind: Literal["move"] = "move"
    target_mm: tuple[float, float]


class ScheduleTask(_Message):
    """Stream a prepared schedule from its folder, from ``first_segment`` on. Needs ``offset_counts``.

    The streamer first moves to where that segment starts, pen up.
    """

    kind: Literal["schedule"] = "schedule"
    folder: str
    first_segment: int = 0
    last_segment: int | None = None


class HoldTask(_Message):
    """Stand where the machine stands, drives enabled and guard armed, for so long or until asked to end."""

    kind: Literal["hold"] = "hold"
    seconds: float


class JogTask(_Message):
    """Pen up, one axis by so much (axis mm, signed) from wherever it stands; the other stands. Needs no homing.

    Without one it is slow and short (``prepare.BLIND_SPEED_MAX_MM_S``, ``prepare.BLIND_WAY_MAX_MM``).
    """

    kind: Literal["jog"] = "jog"
    axis: Literal["x", "y"]
    distance_mm: float
    speed_mm_s: float
    acceleration_mm_s2: float


class WaitTask(_Message):
    """Stand until a person closes an input of an axis' drive that was open before, for so long at most.

    ``negative-limit`` and ``positive-limit`` are in the drive's own counting direction. Needs no homing.
    """

    kind: Literal["wait"] = "wait"
    axis: Literal["x", "y"]
    input: Literal["negative-limit", "positive-limit", "home"]
    seconds: float


Task = HomingTask | MoveTask | ScheduleTask | HoldTask | JogTask | WaitTask


class StreamSpec(_Message):
    """One life of the streamer: its tasks, one after another, under one armed guard.

    ``offset_counts`` (x, y): raw counts = machine mm x signed counts per mm + offset; needed unless the first task
    is a homing. ``previous_homing``: the last accepted homing of the same counters, to judge a new one by.
    ``head_channel``: the simulated gantry's port of a head that has one of its own.
    ``trace_path``: where what passes on the wire is put down, into a ring of ``trace_mib`` MiB; nowhere without it.
    """

    run: str
    machine_file: str
    channel: str
    head_channel: str | None = None
    tasks: tuple[Task, ...]
    ring_path: str
    guard_socket: str | None
    latch_path: str
    offset_counts: tuple[float, float] | None = None
    core: int | None = None
    service_pid: int | None = None
    previous_homing: tuple[AxisHomingResult, ...] = ()
    trace_path: str | None = None
    trace_mib: int = 0


class AxisHomingResult(_Message):
    """Touches of one axis as the streamer measured them."""

    axis: str
    touches_counts: tuple[float, ...]
    mean_counts: float
    spread_mm: float
    offset_counts: float


class StreamOutcome(_Message):
    """How the streamer's life ended.

    ``end``: done; stopped (a controlled stop, or an end after the stroke in work, was asked for); failed (a task could
    not be finished, such as a homing out of tolerance: the machine stands still under control, no latch); halted (guard
    or a fault; a latch stands); refused (nothing moved). ``tick`` is the last tick sent; ``segment`` the one it belongs
    to (of the schedule, -1 outside one).
    """

    end: Literal["done", "stopped", "failed", "halted", "refused"]
    reason: str = ""
    code: str = ""
    """The entry of the catalogue of remedies that explains ``reason``; empty where there is none."""
    tick: int = 0
    segment: int = -1
    homing: tuple[AxisHomingResult, ...] = ()
    realtime: bool = False
    notes: tuple[str, ...] = ()
