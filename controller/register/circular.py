"""What a circle driven both ways says of a machine: the figures of a circular test, and their likely causes.

Owns geometry on measured points only; knows no machine, no clock and no file. Angles turn from x towards y: with y
down that is clockwise as seen facing the wall.

Names and definitions follow ISO 230-4:2005. Its text was not read: G, G(b) and H are from memory, that F and D exist is
from the standard's published abstract. Lengths are mm throughout.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.optimize import linprog

Vector = npt.NDArray[np.float64]

GRID = 7200
"""Angles at which the two ways are compared: every twentieth of a degree."""

_ROUNDS_MAX = 200
_CONVERGED = 1e-12
_CROSSINGS_SEEN = 4
_CROSSING_MAX_RAD = np.pi / 6


@dataclass(frozen=True, slots=True)
class Annulus:
    """Two circles around one centre with all points between them.

    centre_mm: (2,); radius_mm: the fitted circle (least squares), or the mean of the two (minimum zone).
    """

    centre_mm: Vector
    radius_mm: float
    inner_mm: float
    outer_mm: float

    @property
    def separation_mm(self) -> float:
        """Radial distance of the two circles."""
        return self.outer_mm - self.inner_mm


@dataclass(frozen=True, slots=True)
class OneWay:
    """One way round.

    deviation_g_mm: G, the minimum radial separation of two concentric circles that hold the path (minimum zone);
    least_squares_g_mm: the same about the least-squares circle's centre, never smaller.
    deviation_f_min_mm, deviation_f_max_mm: F, least and largest radial deviation from the nominal circle about its
    nominal centre. fit: the least-squares circle.
    """

    deviation_g_mm: float
    least_squares_g_mm: float
    deviation_f_min_mm: float
    deviation_f_max_mm: float
    fit: Annulus


@dataclass(frozen=True, slots=True)
class Causes:
    """What a least-squares fit of known shapes to both ways finds; ours, not the standard's.

    centre_mm: (2,) from the nominal centre. radius_mm: error of the mean radius. scale_difference_mm_m: how much more a
    metre of x is than a metre of y. squareness_mm_m: drift of x per metre of y. play_mm: (2,) whole gap by axis.
    lag_difference_ms: lag of x less lag of y. rest_mm: root mean square of what no shape explains.
    """

    centre_mm: Vector
    radius_mm: float
    scale_difference_mm_m: float
    squareness_mm_m: float
    play_mm: Vector
    lag_difference_ms: float
    rest_mm: float


@dataclass(frozen=True, slots=True)
class CircularFigures:
    """All figures of one circle driven both ways.

    both_g_mm: G(b), minimum radial separation with both ways together; both_least_squares_g_mm: about the common
    least-squares centre. hysteresis_h_mm: H, the largest radial difference between the ways, at ``h_angle_deg``.
    mean_d_mm: D, mean radial deviation of both ways from the nominal radius, about the common least-squares centre.
    """

    nominal_centre_mm: Vector
    nominal_radius_mm: float
    clockwise: OneWay
    anticlockwise: OneWay
    both_g_mm: float
    both_least_squares_g_mm: float
    hysteresis_h_mm: float
    h_angle_deg: float
    mean_d_mm: float
    causes: Causes


def least_squares_circle(points_mm: npt.ArrayLike) -> Annulus:
    """The circle with the least sum of squared radial distances (geometric fit, Gauss-Newton).

    Raises ValueError for fewer than three points, or points on one line or in one place.
    """
    points = _points(points_mm)
    about = points.mean(axis=0)
    moved = points - about
    scale = float(np.abs(moved).max())
    # The algebraic circle (linear in its unknowns) is the start.
    design = np.column_stack([2 * moved, np.full(len(moved), scale)])
    solution, _, rank, _ = np.linalg.lstsq(design, np.einsum("ij,ij->i", moved, moved), rcond=1e-9)
    if rank < 3:
        raise ValueError("expected points around a circle, got points on one line")
    centre = solution[:2]
    for _ in range(_ROUNDS_MAX):
        radii, outward = _radii(moved, centre)
        step = np.linalg.lstsq(
            np.column_stack([outward, np.ones(len(moved))]), radii, rcond=None
        )[0]  # fmt: skip
        centre = centre + step[:2]
        if float(np.hypot(*step[:2])) <= _CONVERGED * scale:
            break
    radii, _ = _radii(moved, centre)
    return Annulus(centre + about, float(radii.mean()), float(radii.min()), float(radii.max()))


def minimum_zone(points_mm: npt.ArrayLike) -> Annulus:
    """The thinnest annulus that holds all points, to the rounding of its arithmetic.

    From the least-squares centre on, the centre's best step is a linear programme (distances, linearised, between two
    bounds as near as can be) over a working set of points; the farthest and nearest of all points join the set until
    none is left to join and the centre stays. Steps shrink with their square where four points hold the annulus.
    Raises as ``least_squares_circle`` does.
    """
    points = _points(points_mm)
    start = least_squares_circle(points)
    moved = points - start.centre_mm
    centre = np.zeros(2)
    best_centre, best = centre, start.separation_mm
    # A few points all round to begin with, so that the first programmes are bounded on every side.
    spread = np.argsort(np.arctan2(moved[:, 1], moved[:, 0]))[:: max(1, len(moved) // 16)]
    working = set(spread.tolist())
    reach = 0.1 * start.radius_mm
    for _ in range(_ROUNDS_MAX):
        radii, _outward = _radii(moved, centre)
        before = len(working)
        working |= {int(radii.argmax()), int(radii.argmin())}
        step = _best_step(moved[np.fromiter(working, dtype=np.int64)], centre, reach)
        centre = centre + step
        radii, _outward = _radii(moved, centre)
        separation = float(np.ptp(radii))
        if separation < best:
            best, best_centre = separation, centre
        if float(np.hypot(*step)) <= _CONVERGED * start.radius_mm and before == len(working):
            break
    radii, _ = _radii(moved, best_centre)
    inner, outer = float(radii.min()), float(radii.max())
    return Annulus(best_centre + start.centre_mm, 0.5 * (inner + outer), inner, outer)


def _best_step(moved: Vector, centre: Vector, reach: float) -> Vector:
    """Step (2,) of the centre that makes the linearised annulus thinnest."""
    radii, outward = _radii(moved, centre)
    middle = float(radii.mean())
    unit = max(float(np.ptp(radii)), 1e-9 * middle)  # keeps the programme's numbers near one
    off = (radii - middle) / unit
    ones = np.ones((len(off), 1))
    # Unknowns: step (2), radius, half thickness. |off - outward . step - radius| <= half.
    above = np.hstack([-outward, -ones, -ones])
    below = np.hstack([outward, ones, -ones])
    found = linprog(
        [0.0, 0.0, 0.0, 1.0],
        A_ub=np.vstack([above, below]),
        b_ub=np.concatenate([-off, off]),
        bounds=[(-reach / unit, reach / unit)] * 2 + [(None, None), (0.0, None)],
        method="highs",
    )
    if found.x is None:
        raise ValueError(f"expected a thinnest annulus, got none: {found.message}")
    step: Vector = np.asarray(found.x[:2]) * unit
    return step


def circular_figures(
    clockwise_mm: npt.ArrayLike,
    anticlockwise_mm: npt.ArrayLike,
    centre_mm: npt.ArrayLike,
    radius_mm: float,
    speed_mm_s: float,
) -> CircularFigures:
    """The figures from two full turns, (n, 2) each, in any order of points; y down.

    ``speed_mm_s`` turns a difference of lag into time. Raises ValueError when a way does not go round the centre
    (a gap of more than 45 degrees).
    """
    centre = np.asarray(centre_mm, dtype=np.float64).reshape(2)
    one, other = _points(clockwise_mm), _points(anticlockwise_mm)
    together = np.concatenate([one, other])
    common = least_squares_circle(together)
    grid = 2 * np.pi * np.arange(GRID) / GRID
    # Between readings both radii are nearly straight, so the largest difference is at a reading of one of them.
    away = together - common.centre_mm
    angles = np.concatenate([grid, np.mod(np.arctan2(away[:, 1], away[:, 0]), 2 * np.pi)])
    difference = np.abs(radius_at(one, common.centre_mm, angles) - radius_at(other, common.centre_mm, angles))
    worst = int(difference.argmax())
    mean = 0.5 * (
        float(radius_at(one, common.centre_mm, grid).mean())
        + float(radius_at(other, common.centre_mm, grid).mean())
    )
    return CircularFigures(
        centre,
        radius_mm,
        _one_way(one, centre, radius_mm),
        _one_way(other, centre, radius_mm),
        minimum_zone(together).separation_mm,
        common.separation_mm,
        float(difference[worst]),
        float(np.degrees(angles[worst])),
        mean - radius_mm,
        likely_causes(one, other, centre, radius_mm, speed_mm_s),
    )


def radius_at(points_mm: Vector, centre_mm: npt.ArrayLike, angles_rad: npt.ArrayLike) -> Vector:
    """Radius of a closed path about ``centre_mm`` at angles, on straight lines between its points.

    Raises ValueError when there is a gap of more than 45 degrees.
    """
    away = points_mm - np.asarray(centre_mm, dtype=np.float64)
    angle = np.mod(np.arctan2(away[:, 1], away[:, 0]), 2 * np.pi)
    order = np.argsort(angle, kind="stable")
    angle, radii = angle[order], np.hypot(away[:, 0], away[:, 1])[order]
    gap = float(np.diff(angle, append=angle[:1] + 2 * np.pi).max())
    if gap > np.pi / 4:
        raise ValueError(f"expected a whole turn, got one with a gap of {np.degrees(gap):.0f} degrees")
    wanted = np.mod(np.asarray(angles_rad, dtype=np.float64), 2 * np.pi)
    out: Vector = np.interp(wanted, angle, radii, period=2 * np.pi)
    return out


def likely_causes(
    clockwise_mm: npt.ArrayLike,
    anticlockwise_mm: npt.ArrayLike,
    centre_mm: npt.ArrayLike,
    radius_mm: float,
    speed_mm_s: float,
) -> Causes:
    """Fit the shapes that known faults give a circle, to first order, to both ways at once.

    With s = +1 clockwise and -1 anticlockwise, t the angle: centre cos t, sin t; radius 1; scale R/2 cos 2t;
    squareness R/2 sin 2t; lags s v/2 sin 2t (the velocity is s v (-sin t, cos t), the place that times the lag behind);
    play, the head trailing by half the gap: s/2 cos t sign(sin t) for x, -s/2 sin t sign(cos t) for y.
    """
    centre = np.asarray(centre_mm, dtype=np.float64).reshape(2)
    grid = 2 * np.pi * (np.arange(GRID) + 0.5) / GRID
    sine, cosine = np.sin(grid), np.cos(grid)
    rows, values = [], []
    for points, way in ((_points(clockwise_mm), 1.0), (_points(anticlockwise_mm), -1.0)):
        values.append(radius_at(points, centre, grid) - radius_mm)
        rows.append(
            np.column_stack(
                [
                    cosine,
                    sine,
                    np.ones(GRID),
                    0.5 * radius_mm * np.cos(2 * grid),
                    0.5 * radius_mm * np.sin(2 * grid),
                    way * 0.5 * cosine * np.sign(sine),
                    -way * 0.5 * sine * np.sign(cosine),
                    way * 0.5 * speed_mm_s * np.sin(2 * grid),
                ]
            )
        )
    design, wanted = np.concatenate(rows), np.concatenate(values)
    found = np.linalg.lstsq(design, wanted, rcond=None)[0]
    kept = np.ones(len(wanted), dtype=np.bool_)
    for _ in range(_CROSSINGS_SEEN):
        # After a reversal the head rests until its motor has crossed the gap: those angles follow another law.
        kept = np.concatenate([~_crossing(grid, way, found[5:7], radius_mm) for way in (1, -1)])
        found = np.linalg.lstsq(design[kept], wanted[kept], rcond=None)[0]
    rest = (wanted - design @ found)[kept]
    return Causes(
        found[:2],
        float(found[2]),
        1000.0 * float(found[3]),
        1000.0 * float(found[4]),
        found[5:7],
        1000.0 * float(found[7]),
        float(np.sqrt(np.mean(rest**2))),
    )


def _crossing(grid: Vector, way: int, play_mm: Vector, radius_mm: float) -> npt.NDArray[np.bool_]:
    """Angles at which an axis with this play is still crossing its gap (a quarter more, for readings apart)."""
    inside = np.zeros(len(grid), dtype=np.bool_)
    for reversal, play in ((0.0, play_mm[0]), (0.5 * np.pi, play_mm[1])):
        width = 1.25 * float(np.arccos(np.clip(1 - abs(float(play)) / radius_mm, -1.0, 1.0)))
        since = np.mod(way * (grid - reversal), np.pi)  # x reverses at 0 and 180 degrees, y at 90 and 270
        inside |= since < min(width, _CROSSING_MAX_RAD)
    return inside


def whole_turn(points_mm: npt.ArrayLike, centre_mm: npt.ArrayLike, start_rad: float, way: int) -> Vector:
    """Cut one whole turn out of a longer sweep (n, 2), in the order of time.

    The turn begins where the sweep first passes ``start_rad`` (modulo a turn); ``way`` +1 clockwise (y down), -1
    anticlockwise. Both ends are put in on straight lines between readings. Raises ValueError when the sweep is shorter.
    """
    points = np.asarray(points_mm, dtype=np.float64).reshape(-1, 2)
    away = points - np.asarray(centre_mm, dtype=np.float64)
    turned = way * np.unwrap(np.arctan2(away[:, 1], away[:, 0]))
    # Readings shake: the first passing of an angle counts.
    so_far = np.maximum.accumulate(turned)
    begin = way * start_rad
    begin += 2 * np.pi * np.ceil((turned[0] - begin) / (2 * np.pi))
    end = begin + 2 * np.pi
    if len(turned) < 4 or so_far[-1] < end:
        had = float(np.degrees(max(so_far[-1] - begin, 0.0))) if len(turned) else 0.0
        raise ValueError(f"expected readings over a whole turn, got {had:.0f} degrees of it")
    ends = []
    for angle in (begin, end):
        after = int(np.searchsorted(so_far, angle, side="left"))
        before = max(after - 1, 0)
        span = so_far[after] - turned[before]
        share = (angle - turned[before]) / span if span > 0 else 0.0
        ends.append(points[before] + float(np.clip(share, 0.0, 1.0)) * (points[after] - points[before]))
    first = int(np.searchsorted(so_far, begin, side="right"))
    last = int(np.searchsorted(so_far, end, side="left"))
    out: Vector = np.concatenate([[ends[0]], points[first:last], [ends[1]]])
    return out


def _one_way(points: Vector, centre: Vector, radius_mm: float) -> OneWay:
    radii, _ = _radii(points, centre)
    fit = least_squares_circle(points)
    zone = minimum_zone(points)
    return OneWay(
        zone.separation_mm,
        fit.separation_mm,
        float(radii.min()) - radius_mm,
        float(radii.max()) - radius_mm,
        fit,
    )


def _points(points_mm: npt.ArrayLike) -> Vector:
    points = np.asarray(points_mm, dtype=np.float64).reshape(-1, 2)
    if len(points) < 3:
        raise ValueError(f"expected at least three points, got {len(points)}")
    if not bool(np.isfinite(points).all()):
        raise ValueError("expected finite places, got some that are not")
    if float(np.ptp(points, axis=0).max()) == 0.0:
        raise ValueError("expected points around a circle, got one place")
    return points


def _radii(points: Vector, centre: Vector) -> tuple[Vector, Vector]:
    """Distances (n,) from the centre, and unit vectors (n, 2) outwards."""
    away = points - centre
    radii: Vector = np.hypot(away[:, 0], away[:, 1])
    return radii, away / np.maximum(radii, np.finfo(np.float64).tiny)[:, None]
