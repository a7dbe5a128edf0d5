"""Letters and digits as pen strokes, for captions and scales on the sheets.

Owns the shapes, drawn for this: capitals 6 units high, with cut corners, since a machine draws short straight lines
alike whatever it is made of. Knows no sheet. Frame: x right, y down; a line of text hangs from its top.
"""

from __future__ import annotations

from typing import Final, Literal

import numpy as np
import numpy.typing as npt

Line = npt.NDArray[np.float64]
"""A stroke's vertices, (n, 2) mm."""

HEIGHT: Final = 6.0
"""Height of a capital, in units."""
GAP: Final = 1.7
"""From one sign to the next, in units."""
SPACE: Final = 2.6

_OCTAGON: Final = "1,0 3,0 4,1 4,5 3,6 1,6 0,5 0,1 1,0"

GLYPHS: Final[dict[str, tuple[float, str]]] = {
    "0": (4.0, _OCTAGON),
    "1": (2.4, "0,1.6 1.6,0 1.6,6"),
    "2": (4.0, "0,1 1,0 3,0 4,1 4,2.2 0,6 4,6"),
    "3": (4.0, "0,1 1,0 3,0 4,1 4,2 3,2.9 4,3.8 4,5 3,6 1,6 0,5|1.6,2.9 3,2.9"),
    "4": (4.0, "3,6 3,0 0,4.2 4,4.2"),
    "5": (4.0, "4,0 0.3,0 0,2.9 1,2.4 3,2.4 4,3.4 4,5 3,6 1,6 0,5"),
    "6": (4.0, "3.5,0 1.7,0.6 0,3.2 0,5 1,6 3,6 4,5 4,3.7 3,2.7 1,2.7 0,3.7"),
    "7": (4.0, "0,0 4,0 1.4,6"),
    "8": (4.0, "1,2.8 0,1.9 0,0.9 1,0 3,0 4,0.9 4,1.9 3,2.8 1,2.8 0,3.8 0,5 1,6 3,6 4,5 4,3.8 3,2.8"),
    "9": (4.0, "0.5,6 2.3,5.4 4,2.8 4,1 3,0 1,0 0,1 0,2.3 1,3.3 3,3.3 4,2.3"),
    "A": (4.4, "0,6 2.2,0 4.4,6|0.8,3.9 3.6,3.9"),
    "B": (4.0, "0,6 0,0 3,0 4,0.8 4,2 3,2.8 0,2.8|3,2.8 4,3.7 4,5.1 3,6 0,6"),
    "C": (4.0, "4,1 3,0 1,0 0,1 0,5 1,6 3,6 4,5"),
    "D": (4.0, "0,0 2.6,0 4,1.4 4,4.6 2.6,6 0,6 0,0"),
    "E": (3.8, "3.8,0 0,0 0,6 3.8,6|0,2.9 3,2.9"),
    "F": (3.8, "3.8,0 0,0 0,6|0,2.9 3,2.9"),
    "G": (4.2, "4.2,1 3.2,0 1,0 0,1 0,5 1,6 3.2,6 4.2,5 4.2,3.2 2.5,3.2"),
    "H": (4.0, "0,0 0,6|4,0 4,6|0,2.9 4,2.9"),
    "I": (0.2, "0.1,0 0.1,6"),
    "J": (3.0, "3,0 3,5 2,6 1,6 0,5"),
    "K": (4.0, "0,0 0,6|4,0 0,3.5|1.3,2.4 4,6"),
    "L": (3.6, "0,0 0,6 3.6,6"),
    "M": (5.0, "0,6 0,0 2.5,3.8 5,0 5,6"),
    "N": (4.2, "0,6 0,0 4.2,6 4.2,0"),
    "O": (4.6, "1.4,0 3.2,0 4.6,1.4 4.6,4.6 3.2,6 1.4,6 0,4.6 0,1.4 1.4,0"),
    "P": (4.0, "0,6 0,0 3,0 4,1 4,2.3 3,3.3 0,3.3"),
    "Q": (4.6, "1.4,0 3.2,0 4.6,1.4 4.6,4.6 3.2,6 1.4,6 0,4.6 0,1.4 1.4,0|2.8,4.2 4.8,6.4"),
    "R": (4.0, "0,6 0,0 3,0 4,1 4,2.3 3,3.3 0,3.3|2,3.3 4,6"),
    "S": (4.0, "4,1 3,0 1,0 0,1 0,1.9 1,2.7 3,3.1 4,3.9 4,5 3,6 1,6 0,5"),
    "T": (4.2, "0,0 4.2,0|2.1,0 2.1,6"),
    "U": (4.0, "0,0 0,5 1,6 3,6 4,5 4,0"),
    "V": (4.4, "0,0 2.2,6 4.4,0"),
    "W": (6.0, "0,0 1.5,6 3,1.2 4.5,6 6,0"),
    "X": (4.2, "0,0 4.2,6|4.2,0 0,6"),
    "Y": (4.4, "0,0 2.2,2.8 4.4,0|2.2,2.8 2.2,6"),
    "Z": (4.0, "0,0 4,0 0,6 4,6"),
    ".": (0.4, "0.2,5.6 0.2,6"),
    ",": (0.8, "0.7,5.4 0.1,7"),
    "-": (2.6, "0,3.2 2.6,3.2"),
    "+": (3.2, "1.6,1.6 1.6,4.8|0,3.2 3.2,3.2"),
    "/": (3.0, "0,6.5 3,-0.5"),
    ":": (0.4, "0.2,1.8 0.2,2.2|0.2,5.2 0.2,5.6"),
    "=": (3.2, "0,2.2 3.2,2.2|0,4.2 3.2,4.2"),
    "%": (4.4, "0,6 4.4,0|0.2,0.2 1.4,0.2 1.4,1.6 0.2,1.6 0.2,0.2|3,4.4 4.2,4.4 4.2,5.8 3,5.8 3,4.4"),
    "(": (1.4, "1.4,-0.6 0,1.4 0,4.6 1.4,6.6"),
    ")": (1.4, "0,-0.6 1.4,1.4 1.4,4.6 0,6.6"),
    ">": (5.0, "0,3 5,3|3.2,1.2 5,3 3.2,4.8"),
    "<": (5.0, "5,3 0,3|1.8,1.2 0,3 1.8,4.8"),
    "'": (0.4, "0.2,0 0.2,1.6"),
}
"""By sign: its width in units, and its strokes. ``>`` and ``<`` are arrows."""


