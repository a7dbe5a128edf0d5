"""From millimetres of a sheet to pixels of its photograph: perspective, the lens, and how well both are known.

Owns the model, its fit and its covariance. Knows nothing of light or ink. The model is a homography (Hartley and
Zisserman, Multiple View Geometry, 2nd ed. 2004, section 4.1: eight numbers, from four places by the normalised direct
linear transformation), then Brown's radial terms about the picture's middle, distorted = u (1 + k1 r^2 + k2 r^4)
(D. C. Brown, Close-range camera calibration, Photogrammetric Engineering 37, 1971; from memory), u and r in half
diagonals of the picture.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from controller.calibrate.values import PoorFit

Array = npt.NDArray[np.float64]

PRIOR_K: Final = (0.1, 0.05)
"""Phone lenses bend by no more than some per cent at the corners of the picture: standard deviations with which k1 and
k2 are drawn to 0. Common practice, no source."""
SIGMA_LEAST_MM: Final = 0.01
"""Dots are not placed and not found better than so."""


@dataclass(frozen=True, slots=True)
class Frame:
    """Scales that keep the model's numbers near one: middles and half spans of sheet and picture."""

    middle_mm: tuple[float, float]
    span_mm: float
    middle_px: tuple[float, float]
    span_px: float


def _project(numbers: Array, frame: Frame, places_mm: Array) -> Array:
    """Pixels (n, 2), x right and y down, of places (n, 2)."""
    at = (places_mm - np.array(frame.middle_mm)) / frame.span_mm
    a, b, c, d, e, f, g, h, k1, k2 = numbers
    scale = g * at[:, 0] + h * at[:, 1] + 1.0
    flat = (
        np.column_stack([a * at[:, 0] + b * at[:, 1] + c, d * at[:, 0] + e * at[:, 1] + f]) / scale[:, None]
    )
    square = (flat**2).sum(axis=1)
    bent: Array = flat * (1.0 + k1 * square + k2 * square**2)[:, None] * frame.span_px + np.array(
        frame.middle_px
    )
    return bent


def _jacobians(numbers: Array, frame: Frame, places_mm: Array) -> Array:
    """d pixel / d mm, (n, 2, 2)."""
    step = 0.5
    columns = []
    for axis in (0, 1):
        off = np.zeros(2)
        off[axis] = step
        columns.append(
            (_project(numbers, frame, places_mm + off) - _project(numbers, frame, places_mm - off))
            / (2.0 * step)
        )
    return np.stack(columns, axis=2)


@dataclass(frozen=True, slots=True)
class View:
    """The fitted model. residual_mm: root mean square of what is left, for one coordinate. n: dots it rests on."""

    numbers: Array
    frame: Frame
    covariance: Array
    residual_mm: float
    n: int

    def to_px(self, places_mm: npt.ArrayLike) -> Array:
        """Pixels (n, 2) of places (n, 2) in canvas mm."""
        return _project(self.numbers, self.frame, np.asarray(places_mm, dtype=np.float64).reshape(-1, 2))

    def jacobian(self, place_mm: npt.ArrayLike) -> Array:
        """Pixels a mm at a place, (2, 2)."""
        one: Array = _jacobians(
            self.numbers, self.frame, np.asarray(place_mm, dtype=np.float64).reshape(1, 2)
        )[0]
        return one

    def px_per_mm(self, place_mm: npt.ArrayLike) -> float:
        """The least resolution at a place, whatever the direction."""
        return float(np.linalg.svd(self.jacobian(place_mm), compute_uv=False)[-1])

    def tilt_deg(self) -> float:
        """How far the picture was taken from the side: the angle whose cosine is the foreshortening in its middle."""
        wide, narrow = (
            float(one) for one in np.linalg.svd(self.jacobian(self.frame.middle_mm), compute_uv=False)
        )
        return math.degrees(math.acos(min(narrow / wide, 1.0)))

    def scale_share(self, place_mm: npt.ArrayLike) -> float:
        """Standard deviation of the local scale (square root of the area's), as a share, from the fit's covariance."""
        place = np.asarray(place_mm, dtype=np.float64).reshape(1, 2)

        def scale(numbers: Array) -> float:
            return 0.5 * float(np.log(abs(np.linalg.det(_jacobians(numbers, self.frame, place)[0]))))

        slope = np.empty(len(self.numbers))
        for i in range(len(slope)):
            off = np.zeros(len(slope))
            off[i] = 1e-5
            slope[i] = (scale(self.numbers + off) - scale(self.numbers - off)) / 2e-5
        return math.sqrt(max(float(slope @ self.covariance @ slope), 0.0))


def first_view(marks_mm: Array, marks_px: Array, size_px: tuple[int, int]) -> View:
    """A view through the four corner marks alone, without a lens. size_px: width, height of the picture."""
    from skimage import transform

    middle = marks_mm.mean(axis=0)
    frame = Frame(
        (float(middle[0]), float(middle[1])),
        float(np.abs(marks_mm - middle).max()),
        ((size_px[0] - 1) / 2.0, (size_px[1] - 1) / 2.0),
        float(np.hypot(*size_px)) / 2.0,
    )
    mm = (marks_mm - middle) / frame.span_mm
    px = (marks_px - np.array(frame.middle_px)) / frame.span_px
    untyped: Any = transform
    found = untyped.ProjectiveTransform.from_estimate(mm, px)
    if not found or abs(found.params[2, 2]) < 1e-9:
        raise PoorFit(
            "photograph",
            "four corner marks that span an area",
            "marks nearly on one line",
            code="photo-corners",
        )
    matrix = np.asarray(found.params, dtype=np.float64) / found.params[2, 2]
    numbers = np.concatenate([matrix.ravel()[:8], [0.0, 0.0]])
    return View(numbers, frame, np.zeros((10, 10)), 0.0, 4)


def fit_view(start: View, places_mm: Array, places_px: Array) -> View:
    """The view that fits places found in the picture, by least squares in millimetres of the sheet."""
    from scipy.optimize import least_squares

    into_mm = np.linalg.inv(_jacobians(start.numbers, start.frame, places_mm))

    def off_mm(numbers: Array) -> Array:
        left = _project(numbers, start.frame, places_mm) - places_px
        off: Array = np.einsum("nij,nj->ni", into_mm, left).ravel()
        return off

    sigma = SIGMA_LEAST_MM
    numbers = start.numbers
    for _ in range(2):  # the second time with the scatter that the first one found

        def weighted(given: Array, sigma: float = sigma) -> Array:
            return np.concatenate([off_mm(given) / sigma, given[8:] / np.array(PRIOR_K)])

        found = least_squares(weighted, numbers, method="lm" if 2 * len(places_mm) + 2 >= 10 else "trf")
        numbers = np.asarray(found.x, dtype=np.float64)
        left = off_mm(numbers)
        free = max(2 * len(places_mm) - 10, 1)
        sigma = max(float(np.sqrt((left**2).sum() / free)), SIGMA_LEAST_MM)
    slopes = np.asarray(found.jac, dtype=np.float64)
    covariance: Array = np.linalg.pinv(slopes.T @ slopes).astype(np.float64)
    return View(numbers, start.frame, covariance, float(np.sqrt((left**2).sum() / free)), len(places_mm))
