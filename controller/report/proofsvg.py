"""The predicted picture as SVG: every stroke as wide as its tip, a little transparent, so that overlaps are seen.

Owns the file's form and its size. User units are canvas mm. Dots that come out as discs are circles, other dots are
written once and placed; all else is paths with relative coordinates in hundredths of a millimetre.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any, Final
from xml.sax.saxutils import quoteattr

import numpy as np
import numpy.typing as npt
import shapely

from controller.report.coverage import dot_shape
from controller.report.proofpaint import DotKind, PassPaint, Stretches

Floats = npt.NDArray[np.float64]

UNITS_PER_MM: Final = 100
OPACITY: Final = 0.82
VERTICES_MAX: Final = 1_000_000
"""A file with more is thinned, about 9 bytes a vertex: each doubling of the tolerance takes some out."""
TOLERANCE_MM: Final = 0.02
COARSEST_MM: Final = 0.7
_ROUND_MM: Final = 0.02
"""A dot whose edge is everywhere so near to a circle is a disc."""


def picture_svg(
    box_mm: tuple[float, float, float, float], canvas_colour: str, groups: Sequence[str], title: str
) -> Iterator[str]:
    """The file in pieces. box_mm: x0, y0, x1, y1 of what is shown; groups: some of ``pass_groups``."""
    x, y, right, bottom = box_mm
    width, height = f"{right - x:.2f}", f"{bottom - y:.2f}"
    yield (
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{width}mm" height="{height}mm" '
        f'viewBox="{x:.2f} {y:.2f} {width} {height}">\n<title>{_text(title)}</title>\n'
        f"<style>path{{fill:none;stroke:currentColor;stroke-linecap:round;stroke-linejoin:round;"
        f"stroke-opacity:{OPACITY}}}circle{{fill:currentColor;fill-opacity:{OPACITY}}}</style>\n"
        f'<rect x="{x:.2f}" y="{y:.2f}" width="{width}" height="{height}" fill="{canvas_colour}"/>\n'
    )
    yield from groups
    yield "</svg>\n"


def pass_groups(passes: Sequence[PassPaint]) -> list[str]:
    """Each pass as an SVG group, in the order given; together they have no more vertices than a file may have."""
    return ["".join(_group(one, lines)) for one, lines in zip(passes, _thinned(passes), strict=True)]


def _group(one: PassPaint, lines: Lines) -> Iterator[str]:
    yield f"<g id={quoteattr('pass-' + one.name)} color={quoteattr(one.colour)}>\n"
    yield from _paths(lines)
    for number, kind in enumerate(one.dots):
        yield from _dots(kind, f"dot-{one.name}-{number}")
    yield "</g>\n"


Lines = list[tuple[float, npt.NDArray[np.object_]]]
"""By width in mm: shapely lines."""


def _thinned(passes: Sequence[PassPaint]) -> list[Lines]:
    """Lines of every pass by width, whole strokes where the width stays, with no more vertices than a file may have."""
    whole = [_lines(one.stretches) for one in passes]
    tolerance = TOLERANCE_MM
    while True:
        found = [[(width, shapely.simplify(lines, tolerance)) for width, lines in one] for one in whole]
        count = sum(int(shapely.get_num_coordinates(lines).sum()) for one in found for _, lines in one)
        if count <= VERTICES_MAX or tolerance >= COARSEST_MM:
            return found
        tolerance *= 2.0


def _lines(stretches: Stretches) -> Lines:
    """Stretches that follow each other with one width, joined again."""
    if not len(stretches):
        return []
    last = stretches.first + stretches.count - 1
    goes_on = (last[:-1] == stretches.first[1:]) & (np.diff(stretches.width_mm) == 0.0)
    begin = np.flatnonzero(np.concatenate([[True], ~goes_on]))
    end = np.append(begin[1:], len(stretches)) - 1
    joined = Stretches(
        stretches.points_mm,
        stretches.first[begin],
        last[end] - stretches.first[begin] + 1,
        stretches.width_mm[begin],
    )
    rows, which = joined.rows(np.arange(len(joined)))
    lines = shapely.linestrings(joined.points_mm[rows], indices=which)
    return [(float(width), lines[joined.width_mm == width]) for width in np.unique(joined.width_mm)]


def _paths(lines: Lines) -> Iterator[str]:
    for width, some in lines:
        yield f'<g stroke-width="{_short(width)}">\n'
        for line in some:
            yield f'<path d="{_data(shapely.get_coordinates(line))}"/>\n'
        yield "</g>\n"


def _data(points_mm: Floats) -> str:
    """Path data, rounded once and then relative, so that roundings do not add up."""
    whole = np.round(points_mm * UNITS_PER_MM).astype(np.int64)
    steps = np.diff(whole, axis=0)
    steps = steps[(steps != 0).any(axis=1)]
    if not len(steps):
        steps = np.zeros((1, 2), dtype=np.int64)  # a dot of the tip's own size
    words = [_number(value) for value in steps.reshape(-1).tolist()]
    begin = f"M{_number(int(whole[0, 0]))} {_number(int(whole[0, 1]))}l"
    return begin + "".join(
        word if not place or word[0] == "-" else f" {word}" for place, word in enumerate(words)
    )


def _number(units: int) -> str:
    """Hundredths as a decimal number, as short as it can be."""
    sign, rest = ("-" if units < 0 else ""), abs(units)
    whole, part = divmod(rest, UNITS_PER_MM)
    if not part:
        return f"{sign}{whole}"
    digits = f"{part:02d}".rstrip("0")
    return f"{sign}{whole or ''}.{digits}"


def _short(value: float) -> str:
    return f"{value:.3f}".rstrip("0").rstrip(".")


def _dots(kind: DotKind, name: str) -> Iterator[str]:
    shape = dot_shape(kind)
    disc = _as_disc(shape)
    if disc is not None:
        centre, radius = disc
        places = np.round((kind.place_mm + centre) * UNITS_PER_MM).astype(np.int64).tolist()
        size = _short(radius)
        for x, y in places:
            yield f'<circle cx="{_number(x)}" cy="{_number(y)}" r="{size}"/>\n'
        return
    path = shapely.get_coordinates(shapely.simplify(shapely.linestrings(kind.path_mm), TOLERANCE_MM))
    yield f'<defs><path id="{name}" stroke-width="{_short(kind.width_mm)}" d="{_data(path)}"/></defs>\n'
    for x, y in np.round(kind.place_mm * UNITS_PER_MM).astype(np.int64).tolist():
        yield f'<use href="#{name}" x="{_number(x)}" y="{_number(y)}"/>\n'


def _as_disc(shape: Any) -> tuple[Floats, float] | None:
    """Centre and radius of the disc that ``shape`` is, or None."""
    if shapely.get_num_interior_rings(shape) != 0:  # None of several polygons
        return None
    centre = shapely.get_coordinates(shapely.centroid(shape))[0]
    radius = float(np.sqrt(shape.area / np.pi))
    away = np.hypot(*(shapely.get_coordinates(shape) - centre).T)
    return (centre, radius) if np.abs(away - radius).max() <= _ROUND_MM else None


def _text(words: str) -> str:
    return words.replace("&", "&amp;").replace("<", "&lt;")
