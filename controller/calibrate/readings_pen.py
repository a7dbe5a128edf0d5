"""Readings of the pen: lean, landing, width, dots, wear, and how long it stays wet with its tip up.

Owns the formulas and what is refused. Lean and landing belong to the machine file; widths, wear and the time to
prime belong to job files, and their fields begin with ``job.``.
"""

from __future__ import annotations

import math
from typing import Final

import numpy as np

from controller.calibrate.readings import Answers, mean_of
from controller.calibrate.readings_frame import question_of
from controller.calibrate.sheets.page import Record
from controller.calibrate.values import Measured, PoorFit

MISSING_MM: Final = 2.0
"""A line that begins by no more than this late counts as begun. Common practice, no source."""


def _read(record: Record, answers: Answers, key: str, what: str) -> tuple[float, float] | None:
    """Mean and half width; None where it was not read. Raises PoorFit at the ends of the scale."""
    if not answers.get(key):
        return None
    question = question_of(record, key)
    mean, half = mean_of(answers[key], question.resolution)
    if mean <= question.least + 1e-9 or mean >= question.most - 1e-9:
        expected = f"a mark within the scale, {question.least:g} to {question.most:g} mm"
        raise PoorFit(what, expected, f"{mean:g} at its end", code="fit-end-of-scale")
    return mean, half


def pen(record: Record, answers: Answers) -> tuple[Measured, ...]:
    """Lean and landing of the tip.

    Two ends that were drawn towards each other part at w - 2 lean, two beginnings at w: lean is half of how much
    earlier the ends part. What was stated had been made up for and is added. An axis that was not read keeps its own.
    """
    found: list[Measured] = []
    stated = record.of("lean_mm")
    leans, halves, count = list(stated), [], 0
    for index, axis in enumerate(("x", "y")):
        ends = _read(record, answers, f"{axis}e", f"{axis} ends")
        starts = _read(record, answers, f"{axis}s", f"{axis} starts")
        if ends is None or starts is None:
            continue
        half = 0.5 * math.hypot(ends[1], starts[1])
        lean = stated[index] + 0.5 * (starts[0] - ends[0])
        if lean < -half - 1e-9:
            raise PoorFit(
                f"lean along {axis}",
                "ends that part before beginnings do",
                f"ends at {ends[0]:g} mm, beginnings at {starts[0]:g} mm: play that is made up for too much?",
                code="fit-lean",
            )
        leans[index] = max(lean, 0.0)
        halves.append(half)
        count += len(answers[f"{axis}e"]) + len(answers[f"{axis}s"])
    if halves:
        note = "play that the file does not state reads as twice as much lean"
        value = (round(leans[0], 4), round(leans[1], 4))
        found.append(Measured("pen.lean_mm", value, "mm", max(halves), "pen sheet", count, note))
    places, widths, count = list(record.of("landing_mm")), [], 0
    for index, axis in enumerate(("x", "y")):
        read = _read(record, answers, f"{axis}l", f"{axis} landing")
        if read is not None:
            places[index] += read[0]
            widths.append(read[1])
            count += len(answers[f"{axis}l"])
    if widths:
        value = (round(places[0], 4), round(places[1], 4))
        found.append(Measured("pen.landing_mm", value, "mm", max(widths), "pen sheet", count, ""))
    if not found:
        raise PoorFit(
            "pen sheet",
            "ends and starts of an axis, or a landing",
            "none that could be read",
            code="fit-nothing-read",
        )
    return tuple(found)


def tip(record: Record, answers: Answers) -> tuple[Measured, ...]:
    """Width of the line: between the last pair without canvas between and the first with it, so half a step less."""
    read = _read(record, answers, "width", "tip ladder")
    if read is None:
        raise PoorFit("tip sheet", "a reading", "none", code="fit-nothing-read")
    width = read[0] - record.of("step_mm")[0] / 2.0
    count = len(answers["width"])
    return (Measured("job.tip_mm", round(width, 4), "mm", read[1], "tip sheet", count, "at teeth's speed"),)


