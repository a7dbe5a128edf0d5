"""The same picture over every wire: achieved rate, timing error, skew between the axes, contour error.

    python -m tests.bench.wires [--virtual] [--wire can --wire modbus ...] [--json FILE] [--keep DIR]

Each wire is one ``giornata demo --wire`` as its user starts it. Of the runs that painted:

* **rate**: ticks that left, over the time between the first and the last of each run;
* **timing error**: actual minus scheduled instant of each tick;
* **skew**: by how much later y acts on its command than x, told from what the motors of the simulated gantry truly did:
  a motor that follows its command with dead time d and a first-order lag T is behind the integral of the command by
  (d + T) times the speed, once the speed is steady, so that a least-squares line through (speed, way behind) has the
  slope d + T; the lag is the simulated loop's own and known. Beside it what the machine file reckons with
  (``latency_ms`` of y minus that of x);
* **contour error**: distance of each painted point from its planned line.
"""

from __future__ import annotations

import argparse
import json
import subprocess
import sys
import tempfile
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
from rich.console import Console
from rich.table import Table

from controller.config.load import load_machine
from controller.config.machine import Machine
from controller.report.build import summarise
from controller.session.demonstration import MACHINES
from controller.session.journal import Journal
from controller.stream.timinglog import read_timing_log
from drivers.twin.record import MotionRecord

AXES = ("x", "y")
STEADY_TICKS = 6
SLOW_MM_S = 20.0

Records = npt.NDArray[np.void]


def behind_ms(machine: Machine, records: Records, motion: MotionRecord, place: int) -> float:
    """How long the motor of an axis acts after its command: slope of way behind over speed, where speed is steady."""
    drive = machine.axes[AXES[place]].drive
    counts_per_mm = drive.direction * float(drive.counts_per_mm)
    unit_mm_s = drive.velocity_unit_counts_s / counts_per_mm
    asked_mm_s = records["velocity_units"][:, place] * unit_mm_s
    tick_s = machine.tick_ns * 1e-9
    at_ns = records["scheduled_ns"]
    asked_mm = np.concatenate(([0.0], np.cumsum(asked_mm_s[:-1]) * tick_s))
    truly_mm = motion.motor_at(at_ns)[:, place]
    behind_mm = asked_mm - truly_mm
    # Steady: nearly the same speed for some ticks, in one piece of the log, and in what the record still holds.
    spread = np.lib.stride_tricks.sliding_window_view(asked_mm_s, STEADY_TICKS)
    steady = np.zeros(len(records), dtype=np.bool_)
    steady[STEADY_TICKS - 1 :] = np.ptp(spread, axis=1) < 0.02 * np.abs(spread).max(axis=1) + 0.2
    steady &= (at_ns >= motion.t_ns[0]) & ((np.abs(asked_mm_s) > SLOW_MM_S) | (asked_mm_s == 0.0))
    rows = np.stack([asked_mm_s[steady], np.ones(int(steady.sum()))], axis=1)
    (slope_s, _), *_ = np.linalg.lstsq(rows, behind_mm[steady], rcond=None)
    return float(slope_s) * 1000.0


