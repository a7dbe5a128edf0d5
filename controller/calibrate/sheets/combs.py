"""Combs: play of both axes at several places, and how the tip lands and leans in its holder.

Owns what is drawn and by which step two rows of teeth part. Two rows face each other; their teeth stand ``pitch``
and ``pitch - step`` apart, so that tooth i of one stands i steps beside tooth i of the other. The rows are come to
from opposite sides: with a play p of which nothing is made up for, they lie p apart, and tooth p / step meets its
fellow. A pen w wide wants teeth w and a gap apart, so a comb of 9 to 10 that reads 0.05 mm, with teeth every 0.5 mm,
cannot be painted; what reads is the step alone. The pairs are pulled apart by one and the same way, to a pitch that
the pen can draw, and the comb reads as one of 9 to 10 would. Frame: canvas mm.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np

from controller.calibrate.sheets import font
from controller.calibrate.sheets.page import (
    EDGE_MM,
    SLOW_MM_S,
    TOOTH_MM,
    AxisName,
    Line,
    Look,
    Page,
    Question,
    Sheet,
    SheetInk,
    tooth,
    turned,
)
from controller.config.machine import AXES, Machine
from controller.motion.approach import play_at_mm
from controller.motion.geometry import GeometryMap

STEP_MM: Final = 0.05
LEAST_MM: Final = -0.3
"""Left of zero the comb goes so far: where more play is stated than there is, the rest reads below zero."""
EXAMPLE_MM: Final = 0.35
"""Of the play that the sheet's page shows, where the comb goes so far."""
PEN_STEP_MM: Final = 0.1
"""From gap to gap of the pen sheet's ladders."""
HOOK_SPARE_MM: Final = 0.5
"""A hook is longer than the largest play on the comb by so much."""
LONG_MM: Final = 3.0
"""Every fifth tooth is longer by this, every tenth by twice as much."""
END_MM_S: Final = 4.0
"""Lines whose ends are read are drawn so slowly: a head on a belt of 10 Hz swings v / w beyond its end, 0.06 mm."""
TOUCH_MM: Final = 0.1
"""A touch is a stroke so long: a pen cannot paint less than its tip, and a stroke that goes nowhere is none. It begins
a quarter of that before its place, between where a tip stays that is loose and where one goes that is firm."""


def pitch_mm(tip_mm: float, hook_mm: float) -> float:
    """From tooth to tooth: a hook ends in the middle of a gap of canvas that is plain to see."""
    return hook_mm + tip_mm + max(0.8, 0.5 * tip_mm)


def places_mm(page: Page, axis: AxisName, count: int, length_mm: float, before_mm: float) -> list[float]:
    """Where on the canvas, along ``axis``, combs of ``length_mm`` have their zero, ``before_mm`` from their start."""
    index = 0 if axis == "x" else 1
    low = (EDGE_MM if index == 0 else page.top_mm) + 16.0
    high = page.size_mm[index] - EDGE_MM - 16.0 - length_mm
    starts = np.linspace(low, high, count) if count > 1 else np.array([0.5 * (low + high)])
    return [float(start) + before_mm for start in starts]


