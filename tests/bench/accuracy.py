"""`make accuracy`: where the simulated gantry's tip really goes, hand-made timing beside ours. Virtual time throughout.

Plays whole passes on the reference machine (configs/machines/reference-twin.toml) and measures the true places of the
tip against the true curves of the artwork. Prints the tables of docs/motion-accuracy.md, judges the aims, writes
build/bench/accuracy.json and the picture build/bench/accuracy.png.

Three schedules of the same strokes: *naive* (tests/bench/accuracy_naive.py, at our own mean speed of each stroke),
*untold* (our planner told of no lag, latency, play or belt: what the compensation is worth), and *ours*.
"""

from __future__ import annotations

import argparse
import json
import platform
import sys
import time
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
from rich.console import Console
from rich.table import Table
from scipy.signal import lfilter

from controller.config.machine import AXES, Machine
from controller.motion.frames import quanta_per_mm
from controller.motion.plan import plan_pass
from controller.motion.schedule import Schedule
from controller.register.circular import circular_figures
from tests.bench import accuracy_art as artwork
from tests.bench import accuracy_machine as machines
from tests.bench import accuracy_measure as measure
from tests.bench.accuracy_art import Art, Cell
from tests.bench.accuracy_long import hours_of_painting, long_run
from tests.bench.accuracy_naive import naive_pass, speeds_like
from tests.bench.accuracy_play import play_pass

OUT = Path("build/bench")
DOT_G_MM, P99_MM, MAX_MM, RATIO, WRONG_P99_MM, DIAMETER_SD_MM = 0.05, 0.08, 0.15, 20.0, 0.2, 0.02
DOT_RADIUS_MM = 5.0
MARK_WAY_MM = 0.01
DOTS = 1000

Vector = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Row:
    """Figures of one cell, mm; g (the larger of both ways) and h of circles, closing of closed strokes, else nan."""

    name: str
    rms: float
    p99: float
    max: float
    missed: float
    g: float
    h: float
    closing: float


def figures_of(cell: Cell, painted: list[Vector], *, circles: bool = True) -> Row:
    """One row from the painted strokes of a pass, which are in the order of the set. ``circles``: with G and H."""
    mine = [painted[index] for index in cell.strokes]
    found = measure.contour(mine, cell.curves)
    g = h = float("nan")
    if circles and cell.radius_mm is not None:
        assert cell.centre_mm is not None
        # Points along the path, so that rest at start and end counts once.
        clockwise, back = (measure.resampled(one) for one in mine)
        circle = circular_figures(clockwise, back, cell.centre_mm, cell.radius_mm, 1.0)
        g = max(circle.clockwise.deviation_g_mm, circle.anticlockwise.deviation_g_mm)
        h = circle.hysteresis_h_mm
    closed = all(np.allclose(curve[0], curve[-1]) for curve in cell.curves)
    closing = max(measure.closing_error(one) for one in mine) if closed else float("nan")
    return Row(cell.name, found.rms, found.p99, found.max, found.missed, g, h, closing)


@dataclass(frozen=True, slots=True)
class Pass:
    """One schedule played: its rows, and the painted strokes themselves (canvas mm)."""

    schedule: Schedule
    rows: tuple[Row, ...]
    painted: list[Vector]


def judge(art: Art, schedule: Schedule, machine: Machine, *, circles: bool = True) -> Pass:
    """Play ``schedule`` on the machine's simulated gantry and measure every cell."""
    painted = play_pass(schedule, machine)
    if len(painted) != len(art.strokes):
        raise RuntimeError(f"contacts: expected {len(art.strokes)}, got {len(painted)}")
    return Pass(schedule, tuple(figures_of(cell, painted, circles=circles) for cell in art.cells), painted)


def plan(art: Art, told: Machine) -> Schedule:
    """The planner's pass over the art, by what ``told`` says of the machine."""
    return plan_pass(art.strokes, art.ink, told, told.park_mm)


def table_passes(art: Art) -> dict[str, Pass]:
    """Naive, untold and ours."""
    machine = machines.reference()
    ours = plan(art, machine)
    naive = naive_pass(art.strokes, speeds_like(ours, art.strokes), machine, machine.park_mm)
    return {
        "naive": judge(art, naive, machine),
        "untold": judge(art, plan(art, machines.ignorant()), machine),
        "ours": judge(art, ours, machine),
    }


