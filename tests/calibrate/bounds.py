"""``python -m tests.calibrate.bounds``: how true lengths and sag can come out, by the mark of the scale alone.

Gantries drawn at random as ``tests.calibrate.seeds`` has them, a tape along every tick and a wire along the rail, read
to a mark with the eye off by up to half of one; production's own readings. Nothing is painted and nothing else is
wrong: what is left over is what reading leaves. Owns these readers and the bound beside them. A mark m read so has the
standard deviation m / sqrt(6) (two even spreads of m, by squares); n readings of N places put through a line of degree
d leave (d + 1) / sqrt(N n) of it at either end (the leverage of a polynomial at its end is (d + 1)^2 / N, for many
places; from memory).
"""

from __future__ import annotations

import argparse
import functools
import sys
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from controller.calibrate.readings import Reading, measured_from
from controller.calibrate.readings_frame import sag
from controller.calibrate.sheets.catalogue import make_sheet
from controller.calibrate.sheets.page import Record
from controller.config.machine import AXES
from tests.calibrate.gantries import Gantry, gantry
from tests.calibrate.painted import Vector, ruled
from tests.calibrate.seeds import CANVAS_PLACES, WITHIN_MM, WITHIN_SHARE

TAPES = ((0.5, 1), (0.5, 3), (0.25, 1), (0.25, 3), (0.25, 10), (0.1, 1), (0.1, 3), (0.1, 5))
WIRES = ((0.5, 3), (0.25, 3), (0.1, 1), (0.1, 3), (0.1, 5))
"""Marks in mm, and how often all is read."""
DEGREE = {"lengths": 2, "sag": 5}
"""Of these gantries' faults: a share with a bend, a beam."""


@dataclass(frozen=True)
class Left:
    """``largest``: error by gantry and axis, over the canvas or the rail; ``within``: share of them within 5 % or 0.05
    mm; ``held``: share of places whose interval holds; ``bound_mm``: standard deviation at an end."""

    largest: Vector
    within: float
    held: float
    bound_mm: float


@functools.cache
def lengths_record(every_mm: float, mark_mm: float) -> Record:
    """The sheet for these gantries, whose canvas is one, told how well it is read."""
    return make_sheet("lengths", gantry(1).machine(), every_mm=every_mm, resolution_mm=mark_mm).record


def tape(
    one: Gantry, mark_mm: float, layings: int, every_mm: float, chance: np.random.Generator
) -> list[Sequence[float]]:
    """Of both axes: largest error over the canvas from its own mean, what 5 % are of, share of places held."""
    record = lengths_record(every_mm, mark_mm)
    true, answers = {}, {}
    for axis in AXES:
        table = one.file["twin"]["axes"][axis]["length_error"]
        places, nominal = np.array(record.of(f"{axis}_place_mm")), np.array(record.of(f"{axis}_nominal_mm"))
        error = np.interp(places, table["position_mm"], table["error_mm"])
        true[axis] = table
        zeros = [100.0 + chance.uniform(-0.5, 0.5) for _ in range(layings)]
        for number, way in enumerate(nominal + error - error[0]):
            answers[f"{axis}{number}"] = [
                Reading(ruled(zero + float(way), chance, mark_mm)) for zero in zeros
            ]
    rows: list[Sequence[float]] = []
    for found in measured_from(record, answers):
        axis = found.field.split(".")[1]
        low = one.file["canvas"]["origin_mm"][AXES.index(axis)]
        places = np.linspace(low, low + one.file["canvas"]["size_mm"][AXES.index(axis)], CANVAS_PLACES)
        assert isinstance(found.value, dict)
        error = np.interp(places, true[axis]["position_mm"], true[axis]["error_mm"])
        off = np.interp(places, found.value["position_mm"], found.value["error_mm"]) - error
        off -= off.mean()
        assert found.half_width is not None
        rows.append(
            (float(np.abs(off).max()), float(np.ptp(error)), float(np.mean(np.abs(off) <= found.half_width)))
        )
    return rows


def wire(
    one: Gantry, mark_mm: float, times: int, count: int, chance: np.random.Generator
) -> list[Sequence[float]]:
    """As ``tape``, of the rail; the line through both ends is taken off truth and reading alike."""
    axis, twin = one.file["axes"]["x"], one.file["twin"]["sag"]
    places = np.linspace(axis["min_mm"], axis["max_mm"], count).round()
    drop = np.interp(places, twin["position_mm"], twin["drop_mm"])
    hangs = 12.0 + chance.uniform(-3.0, 3.0) * places / places[-1]
    readings = [[ruled(float(mm), chance, mark_mm) for _ in range(times)] for mm in hangs + drop]
    (found,) = sag("wire", places.tolist(), readings, resolution=0.5 * mark_mm)
    drop -= np.interp(places, places[[0, -1]], drop[[0, -1]])
    assert isinstance(found.value, dict)
    off = np.abs(np.array(found.value["drop_mm"]) - drop)[1:-1]
    assert found.half_width is not None
    return [(float(off.max()), float(np.ptp(drop)), float(np.mean(off <= found.half_width)))]


def left(what: str, mark_mm: float, times: int, count: int, gantries: int, every_mm: float = 250.0) -> Left:
    """What readings to a mark leave of so many gantries. what: "lengths" or "sag"; count: of places of the wire."""
    chance = np.random.default_rng([round(1000 * mark_mm), times, count])
    rows: list[Sequence[float]] = []
    for seed in range(1, gantries + 1):
        one = gantry(seed)
        rows += (
            tape(one, mark_mm, times, every_mm, chance)
            if what == "lengths"
            else wire(one, mark_mm, times, count, chance)
        )
    largest, size, held = (np.array(column) for column in zip(*rows, strict=True))
    places = len(lengths_record(every_mm, mark_mm).of("x_place_mm")) if what == "lengths" else count
    bound = mark_mm / np.sqrt(6.0) * (DEGREE[what] + 1) / np.sqrt(places * times)
    within = np.mean((largest <= WITHIN_MM) | (largest <= WITHIN_SHARE * size))
    return Left(largest, float(within), float(held.mean()), float(bound))


def main() -> int:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--gantries", type=int, default=50)
    given = parser.parse_args()
    print(
        "| what | mark, mm | read | median, mm | 95 % | within 5 % or 0.05 mm | interval holds | bound, mm |"
    )
    print("|---|---|---|---|---|---|---|---|")
    for what, scales in (("lengths", TAPES), ("sag", WIRES)):
        for mark_mm, times in scales:
            for count in (13,) if what == "lengths" else (13, 25):
                one = left(what, mark_mm, times, count, given.gantries)
                words = what if what == "lengths" else f"{what}, {count} places"
                print(
                    f"| {words} | {mark_mm:g} | {times} | {np.median(one.largest):.3f} | "
                    f"{np.quantile(one.largest, 0.95):.3f} | {100 * one.within:.0f} % | {100 * one.held:.0f} % | "
                    f"{one.bound_mm:.3f} |"
                )  # fmt: skip
    return 0


if __name__ == "__main__":
    sys.exit(main())
