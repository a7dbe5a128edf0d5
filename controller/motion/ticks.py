"""Profiles to ticks: where the path is at each tick boundary, and the integers that are streamed.

Owns sampling and rounding. Knows no head and no segments.

Each run (from stop to stop) is stretched in time to a whole number of ticks, so every stop is on a boundary and no
limit is exceeded. Averaged runs (``profile``) are the mean of their own last m boundaries, m h >= T_j: then the
first, second and third differences of the boundaries stay within V h, A h^2 and J h^3, and with them the
derivatives of every spline that has the boundaries for its control points. They leave the path by at most
A h^2 (m^2 - 1) / 24, inwards in a bend.

A tick's velocity is the difference of rounded *positions*: the planned position at every boundary is within half a
quantum of the path on each axis, and nothing accumulates, however long the schedule. Between two boundaries the
axes run at constant velocity and are off the path by at most A h^2 / 8 more.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from typing import cast

import numpy as np
import numpy.typing as npt

from controller.motion.path import Index, Vector
from controller.motion.profile import Profile

_ON_TIME = 1e-7
"""A run that is longer than a whole number of ticks by less than this share of one tick is not made longer."""


@dataclass(frozen=True, slots=True)
class Boundaries:
    """Positions at the end of every tick of a profile.

    positions_mm: (k, 2), in order of time; ticks: (r,) number of ticks of each run. tangents: (k, 2) unit vectors
    of the motion at that instant, at the end of a run of the motion that ends there.
    """

    positions_mm: Vector
    ticks: Index
    tangents: Vector


def sample(profile: Profile, tick_s: float) -> Boundaries:
    """Stretch every run of ``profile`` to whole ticks of ``tick_s`` and sample it at their ends.

    Every run takes ceil(run_duration_s / tick_s) ticks and ends on its vertex exactly.
    """
    durations = profile.run_duration_s
    ticks = np.maximum(np.ceil(durations / tick_s - _ON_TIME), 1).astype(np.int64)
    window = np.clip(np.ceil(profile.window_s / tick_s - _ON_TIME), 1, ticks).astype(np.int64)
    first = np.searchsorted(profile.run, np.arange(len(ticks) + 1)).astype(np.int64)
    path, curve, line = profile.path, profile.elements, profile.line
    begins = np.append(0, profile.run_last_chord[:-1] + 1)
    positions = np.empty((int(ticks.sum()), 2))
    tangents = np.empty_like(positions)
    _compiled_sampler()(
        (ticks, window, first, profile.straight),
        (path.vertices_mm[begins], path.vertices_mm[profile.run_last_chord + 1]),
        (line.jerk_s, line.constant_s, line.cruise_s, line.peak_mm_s2, line.distance_mm),
        (
            profile.element,
            profile.from_mm,
            profile.duration_s,
            profile.speed_mm_s,
            profile.acceleration_mm_s2,
        ),
        (curve.start_mm, curve.heading_rad, curve.curvature, curve.length_mm),
        positions,
        tangents,
    )
    return Boundaries(positions, ticks, tangents)


def _sampler(runs, ends, line, stretches, curve, positions, tangents):  # type: ignore[no-untyped-def]
    """Fill ``positions`` and ``tangents`` (k, 2). Plain loops, compiled by ``_compiled_sampler``."""
    ticks, window, first, straight = runs
    starts, targets = ends
    jerk_s, constant_s, cruise_s, peak, distance = line
    element, from_mm, duration, speed, acceleration = stretches
    begin, heading, curvature, length = curve
    widest = 1
    for r in range(len(ticks)):
        widest = max(widest, window[r])
    ring = np.zeros((widest, 4))
    out = 0
    for r in range(len(ticks)):
        n = ticks[r]
        x0, y0 = starts[r, 0], starts[r, 1]
        if straight[r]:
            t_j, t_a, t_v, a = jerk_s[r], constant_s[r], cruise_s[r], peak[r]
            jerk = a / t_j if t_j > 0.0 else 0.0
            total = 4.0 * t_j + 2.0 * t_a + t_v
            ux = (targets[r, 0] - x0) / distance[r]
            uy = (targets[r, 1] - y0) / distance[r]
            pace = total / n
            for i in range(1, n + 1):
                t = pace * i
                late = t > 0.5 * total
                if late:
                    t = total - t
                p = min(t, t_j)
                q = min(max(t - t_j, 0.0), t_a)
                u = min(max(t - t_j - t_a, 0.0), t_j)
                w = max(t - 2.0 * t_j - t_a, 0.0)
                v1 = 0.5 * jerk * p * p
                v2 = v1 + a * q
                v3 = v2 + (a - 0.5 * jerk * u) * u
                s = (
                    jerk * p * p * p / 6.0
                    + (v1 + 0.5 * a * q) * q
                    + (v2 + (0.5 * a - jerk * u / 6.0) * u) * u
                    + v3 * w
                )
                if late:
                    s = distance[r] - s
                positions[out, 0], positions[out, 1] = x0 + s * ux, y0 + s * uy
                tangents[out, 0], tangents[out, 1] = ux, uy
                out += 1
        else:
            m = window[r]
            moving = n - m + 1
            low, high = first[r], first[r + 1]
            total = 0.0
            for j in range(low, high):
                total += duration[j]
            ring[:m] = 0.0
            sx = sy = svx = svy = 0.0
            tx, ty = 1.0, 0.0
            j, passed = low, 0.0
            e, c, d = -1, 1.0, 0.0
            pace = total / moving
            for i in range(1, n + 1):
                if i < moving:
                    t = pace * i
                    while j < high - 1 and passed + duration[j] < t:
                        passed += duration[j]
                        j += 1
                    now = element[j]
                    inside = min(t - passed, duration[j])
                    along = from_mm[j] + (speed[j] + 0.5 * acceleration[j] * inside) * inside
                    v = speed[j] + acceleration[j] * inside
                else:
                    now = element[high - 1]
                    along = length[now]
                    v = 0.0
                if now != e:
                    e = now
                    c, d = np.cos(heading[e]), np.sin(heading[e])
                k = curvature[e]
                along = min(max(along, 0.0), length[e])
                angle = k * along
                if abs(angle) < 1e-5:
                    tx, ty = c - d * angle, d + c * angle
                    one, other = along, 0.5 * along * angle
                else:
                    ca, sa = np.cos(angle), np.sin(angle)
                    tx, ty = c * ca - d * sa, d * ca + c * sa
                    one, other = sa / k, sa * sa / ((1.0 + ca) * k)
                px = begin[e, 0] + c * one - d * other - x0
                py = begin[e, 1] + d * one + c * other - y0
                if i >= moving:
                    px, py = targets[r, 0] - x0, targets[r, 1] - y0
                slot = i % m
                sx += px - ring[slot, 0]
                sy += py - ring[slot, 1]
                svx += v * tx - ring[slot, 2]
                svy += v * ty - ring[slot, 3]
                ring[slot, 0], ring[slot, 1], ring[slot, 2], ring[slot, 3] = px, py, v * tx, v * ty
                if slot == 0:  # once round: add up anew, so that rounding does not gather
                    sx = sy = svx = svy = 0.0
                    for g in range(m):
                        sx += ring[g, 0]
                        sy += ring[g, 1]
                        svx += ring[g, 2]
                        svy += ring[g, 3]
                positions[out, 0], positions[out, 1] = x0 + sx / m, y0 + sy / m
                norm = np.hypot(svx, svy)
                if norm > 1e-9:
                    tangents[out, 0], tangents[out, 1] = svx / norm, svy / norm
                else:
                    tangents[out, 0], tangents[out, 1] = tx, ty
                out += 1
        positions[out - 1, 0], positions[out - 1, 1] = targets[r, 0], targets[r, 1]


@cache
def _compiled_sampler() -> Callable[..., None]:
    from controller.motion.compiled import compiled

    return cast("Callable[..., None]", compiled(_sampler))


def to_quanta(positions_mm: Vector, quanta_per_mm: npt.ArrayLike) -> npt.NDArray[np.int64]:
    """Machine mm to the nearest points of the quantum grid, (k, 2) int64. ``quanta_per_mm`` is signed, by axis."""
    scaled = np.asarray(positions_mm, dtype=np.float64) * np.asarray(quanta_per_mm, dtype=np.float64)
    return np.rint(scaled).astype(np.int64)


def to_velocities(
    start_quanta: npt.ArrayLike, boundaries_quanta: npt.NDArray[np.int64]
) -> npt.NDArray[np.int32]:
    """Velocity (k, 2) of every tick in drive units, from rounded boundary positions. Raises OverflowError."""
    start = np.asarray(start_quanta, dtype=np.int64).reshape(1, 2)
    velocities = np.diff(boundaries_quanta, axis=0, prepend=start)
    largest = int(np.abs(velocities).max(initial=0))
    if largest > np.iinfo(np.int32).max:
        raise OverflowError(f"velocity: expected up to {np.iinfo(np.int32).max} drive units, got {largest}")
    return velocities.astype(np.int32)
