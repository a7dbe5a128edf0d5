"""The accuracy bench's artwork: circles, lines, a star, dots and the words LOW TIDE, each with its true curve.

Owns the drawing and what is true about it. The strokes come the way every job's come: from SVG through the reader and
the stroke builder. The true curve of a circle is its formula; of a straight-sided shape its corners; of lettering the
same drawing flattened to ``FINE_MM`` (that the reader flattens truly is tests/reference/test_svg_flattening.py's
matter). Knows no time, no machine.
"""

from __future__ import annotations

import re
import tempfile
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt

from controller.artwork.read import read_artwork
from controller.config.job import Ink
from controller.config.load import load_job
from controller.config.places import shipped
from controller.strokes.build import build_strokes, dot_path_mm
from controller.strokes.strokeset import StrokeKind, StrokeSet

Vector = npt.NDArray[np.float64]

FLATTEN_MM = 0.02
FINE_MM = 1e-4
"""Tolerance to which true curves without a formula are flattened."""

RADII_MM = (2.0, 3.0, 5.0, 10.0, 50.0, 300.0)
DOT_MM, TIP_MM = 8.0, 2.5
SIZE_MM = (3000.0, 1900.0)


@dataclass(frozen=True, slots=True)
class Cell:
    """One row of the table: strokes (indices into the set) and the true curve of each, canvas mm.

    curves: polylines (n, 2), one a stroke. centre_mm and radius_mm of circles, else None.
    """

    name: str
    strokes: tuple[int, ...]
    curves: tuple[Vector, ...]
    centre_mm: tuple[float, float] | None = None
    radius_mm: float | None = None


@dataclass(frozen=True, slots=True)
class Art:
    """The strokes in painting order and the cells that judge them."""

    strokes: StrokeSet
    cells: tuple[Cell, ...]
    ink: Ink


_CENTRES = ((60.0, 60.0), (110.0, 60.0), (160.0, 60.0), (220.0, 60.0), (340.0, 90.0), (1000.0, 700.0))
_LINES = (("line-45", 300.0, 300.0, 45.0), ("line-3", 1500.0, 200.0, 3.0), ("line-0", 1500.0, 160.0, 0.0))
_STAR_CENTRE, _STAR_MM = (600.0, 120.0), 60.0


def _star() -> Vector:
    """Corners of a five-pointed star, every second corner of a pentagon, closed; one point upwards."""
    angle = np.radians(-90.0 + 144.0 * np.arange(6))
    return np.array(_STAR_CENTRE) + _STAR_MM * np.column_stack([np.cos(angle), np.sin(angle)])


def _line(x: float, y: float, degrees: float) -> Vector:
    angle = np.radians(degrees)
    return np.array([[x, y], [x + 1000.0 * np.cos(angle), y + 1000.0 * np.sin(angle)]])


def _words() -> str:
    """The group with the letters out of the shipped demo's drawing."""
    text = shipped("jobs/low-tide/low-tide.svg").read_text()
    begin = text.index('<g id="words"')
    depth = 0
    for tag in re.finditer(r"<g\b|</g>", text[begin:]):
        depth += 1 if tag.group() == "<g" else -1
        if depth == 0:
            return text[begin : begin + tag.end()]
    raise ValueError("words: expected the group to end, got the end of the drawing")


def _drawing(radii_mm: tuple[float, ...]) -> str:
    centres = dict(zip(RADII_MM, _CENTRES, strict=True))
    parts = [
        f'<circle id="circle-{radius:g}" cx="{centres[radius][0]}" cy="{centres[radius][1]}" r="{radius}"/>'
        for radius in radii_mm
    ]
    for name, x, y, degrees in _LINES:
        ends = "L".join(f"{float(u)!r} {float(v)!r}" for u, v in _line(x, y, degrees))
        parts.append(f'<path id="{name}" d="M{ends}"/>')
    star = " ".join(f"{float(x)!r},{float(y)!r}" for x, y in _star()[:-1])
    parts.append(f'<polygon id="star" points="{star}"/>')
    # The demo draws 420 mm wide in 840 units; its words stand at (426, 266).
    parts.append(f'<g transform="translate(1700 1000) scale(0.5)">{_words()}</g>')
    width, height = SIZE_MM
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{width:g}mm" height="{height:g}mm" '
        f'viewBox="0 0 {width:g} {height:g}"><g id="tide" fill="none" stroke="#1f7a78">'
        f"{''.join(parts)}</g></svg>"
    )


