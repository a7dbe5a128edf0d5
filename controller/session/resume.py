"""Where a pass goes on after a run that did not end in order: the account from the run's folder into the journal.

Owns which files of a run are believed and in which order: the timing log, what was taken out of the ring of a service
that died, the plan that was streamed. The reckoning itself is ``account``'s; the journal keeps its result.
"""

from __future__ import annotations

import contextlib
import json
import os
import shutil
import time
from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Final

import numpy as np
import numpy.typing as npt
from pydantic import ValidationError

from controller.config.counting import counted
from controller.config.errors import InputError
from controller.config.load import load_machine
from controller.config.machine import AXES, Machine
from controller.motion.frames import quanta_to_machine_mm
from controller.motion.schedule import Schedule, SegmentKind
from controller.session.account import Interrupted, Part, Stopping, account_of, missing_ticks
from controller.session.journal import Journal
from controller.session.recorder import BLOCK_RECORDS
from controller.session.rows import InterruptionRow, PassRow, RunRow
from controller.stream.record import TICK_DTYPE
from controller.stream.ring import Ring, RingError
from controller.stream.spec import ScheduleTask, StreamSpec, Task
from controller.stream.timinglog import TimingLogError, TimingLogWriter, log_meta, read_timing_log

if TYPE_CHECKING:
    from controller.strokes.strokeset import StrokeSet

PLAN: Final = "plan"
"""In a run's folder: the schedules that it streams, as they were, by the first task that streams each."""
STROKES: Final = "strokes.npz"
REMAINDER_FILE: Final = "remainder.json"
"""In a schedule's folder that paints the rest of one stroke: that stroke's number, and from where."""
LOG: Final = "timing.gtl"
RING_LOG: Final = "ring.gtl"
"""In a run's folder: records that a dead service had not taken out of the ring."""

SYNC_BLOCKS: Final = 4
"""Blocks of a timing log that a power cut may take (docs/timing-log.md)."""
DRAIN_S: Final = 0.25
"""A living service takes records out of the ring at least so often."""
FLANK_TICKS: Final = 20_000
"""Any painting of so many ticks has crossed the play of both axes."""
QUIET_S: Final = 0.05
QUIET_TRIES: Final = 40
"""A ring is read when nothing has been written to it for QUIET_S; its streamer dies with the lease."""


@dataclass(frozen=True, slots=True)
class _Records:
    records: npt.NDArray[np.void]
    lost_ticks: int
    note: str


@dataclass(frozen=True, slots=True)
class _Plan:
    """One schedule of a run; ``segments`` bear the pass' stroke numbers, ``from_mm`` is where a remainder begins."""

    schedule: Schedule
    segments: npt.NDArray[np.void]
    parts: tuple[Part, ...]
    from_mm: float

    def head_way_mm(self, machine: Machine, first: int, ticks: int) -> npt.NDArray[np.float64]:
        """See ``account.HeadWay``. It begins earlier, so that it is known by then on which side each motor lies."""
        from controller.motion.axis import axis_models
        from controller.motion.forward import way_behind_play_mm

        begin = max(0, first - FLANK_TICKS)
        units, start = self.schedule.velocity_units, np.asarray(self.schedule.start_quanta, dtype=np.int64)
        start = start + units[:begin].sum(axis=0, dtype=np.int64)
        quanta = start + np.cumsum(units[begin : first + ticks], axis=0, dtype=np.int64)
        way = way_behind_play_mm(
            axis_models(machine), quanta_to_machine_mm(np.concatenate([start[None], quanta]), machine)
        )
        since: npt.NDArray[np.float64] = way[first - begin :] - way[first - begin]
        return since

    def whole(self, one: Interrupted) -> Interrupted:
        """The interruption counted from the whole stroke's start."""
        before = self.from_mm
        return replace(
            one, low_mm=before + one.low_mm, high_mm=before + one.high_mm, length_mm=before + one.length_mm
        )


