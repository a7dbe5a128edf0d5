"""``python -m tests.calibrate.seeds --count 50 --seed 1``: gantries drawn at random and commissioned with nobody there.

Says of every parameter how far it came out from the truth, how often its interval held it and what was refused; and how
true the gantry draws by the file as the builder wrote it, as commissioned, and as if everything were known. Virtual
time, past the wire; ``--json`` adds its seeds to a file, one line each, and ``--table`` prints the table of such a
file.
"""

from __future__ import annotations

import argparse
import json
import sys
import time
from collections import Counter
from collections.abc import Sequence
from dataclasses import asdict
from pathlib import Path
from typing import Any, Final

import numpy as np

from controller.config.machine import AXES
from tests.bench.accuracy_art import Art
from tests.calibrate.gantries import Gantry, Given, gantry
from tests.calibrate.judged import DOT_G_MM, MAX_MM, P99_MM, judge, truth_of
from tests.calibrate.unattended import TAPE_MM, Commissioned, commissioned

PAINT_MM_S: Final = 200.0
PATH_MM_S2: Final = 400.0
WITHIN_MM, WITHIN_SHARE = 0.05, 0.05
CANVAS_PLACES: Final = 49
FINE_MM: Final = 0.01
"""Of ``motion.reversal_error_mm``, which is no measurement: what *fine* has beside what was measured."""

WHEN: Final = ("before", "after", "fine", "best")

Row = dict[str, Any]
"""One parameter of one axis: name, true, found, the largest ``off`` of a table, what it is ``worth`` in mm, the share
of it that its interval ``held``."""


def row(name: str, true: float, off: Sequence[float], half: float | None, worth_mm: float) -> Row:
    """``off``: found less true, at one place or several; ``true``: what 5 % are of; ``worth_mm`` of the largest."""
    each = np.abs(off)
    return {
        "name": name,
        "true": true,
        "off": float(each.max()),
        "share": float(each.max()) / abs(true) if true else float("inf"),
        "worth_mm": worth_mm,
        "half": half,
        "held": None if half is None else float(np.mean(each <= half + 1e-9)),
    }


def rows_of(one: Gantry, done: Commissioned) -> list[Row]:
    """Every parameter that was found against the truth."""
    twin, rows = one.file["twin"], []
    for axis in AXES:
        true = twin["axes"][axis]
        rows += _of_axis(axis, true, done)
    if (found := done.measured.get("geometry.squareness_mm_m")) is not None:
        off = float(done.file["geometry"]["squareness_mm_m"]) - twin["squareness_mm_m"]
        rows.append(row("squareness, mm/m", twin["squareness_mm_m"], [off], found.half_width, abs(off)))
    if (found := done.measured.get("geometry.sag")) is not None:
        table = done.file["geometry"]["sag"]
        places = np.array(table["position_mm"])
        drop = np.interp(places, twin["sag"]["position_mm"], twin["sag"]["drop_mm"])
        drop -= np.interp(places, places[[0, -1]], drop[[0, -1]])
        offs = (np.array(table["drop_mm"]) - drop)[1:-1]
        rows.append(
            row("sag, mm", float(np.ptp(drop)), offs.tolist(), found.half_width, float(np.abs(offs).max()))
        )
    return rows


