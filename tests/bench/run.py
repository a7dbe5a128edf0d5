"""`make bench`: how punctual the streamer is on this machine, idle and loaded, beside the floor of the same run; and
what planning costs (tests/bench/planning.py).

Real processes on a pty: simulated gantry, armed guard, streamer. Lateness is the instant at which a tick's frames
were handed to the wire less its scheduled instant. Prints tables, judges the goals, writes build/bench/bench.json.
"""

from __future__ import annotations

import argparse
import json
import os
import platform
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
from rich.console import Console
from rich.table import Table

from controller.stream.host import stolen_ms
from tests.bench.floor import Floor, find_cyclictest, measure_floor
from tests.bench.planning import planning_figures, words
from tests.bench.world import Spinners, World, swing

TICKS_US = (4000, 2000)
OUT = Path("build/bench")
P50_GOAL_US, P99_GOAL_US, P999_GOAL_US, P999_FLOORS = 5.0, 100.0, 200.0, 1.5
LATE_US, EARLY_US = 1000.0, 1.0
Numbers = npt.NDArray[np.float64]


def percentiles(late_us: Numbers) -> dict[str, float]:
    """The figures of one row, us; ``late_share`` is the share later than 1 ms."""
    p50, p99, p999 = np.percentile(late_us, [50.0, 99.0, 99.9])
    return {
        "p50": float(p50),
        "p99": float(p99),
        "p99.9": float(p999),
        "max": float(late_us.max()),
        "earliest": float(late_us.min()),
        "late_share": float(np.mean(late_us > LATE_US)),
        "ticks": len(late_us),
    }


def goals(ours: dict[str, float], floor: dict[str, float]) -> dict[str, dict[str, Any]]:
    """Each goal with its bound, what came and whether it is met."""
    bound = max(P999_FLOORS * floor["p99.9"], P999_GOAL_US)
    rows = {
        "p50": (ours["p50"], P50_GOAL_US),
        "p99": (ours["p99"], P99_GOAL_US),
        "p99.9": (ours["p99.9"], bound),
        "later than 1 ms": (ours["late_share"], floor["late_share"]),
        "early": (-ours["earliest"], EARLY_US),
    }
    return {
        name: {"got": got, "at_most": limit, "met": bool(got <= limit)} for name, (got, limit) in rows.items()
    }


def measure(world: World, seconds: float, load: bool, tool: str | None, costs_s: float) -> dict[str, Any]:
    """One cell: half of the floor, the stream, the other half, then the costs."""
    tick_us = world.machine.tick_us
    core = max(os.sched_getaffinity(0))
    with Spinners((os.cpu_count() or 1) if load else 0):
        before = measure_floor(tool, tick_us, seconds / 2)
        stolen_at_ms = [stolen_ms(core)]
        outcome, records = world.stream(swing(world.machine, seconds))
        stolen_at_ms.append(stolen_ms(core))
        after = measure_floor(tool, tick_us, seconds / 2)
        costs_file = world.folder / f"costs-{load}.npz"
        world.stream(swing(world.machine, costs_s), "tests.bench.costs_child", str(costs_file))
    if outcome.end != "done":
        raise RuntimeError(f"streamer: expected done, got {outcome.end}: {outcome.reason}")
    floor = Floor(np.concatenate([before.late_us, after.late_us]), before.tool)
    late_us = (records["sent_ns"] - records["scheduled_ns"]) / 1000.0
    ours, ground = percentiles(late_us), percentiles(floor.late_us)
    with np.load(costs_file) as costs:
        cost_us = {name: percentiles(costs[name] / 1000.0) for name in ("prepare", "send", "after")}
    return {
        "tick_us": tick_us,
        "load": load,
        "realtime": outcome.realtime,
        "notes": outcome.notes,
        "stolen_ms": stolen_at_ms[1] - stolen_at_ms[0],
        "floor_tool": floor.tool,
        "ours_us": ours,
        "floor_us": ground,
        "goals": goals(ours, ground),
        "cost_us": cost_us,
        "fresh_share": float(np.mean(records["flags"] & 1)),
    }


def guard_latency(quick: bool) -> dict[str, Any] | None:
    """What the guard's own measurement says, when it is there."""
    if not (Path(__file__).parent / "guard_latency.py").exists():
        return None
    command = [sys.executable, "-m", "tests.bench.guard_latency", "--json", *(["--quick"] if quick else [])]
    done = subprocess.run(command, capture_output=True, text=True, check=False, timeout=600)
    try:
        said = json.loads(done.stdout)
    except ValueError:
        return {"error": (done.stderr or done.stdout).strip()[-300:]}
    return dict(said)


