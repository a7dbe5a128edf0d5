"""Circles both ways round, waves of a belt that rings, and register marks.

Owns their places. Frame: canvas mm.
"""

from __future__ import annotations

from math import ceil, cos, pi, radians, sin, sqrt
from typing import Final

import numpy as np

from controller.calibrate.identify_ring import wave_run_up_mm
from controller.calibrate.sheets.page import (
    EDGE_MM,
    AxisName,
    Line,
    Look,
    Page,
    Question,
    Sheet,
    SheetInk,
    turned,
)
from controller.config.machine import AXES, Machine
from controller.motion.geometry import GeometryMap

RADII_MM: Final = (150.0, 50.0, 15.0)
DIRECTIONS_DEG: Final = (0, 45, 90, 135)
SAGITTA_MM: Final = 0.002
WAVE_MM_S: Final = (40.0, 60.0, 80.0, 100.0, 140.0, 200.0)
WAVE_LINES: Final = 3
WAVE_STEP_MM_S: Final = 20.0
"""All speeds are multiples of it."""
WAVE_RUN_UP_MM: Final = 20.0
"""A line is drawn no faster than leaves it so much behind its corner before it is steady: the faster, the longer its
waves and the better their length is read."""
SHOWN_HZ: Final = 7.0
SHOWN_DAMPING: Final = 0.05
SHOWN_HIGH_MM: Final = 2.5
"""Of the picture on the page, which shows what waves are."""
NEST_MM: Final = 14.0
RUN_UP_MM: Final = 80.0
WAVE_MM: Final = 160.0


def circles_sheet(machine: Machine, tip_mm: float = 1.0, *, resolution_mm: float = 0.1) -> Sheet:
    """Pairs of circles about one middle, the outer of each clockwise (seen facing the wall), the inner against it."""
    page = Page("circles", "Circles", machine, tip_mm, "Diameters at 0, 45, 90, 135 of the two largest")
    ink = SheetInk("circles", tip_mm, in_sequence=True)
    fits = min(page.size_mm[0], page.size_mm[1] - page.top_mm) / 2.0 - EDGE_MM - 30.0
    largest = min(RADII_MM[0], fits)
    radii = [one for one in RADII_MM if one <= largest] if largest >= RADII_MM[-1] else []
    if not radii or radii[0] < largest:
        radii = [largest, *radii]
    centre = (page.size_mm[0] / 2.0, (page.size_mm[1] + page.top_mm) / 2.0)
    inner = 4.0 * tip_mm
    questions: list[Question] = []
    for radius in radii:
        for name, size, way in (("clockwise", radius, 1.0), ("against", radius - inner, -1.0)):
            if size < 2.0 * tip_mm:
                continue
            ink.line(_circle(centre, size, way), name, closed=True)
            if radius == radii[0]:
                questions += [
                    Question(
                        key=f"{name}{angle}",
                        words=(
                            f"the {'outer' if name == 'clockwise' else 'inner'} of the two largest circles: "
                            f"its diameter at {angle} degrees, middle to middle of the line"
                        ),
                        unit="mm",
                        kind="number",
                        least=2.0 * size * 0.98 - 2.0,
                        most=2.0 * size * 1.02 + 2.0,
                        resolution=resolution_mm,
                        optional=True,
                    )
                    for angle in DIRECTIONS_DEG
                ]
    out = radii[0] + 3.0 * tip_mm
    for angle in range(0, 360, 45):
        towards = np.array([cos(radians(angle)), sin(radians(angle))])
        page.captions.line([centre + towards * out, centre + towards * (out + 8.0)])
        if angle in DIRECTIONS_DEG:
            at = centre + towards * (out + 11.0 + 1.3 * page.letter_mm)
            page.write(f"{angle}", (float(at[0]), float(at[1]) - page.letter_mm / 2.0), anchor="middle")
    edge = out + 12.0 + 3.0 * page.letter_mm
    box = (centre[0] - edge, centre[1] - edge + 8.0, 2.0 * edge, 2.0 * edge - 16.0)
    page.block("circles", box, "circles")
    how = (
        (
            "Measure the diameters of the two largest circles towards the ticks, middle to middle of the line: "
            "the outer one is painted clockwise, the inner one against the clock."
        ),
        "The angles go from x towards y: 45 is down to the right.",
        (
            "Steps at 0, 90, 180 and 270 degrees are play that is not made up for; an oval at 45 degrees the same both "
            "ways is squareness; one way at 45 and the other at 135, lag that differs between the axes."
        ),
    )
    looks = [Look("All circles", (centre[0] - edge, centre[1] - edge, 2.0 * edge, 2.0 * edge))]
    figures = {
        "radius_mm": (radii[0], radii[0] - inner),
        "speed_mm_s": (machine.motion.paint_speed_mm_s,),
        "stated_mm_m": (machine.geometry.squareness_mm_m,),
    }
    return page.sheet([ink], questions, figures, how, looks)


