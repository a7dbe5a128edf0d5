"""SVG path data and endpoint arcs, read by their grammar.

Owns the syntax of the ``d`` attribute (SVG 1.1, 8.3; packed flags, implicit and relative commands) and the edge rules
of arcs (F.6). Writes absolute moves, lines, cubics, arcs and closings to a sink. Knows no elements and no mm.

Written by us because the general libraries differ from the standard just where artwork is sloppy: zero radii,
arcs that end where they start, radii too small for their chord.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from typing import Protocol

from controller.artwork.units import NUMBER, SyntaxMistake, finite

_SPACE = re.compile(r"[ \t\n\r\f]*")
_COMMA = re.compile(r"[ \t\n\r\f]*(,?)[ \t\n\r\f]*")
_NUMBER = re.compile(NUMBER)
_ARGUMENTS = {"M": 2, "L": 2, "H": 1, "V": 1, "C": 6, "S": 4, "Q": 4, "T": 2, "A": 7, "Z": 0}


class PathSink(Protocol):
    """Where outlines go; coordinates absolute, in user units."""

    def move(self, x: float, y: float) -> None:
        """Begin an outline at (x, y)."""

    def line(self, x: float, y: float) -> None:
        """A straight line to (x, y)."""

    def cubic(self, x1: float, y1: float, x2: float, y2: float, x: float, y: float) -> None:
        """A cubic Bézier to (x, y)."""

    def arc(self, arc: EllipseArc, x: float, y: float) -> None:
        """An elliptical arc that ends in (x, y)."""

    def close(self) -> None:
        """A straight line back to the outline's start, which it now shares."""


@dataclass(frozen=True, slots=True)
class EllipseArc:
    """An arc by its centre: point(θ) = centre + R(rotation) · (rx cos θ, ry sin θ), θ from start by sweep (rad)."""

    centre_x: float
    centre_y: float
    radius_x: float
    radius_y: float
    rotation: float
    start: float
    sweep: float


def centre_arc(
    x0: float,
    y0: float,
    radius_x: float,
    radius_y: float,
    rotation_deg: float,
    large: bool,
    sweep: bool,
    x: float,
    y: float,
) -> EllipseArc | None:
    """Endpoint to centre form (SVG 1.1, F.6.5 and F.6.6).

    None where a straight line is wanted (a zero radius) or is the same to a nanometre (a radius of kilometres); the
    caller leaves out arcs with equal ends.
    """
    radius_x, radius_y = abs(radius_x), abs(radius_y)
    if radius_x == 0 or radius_y == 0:
        return None
    rotation = math.radians(rotation_deg % 360.0)
    cosine, sine = math.cos(rotation), math.sin(rotation)
    half_x, half_y = (x0 - x) / 2.0, (y0 - y) / 2.0
    across = cosine * half_x + sine * half_y
    along = -sine * half_x + cosine * half_y
    # In the circle of radius one that the ellipse becomes, the half chord has this length; above one, the radii
    # are too small and grow until the chord is a diameter: then the centre is the chord's middle, exactly.
    unit_x, unit_y = across / radius_x, along / radius_y
    half_chord = math.hypot(unit_x, unit_y)
    if half_chord < 1e-9:
        if large:
            raise SyntaxMistake(
                "arc radii of less than a thousand million half chords", f"{radius_x}, {radius_y}"
            )
        return None
    # A semicircle that misses its diameter by rounding alone is a semicircle: the root below would turn an error
    # of 1e-16 into one of 1e-8 (F.6.5 sets the radicand to zero for the same reason).
    if half_chord >= 1.0 - 1e-14:
        radius_x, radius_y = radius_x * half_chord, radius_y * half_chord
        unit_x, unit_y = unit_x / half_chord, unit_y / half_chord
        height = 0.0
    else:
        height = math.sqrt((1.0 - half_chord) * (1.0 + half_chord)) / half_chord
    if large == sweep:
        height = -height
    middle_x, middle_y = height * unit_y, -height * unit_x
    start = math.atan2(unit_y - middle_y, unit_x - middle_x)
    end = math.atan2(-unit_y - middle_y, -unit_x - middle_x)
    turn = (end - start) % math.tau if sweep else -((start - end) % math.tau)
    shift_x, shift_y = middle_x * radius_x, middle_y * radius_y
    return EllipseArc(
        cosine * shift_x - sine * shift_y + (x0 + x) / 2.0,
        sine * shift_x + cosine * shift_y + (y0 + y) / 2.0,
        radius_x,
        radius_y,
        rotation,
        start,
        turn,
    )