def wire_costs(quick: bool) -> dict[str, Any]:
    """What a tick costs on each wire (tests/bench/wirecosts.py); the rates only where there is time for them."""
    from tests.bench import wirecosts

    out = OUT / "wirecosts.json"
    less = ["--no-rates", "--ticks", "200"] if quick else ["--ticks", "600", "--repeats", "2"]
    wirecosts.main([*less, "--json", str(out)])
    return dict(json.loads(out.read_text()))


def show(console: Console, cells: list[dict[str, Any]]) -> None:
    """The three tables."""
    late = Table(title="Lateness of ticks, us (share later than 1 ms in %)")
    for column in (
        "tick",
        "load",
        "who",
        "ticks",
        "earliest",
        "p50",
        "p99",
        "p99.9",
        "max",
        ">1 ms",
        "stolen ms",
    ):
        late.add_column(column, justify="left" if column in ("load", "who") else "right")
    for cell in cells:
        for who, row in (("streamer", cell["ours_us"]), (cell["floor_tool"], cell["floor_us"])):
            late.add_row(
                f"{cell['tick_us'] / 1000:g} ms",
                "busy" if cell["load"] else "idle",
                who,
                str(row["ticks"]),
                *(f"{row[name]:.1f}" for name in ("earliest", "p50", "p99", "p99.9", "max")),
                f"{100 * row['late_share']:.3f}",
                f"{cell['stolen_ms']:.0f}" if who == "streamer" else "",
                end_section=who != "streamer",
            )
    console.print(late)
    met = Table(title="Goals")
    for column in ("tick", "load", "goal", "at most", "got", ""):
        met.add_column(column)
    for cell in cells:
        for name, goal in cell["goals"].items():
            unit = "%" if name.startswith("later") else "us"
            scale = 100 if unit == "%" else 1
            met.add_row(
                f"{cell['tick_us'] / 1000:g} ms",
                "busy" if cell["load"] else "idle",
                name,
                f"{scale * goal['at_most']:.3f} {unit}",
                f"{scale * goal['got']:.3f} {unit}",
                "met" if goal["met"] else "[bold red]not met[/]",
            )
    console.print(met)
    cost = Table(title="Cost of a tick, us: prepare (read, check, step, trim), send, after (lease, record)")
    for column in ("tick", "load", "part", "p50", "p99", "p99.9", "max"):
        cost.add_column(column, justify="left" if column in ("load", "part") else "right")
    for cell in cells:
        for part, row in cell["cost_us"].items():
            cost.add_row(
                f"{cell['tick_us'] / 1000:g} ms",
                "busy" if cell["load"] else "idle",
                part,
                *(f"{row[name]:.1f}" for name in ("p50", "p99", "p99.9", "max")),
            )
    console.print(cost)


def main() -> int:
    """Run all of it. Exit code 0 when it ran, whatever the figures; 1 when something broke."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench.run", description=__doc__)
    parser.add_argument("--seconds", type=float, default=20.0, help="stream this long in each cell")
    parser.add_argument("--quick", action="store_true", help="3 s a cell: shows that it runs, proves little")
    parser.add_argument("--no-install", action="store_true", help="never install rt-tests for the floor")
    options = parser.parse_args()
    seconds = 3.0 if options.quick else options.seconds
    costs_s = min(seconds, 6.0)
    console = Console(width=max(100, Console().width))
    OUT.mkdir(parents=True, exist_ok=True)
    tool = find_cyclictest(install=not options.no_install)
    cells = []
    for tick_us in TICKS_US:
        with World(tick_us) as world:
            for load in (False, True):
                console.print(f"{tick_us / 1000:g} ms ticks, {'both cores busy' if load else 'idle'} …")
                cells.append(measure(world, seconds, load, tool, costs_s))
    show(console, cells)
    for note in dict.fromkeys(note for cell in cells for note in cell["notes"]):
        console.print(f"note: {note}")
    if not all(cell["realtime"] for cell in cells):
        console.print("[bold]No real-time rights: the figures are those of an ordinary process.[/]")
    planning = planning_figures(options.quick)
    for line in words(planning):
        console.print(line)
    guard = guard_latency(options.quick)
    if guard is not None:
        console.print(f"guard: {json.dumps(guard)}")
    wires = wire_costs(options.quick)
    report = {
        "when": time.strftime("%Y-%m-%dT%H:%M:%S%z"),
        "host": platform.platform(),
        "cores": os.cpu_count(),
        "python": platform.python_version(),
        "cells": cells,
        "planning": planning,
        "guard": guard,
        "wires": wires,
    }
    (OUT / "bench.json").write_text(json.dumps(report, indent=1) + "\n")
    console.print(f"written: {OUT / 'bench.json'}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