def keep_plan(run_folder: Path, tasks: Sequence[Task]) -> None:
    """Keep the schedules that a run streams beside its log: a job prepared anew puts others in their place."""
    for index, schedule in _folders(tasks).items():
        place = run_folder / PLAN / str(index)
        place.mkdir(mode=0o700, parents=True)
        for name in ("velocity.npy", "segments.npy", "meta.json", REMAINDER_FILE):
            if not (schedule / name).exists():
                continue
            try:
                os.link(schedule / name, place / name)
            except OSError:
                shutil.copyfile(schedule / name, place / name)
        if (strokes := schedule.parent / STROKES).is_file():
            shutil.copyfile(strokes, place / STROKES)


def kept_strokes(journal: Journal, row: PassRow) -> StrokeSet | None:
    """The strokes of a pass as its last run had them; None when nothing of it is left."""
    from controller.strokes.strokeset import StrokeSet

    runs = [run for run in journal.runs() if run.pass_id == row.id]
    for run in reversed(runs):
        for place in sorted((run.folder / PLAN).glob(f"*/{STROKES}"), reverse=True):
            with contextlib.suppress(OSError, ValueError, KeyError):
                return StrokeSet.load(place)
    return None


def _folders(tasks: Sequence[Task]) -> dict[int, Path]:
    """Every folder of schedules once, by the index of the first task that streams it."""
    out: dict[int, Path] = {}
    for index, task in enumerate(tasks):
        if isinstance(task, ScheduleTask) and Path(task.folder) not in out.values():
            out[index] = Path(task.folder)
    return out


def settle_dead(journal: Journal, sleep: Callable[[float], None] = time.sleep) -> list[str]:
    """Account for the runs that a service that died left open; answers what a person should know. Under the lock."""
    notes: list[str] = []
    for run in journal.open_runs():
        if run.pass_id is not None:
            notes += settle(journal, run, died=True, sleep=sleep)
    return notes


def settle(
    journal: Journal, run: RunRow, *, died: bool, sleep: Callable[[float], None] = time.sleep
) -> list[str]:
    """Account for one run of a pass that has ended, and write it into the journal.

    died: its service did not see the end. Answers sentences for a person. What cannot be read is named and leaves the
    journal's own strokes as they are. Raises sqlite3.Error when the journal does not take it.
    """
    assert run.pass_id is not None
    row = journal.pass_row(run.pass_id)
    finished = journal.finished_strokes(row.id)
    plans, machine, trouble = _plans_of(run, row)
    if not plans or machine is None:
        journal.settle(_unknown(run, row, trouble), ())
        return [f"pass {row.name}: {trouble}; its strokes are those of the journal"]
    found = _records_of(run, machine, died=died, sleep=sleep)
    known = set(finished)
    fresh: list[tuple[int, int]] = []
    interrupted: Interrupted | None = None
    doubtful: set[int] = set()
    missing: dict[int, int] = {}
    for plan in plans:
        missing |= missing_ticks(found.records, plan.segments, plan.parts)
        account = account_of(
            found.records,
            plan.segments,
            plan.schedule.velocity_units,
            plan.parts,
            known,
            (machine.quanta_per_mm("x"), machine.quanta_per_mm("y")),
            found.lost_ticks,
            stopping_of(machine),
            partial(plan.head_way_mm, machine),
        )
        fresh += [one for one in account.finished if one[0] not in known]
        known |= {stroke for stroke, _ in account.finished}
        doubtful |= set(account.doubtful)
        if account.interrupted is not None:
            interrupted = plan.whole(account.interrupted)
    doubtful -= known | ({interrupted.stroke} if interrupted is not None else set())
    note = "; ".join(filter(None, (found.note, *_missing_words(missing, known))))
    entry = _row_of(run, row, interrupted, tuple(sorted(doubtful)), plans[-1], known, note)
    journal.settle(entry, fresh)
    return words(row.name, entry, len(fresh))


def words(name: str, entry: InterruptionRow, credited: int = 0) -> list[str]:
    """What an interruption says to a person."""
    out: list[str] = []
    if credited:
        out.append(
            f"pass {name}: {counted(credited, 'stroke')} more than the journal had "
            f"{'is' if credited == 1 else 'are'} finished by the timing log"
        )
    if entry.stroke is not None:
        out.append(
            f"pass {name}: stroke {entry.stroke} was interrupted after {entry.low_mm:.1f} to {entry.high_mm:.1f} mm "
            f"of {entry.length_mm:.1f} mm"
        )
    if entry.doubtful:
        which = ", ".join(map(str, entry.doubtful))
        out.append(
            f"pass {name}: records were lost; {'stroke' if len(entry.doubtful) == 1 else 'strokes'} {which} may have "
            f"been touched and {'is' if len(entry.doubtful) == 1 else 'are'} painted again"
        )
    if entry.note:
        out.append(f"pass {name}: {entry.note}")
    return out


