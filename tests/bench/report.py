"""``python -m tests.bench.report --hours 10``: a session of that many hours, and what its report costs.

The session is made up, but lies on disk as the service leaves one: a journal, a prepared pass of thousands of dots and
lines, and a timing log written by the log's own writer, block by block as a service drains it. One group of strokes is
planned by the planner and repeated over the wall; lateness and following errors are drawn at random, with a few large
ones at known places. An earlier session has painted the wall once before.

Made, measured and shown: seconds for the report, its size, peak memory, and how long headless Chromium takes until the
page's load event (Navigation Timing) where one is installed. Judges nothing; docs/report.md has the figures.
"""

from __future__ import annotations

import argparse
import json
import re
import shutil
import subprocess
import sys
import time
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt

from controller.config.job import Ink
from controller.config.load import load_machine
from controller.config.machine import AXES, Machine
from controller.config.places import StateDir, shipped
from controller.motion.plan import plan_pass
from controller.motion.schedule import Schedule, SegmentKind
from controller.session.journal import Journal
from controller.session.prepared import PREPARED_FILE, PreparedInk, PreparedJob, PreparedPass
from controller.stream.record import TICK_DTYPE
from controller.stream.spec import ScheduleTask, StreamSpec
from controller.stream.timinglog import TimingLogWriter
from controller.strokes.strokeset import StrokeKind, StrokeSet
from tests.fakes.browser import browser, chromium_path, visit

TICK_US = 7_200
BLOCK_TICKS = 35
"""A service takes records out of the ring every quarter of a second."""

WALL_MM = (2_900.0, 1_800.0)
CELL_MM = 60.0
PEAK_MS, PEAK_MM = 9.5, 0.61
"""The latest tick and the largest following error: put where the test and the reader can look for them."""


@dataclass(frozen=True, slots=True)
class Made:
    """A session on disk, and what it truly holds: all lateness in ns, the largest following error in mm."""

    root: Path
    session: int
    strokes: int
    lateness_ns: npt.NDArray[np.int64]
    following_max_mm: float


