"""What the history says against the machine file: values that are old, that differ, or that homing contradicts.

Owns the judgements for ``giornata check``; moves nothing, writes nothing. Dates are those of the computer's clock when
each value was measured, set right by what the journal knows of settings of the clock since (``today_ms``).
"""

from __future__ import annotations

import contextlib
import json
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from controller.calibrate.values import numbers_of
from controller.config.counting import counted
from controller.config.derived import Warned
from controller.config.errors import InputError
from controller.config.load import load_machine, read_toml
from controller.config.machine import AXES, Machine
from controller.config.places import StateDir
from controller.config.tomlkeep import value_at
from controller.session import stopproof
from controller.session.calibrationkeep import is_field, words_of
from controller.session.calibrationrows import CalibrationRow
from controller.session.drifting import day, drift_now
from controller.session.journal import Journal

DAY_MS = 86_400_000

BY_PLACE = ("length_table", "play_table", "belt")
"""Fields of an axis that say something at places which homing gives: a drift moves what they say along."""


def against_file(machine_path: Path, state_root: Path | None, now_ms: int | None = None) -> list[Warned]:
    """``check_warnings`` of a machine file; a history that cannot be read is a warning of its own."""
    now_ms = time.time_ns() // 1_000_000 if now_ms is None else now_ms
    try:
        return check_warnings(load_machine(machine_path), machine_path, state_root, now_ms)
    except (InputError, OSError) as error:
        return [Warned("history", f"cannot be read: {error}", code="check-history")]


def check_warnings(
    machine: Machine, machine_path: Path, state_root: Path | None, now_ms: int
) -> list[Warned]:
    """All that the history has against this file; nothing where there is no history."""
    state = StateDir.at(state_root, machine.name)
    if not state.journal.exists():
        return _unproved(stopproof.wanted(machine))
    with contextlib.closing(Journal.read(state.journal, machine.name)) as journal:
        found = _unproved(stopproof.unproved(journal.calibration, machine))
        data, latest = read_toml(machine_path), journal.calibration.latest()
        found += _ages(journal, latest, machine.calibration.warn_after_days, now_ms)
        found += _differences(latest, data)
        found += _contradictions(journal, machine, latest)
    return found


def _unproved(names: tuple[str, ...]) -> list[Warned]:
    if not names:
        return []
    told = ", ".join(stopproof.words(name) for name in names)
    return [
        Warned(
            "stops",
            f"not proved on this wiring: {told}; nothing moves before giornata commission",
            code="stops-unproved",
        )
    ]


def today_ms(journal: Journal, row: CalibrationRow) -> int | None:
    """When a value was measured, by the clock that goes by now; None where a clock has gone back over a boot since.

    What the journal knows of settings of the clock is placed among runs: a value is as old as the last run of the
    session that measured it. One without a session (read off a sheet) keeps the time that the clock said then.
    """
    jumps = journal.jumps
    runs = journal.runs(row.session) if jumps.all and row.session is not None else []
    if not runs:
        return row.at_ms
    return jumps.today_ms(row.at_ms, "run", runs[-1].id) if jumps.is_known("run", runs[-1].id) else None


def _ages(
    journal: Journal, latest: dict[str, CalibrationRow], most_days: float, now_ms: int
) -> Iterator[Warned]:
    for field, row in latest.items():
        at_ms = today_ms(journal, row)
        if at_ms is None or at_ms > now_ms + DAY_MS:
            yield Warned(
                field,
                f"measured on {day(row.at_ms)} by a clock that was set since: nobody knows how long ago; measure it "
                "again",
                code="check-old",
            )
            continue
        days = (now_ms - at_ms) / DAY_MS
        if days > most_days:
            yield Warned(
                field,
                f"measured on {day(at_ms)}, {counted(round(days), 'day')} ago (more than {most_days:g}): measure it "
                "again",
                code="check-old",
            )


def _differences(latest: dict[str, CalibrationRow], data: dict[str, Any]) -> Iterator[Warned]:
    for field, row in latest.items():
        if not is_field(field) or not _differs(row, value_at(data, field)):
            continue
        sure = "" if row.measured.half_width is None else f" ± {row.measured.half_width:.3g}"
        yield Warned(
            field,
            f"the file says {words_of(json.dumps(value_at(data, field)))}; measured on {day(row.at_ms)}: "
            f"{words_of(json.dumps(row.measured.plain()))}{sure} {row.measured.unit} "
            f"(giornata calibration write {row.id})",
            code="check-file-differs",
        )


def _differs(row: CalibrationRow, stands: Any) -> bool:
    """Whether the file says something else than was measured, by more than the measurement's own interval."""
    said = row.measured.plain()
    if stands is None or isinstance(said, str | bool):
        return bool(stands != said)
    mine, its = numbers_of(row.measured.value), numbers_of(_tuples(stands))
    if len(mine) != len(its):
        return True
    room = row.measured.half_width or 1e-9
    return any(abs(a - b) > room for a, b in zip(mine, its, strict=True))


def _tuples(value: Any) -> Any:
    if isinstance(value, dict):
        return {name: _tuples(part) for name, part in value.items()}
    return tuple(value) if isinstance(value, list) else value


def _contradictions(
    journal: Journal, machine: Machine, latest: dict[str, CalibrationRow]
) -> Iterator[Warned]:
    """Values by place that were measured before the axis' home place drifted or jumped."""
    drift = drift_now(journal, machine)
    if drift is None:
        return
    for axis in AXES:
        judged, rows = drift.axes[axis], drift.homings[axis]
        since_ms = [rows[event.row].at_ms for event in judged.events if event.confirmed]
        what = judged.finding.value
        if judged.drifts:
            since_ms.append(rows[-1].at_ms)
            what = f"{judged.rate_mm_day:+.3f} mm a day"
        if not since_ms:
            continue
        for name in BY_PLACE:
            row = latest.get(f"axes.{axis}.{name}")
            if row is not None and (today_ms(journal, row) or row.at_ms) < max(since_ms):
                yield Warned(
                    row.measured.field,
                    f"measured on {day(row.at_ms)}, and since then homing has shown: {what} up to "
                    f"{day(max(since_ms))} (giornata drift): what it says of places may lie beside them",
                    code="check-drifted-since",
                )
