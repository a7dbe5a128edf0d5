"""Sheets of pens: how wide a tip's line and dots are, how it wears, how long it stays wet with the pen up.

Owns ladders (pairs that part step by step; the first with canvas between them tells a width without a rule) and
where known metres lie between them. Frame: canvas mm.
"""

from __future__ import annotations

from itertools import pairwise
from pathlib import Path
from typing import Final

from controller.calibrate.sheets import font
from controller.calibrate.sheets.corners import PHOTO_WORDS, corners, has_corners, room_mm
from controller.calibrate.sheets.page import (
    EDGE_MM,
    SLOW_MM_S,
    Look,
    Page,
    Question,
    Sheet,
    SheetInk,
    tooth,
)
from controller.config.errors import InputError, Mistake
from controller.config.machine import Machine

LADDER_STEP_MM: Final = 0.05
RUNG_MM: Final = 20.0
HOOK_MM: Final = 3.0
DRY_MINUTES: Final = (0.0, 1.0, 2.0, 5.0, 10.0)
DRY_LINE_MM: Final = 200.0
DRY_SHOWN_MM: Final = 14.0
UNSEEN_MM: Final = 0.04
"""Canvas between two edges of paint may be so narrow and not be seen with a glass of three times: a minute of arc at
300 mm is 0.09 mm (from memory), a third of it through the glass, and paint has no sharp edge."""


def _spacings(tip_mm: float, low: float, high: float, step_mm: float) -> list[float]:
    """Whole steps from ``low`` to ``high`` tips."""
    return [
        round(i * step_mm, 6)
        for i in range(round(low * tip_mm / step_mm), round(high * tip_mm / step_mm) + 1)
    ]


def _ladder(
    page: Page, ink: SheetInk, at_mm: tuple[float, float], spacings: list[float], label_each: int
) -> tuple[float, float, float, float]:
    """Pairs of upright lines, their middles ``spacings`` apart, from the left; answers the rectangle they take."""
    x, y = at_mm[0] + HOOK_MM + page.tip_mm, at_mm[1] + page.letter_mm + 4.0
    widest = max(spacings)
    label_mm = font.width_mm("0.55", page.letter_mm) + 7.0
    advance = max(HOOK_MM + widest + page.tip_mm + max(2.5 * page.tip_mm, 2.0), label_mm / label_each)
    below = 2.0 * page.tip_mm + 1.0
    for number, spacing in enumerate(spacings):
        ink.line(tooth(x, y + below, y + RUNG_MM, HOOK_MM - 0.5 * page.tip_mm, -1), "left")
        ink.line(tooth(x + spacing, y, y + RUNG_MM, HOOK_MM - 0.5 * page.tip_mm, -1), "right")
        if number % label_each == 0:
            page.write(f"{spacing:g}", (x + spacing / 2.0, at_mm[1]), anchor="middle")
        x += advance
    return at_mm[0], at_mm[1], x - at_mm[0], RUNG_MM + page.letter_mm + 4.0 + page.tip_mm


