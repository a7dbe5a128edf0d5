"""A session at a glance: what can be held against a yardstick, and whether it was well. Figures in, words out.

Owns the yardsticks of the report: the tick for timing, the machine file's limits for following errors, the width of
the traps for homings. Judges no more than these; a person judges the picture.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from controller.config.counting import counted
from controller.config.machine import AXES
from controller.report.gather import SessionData
from controller.report.stops import StopRow
from controller.report.tables import Lateness, PassSummary

FOLLOWING_SHARE = 0.5
"""A following error of more than this share of what the machine file allows is worth a look."""


@dataclass(frozen=True, slots=True)
class Finding:
    """One line: what was looked at, what was found, whether it was well and in which word."""

    what: str
    words: str
    well: bool
    verdict: str


def findings(
    data: SessionData, passes: Sequence[PassSummary], overall: Lateness, segments: npt.NDArray[np.void],
    stops: Sequence[StopRow],
) -> tuple[Finding, ...]:  # fmt: skip
    """All that this session can be held against."""
    found = [_painted(passes)] if passes else []
    if not data.is_virtual and overall.ticks:
        found.append(_timing(data, overall, segments))
    following = _following(data)
    if following is not None:
        found.append(following)
    if data.homings:
        refused = sum(not row.accepted for row in data.homings)
        words = f"{counted(len(data.homings), 'axis', 'axes')} homed, {refused} refused."
        found.append(Finding("Homing", words, not refused, "as wanted" if not refused else "look at it"))
    drift = data.history.drift
    if drift is not None and drift.allowance is not None and drift.compared < 2:
        words = f"No homing to compare yet; the traps allow {drift.allowance.allowed_mm:g} mm."
        found.append(Finding("Register", words, True, "not known yet"))
    elif drift is not None and drift.allowance is not None:
        used = drift.allowance
        words = f"{used.used_mm:.3f} of {used.allowed_mm:g} mm that the traps allow are used."
        found.append(Finding("Register", words, used.holds, "holds" if used.holds else "beyond the traps"))
    halts = [row for row in stops if row.is_halt]
    many = counted(len(halts), "stop or failed run", "stops or failed runs")
    words = "No stop latched, no run failed." if not halts else f"{many}."
    found.append(Finding("Stops", words, not halts, "none" if not halts else "read them below"))
    return tuple(found)


def _painted(passes: Sequence[PassSummary]) -> Finding:
    whole = sum(one.state == "finished" for one in passes)
    metres = sum(one.metres or 0.0 for one in passes)
    strokes = sum(one.strokes_finished for one in passes)
    words = (
        f"{counted(strokes, 'stroke', spec=',')}, {metres:,.1f} m, {whole} of {len(passes)} passes finished."
    )
    return Finding("Painted", words, whole == len(passes), "finished" if whole == len(passes) else "goes on")


def _timing(data: SessionData, overall: Lateness, segments: npt.NDArray[np.void]) -> Finding:
    tick_us = next(one.tick_ns for one in data.ticks if one.ticks) / 1000.0
    error_us = float(np.abs(segments["timing_error_ms"]).max()) * 1000.0 if len(segments) else 0.0
    well = max(overall.max_us, error_us) < tick_us
    words = f"latest tick {overall.max_us:,.0f} µs, worst segment {error_us:,.0f} µs; a tick is {tick_us:,.0f} µs."
    return Finding("Timing", words, well, "within one tick" if well else "beyond one tick")


def _following(data: SessionData) -> Finding | None:
    """The largest following error of each axis against what it was allowed."""
    if data.following_max_mm is None:
        return None
    worst: dict[str, tuple[float, float]] = {}
    for place, axis in enumerate(AXES):
        known = [np.abs(one.error_mm[:, place]) for one in data.ticks]
        largest = [float(np.nanmax(one)) for one in known if len(one) and not np.isnan(one).all()]
        if largest:
            worst[axis] = (max(largest), data.following_max_mm[place])
    if not worst:
        return None
    well = all(value <= FOLLOWING_SHARE * limit for value, limit in worst.values())
    words = ", ".join(f"{axis} {value:.3g} mm of {limit:g}" for axis, (value, limit) in worst.items())
    return Finding("Following error", f"largest: {words} allowed.", well, "small" if well else "look at it")