def _missing_words(missing: Mapping[int, int], finished: Collection[int]) -> tuple[str, ...]:
    """What the log does not tell of each stroke any more, and what becomes of it."""
    words = [
        f"stroke {stroke} up to {counted(ticks, 'tick')} "
        f"({'finished all the same' if stroke in finished else 'not finished'})"
        for stroke, ticks in sorted(missing.items())
    ]
    return ("records are missing of " + ", ".join(words),) if words else ()


def last_words(journal: Journal, row: PassRow) -> list[str]:
    """What is known of a pass that is to go on: where its last run was interrupted. Empty when there is nothing."""
    entries = [] if row.state in ("finished", "abandoned") else journal.interruptions(row.id)
    return words(row.name, entries[-1]) if entries else []


def stopping_of(machine: Machine) -> Stopping:
    """How the machine comes to rest when nobody commands it, at the worst by what its file allows."""
    drives = [machine.axes[name] for name in AXES]
    wire = machine.wire
    return Stopping(
        tick_s=machine.tick_ns * 1e-9,
        # Twice the modelled lag: the account must not claim ink that is not there.
        lag_s=2e-3 * max(axis.loop_lag_ms + axis.latency_ms for axis in drives)
        + 2.0 * machine.tick_ns * 1e-9,
        react_s=1e-3 * max(machine.lease.lease_ms + 10.0, wire.heartbeat_lost_after_ms),
        braking_mm_s2=min(
            machine.motion.acceleration_mm_s2, *(axis.drive.quick_stop_mm_s2 for axis in drives)
        ),
    )


def _plans_of(run: RunRow, row: PassRow) -> tuple[list[_Plan], Machine | None, str]:
    """The schedules that the run streamed, the pass' own last, and its machine; else nothing and why."""
    try:
        spec = StreamSpec.model_validate_json((run.folder / "spec.json").read_bytes())
        machine = load_machine(Path(spec.machine_file))
    except (OSError, ValidationError, InputError) as error:
        return [], None, f"run {run.id} left no readable order ({_short(error)})"
    plans: list[_Plan] = []
    try:
        for first, folder in _folders(spec.tasks).items():
            kept = run.folder / PLAN / str(first)
            place = kept if kept.is_dir() else folder
            schedule = Schedule.load(place)
            segments = np.array(schedule.segments)
            from_mm = 0.0
            if (place / REMAINDER_FILE).exists():
                said = json.loads((place / REMAINDER_FILE).read_text())
                segments["stroke"][segments["stroke"] >= 0] = int(said["stroke"])
                from_mm = float(said["from_mm"])
            elif not kept.is_dir() and schedule.digest() != row.schedule_digest:
                raise ValueError("it was prepared anew")
            end = len(segments) - 1
            parts = tuple(
                Part(index, task.first_segment, end if task.last_segment is None else task.last_segment)
                for index, task in enumerate(spec.tasks)
                if isinstance(task, ScheduleTask) and Path(task.folder) == folder
            )
            plans.append(_Plan(schedule, segments, parts, from_mm))
    except (OSError, ValueError, KeyError) as error:
        return [], None, f"the plan of run {run.id} cannot be read ({_short(error)})"
    return plans, machine, ""


