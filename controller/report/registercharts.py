"""Charts of where the machine stands: homings over its life, what of the traps' width they used, marks as found.

Takes the journal's rows and what controller/session/drifting.py judged; gives charts. Judges nothing itself.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from controller.config.machine import AXES
from controller.report.chart import Chart, Marks, Panel, Rule, Scale, Span, linear, plain
from controller.report.history import History
from controller.session.drifting import MachineDrift, is_jump
from controller.session.rows import HomingRow, MapRow

Vector = npt.NDArray[np.float64]
LOOKS = {"x": ("blue", "round"), "y": ("orange", "square")}
ASIDE = {"x": -0.08, "y": 0.08}
"""Side by side, not one on the other."""


def _numbered(label: str, count: int) -> Scale:
    step = max(1, -(-count // 10))
    marks = tuple((float(value), plain(value)) for value in range(1, count + 1, step))
    return Scale(label, 0.4, count + 0.6, marks)


def homing_numbers(history: Sequence[HomingRow]) -> npt.NDArray[np.int64]:
    """1, 2, ... for each homing; the axes of one homing share its number."""
    keys = [(row.session, row.run, row.at_ms) for row in history]
    change = [index == 0 or key != keys[index - 1] for index, key in enumerate(keys)]
    return np.cumsum(np.array(change, dtype=np.int64))


def homing_chart(history: Sequence[HomingRow], session: int) -> Chart | None:
    """Spread of the touches and difference from the homing before, over all homings in the journal."""
    if not history:
        return None
    numbers = homing_numbers(history).tolist()
    spread: list[Marks] = []
    difference: list[Marks] = []
    for axis in AXES:
        colour, shape = LOOKS[axis]
        mine = [
            (number + ASIDE[axis], row)
            for number, row in zip(numbers, history, strict=True)
            if row.axis == axis
        ]
        spread.append(_marks([(n, 1000 * row.spread_mm) for n, row in mine], colour, shape, f"axis {axis}"))
        difference.append(
            _marks(
                [(n, 1000 * row.difference_mm) for n, row in mine if row.difference_mm is not None],
                colour, shape, f"axis {axis}",
            )
        )  # fmt: skip
    refused = [(n, 1000 * row.spread_mm) for n, row in zip(numbers, history, strict=True) if not row.accepted]
    if refused:
        spread.append(_marks(refused, "vermillion", "cross", "refused", joined=False))
    known = np.concatenate([one.y for one in difference])
    reach = max(float(np.abs(known).max()) if len(known) else 0.0, 1.0)
    here = [n for n, row in zip(numbers, history, strict=True) if row.session == session]
    spans = (Span(min(here) - 0.5, max(here) + 0.5, "this session"),) if here and min(here) > 1 else ()
    return Chart(
        "homing",
        "Homing",
        _numbered("homing, counted in the journal", int(numbers[-1])),
        (
            Panel(
                linear("µm", 0.0, max(1000 * row.spread_mm for row in history)), tuple(spread), (), (),
                "spread of the touches of one homing, µm",
            ),
            Panel(
                linear("µm", -reach, reach, 4), tuple(difference), (Rule(0.0, "", colour="grey"),), (),
                "difference from the accepted homing before (drift shows as one sign after another), µm",
            ),
        ),
        "Spread of the touches and difference from the homing before, over all homings in the journal",
        "All homings in the journal" + ("; this session's are shaded." if spans else "."),
        spans,
    )  # fmt: skip


def _marks(
    points: Sequence[tuple[float, float]], colour: str, shape: str, label: str, *, joined: bool = True
) -> Marks:
    values = np.array(points, dtype=np.float64).reshape(-1, 2)
    drawn = "round" if shape == "round" else "square" if shape == "square" else "cross"
    return Marks(values[:, 0], values[:, 1], colour, drawn, label, joined)  # type: ignore[arg-type]


@dataclass(frozen=True, slots=True)
class Used:
    """homing: (m,) 1, 2, ... of those that count; at_ms: (m,); used_mm: (m,) largest distance between the places of any
    two homings up to each."""

    homing: npt.NDArray[np.int64]
    at_ms: npt.NDArray[np.int64]
    used_mm: Vector


def used_over_time(drift: MachineDrift) -> Used:
    """What of the traps' width was used after each homing since the job's places count.

    As ``controller.register.drift.allowance`` reckons it, whose answer is the last value: models of both axes, jumps
    that a person found to be the belt's taken out, for homing makes up for those.
    """
    rows = drift.homings[AXES[0]]
    since = drift.job.since_ms if drift.job is not None else None
    start = 0 if since is None else max(sum(row.at_ms <= since for row in rows) - 1, 0)
    levels: list[Vector] = []
    for axis in AXES:
        level = drift.axes[axis].level_mm.copy()
        for event in drift.axes[axis].events:
            look = drift.look_of.get((axis, event.row))
            if look is not None and look.cause == "belt" and is_jump(event):
                level[event.row :] -= event.size_mm
        levels.append(level[start:])
    places = np.column_stack(levels)
    used = np.zeros(len(places))
    for row in range(1, len(places)):
        used[row] = max(used[row - 1], float(np.hypot(*(places[:row] - places[row]).T).max()))
    return Used(
        np.arange(start + 1, start + len(places) + 1),
        np.array([row.at_ms for row in rows[start:]], dtype=np.int64),
        used,
    )


def used_chart(history: History) -> Chart | None:
    """Used of the traps' width over the homings since the job began; None where nothing can be compared."""
    drift = history.drift
    if drift is None or drift.job is None or drift.job.since_ms is None:
        return None
    found = used_over_time(drift)
    top = max(float(found.used_mm.max()), history.traps_mm or 0.0, 1e-3)
    rules = (
        () if history.traps_mm is None else (Rule(history.traps_mm, f"traps allow {history.traps_mm:g} mm"),)
    )
    homings = found.homing.astype(np.float64)
    return Chart(
        "register",
        "Register against the traps",
        Scale(
            "homing, counted since the counters' last new start", float(homings[0]) - 0.6, float(homings[-1]) + 0.6,
            _numbered("", int(homings[-1])).marks,
        ),
        (
            Panel(
                linear("mm", 0.0, 1.05 * top), (Marks(homings, found.used_mm, "blue", "round", "used so far", True),),
                rules, (), "largest distance between the places of any two homings of this job, mm",
            ),
        ),
        "What of the traps' width the homings of this job have used, homing by homing, with the width as yardstick",
        "Two passes may differ by as much as the traps are wide before canvas shows between them.",
    )  # fmt: skip


def marks_chart(maps: Sequence[MapRow], traps_mm: float | None) -> Chart | None:
    """How far off each mark was found whenever marks were measured; None where none were."""
    if not maps:
        return None
    x, y = [], []
    for number, row in enumerate(maps, 1):
        for mark in row.marks:
            x.append(float(number))
            y.append(float(np.hypot(*np.subtract(mark.measured_mm, mark.nominal_mm))))
    rules = () if traps_mm is None else (Rule(traps_mm, f"traps allow {traps_mm:g} mm"),)
    return Chart(
        "marks",
        "Marks as they were found",
        _numbered("measuring of the marks", len(maps)),
        (
            Panel(
                linear("mm", 0.0, max([*y, traps_mm or 0.0, 1e-3])),
                (Marks(np.array(x), np.array(y), "purple", "square", "one mark", False),), rules, (),
                "distance of a mark from where it should be, by the map until then, mm",
            ),
        ),
        "How far from their places the marks were found, measuring by measuring",
        "After each measuring a new map takes these distances out.",
    )  # fmt: skip
