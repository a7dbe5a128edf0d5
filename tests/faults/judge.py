"""What a trial is judged by: the gantry's own record of what truly moved, against the bound computed for its kind.

Owns the questions asked of a record and the arithmetic of bounds. Knows no process and no clock.
"""

from __future__ import annotations

import math
from dataclasses import asdict, dataclass, field
from typing import Any

import numpy as np

from controller.config.machine import Machine
from drivers.clock import NS_PER_MS, NS_PER_S
from drivers.twin.record import MotionRecord

STILL_MM = 0.02
"""A motor slower than 0.5 mm/s counts as standing; what is left of its lag is less than this."""

WATCHED_NS = NS_PER_S
REST_MM_S = 0.5
LAGS = 6
"""A first-order lag is down to a four-hundredth after so many time constants."""


@dataclass(frozen=True)
class Bound:
    """What a kind may cost at most: fault to first stop command, fault to standstill, way in between."""

    react_ms: float
    stand_ms: float
    travel_mm: float


@dataclass
class Trial:
    """One trial and its verdict; ``problems`` is empty when it is as it should be."""

    kind: str
    seed: int
    number: int
    phase: str
    end: str = ""
    reason: str = ""
    react_ms: float | None = None
    stand_ms: float | None = None
    travel_mm: float | None = None
    after_mm: float = 0.0
    bound: Bound | None = None
    real_time: bool = False
    note: str = ""
    broke: bool = False
    taken_ms: float = 0.0
    """The most that the host took of a core within a tenth of a second (real time; ``tests.faults.bystander``)."""
    voided: int = 0
    """So many trials before this one were thrown away since the host took more than the bound holds."""
    verdict_ms: float | None = None
    bytes_ms: float | None = None
    """From the fault to the guard's verdict and until its first stop bytes were written, by its latch (real time): what
    lies between ``bytes_ms`` and ``react_ms`` was the wire and the drives."""
    problems: list[str] = field(default_factory=list)

    def as_json(self) -> dict[str, Any]:
        """All of it, plain."""
        return asdict(self)


def braking(machine: Machine, how: str, speed_mm_s: float) -> tuple[float, float]:
    """Time (ms) and way (mm) from the first stop command to standstill at ``speed_mm_s``.

    ``quick``: quick stop at 6085h, the motor following with its lag. ``coast``: no torque, friction and brake
    alone. ``path``: controlled, at 0.7 of the path's acceleration limit. v/a and v^2/2a, plus the lag's share: the
    motor is behind its reference by lag x a at most, which takes a few lags to die out.
    """
    assert machine.twin is not None
    lag_s = max(axis.loop_lag_ms for axis in machine.twin.axes.values()) * 1e-3
    if how == "coast":
        rate, lag_s = min(axis.coast_mm_s2 for axis in machine.twin.axes.values()), 0.0
    elif how == "path":
        rate = 0.7 * machine.motion.acceleration_mm_s2
    else:
        rate = min(axis.drive.quick_stop_mm_s2 for axis in machine.axes.values())
    return (
        1000.0 * (speed_mm_s / rate + LAGS * lag_s),
        speed_mm_s**2 / (2.0 * rate) + speed_mm_s * lag_s,
    )


def bound(machine: Machine, react_ms: float, how: str, speed_mm_s: float) -> Bound:
    """Until the stop command the axes go on at ``speed_mm_s``; it acts at the next SYNC or at once; then they brake."""
    brake_ms, brake_mm = braking(machine, how, speed_mm_s)
    return Bound(
        react_ms, react_ms + brake_ms + 1.0, speed_mm_s * (react_ms + 1.0) * 1e-3 + brake_mm + STILL_MM
    )


def way_mm(record: MotionRecord, from_ns: int, to_ns: int) -> float:
    """Length of the motors' way in the plane between two instants."""
    if to_ns <= from_ns:
        return 0.0
    inside = record.motor_mm[(record.t_ns > from_ns) & (record.t_ns < to_ns)]
    first, last = record.motor_at([from_ns, to_ns])
    path = np.concatenate((first[None], inside, last[None]))
    return float(np.hypot(*np.diff(path, axis=0).T).sum())


def judge_motion(
    trial: Trial, record: MotionRecord, fault_ns: int, first_stop_ns: int | None, quiet_from_ns: int = 0
) -> None:
    """Fill in what the record says of a stop, and hold it against the trial's bound.

    Nothing may move from standstill on; after a stop on the path from the run's end on (``quiet_from_ns``): until then
    the trim takes back what is left of the error, slower than what counts as motion.
    """
    rest_ns = record.standstill_ns(fault_ns, REST_MM_S)
    if rest_ns is None:
        trial.problems.append("still moving at the end of the record")
        return
    watched_ns = record.end_ns - rest_ns
    if watched_ns < WATCHED_NS:
        trial.problems.append(f"watched for {watched_ns / NS_PER_MS:.0f} ms only")
    trial.stand_ms = (rest_ns - fault_ns) / NS_PER_MS
    trial.travel_mm = way_mm(record, fault_ns, rest_ns)
    trial.after_mm = way_mm(record, max(rest_ns, quiet_from_ns), record.end_ns)
    if first_stop_ns is not None:
        trial.react_ms = (first_stop_ns - fault_ns) / NS_PER_MS
    if trial.after_mm > STILL_MM:
        trial.problems.append(f"moved {trial.after_mm:.3f} mm after standstill")
    if trial.bound is None:
        return
    for what, got, allowed in (
        ("first stop command (ms)", trial.react_ms, trial.bound.react_ms),
        ("standstill (ms)", trial.stand_ms, trial.bound.stand_ms),
        ("way (mm)", trial.travel_mm, trial.bound.travel_mm),
    ):
        if got is not None and got > allowed:
            trial.problems.append(f"{what}: bound {allowed:.2f}, got {got:.2f}")


def judge_rest(trial: Trial, record: MotionRecord, from_ns: int) -> None:
    """A run that ended in order: nothing moves from its end on."""
    if record.end_ns - from_ns < WATCHED_NS:
        trial.problems.append(f"watched for {(record.end_ns - from_ns) / NS_PER_MS:.0f} ms only")
    trial.after_mm = way_mm(record, from_ns, record.end_ns)
    if trial.after_mm > STILL_MM:
        trial.problems.append(f"moved {trial.after_mm:.3f} mm after its end")


def percentile(values: list[float], percent: float) -> float:
    """Nearest rank; NaN of nothing."""
    if not values:
        return math.nan
    ordered = sorted(values)
    return ordered[max(0, math.ceil(percent / 100.0 * len(ordered)) - 1)]