def figures(wire: str, root: Path, shown: dict[str, Any]) -> dict[str, Any]:
    """The row of one wire."""
    machine = load_machine(root / Path(MACHINES[wire]).name)
    with_logs = []
    journal = Journal.read(root / "journal.sqlite")
    try:
        runs = [run for run in journal.runs(shown["session"]) if run.pass_id is not None]
    finally:
        journal.close()
    motion = MotionRecord.load(root / "twin" / "motion.npz")
    lag_ms: list[tuple[float, float]] = []
    weights: list[int] = []
    for run in runs:
        records = read_timing_log(run.folder / "timing.gtl").records
        with_logs.append(records[records["segment"] >= 0])
        lag_ms.append((behind_ms(machine, records, motion, 0), behind_ms(machine, records, motion, 1)))
        weights.append(len(records))
    spans_s = [float(one["sent_ns"][-1] - one["sent_ns"][0]) * 1e-9 for one in with_logs]
    late_us = np.concatenate([(one["sent_ns"] - one["scheduled_ns"]) * 1e-3 for one in with_logs])
    p50, p99 = np.percentile(late_us, [50.0, 99.0])
    acts_ms = np.average(np.array(lag_ms), axis=0, weights=weights)
    lags_ms = [machine.axes[axis].loop_lag_ms for axis in AXES]
    after_ms = acts_ms - np.array(lags_ms)
    report = summarise(root, shown["session"])
    off_mm = np.concatenate(
        [layer.measured.distance_mm for layer in report.layers if layer.measured is not None]
    )
    known_ms = [machine.axes[axis].latency_ms for axis in AXES]
    return {
        "wire": wire, "asked_hz": 1e9 / machine.tick_ns,
        "achieved_hz": sum(len(one) - 1 for one in with_logs) / sum(spans_s),
        "ticks": len(late_us),
        "late_p50_us": float(p50), "late_p99_us": float(p99), "late_max_us": float(late_us.max()),
        "skew_us": float(after_ms[1] - after_ms[0]) * 1000.0, "reckoned_skew_us": (known_ms[1] - known_ms[0]) * 1000.0,
        "off_p50_mm": float(np.median(off_mm)), "off_p99_mm": float(np.percentile(off_mm, 99.0)),
        "off_max_mm": float(off_mm.max()), "strokes": sum(one["strokes"] for one in shown["passes"]),
        "seconds": shown["seconds"], "clock": shown["clock"],
    }  # fmt: skip


def paint(wire: str, root: Path, virtual: bool) -> dict[str, Any]:
    """One demonstration. Raises RuntimeError when it does not end in order."""
    words = [
        sys.executable,
        "-m",
        "controller.cli.main",
        "demo",
        "--wire",
        wire,
        "--dir",
        str(root),
        "--json",
    ]
    done = subprocess.run(
        [*words, *(["--virtual"] if virtual else [])], capture_output=True, text=True, check=False
    )
    if done.returncode != 0:
        raise RuntimeError(
            f"{wire}: expected exit code 0, got {done.returncode}: {done.stdout[-300:]}{done.stderr[-900:]}"
        )
    shown: dict[str, Any] = json.loads(done.stdout)
    return shown


def table_of(rows: list[dict[str, Any]]) -> Table:
    """One row a wire."""
    clock = "virtual time" if rows and rows[0]["clock"] == "virtual" else "real time"
    table = Table(title=f"The tide mural over each wire, {clock}", title_justify="left")
    table.add_column("wire", no_wrap=True)
    for name in (
        "strokes", "asked Hz", "achieved Hz", "late p50 us", "p99", "max", "skew us", "reckoned", "off p50 mm", "p99",
        "max",
    ):  # fmt: skip
        table.add_column(name, justify="right")
    for row in rows:
        table.add_row(
            row["wire"], str(row["strokes"]), f"{row['asked_hz']:.1f}", f"{row['achieved_hz']:.2f}",
            f"{row['late_p50_us']:.0f}", f"{row['late_p99_us']:.0f}", f"{row['late_max_us']:.0f}",
            f"{row['skew_us']:+.0f}", f"{row['reckoned_skew_us']:+.0f}", f"{row['off_p50_mm']:.3f}",
            f"{row['off_p99_mm']:.3f}", f"{row['off_max_mm']:.3f}",
        )  # fmt: skip
    return table


def main() -> int:
    """Paint and print. Exit code 1 when a wire did not paint."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench.wires")
    parser.add_argument("--virtual", action="store_true")
    parser.add_argument("--wire", action="append", choices=list(MACHINES))
    parser.add_argument("--keep", type=Path, help="keep the state folders here")
    parser.add_argument("--json", type=Path, default=Path("build/bench/wires.json"))
    options = parser.parse_args()
    rows, failed = [], []
    with tempfile.TemporaryDirectory() as scratch:
        for wire in options.wire or list(MACHINES):
            root = (options.keep or Path(scratch)).resolve() / wire
            try:
                rows.append(figures(wire, root, paint(wire, root, options.virtual)))
            except RuntimeError as error:
                failed.append(str(error))
    Console(width=130).print(table_of(rows))
    for words in failed:
        print(words, file=sys.stderr)
    options.json.parent.mkdir(parents=True, exist_ok=True)
    options.json.write_text(json.dumps(rows, indent=1) + "\n")
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