def play_sheet(
    machine: Machine, tip_mm: float = 1.0, *, places: int = 3, most_mm: float = 1.7, step_mm: float = STEP_MM
) -> Sheet:
    """Combs for the play of x along a row and of y along a column, ``places`` each, up to ``most_mm``.

    The machine makes up for what its file states, so that a comb reads what is left: play = stated + read. ``step_mm``:
    by which facing teeth part; finer once most of the play is stated (0.02), since a glass tells no less apart.
    """
    page = Page(
        "play",
        "Play",
        machine,
        tip_mm,
        f"Find the teeth that make one straight line: each tooth {step_mm:g} mm",
    )
    ink = SheetInk("teeth", tip_mm, SLOW_MM_S, in_sequence=True)
    hook = most_mm + HOOK_SPARE_MM
    pitch = pitch_mm(tip_mm, hook)
    first, last = round(LEAST_MM / step_mm), round(most_mm / step_mm)
    before, length = hook + tip_mm - first * pitch, hook * 2.0 + tip_mm * 2.0 + (last - first) * pitch
    geometry = GeometryMap.of(machine)
    figures: dict[str, tuple[float, ...]] = {"step_mm": (step_mm,)}
    questions: list[Question] = []
    looks: list[Look] = []
    shown = round(min(EXAMPLE_MM, 0.5 * most_mm) / step_mm)
    across = {"x": 0.3 * page.size_mm[1], "y": 0.33 * page.size_mm[0]}
    for axis in AXES:
        name: AxisName = "x" if axis == "x" else "y"
        index = 0 if name == "x" else 1
        at_axis: list[float] = []
        stated: list[float] = []
        for number, along in enumerate(places_mm(page, name, places, length, before), 1):
            zero = (along, across["x"]) if name == "x" else (across["y"], along)
            box = _comb(page, ink, name, zero, range(first, last + 1), pitch, step_mm, hook)
            key = f"{name}{number}"
            _name_comb(page, key.upper(), name, zero, length, before)
            page.block(f"comb {key}", box, key.upper())
            middle = turned([(0.5 * (first + last) * pitch, 0.0)], name, zero)
            place = geometry.to_axes(middle)[0]
            at_axis.append(float(place[index]))
            stated.append(float(play_at_mm(machine, place[None])[0, index]))
            questions.append(
                Question(
                    key=key,
                    words=f"comb {key.upper()}: the label at the teeth that make one straight line",
                    unit="mm",
                    kind="tooth",
                    least=first * step_mm,
                    most=last * step_mm,
                    step=step_mm,
                    resolution=step_mm,
                    optional=True,
                )
            )
            if number == 1 and name == "x":
                looks = [
                    Look("A comb, as a machine without play draws it", box),
                    Look(
                        f"The same where the pen lags {shown * step_mm:g} mm: teeth {shown} to the right of 0 make one "
                        f"line: read {shown * step_mm:g}",
                        (zero[0] - 12.0, box[1] - 2.0, 13.0 * pitch + 24.0, box[3] + 6.0),
                        "against",
                        (shown * step_mm, 0.0),
                        (zero[0] + shown * pitch, zero[1], 0.7 * pitch),
                    ),
                ]
        figures[f"{name}_place_mm"], figures[f"{name}_stated_mm"] = tuple(at_axis), tuple(stated)
        if machine.axes[axis].play_table is not None:
            figures[f"{name}_table"] = (1.0,)
    how = (
        "Let the paint dry. Look along the seam between two rows of teeth, with a glass of three times or so.",
        (
            "Find the tooth that goes on straight into the one that faces it. Its label is the reading: every tooth is "
            f"{step_mm:g} mm, every fifth is longer, every tenth has its number."
        ),
        "Where several neighbours look alike, give the first and the last of them, as in 0.3 to 0.4.",
        "Read at the seam and nowhere else: nearer to the hooks a tip that leans in its holder has not come to rest.",
        "Read each comb more than once, on another day or by another person, if you can.",
    )
    return page.sheet([ink], questions, figures, how, looks)


def _comb(
    page: Page, ink: SheetInk, axis: AxisName, zero_mm: tuple[float, float], numbers: Sequence[int],
    pitch: float, step_mm: float, hook_mm: float,
) -> tuple[float, float, float, float]:  # fmt: skip
    """Both rows of teeth and the scale; answers the rectangle that they take."""
    tip, letter = page.tip_mm, page.letter_mm
    for i in numbers:
        far = TOOTH_MM + (2.0 * LONG_MM if i % 10 == 0 else LONG_MM if i % 5 == 0 else 0.0)
        line = turned(tooth(i * pitch, -far, 0.0, hook_mm, -1), axis, zero_mm)
        ink.line(_resting(page.machine, line, axis), "along")
        if i % 10 == 0:
            _label(page, axis, zero_mm, i * pitch, -far - tip, f"{i * step_mm:g}")
    for i in reversed(numbers):
        line = turned(tooth(i * (pitch - step_mm), TOOTH_MM, 0.0, hook_mm, 1), axis, zero_mm)
        ink.line(_resting(page.machine, line, axis), "against")
    room = TOOTH_MM + 2.0 * LONG_MM + 2.0 * tip + (letter if axis == "x" else 3.2 * letter) + 3.0
    first, last = (
        max(hook_mm + tip, _label_reach_mm(page, axis, i, step_mm)) for i in (numbers[0], numbers[-1])
    )
    low = turned([(numbers[0] * pitch - first, -room)], axis, zero_mm)[0]
    high = turned([(numbers[-1] * pitch + last, TOOTH_MM + tip)], axis, zero_mm)[0]
    return float(low[0]), float(low[1]), float(high[0] - low[0]), float(high[1] - low[1])


def _resting(machine: Machine, line: Line, axis: AxisName) -> Line:
    """A tooth (3, 2), canvas mm, along which ``axis`` rests: its end at the seam stays, its hook is shifted.

    Where sag or squareness is stated, a straight tooth has the axis creep along it, by hundredths. Against the hook's
    way that is a turn: the machine takes up what play it knows of, and a comb that is to show what is left of it shows
    it on the other side, with the wrong sign.
    """
    geometry = GeometryMap.of(machine)
    index = 0 if axis == "x" else 1
    _, corner, end = geometry.to_axes(line)
    corner[index] = end[index]
    shift = geometry.to_canvas(corner) - line[1]
    return np.vstack([line[:2] + shift, line[2:]])