def _circle(
    centre_mm: tuple[float, float], radius_mm: float, way: float
) -> np.ndarray[tuple[int, ...], np.dtype[np.float64]]:
    sides = max(72, ceil(pi / sqrt(2.0 * SAGITTA_MM / radius_mm)))
    angles = way * 2.0 * pi * np.arange(sides) / sides
    points: np.ndarray[tuple[int, ...], np.dtype[np.float64]] = np.column_stack(
        [centre_mm[0] + radius_mm * np.cos(angles), centre_mm[1] + radius_mm * np.sin(angles)]
    )
    return points


def waves_sheet(machine: Machine, tip_mm: float = 0.5, *, places: int = 3) -> Sheet:
    """An axis stops at a corner and rings on its belt while the other draws on: waves of v / f, lower and lower.

    At each place several lines at several speeds: at some speeds the end of the braking takes away what its begin has
    stirred up. Wants machine files without ``belt``: what is made up for does not ring.
    """
    page = Page("waves", "Waves", machine, tip_mm, "Count and measure the waves beyond the tick")
    motion = machine.motion
    slowest = min(motion.paint_speed_mm_s, WAVE_MM_S[WAVE_LINES - 1])
    speeds = [
        one
        for one in WAVE_MM_S
        if one <= slowest
        or (
            one <= motion.paint_speed_mm_s
            and wave_run_up_mm(one, motion.acceleration_mm_s2, motion.jerk_mm_s3) <= WAVE_RUN_UP_MM
        )
    ][-WAVE_LINES:] or [motion.paint_speed_mm_s]
    inks = [SheetInk(f"speed-{one:g}".replace(".", "-"), tip_mm, one, in_sequence=True) for one in speeds]
    geometry = GeometryMap.of(machine)
    figures: dict[str, tuple[float, ...]] = {
        "speed_mm_s": tuple(speeds),
        "acceleration_mm_s2": (motion.acceleration_mm_s2,),
    }
    questions: list[Question] = []
    looks: list[Look] = []
    nest = len(speeds) - 1
    for index, name in enumerate(AXES):
        axis: AxisName = "x" if name == "x" else "y"
        before = RUN_UP_MM + (NEST_MM + 4.0 * page.letter_mm) + NEST_MM * nest
        low = (EDGE_MM if index == 0 else page.top_mm) + before + 10.0
        high = page.size_mm[index] - EDGE_MM - 40.0
        across = page.top_mm + 20.0 if axis == "x" else 0.3 * page.size_mm[0]
        found: list[float] = []
        for number, along in enumerate(np.linspace(low, high, places).tolist(), 1):
            corner = (along, across) if axis == "x" else (across, along)
            for row, (speed, ink) in enumerate(zip(speeds, inks, strict=True)):
                at, down = -NEST_MM * row, NEST_MM * row
                line = [(at - RUN_UP_MM, down), (at, down), (at, down + WAVE_MM)]
                ink.line(turned(line, axis, corner), "wave")
                ramp = down + wave_run_up_mm(speed, motion.acceleration_mm_s2, motion.jerk_mm_s3)
                tick = [(at + 3.0 * tip_mm, ramp), (at + 3.0 * tip_mm + 4.0, ramp)]
                page.captions.line(turned(tick, axis, corner))
                x, y = turned([(at - RUN_UP_MM - 3.0, down)], axis, corner)[0].tolist()
                if axis == "x":
                    page.write(f"{speed:g}", (x, y - page.letter_mm / 2.0), anchor="right")
                else:
                    page.write(f"{speed:g}", (x, y - page.letter_mm), anchor="middle")
            x, y = turned([(-NEST_MM * nest - RUN_UP_MM / 2.0, NEST_MM * nest + 6.0)], axis, corner)[
                0
            ].tolist()
            page.write(f"{name}{number}", (x, y), 1.5 * page.letter_mm)
            a, b = turned([(-before, -6.0), (10.0, WAVE_MM + NEST_MM * nest)], axis, corner)
            page.block(
                f"wave {name}{number}",
                (float(a[0]), float(a[1]), float(b[0] - a[0]), float(b[1] - a[1])),
                f"{name.upper()}{number}",
            )
            middle = turned([(-NEST_MM * nest / 2.0, 0.0)], axis, corner)
            found.append(float(geometry.to_axes(middle)[0, index]))
            questions += _wave_questions(f"{name}{number}", speeds)
            if number == 1 and axis == "x":
                box = (
                    float(a[0]) - 4.0,
                    float(a[1]) - 4.0,
                    float(b[0] - a[0]) + 8.0,
                    float(b[1] - a[1]) + 8.0,
                )
                looks.append(Look("The pen comes along x, stops, and draws downwards, at three speeds", box))
                looks.append(_ringing(machine, corner, speeds, box))
        figures[f"{name}_place_mm"] = tuple(found)
    how = (
        "Take the finest tip there is: on a stiff belt the waves are a tenth of a millimetre high.",
        (
            "Look along the long strokes from their ends, nearly flat to the canvas: waves show so. Read the line "
            "of the three that shows them best; its speed in mm/s is written at its begin."
        ),
        (
            "Count whole waves beyond the tick (before it the pen was still getting faster) and measure their length "
            "together. For the damping, measure the first of them and the one after the last from crest to trough."
        ),
        "Where nothing can be seen the belt is stiff enough at that place: leave it out.",
    )
    return page.sheet(inks, questions, figures, how, looks)


