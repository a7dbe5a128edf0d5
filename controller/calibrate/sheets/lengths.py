"""Lengths against a tape, and squareness by two diagonals.

Owns where ticks and crosses stand. All are come to from the same side, so that play shifts them alike and falls out.
Frame: canvas mm.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from controller.calibrate.sheets.page import (
    EDGE_MM,
    SLOW_MM_S,
    AxisName,
    Look,
    Page,
    Question,
    Sheet,
    SheetInk,
    cross,
    tooth,
    turned,
)
from controller.config.machine import AXES, Machine
from controller.motion.geometry import GeometryMap

HOOK_MM: Final = 3.0
TICK_MM: Final = 10.0
"""A tick reaches so far to both sides of the line on which the tape is laid."""
LEAST_REST_MM: Final = 60.0
"""The last tick stands at least so far from the one before."""
OFF_MM_M: Final = 12.0
"""A reading may be off by so much a metre: what a machine file may state, and some more."""


def lengths_sheet(
    machine: Machine, tip_mm: float = 1.0, *, every_mm: float = 250.0, resolution_mm: float = 0.25
) -> Sheet:
    """Ticks along a row and along a column, their distances from the first written beside them."""
    page = Page("lengths", "Lengths", machine, tip_mm, "Tape along the lines: mm from line 0")
    ink = SheetInk("ticks", tip_mm, SLOW_MM_S, in_sequence=True)
    geometry = GeometryMap.of(machine)
    figures: dict[str, tuple[float, ...]] = {}
    questions: list[Question] = []
    looks: list[Look] = []
    nominal: dict[str, list[float]] = {}
    begin = (EDGE_MM + 4.0 * page.letter_mm, page.top_mm + 30.0)
    for index, axis in enumerate(AXES):
        span = float(np.floor(page.size_mm[index] - begin[index] - EDGE_MM - 3.0 * page.letter_mm))
        ticks = list(np.arange(0.0, span, every_mm))
        if span - ticks[-1] < LEAST_REST_MM and len(ticks) > 1:
            ticks.pop()
        nominal[axis] = [*(float(one) for one in ticks), span]
    # Each row of ticks runs through the middle of a gap of the other one.
    across = {
        "x": begin[1] + _middle(nominal["y"]),
        "y": begin[0] + _middle(nominal["x"]),
    }
    for index, axis in enumerate(AXES):
        name: AxisName = "x" if axis == "x" else "y"
        places: list[float] = []
        stated: list[float] = []
        for number, along in enumerate(nominal[axis]):
            at = (begin[0] + along, across["x"]) if name == "x" else (across["y"], begin[1] + along)
            ink.line(turned(tooth(0.0, -TICK_MM, TICK_MM, HOOK_MM, -1), name, at))
            words = f"{along:g}"
            if name == "x":
                page.write(words, (at[0], at[1] - TICK_MM - tip_mm - page.letter_mm - 2.0), anchor="middle")
            else:
                page.write(
                    words, (at[0] - TICK_MM - tip_mm - 3.0, at[1] - page.letter_mm / 2.0), anchor="right"
                )
            ends = f"{axis} {words}" if number in (0, len(nominal[axis]) - 1) else ""
            page.block(f"tick {axis} {words}", (at[0] - 16.0, at[1] - 16.0, 32.0, 32.0), ends)
            place = float(geometry.to_axes([at])[0, index])
            places.append(place)
            table = machine.axes[axis].length_table
            stated.append(float(np.interp(place, table.position_mm, table.error_mm)) if table else 0.0)
            off = max(along * OFF_MM_M / 1000.0, 5.0)
            questions.append(
                Question(
                    key=f"{axis}{number}",
                    words=f"{axis}: where the tape stands at the middle of the line {words}",
                    unit="mm",
                    kind="number",
                    least=0.0 if number == 0 else max(along - off, 0.0),
                    most=1000.0 if number == 0 else along + off + 1000.0,
                    resolution=resolution_mm,
                )
            )
        figures |= {
            f"{axis}_place_mm": tuple(places),
            f"{axis}_stated_mm": tuple(stated),
            f"{axis}_nominal_mm": tuple(nominal[axis]),
            f"{axis}_limits_mm": (machine.axes[axis].min_mm, machine.axes[axis].max_mm),
        }
    looks.append(Look("Ticks of x and of y", (across["y"] - 190.0, across["x"] - 180.0, 380.0, 360.0)))
    how = (
        "Lay a steel tape along the row of ticks, pulled as its maker says, and do not move it until all are read.",
        (
            "Begin with its 100 mm line on the first tick: the end of a tape is its worst place. Every line is read, "
            "the first too; what counts are differences from the first."
        ),
        "Read the middle of each line: its two edges, and half of their sum.",
        "Read x along the row and y along the column; more than once, the tape laid anew, if you can.",
        (
            f"A reading counts as within {resolution_mm:g} mm here. A glass tells tenths on half-millimetre marks: "
            "draw the sheet with --read-to 0.1 for it."
        ),
    )
    return page.sheet([ink], questions, figures, how, looks)


def _middle(ticks: list[float]) -> float:
    gap = min(len(ticks) // 2, len(ticks) - 2)
    return 0.5 * (ticks[gap] + ticks[gap + 1])


def square_sheet(machine: Machine, tip_mm: float = 1.0, *, resolution_mm: float = 0.25) -> Sheet:
    """Crosses at the corners of a large rectangle, A top left, B top right, C bottom left, D bottom right.

    x drifts by q y: A to D is longer than B to C where it drifts to the right going down.
    """
    page = Page("square", "Squareness", machine, tip_mm, "Measure A to D and B to C")
    ink = SheetInk("crosses", tip_mm, SLOW_MM_S, in_sequence=True)
    arm = 12.0
    margin = arm + HOOK_MM + 3.0 * page.letter_mm
    left, right = EDGE_MM + margin, page.size_mm[0] - EDGE_MM - margin
    top, bottom = page.top_mm + margin, page.size_mm[1] - EDGE_MM - margin
    width, height = float(np.floor(right - left)), float(np.floor(bottom - top))
    corners = {
        "A": (left, top),
        "B": (left + width, top),
        "C": (left, top + height),
        "D": (left + width, top + height),
    }
    for name, (x, y) in corners.items():
        for line in cross((x, y), arm, HOOK_MM):
            ink.line(line)
        box = (x - arm - 6.0, y - arm - 6.0, 2.0 * arm + 12.0, 2.0 * arm + 12.0)
        page.block(f"cross {name}", box, name)
        outwards = -1.0 if name in "AC" else 1.0
        page.write(
            name,
            (x + outwards * (arm + 1.8 * page.letter_mm), y - page.letter_mm),
            2.0 * page.letter_mm,
            "middle",
        )
    diagonal = float(np.hypot(width, height))
    off = 0.012 * diagonal + 20e-3 * height
    questions = [
        Question(
            key=key,
            words=f"from the middle of cross {ends[0]} to the middle of cross {ends[1]}, about {diagonal:.0f} mm",
            unit="mm",
            kind="number",
            least=diagonal - off,
            most=diagonal + off,
            resolution=resolution_mm,
        )
        for key, ends in (("AD", "AD"), ("BC", "BC"))
    ]
    figures = {
        "size_mm": (width, height),
        "stated_mm_m": (machine.geometry.squareness_mm_m,),
    }
    how = (
        "Measure A to D and B to C with the same tape, pulled alike, between the middles of the crosses.",
        (
            f"Without a fault both are {diagonal:.1f} mm; what counts is their difference, so a tape that is long or "
            "short does no harm."
        ),
        "Read each more than once, the tape laid anew.",
    )
    x, y = corners["A"]
    looks = [
        Look(
            "A cross; the hooks show from where the pen came, and the ring what is measured from",
            (x - 50.0, y - 22.0, 90.0, 44.0),
            ring_mm=(x, y, 3.0),
        )
    ]
    return page.sheet([ink], questions, figures, how, looks)
