"""Travel order of thousands of dots: length, time of the ways, and processor time, against the given order.

``python -m tests.bench.ordering [--quick]`` prints the table of docs/passes.md and writes build/bench/ordering.json.
``python -m tests.bench.ordering --prepared DIR`` does the same for the strokes of a job that is prepared for the same
machine, ink by ink, and writes build/bench/ordering-<job>.json.
"""

from __future__ import annotations

import argparse
import json
import sys
import time
from pathlib import Path
from typing import Any

import numpy as np

from controller.artwork.read import read_drawing
from controller.config.errors import InputError
from controller.config.load import load_job, load_machine
from controller.session.prepared import Prepared, load_prepared
from controller.strokes import StrokeKind, StrokeSet, travel_mm
from controller.strokes.order import nearest_neighbour, order_strokes
from controller.strokes.travel import TravelCost, first_signs

COUNTS = (1_000, 10_000, 12_000, 100_000)
DOT_MM = 12.0
SIZE_MM = 3000.0
MACHINE = Path(__file__).parents[2] / "configs" / "machines" / "boathouse.toml"


def dots(count: int, seed: int = 1) -> StrokeSet:
    """Dots in random places: a right-hand start on the ring, a first chord down, an end in the middle."""
    centre = np.random.default_rng(seed).uniform(0, SIZE_MM, (count, 2))
    radius = 0.5 * DOT_MM
    points = np.stack(
        [centre + np.array([radius, 0.0]), centre + radius * np.array([0.98, 0.17]), centre], axis=1
    ).reshape(-1, 2)
    return StrokeSet(
        points,
        np.arange(0, 3 * count + 1, 3),
        np.full(count, StrokeKind.DOT, dtype=np.uint8),
        np.arange(count, dtype=np.int32),
        (),
    )


def travel_s(strokes: StrokeSet, cost: TravelCost, start_mm: tuple[float, float] = (0.0, 0.0)) -> float:
    """Time of the ways with the pen up, from ``start_mm``."""
    points, first, last = strokes.points_mm, strokes.offsets[:-1], strokes.offsets[1:] - 1
    here = np.concatenate([np.reshape(start_mm, (1, 2)), points[last[:-1]]])
    return float(cost.links(here, points[first], first_signs(points, first, first + 1)).sum())


def ordering_figures(quick: bool = False) -> list[dict[str, Any]]:
    """One row for each count and way of ordering."""
    cost = TravelCost.of(load_machine(MACHINE))
    order_strokes(dots(100), (0.0, 0.0), None, cost)  # compiles
    rows = []
    for count in COUNTS[:1] if quick else COUNTS:
        strokes = dots(count)
        points = strokes.points_mm
        made: dict[str, StrokeSet] = {"as given": strokes}
        seconds = {"as given": 0.0}
        begun = time.process_time()
        nearest, _ = nearest_neighbour(points[::3], points[2::3], np.zeros(count, dtype=bool), (0.0, 0.0))
        made["nearest neighbour"] = strokes.take(nearest)
        seconds["nearest neighbour"] = time.process_time() - begun
        ways = {"by length": (None, None), "by time, no kicks": (cost, 0), "by time": (cost, None)}
        for name, (price, kicks) in ways.items():
            begun = time.process_time()
            made[name] = order_strokes(strokes, (0.0, 0.0), None, price, kicks)
            seconds[name] = time.process_time() - begun
        rows += [
            {
                "dots": count,
                "order": name,
                "metres": travel_mm(one, (0.0, 0.0)) / 1000.0,
                "of_root_n_area": travel_mm(one, (0.0, 0.0)) / (np.sqrt(count) * SIZE_MM),
                "travel_minutes": travel_s(one, cost) / 60.0,
                "processor_s": seconds[name],
            }
            for name, one in made.items()
        ]
    return rows


def words(rows: list[dict[str, Any]]) -> list[str]:
    """The table, for a terminal and for the docs."""
    lines = [
        "| dots | order | pen up, m | / sqrt(n A) | pen up, min | processor, s |",
        "|---|---|---|---|---|---|",
    ]
    lines += [
        f"| {row['dots']} | {row['order']} | {row['metres']:.1f} | {row['of_root_n_area']:.3f} "
        f"| {row['travel_minutes']:.1f} | {row['processor_s']:.2f} |"
        for row in rows
    ]
    return lines