def _ringing(
    machine: Machine, corner: tuple[float, float], speeds: list[float], box: tuple[float, float, float, float]
) -> Look:
    """The same on a belt that rings, its waves drawn high; those that are counted have numbers."""
    lines: list[Line] = []
    aside: list[tuple[str, float, float]] = []
    motion = machine.motion
    after = np.linspace(0.0, WAVE_MM, 800)
    for row, speed in enumerate(speeds):
        at, down = -NEST_MM * row, NEST_MM * row
        phase = 2.0 * pi * SHOWN_HZ * after / speed
        wave = np.column_stack(
            [at + SHOWN_HIGH_MM * np.exp(-SHOWN_DAMPING * phase) * np.sin(phase), down + after]
        )
        lines.append(turned(np.vstack([[(at - RUN_UP_MM, down)], wave]), "x", corner))
        if row == len(speeds) // 2:
            long = speed / SHOWN_HZ
            tick = wave_run_up_mm(speed, motion.acceleration_mm_s2, motion.jerk_mm_s3)
            first = ceil(tick / long - 0.25) + 0.25
            for number in range(4):
                x, y = turned([(at + SHOWN_HIGH_MM + 1.5, down + (first + number) * long)], "x", corner)[
                    0
                ].tolist()
                if down + (first + number) * long < WAVE_MM:
                    aside.append((f"{number + 1}", x, y))
    words = (
        "On a soft belt, the waves drawn higher than they are. Crests beyond the tick have numbers here: from 1 to 4 "
        "are three waves. Their length is from crest 1 to crest 4; the heights are those at 1 and at 4, crest to trough"
    )
    return Look(words, box, "wave", instead=tuple(lines), aside=tuple(aside))


def _wave_questions(key: str, speeds: list[float]) -> list[Question]:
    step = WAVE_STEP_MM_S if len(speeds) > 1 else 0.0
    rows = (
        ("v", "the speed written at the line that is read", "mm/s", speeds[0], speeds[-1], step, 0.0),
        ("n", "whole waves counted beyond the tick", "", 2.0, 100.0, 1.0, 0.0),
        ("l", "the length of these waves together", "mm", 2.0, WAVE_MM, 0.0, 0.5),
        ("a", "height of the first of these waves, crest to trough", "mm", 0.05, 10.0, 0.0, 0.05),
        ("b", "height of the wave after the last of them", "mm", 0.02, 10.0, 0.0, 0.05),
    )
    return [
        Question(
            key=f"{key}{part}",
            words=f"{key.upper()}: {words}",
            unit=unit,
            kind="number",
            least=least,
            most=most,
            step=step,
            resolution=resolution,
            optional=True,
        )
        for part, words, unit, least, most, step, resolution in rows
    ]


def marks_sheet(machine: Machine, tip_mm: float = 1.0) -> Sheet:
    """Register marks near the corners and in the middle, to be found again with ``giornata marks``."""
    page = Page("marks", "Marks", machine, tip_mm, "Steer the pen to each cross: giornata marks")
    x, y = page.size_mm
    inset = EDGE_MM + 30.0
    places = {
        "top-left": (inset, page.top_mm + 40.0),
        "top-right": (x - inset, page.top_mm + 40.0),
        "low-right": (x - inset, y - inset),
        "low-left": (inset, y - inset),
        "middle": (x / 2.0, y / 2.0),
    }
    for name, (px, py) in places.items():
        right = px + 22.0 + len(name) * page.letter_mm > x
        wide = 40.0 + len(name) * page.letter_mm
        page.block(f"mark {name}", (px + 16.0 - wide if right else px - 16.0, py - 16.0, wide, 32.0), name)
        page.write(
            name,
            (px - 20.0 if right else px + 20.0, py - page.letter_mm / 2.0),
            anchor="right" if right else "left",
        )
    how = (
        "The crosses are painted at the beginning of the first pass.",
        (
            "`giornata marks` on this job takes the raised pen to each cross and asks where it lies: right after "
            "painting that tells how well the pen's tip stands where the holder is; later, how the canvas has moved."
        ),
        "Nothing is entered here.",
    )
    px, py = places["middle"]
    return page.sheet(
        [], [], {}, how, [Look("A mark's place and its name", (px - 40.0, py - 30.0, 160.0, 60.0))], places
    )