def _of_axis(axis: str, true: Given, done: Commissioned) -> list[Row]:
    rows: list[Row] = []
    stands = done.file["axes"][axis]
    plays = done.measured.get(f"axes.{axis}.play_table") or done.measured.get(f"axes.{axis}.play_mm")
    if plays is not None:
        table = stands.get("play_table")
        found = table["play_mm"] if table else [stands["play_mm"]]
        offs = [one - true["play_mm"] for one in found]
        rows.append(row("play, mm", true["play_mm"], offs, plays.half_width, float(np.abs(offs).max())))
    lag = done.measured.get(f"axes.{axis}.loop_lag_ms")
    dead = done.measured.get(f"axes.{axis}.latency_ms")
    if lag is not None and dead is not None:
        for name, field, kept in (("lag, ms", "loop_lag_ms", lag), ("latency, ms", "latency_ms", dead)):
            off = stands[field] - true[field]
            rows.append(row(name, true[field], [off], kept.half_width, abs(off) * PAINT_MM_S / 1000.0))
        total = true["loop_lag_ms"] + true["latency_ms"]
        off = stands["loop_lag_ms"] + stands["latency_ms"] - total
        rows.append(row("lag + latency, ms", total, [off], None, abs(off) * PAINT_MM_S / 1000.0))
    belt = done.measured.get(f"axes.{axis}.belt")
    if belt is not None:
        (hertz,) = true["belt"]["frequency_hz"]
        found = stands["belt"]["frequency_hz"]
        gives = [
            abs(1.0 / one**2 - 1.0 / hertz**2) * PATH_MM_S2 / (4.0 * np.pi**2) for one in found
        ]  # of the belt's stretch at the path's acceleration
        rows.append(row("belt, Hz", hertz, [one - hertz for one in found], belt.half_width, max(gives)))
        rows.append(
            row("damping", true["belt"]["damping"], [stands["belt"]["damping"] - true["belt"]["damping"]], None,
                float("nan"))
        )  # fmt: skip
    lengths = done.measured.get(f"axes.{axis}.length_table")
    if lengths is not None:
        # Over the canvas, from its own mean: an error that is the same everywhere shifts the picture and no more.
        index = AXES.index(axis)
        low = done.file["canvas"]["origin_mm"][index]
        places = np.linspace(low, low + done.file["canvas"]["size_mm"][index], CANVAS_PLACES)
        table, truth = stands["length_table"], true["length_error"]
        error = np.interp(places, truth["position_mm"], truth["error_mm"])
        offs = np.interp(places, table["position_mm"], table["error_mm"]) - error
        offs -= offs.mean()
        largest = float(np.abs(offs).max())
        rows.append(row("length, mm", float(np.ptp(error)), offs.tolist(), lengths.half_width, largest))
    return rows


def one_seed(
    seed: int, drawing: Art | None = None, *, best: bool = False, bare: bool = False, tape_mm: float = TAPE_MM
) -> dict[str, Any]:
    """A gantry commissioned and judged: rows, refusals, figures before, after and, if wanted, at best.

    bare: without figures.
    """
    began = time.process_time()
    one = gantry(seed)
    done = commissioned(one, tape_mm=tape_mm)
    truth = truth_of(one.file)
    machine = done.machine()
    motion = machine.motion.model_copy(update={"reversal_error_mm": FINE_MM})
    figures = (
        {}
        if bare
        else {
            "before": judge(one.machine(), truth, drawing),
            "after": judge(machine, truth, drawing),
            "fine": judge(machine.model_copy(update={"motion": motion}), truth, drawing),
        }
    )
    if best:
        figures["best"] = judge(truth, truth, drawing)
    return {
        "seed": seed,
        "rows": rows_of(one, done),
        "refused": done.refused,
        "figures": {name: asdict(found) | {"holds": found.holds} for name, found in figures.items()},
        "truth": {
            axis: {
                name: one.file["twin"]["axes"][axis][name] for name in ("play_mm", "loop_lag_ms", "latency_ms", "belt")
            }
            for axis in AXES
        },
        "found": {axis: {k: v for k, v in done.file["axes"][axis].items() if k in ("play_mm", "play_table", "belt")}
                  for axis in AXES},
        "cpu_s": time.process_time() - began,
    }  # fmt: skip


