"""What approaches to places along an axis say of it, and how straight a driven line is.

Owns statistics on measured deviations only; knows no machine, no clock and no file.

Names and definitions of the axis figures follow ISO 230-2:2014, those of straightness ISO 230-1. Neither text was read:
definitions are from memory, but that figures are of two standard uncertainties, which technical notes on the standard
say. Axes longer than 2 m have a procedure of their own in ISO 230-2 that is not followed here. Lengths are mm.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Vector = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Positioning:
    """Figures of one axis. Arrays are by target, (m,); "up" is the approach in the positive direction.

    mean_up, mean_down: mean deviations; s_up, s_down: estimated standard uncertainty (n - 1).
    reversal_i, reversal, mean_reversal: B_i, B (the B_i of largest modulus, with its sign), B-bar.
    repeatability_up_i, repeatability_down_i, repeatability_i: R_i of each way (4 s) and of both;
    repeatability_up, repeatability_down, repeatability: their largest.
    systematic_up, systematic_down, systematic: E, range of the mean deviations; mean_bidirectional: M, range of the
    mean of both ways. accuracy_up, accuracy_down, accuracy: A, range of means +- 2 s.
    """

    targets_mm: Vector
    mean_up_mm: Vector
    mean_down_mm: Vector
    s_up_mm: Vector
    s_down_mm: Vector
    reversal_i_mm: Vector
    reversal_mm: float
    mean_reversal_mm: float
    repeatability_up_i_mm: Vector
    repeatability_down_i_mm: Vector
    repeatability_i_mm: Vector
    repeatability_up_mm: float
    repeatability_down_mm: float
    repeatability_mm: float
    systematic_up_mm: float
    systematic_down_mm: float
    systematic_mm: float
    mean_bidirectional_mm: float
    accuracy_up_mm: float
    accuracy_down_mm: float
    accuracy_mm: float


def positioning(targets_mm: npt.ArrayLike, up_mm: npt.ArrayLike, down_mm: npt.ArrayLike) -> Positioning:
    """The figures from deviations (actual less target), (m, n) each: m targets, n approaches from each side.

    Raises ValueError when shapes disagree, a value is not finite, or there are fewer than two approaches.
    """
    targets = np.asarray(targets_mm, dtype=np.float64).reshape(-1)
    up = np.asarray(up_mm, dtype=np.float64)
    down = np.asarray(down_mm, dtype=np.float64)
    if up.ndim != 2 or up.shape != down.shape or len(up) != len(targets) or not len(targets):
        raise ValueError(
            f"expected deviations of {len(targets)} targets from both sides, got {up.shape} and {down.shape}"
        )
    if up.shape[1] < 2:
        raise ValueError(f"expected at least two approaches from each side, got {up.shape[1]}")
    if not (bool(np.isfinite(up).all()) and bool(np.isfinite(down).all())):
        raise ValueError("expected finite deviations, got some that are not")
    mean_up, mean_down = up.mean(axis=1), down.mean(axis=1)
    s_up, s_down = up.std(axis=1, ddof=1), down.std(axis=1, ddof=1)
    reversal_i = mean_up - mean_down
    r_up, r_down = 4 * s_up, 4 * s_down
    r_both = np.maximum.reduce([2 * s_up + 2 * s_down + np.abs(reversal_i), r_up, r_down])
    bounds_up = np.concatenate([mean_up + 2 * s_up, mean_up - 2 * s_up])
    bounds_down = np.concatenate([mean_down + 2 * s_down, mean_down - 2 * s_down])
    return Positioning(
        targets,
        mean_up,
        mean_down,
        s_up,
        s_down,
        reversal_i,
        float(reversal_i[np.abs(reversal_i).argmax()]),
        float(reversal_i.mean()),
        r_up,
        r_down,
        r_both,
        float(r_up.max()),
        float(r_down.max()),
        float(r_both.max()),
        float(np.ptp(mean_up)),
        float(np.ptp(mean_down)),
        float(np.ptp(np.concatenate([mean_up, mean_down]))),
        float(np.ptp(0.5 * (mean_up + mean_down))),
        float(np.ptp(bounds_up)),
        float(np.ptp(bounds_down)),
        float(np.ptp(np.concatenate([bounds_up, bounds_down]))),
    )


@dataclass(frozen=True, slots=True)
class Straightness:
    """How far a path is from a straight line.

    along_mm, least_squares_mm, end_point_mm: (n,) place along the line from its first point, and signed distance from
    the least-squares line and from the line through first and last point; positive to the right of the way on a canvas
    with y down. least_squares_range_mm, end_point_range_mm: largest less least of them: the straightness deviation.
    """

    along_mm: Vector
    least_squares_mm: Vector
    end_point_mm: Vector
    least_squares_range_mm: float
    end_point_range_mm: float


def straightness(points_mm: npt.ArrayLike) -> Straightness:
    """Straightness of a path (n, 2), in the order of its points.

    The least-squares line has the least sum of squared perpendicular distances. Raises ValueError for fewer than three
    points, or a path that ends where it begins.
    """
    points = np.asarray(points_mm, dtype=np.float64).reshape(-1, 2)
    if len(points) < 3 or not bool(np.isfinite(points).all()):
        raise ValueError(f"expected at least three finite places, got {len(points)}")
    along, end_point = off_line(points, points[0], points[-1])
    ahead = points[-1] - points[0]
    middle = points.mean(axis=0)
    _, _, axes = np.linalg.svd(points - middle, full_matrices=False)
    best = axes[0] if axes[0] @ ahead >= 0 else -axes[0]
    least = _right_of(points - middle, best)
    return Straightness(along, least, end_point, float(np.ptp(least)), float(np.ptp(end_point)))


def off_line(
    points_mm: npt.ArrayLike, start_mm: npt.ArrayLike, end_mm: npt.ArrayLike
) -> tuple[Vector, Vector]:
    """Place along the line from start to end, and signed distance to the right of it (y down), (n,) each.

    Raises ValueError when start and end are one place.
    """
    points = np.asarray(points_mm, dtype=np.float64).reshape(-1, 2)
    start = np.asarray(start_mm, dtype=np.float64).reshape(2)
    chord = np.asarray(end_mm, dtype=np.float64).reshape(2) - start
    length = float(np.hypot(*chord))
    if length == 0.0:
        raise ValueError("expected a line, got two ends in one place")
    ahead = chord / length
    away = points - start
    along: Vector = away @ ahead
    return along, _right_of(away, ahead)


def distance_apart_mm(
    there_mm: npt.ArrayLike, back_mm: npt.ArrayLike, start_mm: npt.ArrayLike, end_mm: npt.ArrayLike
) -> float:
    """Largest sideways distance between the way there and the way back over one line (ours, not a standard's)."""
    ways = [off_line(points, start_mm, end_mm) for points in (there_mm, back_mm)]
    begin = max(float(along.min()) for along, _ in ways)
    end = min(float(along.max()) for along, _ in ways)
    grid = np.linspace(begin, end, 2001)
    sides = []
    for along, side in ways:
        order = np.argsort(along, kind="stable")
        sides.append(np.interp(grid, along[order], side[order]))
    return float(np.abs(sides[0] - sides[1]).max())


def _right_of(away: Vector, ahead: Vector) -> Vector:
    side: Vector = ahead[0] * away[:, 1] - ahead[1] * away[:, 0]
    return side