def wrong_rows(art: Art, quick: bool) -> list[dict[str, Any]]:
    """The table's worst p99 and max for every wrong set of beliefs (of each design the first three when quick)."""
    truth = machines.reference()
    rows: list[dict[str, Any]] = []
    for design, factors in machines.wrong_beliefs():
        if quick and sum(row["design"] == design for row in rows) == 3:
            continue
        played = judge(art, plan(art, machines.believing(factors)), truth, circles=False)
        worst = max(played.rows, key=lambda row: row.p99)
        rows.append(
            {
                "design": design,
                "wrong": machines.words(factors),
                "p99": worst.p99,
                "cell": worst.name,
                "max": max(row.max for row in played.rows),
            }
        )
    return rows


def asked_of_motors(schedule: Schedule) -> float:
    """Largest acceleration of a motor over its axis' limit in the machine file, by the file's loop lag.

    A drive holds a velocity R for a tick; the motor's V follows with the lag, V' = (R - V) / lag, and is steepest at
    the tick's beginning. Beyond what a motor can do, the way it loses is lost for good where nothing trims.
    """
    machine = machines.reference()
    tick_s = schedule.tick_ns * 1e-9
    share = 0.0
    for axis, column, per_mm in zip(AXES, schedule.velocity_units.T, quanta_per_mm(machine), strict=True):
        lag_s = machine.axes[axis].loop_lag_ms * 1e-3
        wanted = column / (per_mm * tick_s)
        kept = np.exp(-tick_s / lag_s)
        reached = lfilter([1.0 - kept], [1.0, -kept], wanted)
        before = np.concatenate([[0.0], reached[:-1]])
        share = max(
            share, float(np.abs(wanted - before).max()) / lag_s / machine.axes[axis].acceleration_max_mm_s2
        )
    return share


def dots_figures(count: int) -> dict[str, float]:
    """Diameters of ``count`` equal dots (outermost turn and tip), and their contour error."""
    machine = machines.reference()
    strokes, centres, ink = artwork.dots_art(count, columns=100)
    schedule = plan_pass(strokes, ink, machine, machine.park_mm)
    painted = play_pass(schedule, machine)
    if len(painted) != count:
        raise RuntimeError(f"contacts: expected {count}, got {len(painted)}")
    diameters = np.array([measure.ring_diameter(one, artwork.TIP_MM) for one in painted])
    true = artwork.dot_path_mm(artwork.DOT_MM, artwork.TIP_MM, ink.step_mm, artwork.FINE_MM)
    errors = np.concatenate(
        [
            np.abs(measure.signed_distances(measure.resampled(one) - centre, true))
            for one, centre in zip(painted, centres, strict=True)
        ]
    )
    return {
        "dots": count,
        "mean": float(diameters.mean()),
        "sd": float(diameters.std(ddof=1)),
        "least": float(diameters.min()),
        "largest": float(diameters.max()),
        "p99": float(np.percentile(errors, 99)),
        "max": float(errors.max()),
        "seconds_a_dot": schedule.ticks * schedule.tick_ns * 1e-9 / count,
    }


def aims(
    passes: dict[str, Pass],
    wrong: list[dict[str, Any]],
    dots: dict[str, float],
    long: dict[str, float],
    wire: dict[str, float],
) -> list[dict[str, Any]]:
    """Each aim with its bound, what came, and whether it is met."""
    ours, naive = passes["ours"].rows, passes["naive"].rows
    small = [
        row for row in ours if row.name.startswith("circle") and float(row.name.split()[-1]) <= DOT_RADIUS_MM
    ]
    rows: list[tuple[str, float, float]] = []
    if small:
        rows.append(("G of circles r <= 5 mm", max(row.g for row in small), DOT_G_MM))
    rows.append(("contour error p99, all cells", max(row.p99 for row in ours), P99_MM))
    rows.append(("contour error max, all cells", max(row.max for row in ours), MAX_MM))
    for design in dict.fromkeys(row["design"] for row in wrong):
        worst = max(row["p99"] for row in wrong if row["design"] == design)
        rows.append((f"contour error p99, beliefs 20 % wrong, {design}", worst, WRONG_P99_MM))
    rows.append(("acceleration asked of the motors / limit", asked_of_motors(passes["ours"].schedule), 1.0))
    if dots:
        rows.append((f"diameter sd of {dots['dots']:.0f} dots", dots["sd"], DIAMETER_SD_MM))
    if long:
        rows.append(
            (f"planned less commanded after {long['hours']:.0f} h, drive units", long["commanded_units"], 1.0)
        )
        rows.append(
            (f"way of the mark in {long['hours']:.0f} h without drift, mm", long["mark_way_mm"], MARK_WAY_MM)
        )
    if wire:
        rows.append(("planned less sent over the wire, drive units", wire["sent_less_planned_units"], 1.0))
    found = [
        {"aim": name, "at_most": bound, "got": got, "met": bool(got <= bound)} for name, got, bound in rows
    ]
    ratios = [(a.p99, a.p99 / b.p99) for a, b in zip(naive, ours, strict=True)]
    least = min(ratio for _, ratio in ratios)
    found.append(
        {"aim": "naive p99 / ours, all cells", "at_least": RATIO, "got": least, "met": least >= RATIO}
    )
    return found