def _records_of(run: RunRow, machine: Machine, *, died: bool, sleep: Callable[[float], None]) -> _Records:
    """All records of a run that can be trusted, and how many may be missing after the last."""
    notes: list[str] = []
    records = np.zeros(0, dtype=TICK_DTYPE)
    meta: dict[str, object] = {"run": run.id}
    try:
        log = read_timing_log(run.folder / LOG)
        records, meta = log.records, log.meta
        cut_only = len(log.damage) == 1 and "cut short" in log.damage[0].what
        if log.damage and not cut_only:
            notes.append(f"{len(log.damage)} stretches of the timing log are damaged and were left out")
    except (OSError, TimingLogError) as error:
        notes.append(f"no timing log can be read ({_short(error)})")
    if not died:
        return _Records(_in_order(records), 1, "; ".join(notes))
    rest, whole = _ring_records(run, meta, sleep)
    records = _in_order(np.concatenate([records, rest]))
    if whole:
        return _Records(records, 1, "; ".join(notes))
    # The ring went with the power. At most so many ticks had been sent that no block on disk holds.
    drain = round(DRAIN_S * 1e9 / machine.tick_ns)
    lost = SYNC_BLOCKS * (BLOCK_RECORDS + drain) + drain
    notes.append(f"the ring is gone: up to {lost * machine.tick_ns * 1e-9:.1f} s of records are missing")
    return _Records(records, lost, "; ".join(notes))


def _in_order(records: npt.NDArray[np.void]) -> npt.NDArray[np.void]:
    """Each tick once, ascending."""
    _, first = np.unique(records["tick"], return_index=True)
    return records[first]


def _ring_records(
    run: RunRow, meta: dict[str, object], sleep: Callable[[float], None]
) -> tuple[npt.NDArray[np.void], bool]:
    """Records that only the ring had, and whether it was there; they are kept as a file, then the ring may go."""
    kept = run.folder / RING_LOG
    with contextlib.suppress(OSError, TimingLogError):
        return read_timing_log(kept).records, True
    try:
        spec = StreamSpec.model_validate_json((run.folder / "spec.json").read_bytes())
        path = Path(spec.ring_path)
        if path.stat().st_mtime < (run.folder / "spec.json").stat().st_mtime - 1.0:
            raise OSError("a ring of an earlier run")
        ring = Ring.open(path)
    except (OSError, ValidationError, RingError):
        return np.zeros(0, dtype=TICK_DTYPE), False
    try:
        written = -1
        for _ in range(QUIET_TRIES if spec.service_pid is not None else 0):
            if written == ring.written:
                break
            written = ring.written
            sleep(QUIET_S)
        records = ring.drain().records
    finally:
        ring.close()
    # Whole or not at all: a file that a full disk cut short would be believed, and the ring be gone.
    partial = kept.with_suffix(".part")
    with contextlib.suppress(OSError):
        partial.unlink(missing_ok=True)
        with TimingLogWriter(partial, {key: value for key, value in meta.items() if key != "record"}) as log:
            log.append(records)
        partial.replace(kept)
        path.unlink(missing_ok=True)
    return records, True


def _row_of(
    run: RunRow, row: PassRow, one: Interrupted | None, doubtful: tuple[int, ...], plan: _Plan,
    finished: Collection[int], note: str,
) -> InterruptionRow:  # fmt: skip
    segments = plan.segments
    painted = (segments["kind"] == SegmentKind.STROKE) & np.isin(segments["stroke"], list(finished))
    painted_mm = float(segments["length_mm"][painted].sum()) + (0.0 if one is None else one.high_mm)
    pen_m = _pen_before_m(run) + painted_mm * 1e-3
    if one is None:
        return InterruptionRow(run.id, row.id, None, 0, 0, 0.0, 0.0, 0.0, doubtful, pen_m, note)
    return InterruptionRow(
        run.id, row.id, one.stroke, one.sent_ticks, one.of_ticks, one.low_mm, one.high_mm, one.length_mm,
        doubtful, pen_m, note,
    )  # fmt: skip


def _pen_before_m(run: RunRow) -> float:
    """Metres that the pen had painted when its pass began, by the log's meta block."""
    with contextlib.suppress(OSError, TimingLogError, TypeError, ValueError):
        return float(log_meta(run.folder / LOG).get("pen_m") or 0.0)
    return 0.0


def _unknown(run: RunRow, row: PassRow, why: str) -> InterruptionRow:
    return InterruptionRow(run.id, row.id, None, 0, 0, 0.0, 0.0, 0.0, (), 0.0, why)


def _short(error: Exception) -> str:
    if isinstance(error, InputError):
        return str(error.mistakes[0])
    return str(error).splitlines()[0] if str(error) else type(error).__name__
