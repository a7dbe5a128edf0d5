"""Touch-up: where canvas shows because one ink lies off, and strokes that paint just that.

Owns the measured shift, the bare places that follow from it and the way over them. Works on areas as ``traps`` does;
knows no time and no files. Frame: canvas mm.

The ink's painted area is moved as it was measured. Bare is what the drawing shows in this ink and no ink has painted.
Another ink's places stay painted whatever this one does, so the right ink for all of it is the one that lies off. The
pen is wider than most gaps: it keeps its edge on the gap's far side and its body on paint of its own ink, so that no
other ink is painted over.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import shapely
from shapely.affinity import affine_transform

from controller.config.job import Job
from controller.strokes.flat import flat_paths
from controller.strokes.outlines import polygons, union, within, without
from controller.strokes.paths import strokes_of
from controller.strokes.regions import Work
from controller.strokes.strokeset import StrokeSet
from controller.strokes.traps import HAIR_MM, QUARTER, solids, touching

Floats = npt.NDArray[np.float64]
Geometry = Any
"""A shapely geometry: the library brings no types."""

LEAST_MM: Final = 0.2
"""Gaps narrower than this are left: on a wall nobody sees them. Common practice, no source."""
OVERLAP: Final = 0.2
"""Share of the tip's width by which neighbouring strokes overlap."""
STRETCH_MAX: Final = 0.02
"""A shift that grows by more than so much a mm is a mistake of measuring."""


@dataclass(frozen=True, slots=True)
class Shift:
    """Where an ink lies against where it should: p + offset + growth (p - centre), canvas mm.

    One point gives an offset, two how it changes along the line between them, three and more an affine map by least
    squares. rms_mm: what is left at the points.
    """

    centre_mm: tuple[float, float]
    offset_mm: tuple[float, float]
    growth: tuple[tuple[float, float], tuple[float, float]]
    rms_mm: float

    def at(self, places_mm: npt.ArrayLike) -> Floats:
        """The shift (n, 2) at places (n, 2)."""
        places = np.asarray(places_mm, dtype=np.float64)
        moved: Floats = np.asarray(self.offset_mm) + (places - self.centre_mm) @ np.asarray(self.growth).T
        return moved

    def moved(self, area: Geometry) -> Geometry:
        """The area as it lies."""
        (a, b), (d, e) = self.growth
        x, y = self.at([[0.0, 0.0]])[0].tolist()
        return affine_transform(area, [1.0 + a, b, d, 1.0 + e, x, y])


def fit_shift(places_mm: npt.ArrayLike, shifts_mm: npt.ArrayLike) -> Shift:
    """The map through shifts (n, 2) measured at places (n, 2): found minus wanted.

    Raises ValueError for numbers that are not finite or a shift that grows too fast from one point to another.
    """
    places = np.asarray(places_mm, dtype=np.float64).reshape(-1, 2)
    shifts = np.asarray(shifts_mm, dtype=np.float64).reshape(-1, 2)
    if not len(places) or places.shape != shifts.shape or not np.isfinite([places, shifts]).all():
        raise ValueError("expected a shift for each of one or more places")
    centre, offset = places.mean(axis=0), shifts.mean(axis=0)
    # Of all maps that fit, lstsq gives the one that changes least: none with one point, along the line with two.
    growth = np.linalg.lstsq(places - centre, shifts - offset, rcond=None)[0].T
    if np.abs(growth).max() > STRETCH_MAX:
        raise ValueError(
            f"expected shifts that change by at most {1000 * STRETCH_MAX:g} mm a metre, "
            f"got {1000 * np.abs(growth).max():.0f}"
        )
    left = shifts - offset - (places - centre) @ growth.T
    return Shift(
        (float(centre[0]), float(centre[1])),
        (float(offset[0]), float(offset[1])),
        ((float(growth[0, 0]), float(growth[0, 1])), (float(growth[1, 0]), float(growth[1, 1]))),
        float(np.sqrt((left**2).sum(axis=1).mean())),
    )


@dataclass(frozen=True, slots=True)
class Bare:
    """gaps: where canvas shows and is to be painted; narrow_mm2: what is left, narrower than LEAST_MM.

    own: the ink's own paint as it lies, with the gaps: there its pen may go. areas: by ink, as painted.
    """

    gaps: Geometry
    narrow_mm2: float
    own: Geometry
    areas: tuple[Geometry, ...]


def bare_places(works: Sequence[Work], with_traps: Sequence[Work], job: Job, ink: int, shift: Shift) -> Bare:
    """Where canvas shows with ``ink`` (row of ``job.inks``) off by ``shift``.

    works, with_traps: as for ``gap_map``; as there, the outer edge of the picture is no gap. Raises ValueError when the
    ink paints no solid area.
    """
    inks = len(job.inks)
    before, after = solids(works, inks), solids(with_traps, inks)
    if before[ink].is_empty:
        raise ValueError("expected an ink that paints solid areas: gaps between dots are none")
    others = [after[one] for one in range(inks) if one != ink and not after[one].is_empty]
    own = shift.moved(after[ink])
    bare: Geometry = without(before[ink], own)
    for other in others:
        bare = without(bare, other)
    # A gap is no wider than the shift that opened it; what is farther from other inks is an outer edge that has moved.
    x0, y0, x1, y1 = before[ink].bounds
    reach = float(np.hypot(*shift.at([[x0, y0], [x1, y0], [x0, y1], [x1, y1]]).T).max()) + HAIR_MM
    around = shapely.buffer(union(others), reach, quad_segs=QUARTER) if others else shapely.Polygon()
    gaps = touching(within(bare, around), others)
    half = LEAST_MM / 2.0
    seen = [part for part in polygons(gaps).geoms if not shapely.buffer(part, -half).is_empty]
    kept = union(seen) if seen else shapely.MultiPolygon()
    # A hair at the end of a wide gap is painted with it: what is left over are whole gaps.
    areas = tuple(own if one == ink else after[one] for one in range(inks))
    return Bare(kept, float(gaps.area - kept.area), union([own, kept]) if seen else own, areas)


@dataclass(frozen=True, slots=True)
class TouchUp:
    """strokes: over the gaps. over_mm: length of strokes where the pen cannot keep to gap and own paint."""

    strokes: StrokeSet
    over_mm: float


def touch_up(bare: Bare, tip_mm: float, tolerance_mm: float = 0.02) -> TouchUp:
    """Strokes with a tip of ``tip_mm`` that paint the gaps and go as far as needed onto paint of the same ink."""
    if bare.gaps.is_empty:
        return TouchUp(strokes_of([], [], ("touch-up",)), 0.0)
    # Gap and own paint beside it are at least as wide as the tip together, wherever there is such paint.
    ground = within(bare.own, shapely.buffer(bare.gaps, 1.05 * tip_mm, quad_segs=16))
    near = [part for part in polygons(ground).geoms if shapely.intersects(part, bare.gaps)]
    paths = flat_paths(union(near), tip_mm, OVERLAP, "contour", 0.0, tolerance_mm)
    over_mm = sum(one.length_mm for one in paths.left if one.painted)
    return TouchUp(strokes_of([paths], [0], ("touch-up",)), float(over_mm))