def as_drawn(strokes: StrokeSet, document: dict[str, int]) -> StrokeSet:
    """In the order of the drawing: by element, the dots of a screen row by row and in a row from left to right."""
    begins = strokes.points_mm[strokes.offsets[:-1]]
    place = np.array([document[name] for name in strokes.element_ids])[strokes.element]
    row = np.round(begins[:, 1], 1)  # dots begin at their middle's height; rows are millimetres apart
    return strokes.take(np.lexsort((begins[:, 0], row, place)).astype(np.int64))


def _job_path(prepared: Prepared) -> Path:
    for path in map(Path, prepared.record.sources):
        try:
            if path.suffix == ".toml" and load_job(path).name == prepared.record.job:
                return path
        except InputError:  # the machine file
            continue
    raise ValueError(f"expected the job file that {prepared.folder} was made from, found none")


def job_figures(prepared: Prepared) -> list[dict[str, Any]]:
    """One row for each ink and way of ordering, from the park position and back, each ink in one go."""
    job_path = _job_path(prepared)
    drawing = read_drawing(load_job(job_path), job_path)
    document = {name: row for row, name in enumerate(drawing.element_ids)}
    machine = load_machine(MACHINE)
    park = (
        machine.park_mm[0] - machine.canvas.origin_mm[0],
        machine.park_mm[1] - machine.canvas.origin_mm[1],
    )
    cost = TravelCost.of(machine)
    rows = []
    for ink in prepared.record.inks:
        strokes = as_drawn(prepared.ink_strokes(ink.name), document)
        points, first, last = strokes.points_mm, strokes.offsets[:-1], strokes.offsets[1:] - 1
        made, seconds = {"as drawn": strokes}, {"as drawn": 0.0}
        begun = time.process_time()
        order, backwards = nearest_neighbour(
            points[first], points[last], strokes.kind == StrokeKind.LINE, park
        )
        made["nearest neighbour"] = strokes.arranged(order, backwards)
        seconds["nearest neighbour"] = time.process_time() - begun
        for name, price in (("by length", None), ("by time", cost)):
            begun = time.process_time()
            made[name] = order_strokes(strokes, park, park, price)
            seconds[name] = time.process_time() - begun
        rows += [
            {
                "ink": ink.name,
                "strokes": len(strokes),
                "order": name,
                "metres": travel_mm(one, park) / 1000.0,
                "travel_minutes": travel_s(one, cost, park) / 60.0,
                "processor_s": seconds[name],
            }
            for name, one in made.items()
        ]
    return rows


def job_words(rows: list[dict[str, Any]]) -> list[str]:
    """A line for each ink and one for all: metres and minutes by each way of ordering, processor time of the last."""
    orders = list(dict.fromkeys(row["order"] for row in rows))
    inks = list(dict.fromkeys(row["ink"] for row in rows))
    head = "".join(f" {name}, m | min |" for name in orders)
    lines = [f"| ink | strokes |{head} processor, s |", "|---|---|" + "---|---|" * len(orders) + "---|"]
    for ink in (*inks, "all"):
        mine = [row for row in rows if ink in (row["ink"], "all")]
        by = {name: [row for row in mine if row["order"] == name] for name in orders}

        def total(name: str, what: str, by: dict[str, list[dict[str, Any]]] = by) -> float:
            return float(sum(row[what] for row in by[name]))

        cells = "".join(
            f" {total(name, 'metres'):.1f} | {total(name, 'travel_minutes'):.1f} |" for name in orders
        )
        lines.append(
            f"| {ink} | {total(orders[0], 'strokes'):.0f} |{cells} {total(orders[-1], 'processor_s'):.1f} |"
        )
    return lines


def main() -> int:
    """Print the table and write it as JSON."""
    parser = argparse.ArgumentParser(
        prog="python -m tests.bench.ordering", description=__doc__.splitlines()[0]
    )
    parser.add_argument("--quick", action="store_true", help="a thousand dots only")
    parser.add_argument(
        "--prepared", type=Path, metavar="DIR", help="a prepared job's strokes, not random dots"
    )
    asked = parser.parse_args()
    if asked.prepared is not None:
        prepared = load_prepared(asked.prepared)
        rows = job_figures(prepared)
        table, name = job_words(rows), f"ordering-{prepared.record.job}.json"
    else:
        rows = ordering_figures(asked.quick)
        table, name = words(rows), "ordering.json"
    print("\n".join(table))
    out = Path("build/bench")
    out.mkdir(parents=True, exist_ok=True)
    (out / name).write_text(json.dumps(rows, indent=1) + "\n")
    return 0


if __name__ == "__main__":
    sys.exit(main())
