"""What a sheet carries so that a photograph of it can be measured: four corner marks and round dots between them.

Owns their form, their room on the sheet, and the figures in the sheet's record that tell where they are. A corner
mark is a dot in a ring; the one at the top left has a second ring, so that a picture is known for upside down. The
dots between them tell how the lens bends straight lines. Frame: canvas mm.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from controller.calibrate.sheets.page import Page, SheetInk

TIP_MAX_MM: Final = 3.0
"""Marks grow with the tip; with broader ones they are left out, and the sheet is read by eye alone."""
DOT_UNITS: Final = 4.0
RING_UNITS: Final = 10.0
OUTER_UNITS: Final = 16.0
"""Diameters in units: of the dot, and of the middles of the rings' lines."""
HALF_UNITS: Final = 8.5
"""From a mark's middle to the end of its paint."""
PITCH_MM: Final = 24.0
"""About so far apart lie dots."""
CLEAR_MM: Final = 4.0
"""Between marks and what they stand around."""
_RING_POINTS: Final = 48


def unit_mm(tip_mm: float) -> float:
    """What a mark's sizes are multiples of: the pen's width, 1 mm at least."""
    return max(1.0, tip_mm)


def has_corners(tip_mm: float) -> bool:
    """Sheets of this pen carry marks."""
    return tip_mm <= TIP_MAX_MM


def room_mm(tip_mm: float) -> float:
    """Height that marks take above what they stand around, and the same below; 0 where there are none."""
    return 2.0 * HALF_UNITS * unit_mm(tip_mm) + CLEAR_MM if has_corners(tip_mm) else 0.0


def _ring(ink: SheetInk, at_mm: tuple[float, float], diameter_mm: float) -> None:
    turn = np.linspace(0.0, 2.0 * np.pi, _RING_POINTS, endpoint=False)
    ink.line(
        np.column_stack([np.cos(turn), np.sin(turn)]) * (diameter_mm / 2.0) + np.array(at_mm), closed=True
    )


def corners(
    page: Page,
    box_mm: tuple[float, float, float, float],
    more_mm: tuple[tuple[float, float], ...] = (),
) -> dict[str, tuple[float, ...]]:
    """Draw marks above and below a rectangle (x, y, width, height) and dots between them, in the captions' ink.

    more_mm: places of further dots, inside. Answers figures for the record: ``photo_mark_mm`` (x, y of the marks, top
    left, top right, low right, low left), ``photo_dot_mm`` (x, y of every dot, those of the marks first) and
    ``photo_unit_mm``; none for pens that are too broad. Raises InputError where there is no room.
    """
    if not has_corners(page.tip_mm):
        return {}
    unit = unit_mm(page.tip_mm)
    half = HALF_UNITS * unit
    x, y, width, height = box_mm
    left, right = x + half, max(x + width - half, x + half + 2.0 * PITCH_MM)
    top, low = y - CLEAR_MM - half, y + height + CLEAR_MM + half
    marks = ((left, top), (right, top), (right, low), (left, low))
    for words, level in (("above", top), ("below", low)):
        page.block(f"corner marks {words}", (x, level - half, right + half - x, 2.0 * half))
    for at in marks:
        _ring(page.captions, at, RING_UNITS * unit)
    _ring(page.captions, marks[0], OUTER_UNITS * unit)
    inner = 2.0 * half + DOT_UNITS * unit
    count = max(int((right - left - 2.0 * inner) // PITCH_MM) + 2, 2)
    between = np.linspace(left + inner, right - inner, count) if right - left > 2.5 * inner else np.array([])
    places = [*marks, *((float(one), at) for at in (top, low) for one in between), *more_mm]
    page.captions.dots += [(px, py, DOT_UNITS * unit) for px, py in places]
    return {
        "photo_mark_mm": tuple(one for at in marks for one in at),
        "photo_dot_mm": tuple(one for at in places for one in at),
        "photo_unit_mm": (unit,),
    }


PHOTO_WORDS: Final = (
    "The four ringed dots are for a photograph of the sheet, which can be measured as well (giornata photo)."
)