def _read(drawing: str, tolerance_mm: float) -> tuple[StrokeSet, Ink]:
    """The strokes of a drawing whose one ink is the group "tide"."""
    with tempfile.TemporaryDirectory(prefix="giornata-accuracy-") as name:
        folder = Path(name)
        (folder / "art.svg").write_text(drawing)
        job_file = folder / "job.toml"
        job_file.write_text(
            f'format = 1\nname = "accuracy"\nartwork = "art.svg"\norigin_mm = [0.0, 0.0]\n'
            f"flatten_tolerance_mm = {tolerance_mm}\n"
            f'[[inks]]\nname = "teal"\ngroup = "tide"\ncolour = "#1f7a78"\ntip_mm = {TIP_MM}\n'
        )
        job = load_job(job_file)
        art = read_artwork(job, job_file)
        if art.skipped:
            raise ValueError(f"drawing: expected nothing left out, got {art.skipped[0]}")
        return build_strokes(art.inks["teal"], job.inks[0]), job.inks[0]


def circle_mm(centre_mm: tuple[float, float], radius_mm: float) -> Vector:
    """A circle as a fine closed polyline whose vertices lie on it, sagitta below ``FINE_MM``."""
    sides = int(np.ceil(np.pi / np.arccos(1 - FINE_MM / radius_mm)))
    angle = 2 * np.pi * np.arange(sides + 1) / sides
    return np.array(centre_mm) + radius_mm * np.column_stack([np.cos(angle), np.sin(angle)])


def accuracy_art(radii_mm: tuple[float, ...] = RADII_MM, *, circles_only: bool = False) -> Art:
    """All cells. Every circle is painted both ways, in the order of the drawing, then the same backwards."""
    drawing = _drawing(radii_mm)
    strokes, ink = _read(drawing, FLATTEN_MM)
    fine, _ = _read(drawing, FINE_MM)
    names = [strokes.element_ids[index] for index in strokes.element]
    if circles_only:
        kept = np.array([i for i, name in enumerate(names) if name.startswith("circle")], dtype=np.int64)
        strokes, fine = strokes.take(kept), fine.take(kept)
        names = [names[i] for i in kept]
    count = len(strokes)
    circles = np.array([i for i, name in enumerate(names) if name.startswith("circle")], dtype=np.int64)
    both = strokes.take(np.concatenate([np.arange(count), circles]))
    both = both.reversed_where(np.arange(len(both)) >= count)
    cells = []
    for rank, index in enumerate(circles):
        radius = radii_mm[rank]
        centre = _CENTRES[RADII_MM.index(radius)]
        curve = circle_mm(centre, radius)
        cells.append(Cell(f"circle r {radius:g}", (int(index), count + rank), (curve, curve), centre, radius))
    if not circles_only:
        for name, x, y, degrees in _LINES:
            cells.append(Cell(f"line {degrees:g} deg", (names.index(name),), (_line(x, y, degrees),)))
        cells.append(Cell("star", (names.index("star"),), (_star(),)))
        letters = tuple(i for i, name in enumerate(names) if "letter" in name)
        cells.append(Cell("LOW TIDE", letters, tuple(fine.stroke_mm(i) for i in letters)))
    return Art(both, tuple(cells), ink)


def dots_art(
    count: int,
    pitch_mm: float = 12.0,
    columns: int = 200,
    diameters_mm: npt.ArrayLike = DOT_MM,
    rows: int | None = None,
) -> tuple[StrokeSet, Vector, Ink]:
    """``count`` filled dots on a grid, painted row by row to and fro; their centres (count, 2); the ink.

    diameters_mm: of all, or (count,) of each. rows: after so many the grid begins again at the top.
    """
    ink = Ink(name="teal", group="tide", colour="#1f7a78", tip_mm=TIP_MM)
    row, column = np.divmod(np.arange(count), columns)
    column = np.where(row % 2 == 1, columns - 1 - column, column)
    row = row if rows is None else row % rows
    centres = np.column_stack([20.0 + pitch_mm * column, 20.0 + pitch_mm * row])
    sizes, which = np.unique(np.broadcast_to(diameters_mm, (count,)), return_inverse=True)
    templates = [dot_path_mm(float(size), TIP_MM, ink.step_mm, FLATTEN_MM) for size in sizes]
    lengths = np.array([len(template) for template in templates], dtype=np.int64)
    begins, counts = np.cumsum(lengths) - lengths, lengths[which]
    offsets = np.concatenate([[0], np.cumsum(counts)]).astype(np.int64)
    at = np.arange(offsets[-1]) + np.repeat(begins[which] - offsets[:-1], counts)
    points = np.concatenate(templates)[at] + np.repeat(centres, counts, axis=0)
    kinds = np.full(count, StrokeKind.DOT, np.uint8)
    return StrokeSet(points, offsets, kinds, np.zeros(count, np.int32), ("dots",)), centres, ink
