"""Travel order of thousands of dots: length, time of the ways, and processor time, against the given order.

``python -m tests.bench.ordering [--quick]`` prints the table of docs/passes.md and writes build/bench/ordering.json.
"""

from __future__ import annotations

import json
import sys
import time
from pathlib import Path
from typing import Any

import numpy as np

from controller.config.load import load_machine
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


def travel_s(strokes: StrokeSet, cost: TravelCost) -> float:
    """Time of the ways with the pen up, from (0, 0)."""
    points, first, last = strokes.points_mm, strokes.offsets[:-1], strokes.offsets[1:] - 1
    here = np.concatenate([np.zeros((1, 2)), points[last[:-1]]])
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


def main() -> int:
    """Print the table and write build/bench/ordering.json."""
    rows = ordering_figures("--quick" in sys.argv[1:])
    print("\n".join(words(rows)))
    out = Path("build/bench")
    out.mkdir(parents=True, exist_ok=True)
    (out / "ordering.json").write_text(json.dumps(rows, indent=1) + "\n")
    return 0


if __name__ == "__main__":
    sys.exit(main())
