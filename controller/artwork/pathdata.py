"""SVG path data: checked by their grammar here, read by svgelements.

Owns the strictness (SVG 1.1, 8.3: the first mistake is named by its place) and the guards for the library's known
faults, which ``docs/decisions/0005-svg-library.md`` lists. Writes absolute moves, lines, cubics, arcs and closings
to a sink. Knows no elements and no mm.
"""

from __future__ import annotations

import cmath
import math
import re
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any, Protocol

import svgelements

from controller.artwork.units import NUMBER, SyntaxMistake, finite

_SPACE = re.compile(r"[ \t\n\r\f]*")
_COMMA = re.compile(r"[ \t\n\r\f]*(,?)[ \t\n\r\f]*")
_NUMBER, _FLAG = re.compile(NUMBER), re.compile("[01]")
_TOKENS = {
    kind: (_NUMBER,) * count for kind, count in zip("MLHVCSQTZ", (2, 2, 1, 1, 6, 4, 4, 2, 0), strict=True)
}
_TOKENS["A"] = (_NUMBER, _NUMBER, _NUMBER, _FLAG, _FLAG, _NUMBER, _NUMBER)
MOST_OBLONG = 1e4  # an arc of radii farther apart is not where it should be: 4 µm off at 1e5, 0.3 mm at 1e6
_RADII = (1e-60, 1e60)  # beyond, the library's squares of squares leave the range of floats

# The library does not know a number that ends with its point, which SVG 1.1 allows.
_BARE_POINT = re.compile(r"(?<=[0-9])\.(?![0-9])")
# The library mirrors any curve's control point for S and T; a line of no length in between gives it nothing to mirror.
_OTHER_FAMILY = re.compile(r"[QqTt][^A-DF-Za-df-z]*(?=[Ss])|[CcSs][^A-DF-Za-df-z]*(?=[Tt])")


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


def check_path(text: str) -> None:
    """Refuse path data that break the grammar. Raises SyntaxMistake with the place of the first mistake."""
    position = _after(_SPACE, text, 0)
    if text[position] not in "Mm":
        raise _fail(text, position, "path data that begin with M or m")
    while position < len(text):
        kind = text[position].upper()
        if kind not in _TOKENS:
            raise _fail(text, position, "a path command")
        position = _after(_SPACE, text, position + 1)
        more = kind != "Z"
        while more:
            position = _check_arguments(text, position, kind)
            after = _after(_COMMA, text, position)
            more = text[after : after + 1] in tuple("+-.0123456789")
            if not more and "," in text[position:after]:
                raise _fail(text, after, "a number after the comma")
            position = after


def _check_arguments(text: str, position: int, kind: str) -> int:
    for index, token in enumerate(_TOKENS[kind]):
        if index:
            position = _after(_COMMA, text, position)
        match = token.match(text, position)
        if not match:
            raise _fail(text, position, "a number" if token is _NUMBER else "an arc flag 0 or 1")
        value = finite(float(match[0]), match[0])
        if kind == "A" and index < 2 and value and not _RADII[0] <= abs(value) <= _RADII[1]:
            raise SyntaxMistake("arc radii of zero or {:g} to {:g}".format(*_RADII), f"{value:g}")
        position = match.end()
    return position


def _after(pattern: re.Pattern[str], text: str, position: int) -> int:
    match = pattern.match(text, position)
    return match.end() if match else position


def _fail(text: str, position: int, expected: str) -> SyntaxMistake:
    rest = text[position : position + 16]
    return SyntaxMistake(f"{expected} at character {position + 1}", repr(rest) if rest else "the end")


def read_path(text: str, sink: PathSink) -> None:
    """Write the outlines of ``text`` to ``sink``. Raises SyntaxMistake with the place of the first mistake."""
    if text.strip() in ("", "none"):
        return
    check_path(text)
    path = svgelements.Path()
    path.parse(_OTHER_FAMILY.sub(r"\g<0>l0 0 ", _BARE_POINT.sub(".0", text)))
    write_segments(path, sink)