def width_mm(words: str, height_mm: float) -> float:
    """Length of a line of text."""
    advance = 0.0
    for one in words.upper():
        advance += SPACE if one == " " else GLYPHS[one][0] + GAP
    return max(advance - GAP, 0.0) * height_mm / HEIGHT


def text(
    words: str,
    at_mm: tuple[float, float],
    height_mm: float,
    anchor: Literal["left", "middle", "right"] = "left",
) -> list[Line]:
    """A line of text as strokes, its top at ``at_mm``; small letters become capitals.

    Raises ValueError for a sign that is not drawn.
    """
    unknown = sorted({one for one in words.upper() if one != " " and one not in GLYPHS})
    if unknown:
        raise ValueError(f"text: expected signs of {''.join(GLYPHS)}, got {''.join(unknown)}")
    share = {"left": 0.0, "middle": 0.5, "right": 1.0}[anchor]
    x, y = at_mm[0] - share * width_mm(words, height_mm), at_mm[1]
    scale = height_mm / HEIGHT
    lines: list[Line] = []
    for one in words.upper():
        if one == " ":
            x += SPACE * scale
            continue
        width, strokes = GLYPHS[one]
        for stroke in strokes.split("|"):
            points = np.array([[float(n) for n in pair.split(",")] for pair in stroke.split(" ")])
            lines.append(points * scale + (x, y))
        x += (width + GAP) * scale
    return lines
