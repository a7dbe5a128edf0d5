"""Numbers, lengths, transforms and viewports of SVG, read strictly.

Owns the syntax of SVG's scalar attributes and the affine maps that they make. Knows no elements. A matrix is a
tuple (a, b, c, d, e, f) as SVG writes it: x' = a x + c y + e, y' = b x + d y + f. One px is 1/96 inch (SVG 2, CSS
Values 3).
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass

import svgelements

MM_PER_PX = 25.4 / 96.0
# Ours, not the library's: that takes an inch for 1/0.0393701 mm, and Q or MM for px.
PX_PER_UNIT = {
    "": 1.0,
    "px": 1.0,
    "mm": 96.0 / 25.4,
    "cm": 960.0 / 25.4,
    "q": 24.0 / 25.4,
    "in": 96.0,
    "pt": 96.0 / 72.0,
    "pc": 16.0,
}

# Atomic, so that no row of digits is tried in all the ways in which it could be several numbers.
NUMBER = r"(?>[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]+)?)"
_LENGTH = re.compile(rf"\s*({NUMBER})\s*(%|[A-Za-z]*)\s*")
_SEPARATOR = r"(?>\s+(?:,\s*)?|,\s*)"
_LIST = re.compile(rf"\s*{NUMBER}(?:{_SEPARATOR}?{NUMBER})*\s*")
_NUMBER = re.compile(NUMBER)
_FUNCTION = re.compile(r"[\s,]*([A-Za-z]+)\s*\(([^()]*)\)")
_ARGUMENTS = {
    "matrix": (6,),
    "translate": (1, 2),
    "scale": (1, 2),
    "rotate": (1, 3),
    "skewX": (1,),
    "skewY": (1,),
}
_ASPECT = re.compile(r"\s*(?:defer\s+)?(none|xM(?:in|id|ax)YM(?:in|id|ax))(?:\s+(meet|slice))?\s*")

Matrix = tuple[float, float, float, float, float, float]
IDENTITY: Matrix = (1.0, 0.0, 0.0, 1.0, 0.0, 0.0)


class SyntaxMistake(ValueError):  # noqa: N818 - it becomes a Mistake of the file, with the place added
    """A value that cannot be read: what was expected and what came; the reader adds file and element."""

    def __init__(self, expected: str, got: str) -> None:
        self.expected = expected
        self.got = got
        super().__init__(f"expected {expected}, got {got}")


@dataclass(frozen=True, slots=True)
class Viewport:
    """What percentages refer to: width and height in user units (SVG 2, 8.9)."""

    width: float
    height: float

    def along(self, direction: str) -> float:
        """The length that 100 % means for ``x``, ``y`` or anything else (the diagonal by root two)."""
        if direction == "x":
            return self.width
        if direction == "y":
            return self.height
        return math.hypot(self.width, self.height) / math.sqrt(2.0)


def read_number(text: str) -> float:
    """One finite number. Raises SyntaxMistake."""
    if not re.fullmatch(rf"\s*{NUMBER}\s*", text):
        raise SyntaxMistake("a number", repr(text))
    return finite(float(text), text)


def finite(value: float, text: str) -> float:
    """``value`` if it is finite; SyntaxMistake naming ``text`` otherwise."""
    if not math.isfinite(value):
        raise SyntaxMistake("a finite number", repr(text))
    return value


def read_length(text: str, whole: float | None) -> float:
    """A length in user units (px). ``whole`` is what 100 % means; None where a percentage means nothing."""
    match = _LENGTH.fullmatch(text)
    if not match:
        raise SyntaxMistake("a length such as 12.5 or 12.5mm", repr(text))
    value, unit = finite(float(match[1]), text), match[2].lower()
    if unit == "%":
        if whole is None:
            raise SyntaxMistake("a length that is not a percentage", repr(text))
        return value * whole / 100.0
    if unit not in PX_PER_UNIT:
        known = ", ".join(name for name in PX_PER_UNIT if name)
        raise SyntaxMistake(f"a length in one of {known}, % or no unit", repr(text))
    return value * PX_PER_UNIT[unit]


def read_numbers(text: str) -> list[float]:
    """A list of finite numbers parted by white space and single commas (may be empty)."""
    if not text.strip():
        return []
    if not _LIST.fullmatch(text):
        raise SyntaxMistake("numbers parted by spaces or commas", repr(_short(text)))
    return [finite(float(part), part) for part in _NUMBER.findall(text)]


def _short(text: str) -> str:
    return text if len(text) <= 40 else f"{text[:37]}..."


def compose(outer: Matrix, inner: Matrix) -> Matrix:
    """The map that applies ``inner`` first and ``outer`` after it.

    Not the library's, which makes two objects for it: this is done for every element.
    """
    a, b, c, d, e, f = outer
    p, q, r, s, t, u = inner
    return a * p + c * q, b * p + d * q, a * r + c * s, b * r + d * s, a * t + c * u + e, b * t + d * u + f


def _parts(matrix: svgelements.Matrix) -> Matrix:
    return matrix.a, matrix.b, matrix.c, matrix.d, matrix.e, matrix.f


def apply(matrix: Matrix, x: float, y: float) -> tuple[float, float]:
    """The image of one point."""
    a, b, c, d, e, f = matrix
    return a * x + c * y + e, b * x + d * y + f


def stretches(matrix: Matrix) -> tuple[float, float]:
    """Largest and smallest stretch of the map (singular values of its linear part)."""
    a, b, c, d = matrix[:4]
    # Half sum and half difference of the two: exact for equal stretches, where the usual root loses half the digits.
    half_sum = math.hypot(a + d, b - c) / 2.0
    half_difference = math.hypot(a - d, b + c) / 2.0
    return half_sum + half_difference, abs(half_sum - half_difference)


def read_transform(text: str) -> Matrix:
    """A transform list as one matrix, the first function outermost (SVG 1.1, 7.6). Raises SyntaxMistake.

    The library reads more than SVG's attribute allows and passes over what it does not know, so the list is checked
    first and handed over in plain words.
    """
    functions, position = "", 0
    text = text.strip()
    if text == "none":
        return IDENTITY
    while position < len(text):
        match = _FUNCTION.match(text, position)
        values = read_numbers(match[2]) if match else []
        if match is None or len(values) not in _ARGUMENTS.get(match[1], ()):
            raise SyntaxMistake(
                "matrix, translate, scale, rotate, skewX or skewY with plain numbers",
                repr(_short(text[position:])),
            )
        functions += f"{match[1]}({' '.join(map(repr, values))})"
        position = match.end()
    matrix = _parts(svgelements.Matrix(functions))
    for part in matrix:
        finite(part, _short(text))
    return matrix


def read_view_box(text: str) -> tuple[float, float, float, float]:
    """min-x, min-y, width, height of a viewBox; width and height above zero. Raises SyntaxMistake."""
    values = read_numbers(text)
    if len(values) != 4 or values[2] <= 0 or values[3] <= 0:
        raise SyntaxMistake("four numbers, the last two above zero", repr(text))
    return values[0], values[1], values[2], values[3]


def fit_view_box(
    x: float,
    y: float,
    width: float,
    height: float,
    view_box: tuple[float, float, float, float],
    aspect: str | None,
) -> Matrix:
    """The map from a viewBox into the viewport at (x, y) (SVG 2, 8.2). Raises SyntaxMistake for a bad ``aspect``."""
    match = _ASPECT.fullmatch(aspect if aspect is not None else "xMidYMid")
    if not match:
        raise SyntaxMistake("none or xMin|xMid|xMaxYMin|YMid|YMax, then meet or slice", repr(aspect))
    # The library writes its map down with twelve decimals: with boxes of the viewport's own size these suffice.
    unit = width / view_box[2]
    fitted = svgelements.Viewbox.viewbox_transform(
        x, y, width, height, *(part * unit for part in view_box), f"{match[1]} {match[2] or 'meet'}"
    )
    return compose(_parts(svgelements.Matrix(fitted)), (unit, 0.0, 0.0, unit, 0.0, 0.0))