def tip_sheet(machine: Machine, tip_mm: float = 1.0) -> Sheet:
    """A ladder for the width of the tip's line, 0.5 to 1.6 tips."""
    page = Page("tip", "Tip", machine, tip_mm, "The first pair with canvas between")
    ink = SheetInk("pen", tip_mm, SLOW_MM_S, in_sequence=True)
    step = LADDER_STEP_MM * max(1.0, round(tip_mm))
    spacings = _spacings(tip_mm, 0.5, 1.6, step)
    top = page.top_mm + 10.0 + room_mm(tip_mm)
    box = _ladder(page, ink, (EDGE_MM, top), spacings, 2)
    page.block("ladder", box, "ladder")
    marks = corners(page, box)
    pairs = [float(points[1, 0]) for points, _ in ink.lines]
    seen = (ink.lines[0][0][1, 1] + 2.0 * tip_mm + 1.0, ink.lines[0][0][2, 1] - 1.5 * tip_mm)
    questions = [_ladder_question("width", "", spacings, step)]
    how = (
        "From the left, look for the first pair of lines with canvas to be seen between them, all the way down.",
        "Every second pair has its number, the distance of the middles of its lines in mm. Give the pair's own number.",
        "The line is half a step narrower than that; painted slowly, a pen may leave a wider line than in a pass.",
        *((PHOTO_WORDS,) if has_corners(tip_mm) else ()),
    )
    x, y, w, h = box
    first = next(number for number, spacing in enumerate(spacings) if spacing > tip_mm + 1e-9)
    advance = pairs[2] - pairs[0]
    middle = 0.5 * (pairs[2 * first] + pairs[2 * first + 1])
    near = (middle - 2.5 * advance, y - 2.0, 5.0 * advance, h + 4.0)
    looks = [
        Look("The ladder: its first pairs run together", (x - 2.0, y - 2.0, w, h + 4.0)),
        Look(
            f"A line of {tip_mm:g} mm: the first pair with canvas between is {spacings[first]:g}",
            near,
            ring_mm=(middle, y + h - 0.4 * RUNG_MM, 0.45 * advance),
        ),
    ]
    figures = {
        "step_mm": (step,),
        **marks,
        "pair_x_mm": tuple(pairs),
        "pair_span_mm": (float(seen[0]), float(seen[1])),
    }
    return page.sheet([ink], questions, figures, how, looks)


def _ladder_question(key: str, where: str, spacings: list[float], step: float) -> Question:
    return Question(
        key=key,
        words=f"{where}the number of the first pair with canvas between its lines",
        unit="mm",
        kind="tooth",
        least=spacings[0],
        most=spacings[-1],
        step=step,
        resolution=step / 2.0 + UNSEEN_MM,
        optional=bool(where),
    )


def dots_sheet(machine: Machine, tip_mm: float = 1.0) -> Sheet:
    """Pairs of dots of two sizes that part step by step."""
    page = Page("dots", "Dots", machine, tip_mm, "In each row: the first pair with canvas between")
    ink = SheetInk("pen", tip_mm)
    step = 0.1 * max(1.0, round(tip_mm))
    sizes = (round(3.0 * tip_mm, 6), round(8.0 * tip_mm, 6))
    questions: list[Question] = []
    looks: list[Look] = []
    y = top = page.top_mm + 10.0 + room_mm(tip_mm)
    wide = 0.0
    for row, size in enumerate(sizes, 1):
        parts = [round(size + i * step, 6) for i in range(-6, 7)]
        advance = max(size + 2.0 * tip_mm + 2.0, 3.6 * page.letter_mm)
        x = EDGE_MM + 1.5 * advance
        middle = y + page.letter_mm + 4.0 + size / 2.0
        for part in parts:
            ink.dots.append((x, middle, size))
            ink.dots.append((x, middle + part, size))
            page.write(f"{part:g}", (x, y), anchor="middle")
            x += advance
        tall = page.letter_mm + 4.0 + size + parts[-1]
        box = (EDGE_MM, y, x - EDGE_MM, tall)
        page.block(f"row {row}", box, "dots" if row == 1 else "")
        beside = min(middle + size / 2.0 - 0.65 * page.letter_mm, y + tall - 1.3 * page.letter_mm)
        page.write(f"{row}", (EDGE_MM, beside), 1.3 * page.letter_mm)
        open_at = EDGE_MM + (1.5 + parts.index(round(size + step, 6))) * advance
        looks.append(
            Look(
                f"Row {row}, where dots come out {size:g} mm wide: the first pair that parts is {size + step:g}",
                (open_at - 3.5 * advance, y - 2.0, 7.0 * advance, tall + 4.0),
                ring_mm=(open_at, middle + 0.5 * (size + step), 0.8 * size + 1.0),
            )
        )
        questions.append(
            Question(
                key=f"row{row}",
                words=f"row {row}: the number above the first pair of dots with canvas between them",
                unit="mm",
                kind="tooth",
                least=parts[0],
                most=parts[-1],
                step=step,
                resolution=step / 2.0 + UNSEEN_MM,
                optional=True,
            )
        )
        y += tall + 14.0
        wide = max(wide, x - EDGE_MM)
    marks = corners(page, (EDGE_MM, top, wide, y - 14.0 - top))
    pairs = {
        f"row{row}_pair_mm": tuple(
            one
            for (x, low, size), (_, high, _) in zip(ink.dots[::2], ink.dots[1::2], strict=True)
            if size == wanted
            for one in (x, low, high - low)
        )
        for row, wanted in enumerate(sizes, 1)
    }
    how = (
        (
            "In each row, from the left, look for the first pair of dots that do not touch. The number above it is the "
            "distance of their middles."
        ),
        "A dot is as wide as the distance at which two of them part. Wider than drawn: the tip is.",
        *((PHOTO_WORDS,) if has_corners(tip_mm) else ()),
    )
    return page.sheet([ink], questions, {"size_mm": sizes, "step_mm": (step,), **marks, **pairs}, how, looks)


