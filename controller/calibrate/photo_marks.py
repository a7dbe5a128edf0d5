"""Corner marks and dots found in a photograph, wherever and whichever way round the sheet lies in it.

Owns how paint is told from canvas in light that is not even, and what counts as a mark. Pure: an array in, places in
pixels out.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from controller.calibrate.sheets.corners import DOT_UNITS, OUTER_UNITS, RING_UNITS
from controller.calibrate.values import PoorFit

Array = npt.NDArray[np.float64]

SEARCH_PX: Final = 2400
"""Marks are looked for in a picture made smaller, its longer side no longer than this."""
CONTRAST_LEAST: Final = 0.2
"""Paint that takes away less light than this from the colour that it takes most from is not told from canvas."""
ROUND_AXES: Final = 2.0
"""A dot's longer axis over its shorter one, seen from the side, is less than this."""
CENTRED: Final = 0.15
"""A dot stands in the middle of its ring to this share of the ring's width."""


@dataclass(frozen=True, slots=True)
class Blob:
    """A connected area of paint, in pixels of the whole picture. hole: area with its holes filled."""

    x: float
    y: float
    area: float
    filled: float
    axes: float
    holes: int
    solid: float


@dataclass(frozen=True, slots=True)
class Marks:
    """corners: (4, 2) pixels, clockwise from the mark with two rings. dots: every round one, (n, 3): x, y, area."""

    corners: Array
    dots: Array


def relative_light(pixels: npt.NDArray[np.uint8]) -> tuple[Array, int]:
    """The picture made smaller, each colour as a share of the canvas' light around; and by how much it was.

    The darkest colour of the three at each pixel: 1 is canvas, less is paint of any colour.
    """
    from scipy.ndimage import gaussian_filter, map_coordinates, maximum_filter, zoom

    step = max(1, -(-max(pixels.shape[:2]) // SEARCH_PX))
    height, width = (one // step * step for one in pixels.shape[:2])
    small = pixels[:height, :width].reshape(height // step, step, width // step, step, 3).mean(axis=(1, 3))
    coarse = max(4, max(small.shape[:2]) // 150)
    least = np.ones(small.shape[:2])
    for colour in range(3):
        one = gaussian_filter(small[..., colour], 1.0)
        tiles = zoom(gaussian_filter(one, coarse / 3.0), 1.0 / coarse, order=1)
        light = gaussian_filter(maximum_filter(tiles, 9), 3.0)
        rows = np.linspace(0.0, light.shape[0] - 1.0, one.shape[0])
        columns = np.linspace(0.0, light.shape[1] - 1.0, one.shape[1])
        around = map_coordinates(light, np.meshgrid(rows, columns, indexing="ij"), order=1, mode="nearest")
        least = np.minimum(least, one / np.maximum(around, 4.0))
    return least, step


def blobs_of(pixels: npt.NDArray[np.uint8]) -> list[Blob]:
    """Connected areas of paint. The threshold lies midway between canvas and the darkest paint near by."""
    from scipy.ndimage import gaussian_filter, minimum_filter
    from skimage import measure

    share, step = relative_light(pixels)
    window = max(9, max(share.shape) // 40)
    darkest = gaussian_filter(minimum_filter(share, window), window / 2.0)
    paint = (share < 0.5 * (1.0 + darkest)) & (darkest < 1.0 - CONTRAST_LEAST)
    found: list[Blob] = []
    largest = 0.02 * share.size
    untyped: Any = measure
    for one in untyped.regionprops(untyped.label(paint, connectivity=2)):
        if not 12 <= one.area <= largest:
            continue
        tall, wide = one.image.shape
        if max(tall, wide) > 2.0 * ROUND_AXES * min(tall, wide):
            continue
        y, x = one.centroid
        short = max(float(one.axis_minor_length), 0.5)
        filled = float(one.area_filled)
        holes = 1 - int(one.euler_number)
        middle = (step - 1) / 2.0
        found.append(
            Blob(
                float(x) * step + middle,
                float(y) * step + middle,
                float(one.area) * step**2,
                filled * step**2,
                float(one.axis_major_length) / short,
                holes,
                float(one.solidity) if holes == 0 else filled / max(float(one.area_convex), 1.0),
            )
        )
    return found


def find_marks(pixels: npt.NDArray[np.uint8]) -> Marks:
    """Corner marks and dots. Raises PoorFit unless there are four marks, one of them with two rings."""
    blobs = blobs_of(pixels)
    dots = [one for one in blobs if one.holes == 0 and one.axes < ROUND_AXES and one.solid > 0.88]
    rings = [one for one in blobs if one.holes == 1 and one.axes < ROUND_AXES and one.solid > 0.9]
    marks: list[tuple[float, float, int]] = []
    for dot in dots:
        around = 0
        for ring in rings:
            ratio = float(np.sqrt(ring.filled / dot.area))
            width = float(np.sqrt(ring.filled))
            if np.hypot(ring.x - dot.x, ring.y - dot.y) > CENTRED * width:
                continue
            inner, outer = (RING_UNITS + 1.0) / DOT_UNITS, (OUTER_UNITS + 1.0) / DOT_UNITS
            around += abs(ratio - inner) < 0.6 or abs(ratio - outer) < 0.9
        if around:
            marks.append((dot.x, dot.y, around))
    doubles = [one for one in marks if one[2] == 2]
    if len(marks) != 4 or len(doubles) != 1:
        words = f"{len(marks)} ringed dots, {len(doubles)} with two rings"
        raise PoorFit(
            "photograph",
            "four ringed dots in the picture, one of them with two rings",
            words,
            code="photo-corners",
        )
    places = np.array([one[:2] for one in marks])
    middle = places.mean(axis=0)
    angle = np.arctan2(*(places - middle).T[::-1])
    first = float(angle[[one[2] for one in marks].index(2)])
    order = np.argsort((angle - first) % (2.0 * np.pi))
    sides = np.diff(np.vstack([places[order], places[order][:2]]), axis=0)
    if not (sides[:-1, 0] * sides[1:, 1] - sides[:-1, 1] * sides[1:, 0] > 0.0).all():
        raise PoorFit(
            "photograph",
            "corner marks at the corners of a rectangle",
            "one inside the others",
            code="photo-corners",
        )
    table = np.array([[one.x, one.y, one.area] for one in dots]).reshape(-1, 3)
    return Marks(places[order], table)