def dots(record: Record, answers: Answers) -> tuple[Measured, ...]:
    """Width of the tip by dots: as much wider than stated as dots are wider than drawn, whatever their size."""
    step, stated = record.of("step_mm")[0], record.of("tip_mm")[0]
    over: list[float] = []
    halves: list[float] = []
    count = 0
    words: list[str] = []
    for row, size in enumerate(record.of("size_mm"), 1):
        read = _read(record, answers, f"row{row}", f"row {row}")
        if read is None:
            continue
        painted = read[0] - step / 2.0
        over.append(painted - size)
        halves.append(read[1])
        count += len(answers[f"row{row}"])
        words.append(f"{size:g} mm came out {painted:.2f}")
    if not over:
        raise PoorFit("dots sheet", "a row that can be read", "none", code="fit-nothing-read")
    width = stated + math.fsum(over) / len(over)
    half = max(max(halves) / math.sqrt(len(halves)), (max(over) - min(over)) / 2.0)
    return (Measured("job.tip_mm", round(width, 4), "mm", half, "dots sheet", count, "; ".join(words)),)


def wear(record: Record, answers: Answers) -> tuple[Measured, ...]:
    """A tip's table: width by metres painted, as job files have it (docs/job.md, ``[tips]``).

    Widths come from the ladders; a tip does not grow finer, so what falls by no more than the readings leave open is
    evened out (least squares among rising curves, scipy's isotonic regression), and what falls by more is refused.
    The first ladder stands for the new tip, at 0 metres: half its own metres are neglected.
    """
    from scipy.optimize import isotonic_regression

    step, metres = record.of("step_mm")[0], record.of("metres")
    rows: list[tuple[float, float, float]] = []
    count = 0
    for number, at in enumerate(metres):
        read = _read(record, answers, f"ladder{number}", f"ladder {number}")
        if read is None:
            continue
        rows.append((at, read[0] - step / 2.0, read[1]))
        count += len(answers[f"ladder{number}"])
    if len(rows) < 2 or rows[0][0] != metres[0]:
        raise PoorFit(
            "wear sheet", "the first ladder and one more or several", f"{len(rows)} read", code="fit-wear"
        )
    widths = np.array([row[1] for row in rows])
    fall = np.maximum.accumulate(widths) - widths
    worst = int(fall.argmax())
    allowed = 2.0 * max(row[2] for row in rows)
    if fall[worst] > allowed + 1e-9:
        raise PoorFit(
            "wear sheet",
            f"widths that do not fall by more than {allowed:.2f} mm",
            f"{widths[worst]:.2f} mm after {rows[worst][0]:.1f} m: another pen, or one that ran dry",
            code="fit-wear",
        )
    rising = isotonic_regression(widths).x
    table = {
        "metres": (0.0, *(round(row[0], 3) for row in rows[1:])),
        "width_mm": tuple(round(float(one), 4) for one in rising),
    }
    note = f"{rising[-1] - rising[0]:+.2f} mm in {rows[-1][0]:.1f} m"
    half = max(row[2] for row in rows)
    return (Measured("job.tips", table, "mm", half, "wear sheet", count, note),)


def dry(record: Record, answers: Answers) -> tuple[Measured, ...]:
    """How long a raised pen stays wet: the longest wait after which a line began, before any that did not.

    The limit lies between that wait and the next; the lower end is the value, so that a pen is primed in time.
    """
    minutes = record.of("minutes")
    missing = [mean_of(answers[f"missing{number}"], 0.5)[0] for number in range(len(minutes))]
    wet = [one <= MISSING_MM for one in missing]
    if not wet[0]:
        raise PoorFit(
            "dry sheet",
            f"a line that begins after {minutes[0]:g} min",
            f"{missing[0]:g} mm missing",
            code="fit-dry",
        )
    last = wet.index(False) - 1 if False in wet else len(wet) - 1
    if last == 0:
        raise PoorFit(
            "dry sheet",
            f"a line that begins after {minutes[1]:g} min",
            "shorter waits are wanted",
            code="fit-dry",
        )
    upper = minutes[last + 1] if last + 1 < len(minutes) else None
    note = (
        f"dry after {upper:g} min, wet after {minutes[last]:g}"
        if upper is not None
        else f"still wet after {minutes[last]:g} min, the longest wait"
    )
    half = 60.0 * (upper - minutes[last]) if upper is not None else None
    count = sum(len(answers[f"missing{number}"]) for number in range(len(minutes)))
    return (Measured("job.swatch.prime_after_s", 60.0 * minutes[last], "s", half, "dry sheet", count, note),)