def wear_sheet(
    machine: Machine, tip_mm: float = 1.0, *, metres: tuple[float, ...] = (10.0, 10.0, 20.0, 20.0)
) -> Sheet:
    """Ladders, and between them ``metres`` of line; each an ink of its own, so that they come in this order.

    The pen stays the same through all of them; only the captions may be painted with another one.
    """
    if not 1 <= len(metres) <= 40 or not all(0.5 <= one <= 500.0 for one in metres):
        raise InputError(
            [
                Mistake(
                    page_name("wear"),
                    "metres",
                    "1 to 40 lengths of 0.5 to 500 m",
                    f"{metres}",
                    code="sheet-setting",
                )
            ]
        )
    page = Page("wear", "Wear", machine, tip_mm, "In each ladder: the first pair with canvas between")
    step = LADDER_STEP_MM * max(1.0, round(tip_mm))
    spacings = _spacings(tip_mm, 0.7, 2.0, step)
    inks: list[SheetInk] = []
    questions: list[Question] = []
    at_m: list[float] = []
    looks: list[Look] = []
    painted_mm, y = 0.0, page.top_mm + 10.0
    for number in range(len(metres) + 1):
        ink = SheetInk(f"ladder-{number}", tip_mm, SLOW_MM_S, in_sequence=True)
        box = _ladder(page, ink, (EDGE_MM + 6.0 * page.letter_mm, y), spacings, 2)
        at_m.append((painted_mm + ink.length_mm() / 2.0) / 1000.0)
        painted_mm += ink.length_mm()
        page.write(f"{number}", (EDGE_MM, y + page.letter_mm), 2.0 * page.letter_mm)
        name = f"ladder {number}" if number in (0, len(metres)) else ""
        page.block(f"ladder {number}", (EDGE_MM, *box[1:2], box[0] + box[2] - EDGE_MM, box[3]), name)
        if number == 0:
            looks.append(Look("Ladder 0, of the fresh tip", (box[0] - 6.0, y - 6.0, box[2], box[3] + 12.0)))
        questions.append(
            _ladder_question(f"ladder{number}", f"ladder {number} (after {at_m[-1]:.1f} m): ", spacings, step)
        )
        inks.append(ink)
        y += box[3] + 8.0
        if number < len(metres):
            block = SheetInk(f"metres-{number}", tip_mm)
            y = _serpentine(page, block, y, 1000.0 * metres[number]) + 10.0
            painted_mm += block.length_mm()
            inks.append(block)
    how = (
        (
            "Put a fresh pen in for ladder-0 and leave it in to the end: answer every later question for a pen by "
            "leaving the same one in. The captions are painted first and may have any pen."
        ),
        "Every ladder is read as on the sheet of the tip: the first pair with canvas between its lines.",
        "The metres are counted from the drawing, ladders included, travel with the pen up not.",
    )
    return page.sheet(inks, questions, {"metres": tuple(at_m), "step_mm": (step,)}, how, looks)


