"""Painted lines against true curves: contour error, what was missed, closing error, diameters of dots.

Owns the figures' definitions. Knows arrays of places only; no machine, no time.

* Contour error: distance of a painted place to the nearest point of the true curve. Painted places are the contact's
  samples and points between them on straight lines, ``STEP_MM`` of arc length apart, so that rest counts once and
  percentiles are by painted length.
* Missed: farthest point of the true curve from what was painted (a corner that is cut, an end not reached).
* G and H of circles (ISO 230-4): controller/register/circular.py.
* Closing error of a loop: distance of the place where the stroke ends from the place where it began.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.spatial import cKDTree

from controller.register.circular import least_squares_circle

STEP_MM = 0.02
_PIECE_MM = 0.05
_NEIGHBOURS = 4

Vector = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Contour:
    """Figures of one or several strokes, mm."""

    rms: float
    p99: float
    max: float
    missed: float


def resampled(points_mm: Vector, step_mm: float = STEP_MM) -> Vector:
    """Places (m, 2) on the chords between samples, at most ``step_mm`` of arc length apart, from first to last.

    Where the tip rests the arc length does not grow.
    """
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(points_mm, axis=0).T))])
    if along[-1] == 0.0:
        return points_mm[:1]
    at = np.linspace(0.0, along[-1], int(np.ceil(along[-1] / step_mm)) + 1)
    return np.column_stack([np.interp(at, along, points_mm[:, k]) for k in range(2)])


def nearest(points_mm: Vector, curve_mm: Vector) -> tuple[Vector, Vector]:
    """Signed distance (m,) of each place to the polyline ``curve_mm`` (n, 2), and its nearest point there (m, 2).

    The distance is positive where the place lies to the right of the curve's way (y down).
    """
    a, b = curve_mm[:-1], curve_mm[1:]
    way = b - a
    length = np.hypot(*way.T)
    pieces = np.maximum(np.ceil(length / _PIECE_MM), 1).astype(np.int64)
    chord = np.repeat(np.arange(len(a)), pieces)
    share = (np.arange(len(chord)) - np.repeat(np.cumsum(pieces) - pieces, pieces) + 0.5) / pieces[chord]
    tree = cKDTree(a[chord] + share[:, None] * way[chord])
    _, near = tree.query(points_mm, k=min(_NEIGHBOURS, len(chord)))
    best = np.full(len(points_mm), np.inf)
    signed = np.zeros(len(points_mm))
    feet = np.zeros_like(points_mm)
    for column in np.asarray(near).reshape(len(points_mm), -1).T:
        c = chord[column]
        along, off = way[c], points_mm - a[c]
        part = np.clip(np.einsum("ij,ij->i", off, along) / length[c] ** 2, 0.0, 1.0)
        rest = off - part[:, None] * along
        distance = np.hypot(*rest.T)
        closer = distance < best
        best[closer] = distance[closer]
        side = np.where(along[:, 0] * off[:, 1] - along[:, 1] * off[:, 0] < 0, -1.0, 1.0)
        signed[closer] = (side * distance)[closer]
        feet[closer] = (points_mm - rest)[closer]
    return signed, feet


def signed_distances(points_mm: Vector, curve_mm: Vector) -> Vector:
    """The first half of ``nearest``."""
    return nearest(points_mm, curve_mm)[0]


def contour(painted_mm: list[Vector], curves_mm: tuple[Vector, ...]) -> Contour:
    """Figures over all strokes of a cell."""
    errors = [
        np.abs(signed_distances(resampled(p), curve)) for p, curve in zip(painted_mm, curves_mm, strict=True)
    ]
    missed = [
        float(np.abs(signed_distances(resampled(curve, 0.1), p)).max()) if len(p) > 1 else np.inf
        for p, curve in zip((_moving(p) for p in painted_mm), curves_mm, strict=True)
    ]
    every = np.concatenate(errors)
    return Contour(
        float(np.sqrt(np.mean(every**2))), float(np.percentile(every, 99)), float(every.max()), max(missed)
    )


def _moving(points_mm: Vector) -> Vector:
    """The samples without repeats."""
    keep = np.concatenate([[True], np.any(np.diff(points_mm, axis=0) != 0.0, axis=1)])
    return points_mm[keep]


def closing_error(points_mm: Vector) -> float:
    """Distance of the last place from the first."""
    return float(np.hypot(*(points_mm[-1] - points_mm[0])))


def ring_diameter(points_mm: Vector, tip_mm: float) -> float:
    """Diameter of what a dot's outermost turn paints: its fitted circle and the tip's width.

    The outermost turn: from the first place until the angle about the dot's own middle has gone round once.
    """
    places = resampled(points_mm)
    off = places - places.mean(axis=0)
    angle = np.unwrap(np.arctan2(off[:, 1], off[:, 0]))
    turned = np.flatnonzero(np.abs(angle - angle[0]) >= 2 * np.pi)
    ring = places[: int(turned[0]) if len(turned) else len(places)]
    return 2 * least_squares_circle(ring).radius_mm + tip_mm