def write_segments(path: Iterable[svgelements.PathSegment], sink: PathSink) -> None:
    """Write the library's segments to ``sink``."""
    closed = False
    for segment in path:
        start, end = segment.start, segment.end
        if isinstance(segment, svgelements.Move):
            sink.move(end.x, end.y)
            closed = False
            continue
        if isinstance(segment, svgelements.Close):
            sink.close()
            closed = True
            continue
        if closed:
            # After a closing, the next outline begins where the last one did (8.3.3).
            sink.move(start.x, start.y)
            closed = False
        if isinstance(segment, svgelements.CubicBezier):
            sink.cubic(
                segment.control1.x, segment.control1.y, segment.control2.x, segment.control2.y, end.x, end.y
            )
        elif isinstance(segment, svgelements.QuadraticBezier):
            # A quadratic is exactly this cubic.
            middle = segment.control
            sink.cubic(
                start.x + (middle.x - start.x) * 2.0 / 3.0,
                start.y + (middle.y - start.y) * 2.0 / 3.0,
                end.x + (middle.x - end.x) * 2.0 / 3.0,
                end.y + (middle.y - end.y) * 2.0 / 3.0,
                end.x,
                end.y,
            )
        elif isinstance(segment, svgelements.Arc) and (arc := _centre_form(segment)) is not None:
            sink.arc(arc, end.x, end.y)
        else:
            sink.line(end.x, end.y)


def _centre_form(arc: svgelements.Arc) -> EllipseArc | None:
    """The library's arc with its numbers made good (SVG 1.1, F.6.2, F.6.5).

    None where a straight line is wanted: a zero radius, equal ends (of which the library makes an arc of no size),
    a radius of kilometres. From the library come centre, axes and the way around; the angles are taken anew, as its
    arc cosine has no digits where the arc is short or half a turn.
    """
    start, end, centre, x_end, y_end = (
        complex(point.x, point.y) for point in (arc.start, arc.end, arc.center, arc.prx, arc.pry)
    )
    radius_x, radius_y = abs(x_end - centre), abs(y_end - centre)
    if radius_x == 0 or radius_y == 0:
        return None
    if not 1.0 / MOST_OBLONG <= radius_x / radius_y <= MOST_OBLONG:
        raise SyntaxMistake(
            f"arc radii of which one is at most {MOST_OBLONG:g} times the other",
            f"{radius_x:g} and {radius_y:g}",
        )
    # The longer axis tells the direction better.
    axis = (x_end - centre) / radius_x if radius_x > radius_y else (y_end - centre) / (radius_y * 1j)

    def on_circle(vector: complex) -> complex:
        turned = vector * axis.conjugate()
        return complex(turned.real / radius_x, turned.imag / radius_y)

    half_chord = abs(on_circle((start - end) / 2.0))
    if half_chord < 1e-9:
        # Which side the centre lies on tells what the library's angle has lost: a shorter way than half a turn has
        # it to the left where the angle grows, to the right where it falls.
        to_left = ((end - start).conjugate() * (centre - start)).imag > 0
        if to_left != (arc.sweep >= 0):
            raise SyntaxMistake(
                "arc radii of less than a thousand million half chords", f"{radius_x}, {radius_y}"
            )
        return None
    # A semicircle that misses its diameter by rounding alone is a semicircle; the library takes a root there,
    # which turns an error of 1e-16 into one of 1e-8.
    if half_chord >= 1.0 - 1e-14:
        centre = (start + end) / 2.0
    begin, finish = cmath.phase(on_circle(start - centre)), cmath.phase(on_circle(end - centre))
    sweep = (finish - begin) % math.tau if arc.sweep >= 0 else -((begin - finish) % math.tau)
    return EllipseArc(centre.real, centre.imag, radius_x, radius_y, cmath.phase(axis), begin, sweep)


class Recording:
    """A ``PathSink`` that keeps what it is given, to be written again: for shapes that a drawing repeats."""

    def __init__(self) -> None:
        self._steps: list[tuple[str, tuple[Any, ...]]] = []

    def __len__(self) -> int:
        return len(self._steps)

    def move(self, x: float, y: float) -> None:
        """Keep a beginning."""
        self._steps.append(("move", (x, y)))

    def line(self, x: float, y: float) -> None:
        """Keep a line."""
        self._steps.append(("line", (x, y)))

    def cubic(self, x1: float, y1: float, x2: float, y2: float, x: float, y: float) -> None:
        """Keep a Bézier."""
        self._steps.append(("cubic", (x1, y1, x2, y2, x, y)))

    def arc(self, arc: EllipseArc, x: float, y: float) -> None:
        """Keep an arc."""
        self._steps.append(("arc", (arc, x, y)))

    def close(self) -> None:
        """Keep a closing."""
        self._steps.append(("close", ()))

    def play(self, sink: PathSink) -> None:
        """Write all of it to ``sink``."""
        for name, values in self._steps:
            getattr(sink, name)(*values)
