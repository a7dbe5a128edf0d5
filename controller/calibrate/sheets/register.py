"""The sheet of two inks: crosses of the one beside crosses of the other, to be read by eye or from a photograph.

Owns where they are and what is asked. At each place two crosses of either ink stand in a square, those of one ink
diagonally opposite: the mean of the second ink's two less the mean of the first's is how far the second lies off, and
neither the machine's scale nor its squareness is in it. Frame: canvas mm.
"""

from __future__ import annotations

from typing import Final

from controller.calibrate.sheets.corners import PHOTO_WORDS, corners, has_corners, room_mm, unit_mm
from controller.calibrate.sheets.page import EDGE_MM, SLOW_MM_S, Look, Page, Question, Sheet, SheetInk, cross
from controller.config.machine import Machine

ARM_UNITS: Final = 8.0
HOOK_MM: Final = 3.0
COLUMNS: Final = 3
ROWS: Final = 2
SECOND_COLOUR: Final = "#b5432f"
MOST_MM: Final = 3.0
"""Crosses farther off than that meet their neighbours' captions, or another machine's."""
GLASS_MM: Final = 0.05
"""Half of what a glass with a scale of tenths leaves open. Common practice, no source."""


def pitch_mm(tip_mm: float) -> float:
    """From cross to cross of a square."""
    return 2.0 * ARM_UNITS * unit_mm(tip_mm) + 6.0


def register_sheet(machine: Machine, tip_mm: float = 1.0) -> Sheet:
    """Crosses of two inks at six places."""
    page = Page(
        "register", "Register of two inks", machine, tip_mm, "Paint both inks, then lay an edge along arms"
    )
    inks = (
        SheetInk("first", tip_mm, SLOW_MM_S, in_sequence=True),
        SheetInk("second", tip_mm, SLOW_MM_S, in_sequence=True, colour=SECOND_COLOUR),
    )
    arm, pitch = ARM_UNITS * unit_mm(tip_mm), pitch_mm(tip_mm)
    step = 2.0 * pitch + 20.0 * unit_mm(tip_mm)
    x, y = EDGE_MM, page.top_mm + room_mm(tip_mm)
    box = (x, y, (COLUMNS - 1) * step + pitch + 2.0 * arm + 6.0, (ROWS - 1) * step + pitch + 2.0 * arm + 6.0)
    page.block("crosses", box, "crosses")
    first: list[float] = []
    second: list[float] = []
    for row in range(ROWS):
        for column in range(COLUMNS):
            cx, cy = x + arm + 3.0 + column * step, y + arm + 3.0 + row * step
            for places, ink, offsets in (
                (first, inks[0], ((0, 0), (1, 1))),
                (second, inks[1], ((1, 0), (0, 1))),
            ):
                for right, down in offsets:
                    centre = (cx + right * pitch, cy + down * pitch)
                    for line in cross(centre, arm, HOOK_MM):
                        ink.line(line, ink.name)
                    places += centre
            page.write(
                f"{row * COLUMNS + column + 1}",
                (cx + pitch / 2.0, cy + pitch / 2.0 - page.letter_mm / 2.0),
                anchor="middle",
            )
    # Dots in the lanes between the squares.
    lanes_x = [x + arm + 3.0 + column * step + pitch + (step - pitch) / 2.0 for column in range(COLUMNS - 1)]
    lanes_y = [y + arm + 3.0 + row * step + pitch / 2.0 for row in range(ROWS)]
    lane = y + arm + 3.0 + pitch + (step - pitch) / 2.0
    across = [x + arm + 3.0 + column * step + pitch / 2.0 for column in range(COLUMNS)]
    more = (
        *((px, py) for py in lanes_y for px in lanes_x),
        *((px, lane) for px in across),
        *((px, lane) for px in lanes_x),
    )
    marks = corners(page, box, more)
    how = (
        "Paint the captions and the first ink, change the pen as in any job, and paint the second.",
        (
            "By eye: lay a straight edge along an upright arm of the first ink. With a glass and a scale of tenths, "
            "read how far to the right of it the second ink's cross of that column stands (to the left is minus), at "
            "the same side of both lines. Do so in both columns of a place and take the mean: what is not square "
            "falls out. Then along the level arms: how far down (up is minus), the mean of both rows."
        ),
        (
            "Or take a photograph as docs/photo.md tells and give it to giornata photo: it says the same at each of "
            "the six places."
        ),
        *((PHOTO_WORDS,) if has_corners(tip_mm) else ()),
    )
    corner = (x + arm + 3.0, y + arm + 3.0)
    look = Look(
        "A place, the second ink off by 0.8 mm to the right and 0.5 down: x is read in the ring and in the left "
        "column, y along the level arms",
        (x - 2.0, y - 2.0, pitch + 2.0 * arm + 10.0, pitch + 2.0 * arm + 10.0),
        "second",
        (0.8, 0.5),
        (corner[0] + pitch, corner[1] + pitch / 2.0, 0.8 * arm),
    )
    figures = {**marks, "first_mm": tuple(first), "second_mm": tuple(second), "arm_mm": (arm,)}
    questions = [
        Question(
            key=f"place{number}{axis}",
            words=f"place {number}: the second ink lies off {words}, the mean of both {lines}",
            unit="mm",
            kind="number",
            least=-MOST_MM,
            most=MOST_MM,
            resolution=GLASS_MM,
            optional=True,
        )
        for number in range(1, ROWS * COLUMNS + 1)
        for axis, words, lines in (
            ("x", "to the right (left is minus)", "columns"),
            ("y", "down (up is minus)", "rows"),
        )
    ]
    return page.sheet(inks, questions, figures, how, [look])