class _Scanner:
    """Walks over path data; every refusal names the place."""

    def __init__(self, text: str) -> None:
        self.text = text
        self.position = 0
        self.skip_space()

    def skip_space(self) -> None:
        match = _SPACE.match(self.text, self.position)
        assert match is not None
        self.position = match.end()

    def fail(self, expected: str) -> SyntaxMistake:
        rest = self.text[self.position : self.position + 16]
        return SyntaxMistake(
            f"{expected} at character {self.position + 1}", repr(rest) if rest else "the end"
        )

    def at_number(self) -> bool:
        return self.position < len(self.text) and self.text[self.position] in "+-.0123456789"

    def command(self) -> str:
        letter = self.text[self.position]
        if letter.upper() not in _ARGUMENTS:
            raise self.fail("a path command")
        self.position += 1
        self.skip_space()
        return letter

    def separator(self) -> bool:
        """Pass white space and at most one comma; tells whether there was a comma."""
        match = _COMMA.match(self.text, self.position)
        assert match is not None
        self.position = match.end()
        return bool(match[1])

    def number(self) -> float:
        match = _NUMBER.match(self.text, self.position)
        if not match:
            raise self.fail("a number")
        self.position = match.end()
        return finite(float(match[0]), match[0])

    def flag(self) -> float:
        if self.text[self.position : self.position + 1] not in ("0", "1"):
            raise self.fail("an arc flag 0 or 1")
        self.position += 1
        return float(self.text[self.position - 1])

    def arguments(self, kind: str) -> list[float]:
        values: list[float] = []
        for index in range(_ARGUMENTS[kind]):
            if index:
                self.separator()
            values.append(self.flag() if kind == "A" and index in (3, 4) else self.number())
        return values

    def more(self) -> bool:
        """Whether another set of arguments follows for the same command."""
        comma = self.separator()
        if self.at_number():
            return True
        if comma:
            raise self.fail("a number after the comma")
        return False


def read_path(text: str, sink: PathSink) -> None:
    """Write the outlines of ``text`` to ``sink``. Raises SyntaxMistake with the place of the first mistake."""
    scanner = _Scanner(text)
    if scanner.position == len(text) or text.strip() == "none":
        return
    if text[scanner.position] not in "Mm":
        raise scanner.fail("path data that begin with M or m")
    pen = _Pen(sink)
    while scanner.position < len(text):
        letter = scanner.command()
        kind = letter.upper()
        if kind == "Z":
            pen.close()
            scanner.skip_space()
            continue
        while True:
            pen.draw(kind, letter.islower(), scanner.arguments(kind))
            if not scanner.more():
                break
            if kind == "M":
                kind = "L"


class _Pen:
    """The current point, the outline's start and the control point that S and T mirror."""

    def __init__(self, sink: PathSink) -> None:
        self.sink = sink
        self.x = self.y = self.start_x = self.start_y = 0.0
        self.mirror_x = self.mirror_y = 0.0
        self.last = ""
        self.is_closed = False

    def close(self) -> None:
        if not self.is_closed:
            self.sink.close()
        self.x, self.y = self.start_x, self.start_y
        self.is_closed, self.last = True, "Z"

    def draw(self, kind: str, relative: bool, values: list[float]) -> None:
        x0, y0 = self.x, self.y
        if relative:
            self._make_absolute(kind, values)
        if kind != "M" and self.is_closed:
            # After a closing, the next outline begins where the last one did (8.3.3).
            self.sink.move(x0, y0)
        self.is_closed = False
        if kind == "H":
            values = [values[0], y0]
        elif kind == "V":
            values = [x0, values[0]]
        x, y = values[-2], values[-1]
        if kind == "M":
            self.sink.move(x, y)
            self.start_x, self.start_y = x, y
        elif kind in "LHV":
            self.sink.line(x, y)
        elif kind in "CS":
            if kind == "S":
                values = [*self._mirrored("CS"), *values]
            self.sink.cubic(values[0], values[1], values[2], values[3], x, y)
            self.mirror_x, self.mirror_y = values[2], values[3]
        elif kind in "QT":
            middle_x, middle_y = self._mirrored("QT") if kind == "T" else (values[0], values[1])
            # A quadratic is exactly this cubic.
            self.sink.cubic(
                x0 + (middle_x - x0) * 2.0 / 3.0,
                y0 + (middle_y - y0) * 2.0 / 3.0,
                x + (middle_x - x) * 2.0 / 3.0,
                y + (middle_y - y) * 2.0 / 3.0,
                x,
                y,
            )
            self.mirror_x, self.mirror_y = middle_x, middle_y
        elif (x, y) != (x0, y0):
            arc = centre_arc(
                x0, y0, values[0], values[1], values[2], values[3] == 1.0, values[4] == 1.0, x, y
            )
            if arc is None:
                self.sink.line(x, y)
            else:
                self.sink.arc(arc, x, y)
        self.x, self.y, self.last = x, y, kind

    def _mirrored(self, family: str) -> tuple[float, float]:
        if self.last and self.last in family:
            return 2.0 * self.x - self.mirror_x, 2.0 * self.y - self.mirror_y
        return self.x, self.y

    def _make_absolute(self, kind: str, values: list[float]) -> None:
        if kind == "H":
            values[0] += self.x
        elif kind == "V":
            values[0] += self.y
        elif kind == "A":
            values[5] += self.x
            values[6] += self.y
        else:
            for index in range(0, len(values), 2):
                values[index] += self.x
                values[index + 1] += self.y
