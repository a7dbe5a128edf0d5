"""The samples of a driven identification: a session's test and timing log as commands and readings of one axis.

Owns which record says what at which instant. Reckons nothing: what they mean is ``controller/calibrate``'s.

A record of tick k holds what was sent at its ``sent_ns``, and, where its feedback is fresh, the places that the drives
sampled at the SYNC of tick k - 1, that is at the ``sent_ns`` of the record before (docs/timing-log.md). Wires without
SYNC bring their places back to the same instant by the drive's own speed (docs/drivers.md).
"""

from __future__ import annotations

from contextlib import closing
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt
from pydantic import ValidationError

from controller.calibrate.identify import Samples
from controller.config.counting import counted
from controller.config.errors import InputError, Mistake
from controller.config.load import load_machine
from controller.config.machine import AXES, Machine
from controller.config.places import StateDir
from controller.motion.probe import Part, Test, load_test
from controller.motion.probesteps import BrakeTest, StepsTest
from controller.session.journal import Journal
from controller.session.measure import measured_folder
from controller.stream.record import TICK_DTYPE
from controller.stream.spec import ScheduleTask, StreamSpec
from controller.stream.timinglog import TimingLogError, read_timing_log

FLAG_FRESH = 1
SAMPLES_CHARACTERS_MAX = 20_000_000
BEFORE_NS = 300_000_000
"""Commands this long before a part are looked at too: what was sent before acts on into it."""

Records = npt.NDArray[np.void]


@dataclass(frozen=True, slots=True)
class DrivenTest:
    """An identification that was driven. ``records``: the schedule's ticks; ``notes``: what is missing of them."""

    machine: Machine
    session: int
    test: StepsTest | BrakeTest
    parts: tuple[Part, ...]
    records: Records
    notes: tuple[str, ...]

    @property
    def index(self) -> int:
        """The axis that was driven: 0 for x, 1 for y."""
        return AXES.index(self.test.axis)


def read_driven(state: StateDir, session_id: int) -> DrivenTest:
    """A session's identification. Raises InputError when it drove none to its end or its log cannot be read."""
    with closing(Journal.read(state.journal)) as journal:
        runs = [
            run for run in journal.runs(session_id) if run.what in ("steps", "brake") and run.end == "done"
        ]
    if not runs:
        raise InputError(
            [
                Mistake(
                    state.journal,
                    "session",
                    "one that drove steps or brakes to their end",
                    f"{session_id}",
                    code="session-unknown",
                )
            ]
        )
    run = runs[-1]
    test, parts, _ = load_test(measured_folder(state, session_id))
    folder = run.folder if run.folder.is_dir() else state.runs / run.folder.name
    if not isinstance(test, StepsTest | BrakeTest):
        raise InputError([Mistake(folder, "test", "steps or brakes", test.kind, code="session-unknown")])
    try:
        spec = StreamSpec.model_validate_json((folder / "spec.json").read_bytes())
        log = read_timing_log(folder / "timing.gtl")
    except (OSError, ValidationError, TimingLogError) as error:
        raise InputError(
            [Mistake(folder, "run", "its spec and timing log", str(error), code="run-not-read")]
        ) from None
    notes = tuple(
        f"timing log at byte {damage.offset}, {counted(damage.length, 'byte')} left out: {damage.what}"
        for damage in log.damage
    )
    machine = load_machine(Path(spec.machine_file))
    task = next(index for index, one in enumerate(spec.tasks) if isinstance(one, ScheduleTask))
    records = log.records[(log.records["task"] == task) & (log.records["segment"] >= 0)]
    return DrivenTest(machine, session_id, test, parts, records, notes)


def samples_of(driven: DrivenTest, names: frozenset[str]) -> list[Samples]:
    """Commands and readings of every part that is called one of ``names``, in order; parts without a tick left out."""
    found = []
    for number, part in enumerate(driven.parts):
        mine = np.flatnonzero(driven.records["segment"] == number)
        if part.what in names and len(mine):
            found.append(
                samples(driven.machine, driven.index, driven.records, int(mine[0]), int(mine[-1]) + 1)
            )
    return found


def samples(machine: Machine, index: int, records: Records, begin: int, end: int) -> Samples:
    """Commands and readings of axis ``index`` in records ``begin`` to ``end``, in axis mm and its direction.

    Readings count where this record's feedback is fresh, it and the one before are neighbours, and the one before left
    less than a tick late.
    """
    if records.dtype != TICK_DTYPE:
        raise TypeError(f"expected tick records, got {records.dtype}")
    drive = machine.axes[AXES[index]].drive
    counts_per_mm = drive.direction * float(drive.counts_per_mm)
    zero_ns = int(records["sent_ns"][begin])
    first = max(int(np.searchsorted(records["sent_ns"], zero_ns - BEFORE_NS)), 0)
    sent = records[first:end]
    rows = np.arange(max(begin, 1), end)
    before = records[rows - 1]
    usable = (
        ((records["flags"][rows] & FLAG_FRESH) != 0)
        & (records["tick"][rows] == before["tick"] + 1)
        & (before["sent_ns"] - before["scheduled_ns"] < machine.tick_ns)
    )
    rows, before = rows[usable], before[usable]
    return Samples(
        (sent["sent_ns"] - zero_ns) * 1e-9,
        sent["velocity_units"][:, index] * (drive.velocity_unit_counts_s / counts_per_mm),
        (before["sent_ns"] - zero_ns) * 1e-9,
        (records["measured_counts"][rows, index] - int(records["measured_counts"][begin, index]))
        / counts_per_mm,
        drawn_back=machine.wire.kind != "can",
    )


def is_identification(test: Test) -> bool:
    """Whether a test is evaluated here and not by ``measure``."""
    return isinstance(test, StepsTest | BrakeTest)


def read_samples(path: Path) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64]]:
    """Seconds and values of a CSV file with two columns; a first line of words and lines after # are passed over.

    Raises InputError for anything else, with the line.
    """
    rows: list[tuple[float, float]] = []
    try:
        text = path.read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        raise InputError(
            [Mistake(path, "file", "a CSV file that can be read", str(error), code="samples-file")]
        ) from None
    if len(text) > SAMPLES_CHARACTERS_MAX:
        raise InputError(
            [Mistake(path, "file", "20 MB or less", f"{len(text)} characters", code="samples-file")]
        )
    for number, line in enumerate(text.splitlines(), 1):
        said = line.split("#", 1)[0].strip()
        if not said:
            continue
        try:
            seconds, value = (float(one) for one in said.replace(";", ",").split(","))
            if not (np.isfinite(seconds) and np.isfinite(value)):
                raise ValueError
        except ValueError:
            if number == 1:
                continue
            raise InputError(
                [Mistake(path, f"line {number}", "two finite numbers", said[:80], code="samples-file")]
            ) from None
        rows.append((seconds, value))
    table = np.array(rows, dtype=np.float64).reshape(-1, 2)
    return table[:, 0], table[:, 1]