def _label_reach_mm(page: Page, axis: AxisName, number: int, step_mm: float) -> float:
    """How far the label of a tooth, if it has one, reaches along its comb from the tooth's middle."""
    if number % 10:
        return 0.0
    along = font.width_mm(f"{number * step_mm:g}", page.letter_mm) if axis == "x" else page.letter_mm
    return 0.5 * along + page.tip_mm


def _label(
    page: Page, axis: AxisName, zero_mm: tuple[float, float], along: float, across: float, words: str
) -> None:
    x, y = turned([(along, across)], axis, zero_mm)[0]
    if axis == "x":
        page.write(words, (float(x), float(y) - page.letter_mm - 1.0), anchor="middle")
    else:
        page.write(words, (float(x) - 1.0, float(y) - page.letter_mm / 2.0), anchor="right")


def _name_comb(
    page: Page, words: str, axis: AxisName, zero_mm: tuple[float, float], length: float, before: float
) -> None:
    """The comb's name, beyond its teeth."""
    height = 1.3 * page.letter_mm
    if axis == "x":
        at = (zero_mm[0] - before, zero_mm[1] + TOOTH_MM + page.tip_mm + 5.0)
        page.block(f"the name of comb {words}", (at[0], at[1], length, height))
    else:
        at = (zero_mm[0] + TOOTH_MM + page.tip_mm + 5.0, zero_mm[1] - before)
        page.block(f"the name of comb {words}", (at[0], at[1], 3.0 * height, height))
    page.write(words, at, height)


def pen_sheet(machine: Machine, tip_mm: float = 1.0) -> Sheet:
    """How far the tip trails its holder along x and y, and where it lands: ladders of line ends, and two combs.

    Wants play and belts in the machine file: what is left of the play reads as lean, and a head that swings beyond
    the end of a line drags the tip along. lean = stated + read, and so for the landing.
    """
    page = Page(
        "pen",
        "Pen",
        machine,
        tip_mm,
        "Ends, starts: the first pair with canvas between. Landing: the dot under its tooth",
    )
    ink = SheetInk("strokes", tip_mm, END_MM_S, in_sequence=True)
    questions: list[Question] = []
    looks: list[Look] = []
    step_mm = PEN_STEP_MM
    low, high = round((tip_mm - 1.6) / step_mm), round((tip_mm + 0.4) / step_mm)
    steps = range(low, high + 1)
    arm, row = 12.0, max(2.5 * tip_mm + 1.5, 1.5 * page.letter_mm)
    tall = row * len(steps)
    room = 2.0 * arm + 5.0 * page.letter_mm + 14.0
    top = page.top_mm + 2.0 * page.letter_mm + 6.0
    for index, name in enumerate(("x", "y")):
        axis: AxisName = "x" if name == "x" else "y"
        for part, (kind, words) in enumerate((("e", "ends"), ("s", "starts"))):
            left = EDGE_MM + 4.0 + (2 * index + part) * (room if axis == "x" else tall) + index * 20.0
            if axis == "y":
                left = EDGE_MM + 28.0 + 2.0 * room + part * (tall + 24.0)
            page.write(f"{name} {words}", (left, top - 2.0 * page.letter_mm))
            for at, i in enumerate(steps):
                gap = i * step_mm
                centre = (
                    (left + 4.0 * page.letter_mm + arm, top + (at + 0.5) * row)
                    if axis == "x"
                    else (left + (at + 0.5) * row, top + 1.5 * page.letter_mm + arm)
                )
                for side in (-1.0, 1.0):
                    line = [(side * (arm + gap / 2.0), 0.0), (side * gap / 2.0, 0.0)]
                    ink.line(turned(line if kind == "e" else line[::-1], axis, centre), f"{kind}{side:+.0f}")
                if axis == "x":
                    page.write(
                        f"{gap:.1f}",
                        (left + 3.0 * page.letter_mm, centre[1] - page.letter_mm / 2.0),
                        anchor="right",
                    )
                elif i % 5 == 0:
                    page.write(f"{gap:.1f}", (centre[0], top - 0.3 * page.letter_mm), anchor="middle")
            box = (
                (left, top - 2.0 * page.letter_mm, room - 10.0, tall + 2.0 * page.letter_mm)
                if axis == "x"
                else (left, top - 2.0 * page.letter_mm, tall, 2.0 * arm + 5.0 * page.letter_mm)
            )
            page.block(f"{name} {words}", box)
            if axis == "x" and kind == "e":
                first_row = (left + 4.0 * page.letter_mm + arm, top + 0.5 * row)
                first, lean = round(tip_mm / step_mm) + 1, (0.3, 0.0)
                trails = first - round(lean[0] / step_mm)
                nearby = (left, top + (trails - 2 - low) * row, room - 10.0, (first + 2 - trails + 1) * row)
                for words_of, number, tag in (
                    (
                        "Line ends of a tip that stands firm: the first pair with canvas between is {}",
                        first,
                        "",
                    ),
                    (
                        "The same with a tip that trails by 0.15 mm at each end: they part at {}",
                        trails,
                        "e+1",
                    ),
                ):
                    ring = (
                        first_row[0] + (0.0 if not tag else 0.15),
                        first_row[1] + (number - low) * row,
                        0.45 * row,
                    )
                    looks.append(
                        Look(
                            words_of.format(f"{number * step_mm:.1f}"),
                            nearby,
                            tag,
                            lean if tag else (0.0, 0.0),
                            ring,
                        )
                    )
            questions.append(
                Question(
                    key=f"{name}{kind}",
                    words=f"{name} {words}: the number of the first pair with canvas to be seen between its lines",
                    unit="mm",
                    kind="tooth",
                    least=low * step_mm,
                    most=high * step_mm,
                    step=step_mm,
                    resolution=step_mm / 2.0,
                    optional=True,
                )
            )
    right = EDGE_MM + 28.0 + 2.0 * room + 2.0 * (tall + 24.0)
    questions += _landing(page, ink, top + tall + 10.0, right)
    looks.append(Look("Where everything is", page.painted_mm()))
    figures = {
        "lean_mm": tuple(machine.pen.lean_mm),
        "landing_mm": tuple(machine.pen.landing_mm),
        "stated_play_mm": tuple(machine.axes[axis].play_max_mm for axis in AXES),
    }
    how = (
        "Draw this sheet last, when play and belts are in the machine file: what is left of them reads as lean.",
        (
            "Ends and starts: two lines on one line, their ends towards each other. From the least number on, look for "
            "the first pair with canvas between them."
        ),
        (
            "Landing: dots below a comb. The dot that sits in the middle under its tooth is the reading, right of 0 "
            "(for y: below it) positive."
        ),
    )
    return page.sheet([ink], questions, figures, how, looks)