def _times(ratio: float) -> str:
    return f"{ratio:.1f}" if ratio < 1000 else "> 1000"


def _show(console: Console, passes: dict[str, Pass]) -> None:
    table = Table(title="Contour error against the true curve, mm")
    for column in ("cell", "who", "rms", "p99", "max", "missed", "G", "H", "closing", "naive p99 / this"):
        table.add_column(column, justify="left" if column in ("cell", "who") else "right")
    for index, first in enumerate(passes["naive"].rows):
        for who, played in passes.items():
            row = played.rows[index]
            values = (row.rms, row.p99, row.max, row.missed, row.g, row.h, row.closing)
            table.add_row(
                row.name if who == "naive" else "",
                who,
                *("" if np.isnan(value) else f"{value:.4f}" for value in values),
                "" if who == "naive" else _times(first.p99 / row.p99),
                end_section=who == "ours",
            )
    console.print(table)


def main() -> int:
    """Run all of it. Exit code 0 when it ran, whatever the figures."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench.accuracy", description=__doc__)
    parser.add_argument("--quick", action="store_true", help="fewer wrong beliefs and dots")
    parser.add_argument("--table-only", action="store_true", help="the first table and the picture only")
    parser.add_argument("--hours", type=float, default=10.0, help="length of the long run past the wire")
    parser.add_argument("--wire-hours", type=float, default=0.2, help="length of the long run over the wire")
    options = parser.parse_args()
    console = Console(width=max(120, Console().width))
    OUT.mkdir(parents=True, exist_ok=True)
    art = artwork.accuracy_art()
    begin_s = time.perf_counter()
    passes = table_passes(art)
    _show(console, passes)
    wrong: list[dict[str, Any]] = []
    dots: dict[str, float] = {}
    long: dict[str, float] = {}
    wire: dict[str, float] = {}
    if not options.table_only:
        wrong = wrong_rows(art, options.quick)
        console.print("beliefs 20 % wrong (play lag latency frequency damping, x then y), worst first:")
        for row in sorted(wrong, key=lambda row: -float(row["p99"]))[:12]:
            console.print(
                f"  {row['wrong']}  p99 {row['p99']:.4f} ({row['cell']})  max {row['max']:.4f}  {row['design']}"
            )
        dots = dots_figures(100 if options.quick else DOTS)
        console.print("dots: " + ", ".join(f"{name} {value:.4f}" for name, value in dots.items()))
        long = hours_of_painting(0.5 if options.quick else options.hours)
        console.print("hours: " + ", ".join(f"{name} {value:.6g}" for name, value in long.items()))
        wire = long_run(machines.reference(), 0.1 if options.quick else options.wire_hours).words()
        console.print("over the wire: " + ", ".join(f"{name} {value:.6g}" for name, value in wire.items()))
    from tests.bench.accuracy_plot import picture

    picture(art, passes, OUT / "accuracy.png")
    judged = aims(passes, wrong, dots, long, wire)
    for aim in judged:
        bound = f"<= {aim['at_most']}" if "at_most" in aim else f">= {aim['at_least']}"
        console.print(f"{'met    ' if aim['met'] else 'NOT MET'} {aim['aim']}: {aim['got']:.4f} ({bound})")
    report = {
        "when": time.strftime("%Y-%m-%dT%H:%M:%S%z"),
        "host": platform.platform(),
        "python": platform.python_version(),
        "seconds": time.perf_counter() - begin_s,
        "rows": {who: [asdict(row) for row in played.rows] for who, played in passes.items()},
        "wrong": wrong,
        "dots": dots,
        "long": long,
        "wire": wire,
        "aims": judged,
    }
    (OUT / "accuracy.json").write_text(json.dumps(report, indent=1) + "\n")
    console.print(f"written: {OUT / 'accuracy.json'}, {OUT / 'accuracy.png'}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