def _serpentine(page: Page, ink: SheetInk, top_mm: float, length_mm: float) -> float:
    """One line to and fro of ``length_mm``; answers where it ends, going down."""
    left, right = EDGE_MM + page.tip_mm, page.size_mm[0] - EDGE_MM - page.tip_mm
    row, down = right - left, 1.6 * page.tip_mm
    points = [(left, top_mm)]
    left_mm, y, at_left = length_mm, top_mm, True
    while left_mm > 0.0:
        way = min(row, left_mm)
        points.append((left + way if at_left else right - way, y))
        left_mm -= way
        if left_mm <= down:
            break
        at_left, y = not at_left, y + down
        points.append((right if not at_left else left, y))
        left_mm -= down
    ink.line(points, "metres")
    page.block(f"the line {ink.name}", (left, top_mm, row, y - top_mm))
    return y


def dry_sheet(machine: Machine, tip_mm: float = 1.0, *, minutes: tuple[float, ...] = DRY_MINUTES) -> Sheet:
    """Lines that begin after waits with the pen up; each an ink of its own, so that a person is asked before each.

    A job cannot wait by itself: the question for the pen does, and is answered when the time is over.
    """
    rising = all(before < after for before, after in pairwise(minutes))
    if len(minutes) < 2 or not rising or minutes[0] < 0.0 or minutes[-1] > 600.0:
        raise InputError(
            [
                Mistake(
                    page_name("dry"),
                    "minutes",
                    "two or more that rise, 0 to 600",
                    f"{minutes}",
                    code="sheet-setting",
                )
            ]
        )
    page = Page(
        "dry",
        "Dry-out",
        machine,
        tip_mm,
        "Wait with the pen up before each line. How much is missing at its tick",
    )
    inks: list[SheetInk] = []
    questions: list[Question] = []
    pitch = max(3.0 * tip_mm + 6.0, 1.8 * page.letter_mm)
    y = page.top_mm + 10.0 + pitch
    x = EDGE_MM + 8.0 * page.letter_mm
    box = (EDGE_MM, y - pitch / 2.0, x + DRY_LINE_MM - EDGE_MM, pitch * len(minutes))
    page.block("lines", box, "lines")
    for number, wait in enumerate(minutes):
        ink = SheetInk(f"wait-{number}", tip_mm, in_sequence=True)
        ink.line([(x, y), (x + DRY_LINE_MM, y)], "late" if number == len(minutes) - 1 else "")
        page.write(f"{wait:g} min", (x - 2.0 * page.letter_mm, y - page.letter_mm / 2.0), anchor="right")
        page.captions.line([(x - 1.2 * page.letter_mm, y), (x - 0.6 * page.letter_mm - tip_mm / 2.0, y)])
        questions.append(
            Question(
                key=f"missing{number}",
                words=f"line {wait:g} min: so much is missing at its beginning, {DRY_LINE_MM:g} if all of it",
                unit="mm",
                kind="number",
                least=0.0,
                most=DRY_LINE_MM,
                resolution=0.5,
            )
        )
        inks.append(ink)
        y += pitch
    waits = ", ".join(f"{wait:g}" for wait in minutes)
    how = (
        "One pen for all lines, fresh before the first one; the captions are painted before them with another.",
        (
            f"When the pen for a line is asked for, wait with it raised, {waits} minutes in turn, before you say yes. "
            "Do not cap it, do not wipe it."
        ),
        "Every line begins beside its tick. Measure how much of it is missing there.",
    )
    looks = [
        Look(
            f"Lines begin to the right of their ticks. Here {DRY_SHOWN_MM:g} mm are missing of the last one",
            (box[0] - 4.0, box[1] - 2.0, x + 90.0 - EDGE_MM, box[3] + 4.0),
            "late",
            (DRY_SHOWN_MM, 0.0),
        )
    ]
    return page.sheet(inks, questions, {"minutes": tuple(minutes)}, how, looks)


def page_name(name: str) -> Path:
    """What stands for a file where a sheet is refused."""
    return Path(f"sheet {name}")