def _landing(page: Page, ink: SheetInk, top_mm: float, right_mm: float) -> list[Question]:
    """Combs whose lower row is of touches."""
    step, most = STEP_MM, 1.0
    tip, last = page.tip_mm, round(1.0 / STEP_MM)
    hook = most + HOOK_SPARE_MM
    pitch = max(pitch_mm(tip, hook), 2.0 * tip + 1.0)
    numbers = range(-last, last + 1)
    length = 2.0 * last * pitch
    room = TOOTH_MM + 2.0 * LONG_MM + 3.2 * page.letter_mm + 3.0
    questions: list[Question] = []
    for name in AXES:
        axis: AxisName = "x" if name == "x" else "y"
        zero = (
            (EDGE_MM + 30.0 + last * pitch, top_mm + room)
            if axis == "x"
            else (
                right_mm + 4.0 * page.letter_mm + TOOTH_MM + 2.0 * LONG_MM,
                page.top_mm + 16.0 + last * pitch,
            )
        )
        for i in numbers:
            far = TOOTH_MM + (2.0 * LONG_MM if i % 10 == 0 else LONG_MM if i % 5 == 0 else 0.0)
            line = turned(tooth(i * pitch, -far, 0.0, hook, -1), axis, zero)
            ink.line(_resting(page.machine, line, axis), "along")
            if i % 10 == 0:
                _label(page, axis, zero, i * pitch, -far - tip, f"{i * step:g}")
        below = 0.5 * tip + 1.0 + tip
        for i in numbers:
            at = i * (pitch - step) - TOUCH_MM / 4.0
            ink.line(turned([(at, below), (at + TOUCH_MM, below)], axis, zero), "touch")
        before, after = (_label_reach_mm(page, axis, side * last, step) for side in (-1, 1))
        low = turned([(-length / 2.0 - max(hook + tip, before), -room)], axis, zero)[0]
        high = turned([(length / 2.0 + max(tip, after), below + tip)], axis, zero)[0]
        page.block(
            f"{name} landing",
            (float(low[0]), float(low[1]), float(high[0] - low[0]), float(high[1] - low[1])),
            "pen" if axis == "y" else "",
        )
        words = f"{name} landing"
        if axis == "x":
            page.write(words, (zero[0] - length / 2.0, float(high[1]) + 4.0))
        else:
            page.write(words, (float(low[0]), float(high[1]) + 6.0), anchor="left")
        questions.append(
            Question(
                key=f"{name}l",
                words=f"{name} landing: the label of the tooth with its dot straight below",
                unit="mm",
                kind="tooth",
                least=-most,
                most=most,
                step=step,
                resolution=step / 2.0,
                optional=True,
            )
        )
    return questions