def table(seeds: Sequence[dict[str, Any]]) -> str:
    """Both tables, as the documents have them."""
    lines = [
        f"{len(seeds)} seeds, {np.mean([one['cpu_s'] for one in seeds]):.0f} s of processor each",
        "",
        "| parameter | n | median error | 95 % | largest | within 5 % | within 5 % or 0.05 mm | interval holds |",
        "|---|---|---|---|---|---|---|---|",
    ]
    names = dict.fromkeys(row["name"] for one in seeds for row in one["rows"])
    for name in names:
        rows = [row for one in seeds for row in one["rows"] if row["name"] == name]
        off, share = (np.array([row[key] for row in rows]) for key in ("off", "share"))
        worth = np.array([row["worth_mm"] for row in rows])
        held = [row["held"] for row in rows if row["held"] is not None]
        strict = share <= WITHIN_SHARE
        either = "" if np.all(np.isnan(worth)) else f"{100 * np.mean(strict | (worth <= WITHIN_MM)):.0f} %"
        lines.append(
            f"| {name} | {len(rows)} | {np.median(off):.3f} | {np.quantile(off, 0.95):.3f} | {off.max():.3f} | "
            f"{100 * np.mean(strict):.0f} % | {either} | {f'{100 * np.mean(held):.0f} %' if held else ''} |"
        )
    refused = Counter(what for one in seeds for what in one["refused"])
    lines += ["", f"refused: {dict(refused) or 'nothing'}", "", *_figures(seeds)]
    return "\n".join(lines)


def _figures(seeds: Sequence[dict[str, Any]]) -> list[str]:
    lines = [
        "| mm | median | 95 % | largest | seeds within the aim |",
        "|---|---|---|---|---|",
    ]
    aims = {"p99": P99_MM, "max": MAX_MM, "g": DOT_G_MM}
    names = {
        "p99": "contour p99",
        "max": "contour max",
        "g": "G of 5 mm",
        "register": "register",
        "place": "place",
    }
    for key, words in names.items():
        for when in WHEN:
            values = np.array([one["figures"][when][key] for one in seeds if when in one["figures"]])
            if not len(values):
                continue
            met = f"{100 * np.mean(values <= aims[key]):.0f} % (<= {aims[key]})" if key in aims else ""
            lines.append(
                f"| {words}, {when} | {np.median(values):.3f} | {np.quantile(values, 0.95):.3f} | {values.max():.3f} | "
                f"{met} |"
            )
    for when in WHEN:
        held = [one["figures"][when]["holds"] for one in seeds if when in one["figures"]]
        if held:
            lines.append(f"| all three aims, {when} | | | | {sum(held)} of {len(held)} |")
    return lines


def _line(one: dict[str, Any]) -> str:
    """A seed as it comes."""
    words = f"seed {one['seed']}: refused {list(one['refused'])}, {one['cpu_s']:.0f} s"
    if "after" in one["figures"]:
        after = one["figures"]["after"]
        words += (
            f", p99 {after['p99']:.3f} ({after['shape']}), max {after['max']:.3f} ({after['max_shape']}), "
            f"G {after['g']:.3f}, register {after['register']:.3f}, place {after['place']:.3f}"
        )
    return words


def main() -> int:
    """Run seeds or print a table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--count", type=int, default=50)
    parser.add_argument("--seed", type=int, default=1, help="of the first gantry")
    parser.add_argument(
        "--json", type=Path, help="add a line a seed to this file; seeds that it has are left out"
    )
    parser.add_argument("--best", action="store_true", help="judge also by a file that knows everything")
    parser.add_argument("--table", action="store_true", help="only print the table of --json")
    parser.add_argument("--bare", action="store_true", help="only what was found, nothing drawn by it")
    parser.add_argument("--tape", type=float, default=TAPE_MM, help="mm to which a tape is read")
    given = parser.parse_args()
    had = (
        [json.loads(line) for line in given.json.read_text().splitlines()]
        if given.json and given.json.exists()
        else []
    )
    seeds = {one["seed"]: one for one in had}
    for seed in () if given.table else range(given.seed, given.seed + given.count):
        if seed in seeds:
            continue
        seeds[seed] = one_seed(seed, best=given.best, bare=given.bare, tape_mm=given.tape)
        if given.json:
            with given.json.open("a") as file:
                file.write(json.dumps(seeds[seed]) + "\n")
        print(_line(seeds[seed]), flush=True)
    print(table([seeds[seed] for seed in sorted(seeds)]))
    return 0


if __name__ == "__main__":
    sys.exit(main())