def group() -> list[npt.NDArray[np.float64]]:
    """Nine spiral dots and a waving line within a cell."""
    angle = np.linspace(0.0, 5 * np.pi, 160)
    radius = 3.0 * (1.0 - angle / angle[-1]) + 0.2
    spiral = radius[:, None] * np.stack([np.cos(angle), np.sin(angle)], axis=1)
    x = np.linspace(4.0, 56.0, 90)
    wave = np.stack([x, 52.0 + 3.0 * np.sin(x / 6.0)], axis=1)
    dots = [spiral + np.array([10.0 + 18.0 * (k % 3), 9.0 + 15.0 * (k // 3)]) for k in range(9)]
    return [*dots, wave]


def stroke_set(parts: list[npt.NDArray[np.float64]]) -> StrokeSet:
    """Dots and lines as one set."""
    return StrokeSet(
        np.concatenate(parts),
        np.concatenate([[0], np.cumsum([len(part) for part in parts])]).astype(np.int64),
        np.array(
            [StrokeKind.LINE if k % 10 == 9 else StrokeKind.DOT for k in range(len(parts))], dtype=np.uint8
        ),
        np.array([k % 10 == 9 for k in range(len(parts))], dtype=np.int32),
        ("scales", "ripples"),
    )


def machine_file(folder: Path) -> Path:
    """The shipped machine with the tick that a session of this length is reckoned in."""
    text = shipped("machines/boathouse.toml").read_text()
    (folder / "boathouse.toml").write_text(re.sub(r"(?m)^tick_us = \d+", f"tick_us = {TICK_US}", text))
    return folder / "boathouse.toml"


def tiled(cell: Schedule, cells: int, per_cell: int) -> Schedule:
    """The cell's schedule so many times, strokes counted on."""
    one = np.array(cell.segments)
    segments = np.tile(one, cells)
    turn = np.repeat(np.arange(cells), len(one))
    segments["first_tick"] += turn * cell.ticks
    segments["stroke"] = np.where(segments["stroke"] >= 0, segments["stroke"] + turn * per_cell, -1)
    return Schedule(
        np.tile(np.asarray(cell.velocity_units), (cells, 1)),
        segments,
        cell.start_quanta,
        cell.tick_ns,
        cell.machine,
    )


def make(root: Path, hours: float, seed: int = 7) -> Made:
    """Write the session."""
    root.mkdir(parents=True)
    path = machine_file(root)
    machine = load_machine(path)
    ink = Ink(name="night", group="night", colour="#1d2b3a", tip_mm=2.0)
    parts = group()
    cell = plan_pass(stroke_set(parts), ink, machine, machine.park_mm)
    cells = max(1, round(hours * 3600e9 / (cell.ticks * cell.tick_ns)))
    across = int(WALL_MM[0] // CELL_MM)
    pitch = min(CELL_MM, WALL_MM[1] / -(-cells // across))
    places = [(CELL_MM * (k % across), pitch * (k // across)) for k in range(cells)]
    strokes = stroke_set([part + place for place in places for part in parts])
    schedule = tiled(cell, cells, len(parts))
    state = StateDir.open(root / "s", machine.name)
    folder = root / "prepared" / "low-tide"
    for name in ("night-1", "night-2"):
        (folder / name).mkdir(parents=True)
        strokes.save(folder / name / "strokes.npz")
        schedule.save(folder / name / "schedule")
    _prepared(folder, machine, schedule, len(strokes))
    journal = Journal.open(state.journal, machine.name, now_ms=lambda: 1_750_000_000_000)
    lateness, following = np.zeros(0, dtype=np.int64), 0.0
    for name, logged in (("night-1", False), ("night-2", True)):
        session = journal.begin_session("paint", "low-tide", "real")
        row = journal.begin_pass(
            session, job="low-tide", job_digest="0", name=name, ink="night", ink_index=0,
            schedule_digest=schedule.digest(), folder=folder / name, strokes=len(strokes),
        )  # fmt: skip
        run = journal.begin_run(
            session, name, lambda number, what=name: state.run_folder(number, what), pass_id=row.id
        )
        if logged:
            lateness, following = _write(run.folder, machine, path, folder / name, schedule, cell, seed)
        journal.finish_strokes(row.id, run.id, [(stroke, stroke) for stroke in range(len(strokes))])
        journal.end_run(run.id, "done", "", realtime=True)
        journal.end_pass(row.id, "finished")
        journal.end_session(session, "done")
    journal.close()
    return Made(root / "s", session, len(strokes), lateness, following)


def _prepared(folder: Path, machine: Machine, schedule: Schedule, strokes: int) -> None:
    passes = tuple(
        PreparedPass(
            name=f"night-{number}", ink="night", number=number, of=2, turn=0, colour="#1d2b3a", tip_mm=2.0,
            tip_end_mm=2.0, strokes=strokes, metres=1.0, pen_m=0.0, ticks=schedule.ticks, seconds=1.0, fresh_pen=True,
            cut_by="end", too_long=False, wet_strokes=0, wet_minutes=0.0, digest=schedule.digest(),
        )
        for number in (1, 2)
    )  # fmt: skip
    night = PreparedInk(
        name="night", colour="#1d2b3a", tip_mm=2.0, passes=2, strokes=strokes, metres=1.0, seconds=1.0, pens=2
    )
    record = PreparedJob(
        job="low-tide", job_digest="0", machine=machine.name, sources={}, inks=(night,), passes=passes,
        change_minutes=5.0, deferred=0, skipped=(), traps_mm=0.6,
    )  # fmt: skip
    (folder / PREPARED_FILE).write_text(record.model_dump_json())


def _write(
    folder: Path, machine: Machine, path: Path, place: Path, schedule: Schedule, cell: Schedule, seed: int
) -> tuple[npt.NDArray[np.int64], float]:
    """The run's folder: spec and timing log. Answers all lateness and the largest following error."""
    folder.mkdir(parents=True)
    task = ScheduleTask(folder=str(place / "schedule"))
    spec = StreamSpec(
        run=folder.name, machine_file=str(path), channel="none", tasks=(task,), ring_path="ring",
        guard_socket=None, latch_path="latch.json", offset_counts=(0.0, 0.0),
    )  # fmt: skip
    (folder / "spec.json").write_text(json.dumps(json.loads(spec.model_dump_json())))
    random = np.random.default_rng(seed)
    n = schedule.ticks
    per_mm = np.array(
        [machine.axes[axis].drive.direction * float(machine.axes[axis].drive.counts_per_mm) for axis in AXES]
    )
    counts = cell.boundaries_quanta()[:-1] * np.array([machine.quantum_counts(axis) for axis in AXES])
    late = random.lognormal(np.log(2.5e4), 0.9, n).astype(np.int64)
    strokes = np.flatnonzero(schedule.segments["kind"] == SegmentKind.STROKE)
    latest, largest = (
        int(schedule.segments["first_tick"][strokes[int(share * len(strokes))]]) + 5 for share in (0.31, 0.77)
    )
    late[latest] = int(PEAK_MS * 1e6)
    begin_ns, following = 5_000_000_000, 0.0
    with TimingLogWriter(
        folder / "timing.gtl", {"tick_ns": schedule.tick_ns, "clock": "real"}, 1 << 30
    ) as log:
        for first in range(0, n, 200_000):
            ticks = np.arange(first, min(first + 200_000, n))
            records = np.zeros(len(ticks), dtype=TICK_DTYPE)
            records["tick"] = ticks
            records["scheduled_ns"] = begin_ns + schedule.tick_ns * ticks
            records["sent_ns"] = records["scheduled_ns"] + late[ticks]
            records["feedback_ns"] = records["sent_ns"] + 200_000
            records["planned_counts"] = np.rint(counts[ticks % cell.ticks])
            off_mm = random.normal(0.0, 0.02, (len(ticks), 2))
            at = largest - first
            if 0 <= at < len(ticks):
                off_mm[at] = (PEAK_MM, 0.0)
            records["measured_counts"] = records["planned_counts"] + np.rint(off_mm * per_mm).astype(np.int64)
            off = (records["measured_counts"] - records["planned_counts"]) / per_mm
            following = max(following, float(np.hypot(*off.T).max()))
            records["segment"] = schedule.segment[first : int(ticks[-1]) + 1]
            records["head"] = schedule.head[first : int(ticks[-1]) + 1]
            records["flags"] = 1
            for part in range(0, len(records), BLOCK_TICKS):
                log.append(records[part : part + BLOCK_TICKS])
    return late, following


def load_seconds(page: Path, width: int) -> tuple[float, float, int]:
    """Seconds until Chromium's load event, processor seconds of the page's own thread, and how many elements it has."""
    with browser() as one, visit(one, width=width) as look:
        told = look.page.context.new_cdp_session(look.page)
        told.send("Performance.enable", {"timeDomain": "threadTicks"})
        look.page.goto(page.as_uri(), wait_until="load")
        metrics = {row["name"]: row["value"] for row in told.send("Performance.getMetrics")["metrics"]}
        found = look.page.evaluate(
            "[performance.getEntriesByType('navigation')[0].loadEventStart, "
            "document.getElementsByTagName('*').length]"
        )
    return float(found[0]) / 1000.0, float(metrics["TaskDuration"]), int(found[1])


BUILD = """
import resource, sys, time
from pathlib import Path
begun = time.perf_counter()
from controller.report.build import build_report
last = [(begun, time.process_time())]
def tell(what, _fraction):
    now = time.perf_counter(), time.process_time()
    spent = [after - before for after, before in zip(now, last[0])]
    print(f"  {spent[0]:6.1f} s, {spent[1]:5.1f} s of processor until: {what}", file=sys.stderr)
    last[0] = now
build_report(Path(sys.argv[1]), int(sys.argv[2]), Path(sys.argv[3]), tell)
usage = resource.getrusage(resource.RUSAGE_SELF)
print(time.perf_counter() - begun, usage.ru_utime + usage.ru_stime, usage.ru_maxrss / 1024.0)
"""


def main() -> None:
    """Make, report, load, tell."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--hours", type=float, default=10.0)
    parser.add_argument(
        "--dir", type=Path, required=True, help="where the session and its report are made; emptied first"
    )
    parser.add_argument("--keep", action="store_true", help="use the session that is there")
    asked = parser.parse_args()
    root: Path = asked.dir
    if not (asked.keep and (root / "made.json").exists()):
        shutil.rmtree(root, ignore_errors=True)
        begun = time.perf_counter()
        made = make(root, asked.hours)
        told = {"session": made.session, "strokes": made.strokes, "ticks": len(made.lateness_ns)}
        (root / "made.json").write_text(json.dumps(told))
        print(f"made in {time.perf_counter() - begun:.0f} s (not counted)")
    told = json.loads((root / "made.json").read_text())
    out = root / "report"
    shutil.rmtree(out, ignore_errors=True)
    ran = subprocess.run(
        [sys.executable, "-c", BUILD, str(root / "s"), str(told["session"]), str(out)],
        check=True, stdout=subprocess.PIPE, text=True,
    )  # fmt: skip
    wall_s, cpu_s, peak_mib = (float(word) for word in ran.stdout.split())
    size = (out / "report.html").stat().st_size
    print(f"{told['ticks']:,} ticks, {told['strokes']:,} strokes in the session and as many before it")
    print(
        f"report: {wall_s:.1f} s ({cpu_s:.1f} s of processor), {peak_mib:.0f} MiB at most, page {size / 1e6:.2f} MB"
    )
    if chromium_path() is not None:
        for width in (390, 1280):
            seconds, busy_s, elements = load_seconds(out / "report.html", width)
            print(
                f"Chromium, {width} px wide: load event after {seconds:.2f} s ({busy_s:.2f} s of processor), "
                f"{elements:,} elements"
            )


if __name__ == "__main__":
    main()
