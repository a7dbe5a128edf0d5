"""The ways with the pen up: from stroke to stroke, and how a stroke is come upon.

Owns lead-ins and travels. Frame: canvas mm, but for the soft limits, which are the axes'. Knows no pen and no chain.

The lead-in: a stroke is approached from the side from which each axis will first move in it, over more than the
play, so that when the pen comes down belts, play and friction lie as the stroke will pull them, however the machine
came there. Where the straight way already arrives so, it is the lead-in; else it bends at the lead-in point, where
the travel passes beside it without a stop.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from controller.config.machine import AXES, Machine
from controller.motion.frames import soft_limits_mm
from controller.motion.geometry import GeometryMap
from controller.motion.path import Index, Vector, polyline
from controller.motion.profile import plan_profile
from controller.motion.shaping import Shaper, shaper
from controller.motion.ticks import sample

LEAD_IN_MARGIN_MM = 0.2
"""The lead-in is longer than the play by this much, on each axis."""

LEAD_IN_ALONG_MM = 1.0
"""It also begins at least so far back along the stroke's first direction: friction stretches the belt by then."""

SIGNIFICANT_MM = 0.005
"""An axis moves in a stroke once it has left its starting point by this, as for the chain's own hysteresis."""

_SAME_MM = 1e-6
"""Two places are one when they are nearer than this."""

_WIDE_MM = 1e3
"""A travel may pass beside its lead-in point as far as the chords allow."""


@dataclass(frozen=True, slots=True)
class Travels:
    """Travels with their lead-ins, one after another.

    positions_mm: (k, 2) at the end of every tick. ticks: (S,) of each, of them ``lead_ticks`` (S,) from the lead-in
    point on. length_mm, lead_mm: (S,) ways of the two.
    """

    positions_mm: Vector
    ticks: Index
    lead_ticks: Index
    length_mm: Vector
    lead_mm: Vector


def play_at_mm(machine: Machine, axis_mm: Vector) -> Vector:
    """Whole gap of both axes (S, 2) at places (S, 2) of the axes."""
    gaps = np.empty_like(axis_mm)
    for index, name in enumerate(AXES):
        axis = machine.axes[name]
        if axis.play_table is None:
            gaps[:, index] = axis.play_mm
        else:
            gaps[:, index] = np.interp(
                axis_mm[:, index], axis.play_table.position_mm, axis.play_table.play_mm
            )
    return gaps


def lead_in_points_mm(
    from_mm: Vector,
    to_mm: Vector,
    first_sign: Vector,
    heading: Vector,
    machine: Machine,
    geometry: GeometryMap,
) -> Vector:
    """Points (S, 2) from which the holder comes to ``to_mm`` (S, 2) on its way from ``from_mm`` (S, 2).

    first_sign: (S, 2) direction in which each axis first moves in the stroke, 0 where it never does (it then keeps
    the direction in which it arrives). heading: (S, 2) unit vector of the stroke's first motion. Beside a soft limit
    the lead-in may be shorter than the play.
    """
    way = to_mm - from_mm
    arriving = np.where(way == 0.0, 1.0, np.sign(way))
    sign = np.where(first_sign == 0, arriving, first_sign)
    target = geometry.to_axes(to_mm)
    play = play_at_mm(machine, target)
    reach = play + LEAD_IN_MARGIN_MM
    straight = np.all((np.sign(way) == sign) & (np.abs(way) >= reach), axis=1)
    share = np.max(reach / np.maximum(np.abs(way), 1e-12), axis=1)
    # The corner is rounded on at most half of the lead-in: twice the reach leaves it whole.
    back = sign * np.maximum(2.0 * reach, LEAD_IN_ALONG_MM * np.abs(heading))
    lead: Vector = to_mm - np.where(straight[:, None], np.minimum(share, 1.0)[:, None] * way, back)
    low, high = soft_limits_mm(machine)
    # The motor stands half the gap beside the head: that much is kept free.
    low, high = low + 0.5 * play, high - 0.5 * play
    there = geometry.to_axes(lead)
    outside = ~straight & np.any((there < low) | (there > high), axis=1)
    if outside.any():
        # Never beyond the stroke's own start, should that lie in the margin.
        low, high = np.minimum(low, target)[outside], np.maximum(high, target)[outside]
        lead[outside] = geometry.to_canvas(np.clip(there[outside], low, high))
    return lead


def plan_travels(
    from_mm: Vector, lead_mm: Vector, to_mm: Vector, machine: Machine, geometry: GeometryMap
) -> Travels:
    """Travels from ``from_mm`` beside ``lead_mm`` to ``to_mm``, (S, 2) each, at rest at both ends.

    Laid end to end and planned in one go, as ``instances.plan_shapes`` does.
    """
    motion = machine.motion
    count = len(from_mm)
    legs = np.stack([lead_mm - from_mm, to_mm - lead_mm], axis=1)
    vertices = np.concatenate([np.zeros((1, 2)), np.cumsum(legs.reshape(-1, 2), axis=0)])
    stop = np.zeros(len(vertices), dtype=np.bool_)
    stop[::2] = True
    path = polyline(
        vertices,
        stop,
        motion.corner_angle_deg,
        corners="round",
        corner_tolerance_mm=np.where(stop, 0.0, _WIDE_MM),
    )
    lengths = np.hypot(legs[..., 0], legs[..., 1])
    ticks = np.zeros(count, dtype=np.int64)
    if not path.chords:
        return Travels(np.empty((0, 2)), ticks, ticks.copy(), lengths[:, 0], lengths[:, 1])
    tick_s = machine.tick_us * 1e-6
    profile = plan_profile(path, motion.travel_speed_mm_s, motion.acceleration_mm_s2, motion.jerk_mm_s3)
    driven = sample(profile, tick_s)
    stroke = (path.chord_of_input[profile.run_last_chord]) // 2
    ticks = np.bincount(stroke, weights=driven.ticks, minlength=count).astype(np.int64)
    owner = np.repeat(np.arange(count), ticks)
    positions = driven.positions_mm - (vertices[:-1:2] - from_mm)[owner]
    ends = np.cumsum(ticks)
    moving = ticks > 0
    positions[ends[moving] - 1] = to_mm[moving]
    left = np.hypot(*(to_mm[owner] - positions).T)
    lead_ticks = ticks - np.bincount(
        owner, weights=left > lengths[owner, 1] + _SAME_MM, minlength=count
    ).astype(np.int64)
    if motion.travel_shaping != "none":
        positions, ticks, lead_ticks = _shaped(
            positions, ticks, lead_ticks, from_mm, _shapers(machine, geometry.to_axes(to_mm)), tick_s
        )
    return Travels(positions, ticks, lead_ticks, lengths[:, 0], lengths[:, 1])


def _shapers(machine: Machine, axis_mm: Vector) -> list[Shaper]:
    """By axis amplitudes (n,) and delays (S, n) for the belts' modes at the places (S, 2)."""
    found: list[Shaper] = []
    for index, name in enumerate(AXES):
        belt = machine.axes[name].belt
        if belt is None:
            found.append((np.ones(1), np.zeros((len(axis_mm), 1))))
            continue
        frequency = np.interp(axis_mm[:, index], belt.position_mm, belt.frequency_hz)
        amplitudes, delays = shaper(machine.motion.travel_shaping, 1.0, belt.damping)
        found.append((amplitudes, delays / frequency[:, None]))
    return found


def _shaped(
    positions: Vector, ticks: Index, lead_ticks: Index, from_mm: Vector, shapers: list[Shaper], tick_s: float
) -> tuple[Vector, Index, Index]:
    """The same travels, every axis the weighted mean of itself at several earlier instants; longer by the last.

    Delays are no whole ticks: between two boundaries the position is taken as straight. So shaped a travel leaves
    its line where the axes' belts differ; it ends where it did.
    """
    longest = np.max([delays[:, -1] for _, delays in shapers], axis=0)
    extra = np.where(ticks > 0, np.ceil(longest / tick_s - 1e-9), 0).astype(np.int64)
    longer = ticks + extra
    owner = np.repeat(np.arange(len(ticks)), longer)
    number = np.arange(1, len(owner) + 1) - np.repeat(np.cumsum(longer) - longer, longer)
    begin = (np.cumsum(ticks) - ticks)[owner]
    out = np.zeros((len(owner), 2))
    for axis, (amplitudes, delays) in enumerate(shapers):
        for amplitude, delay in zip(amplitudes.tolist(), delays.T, strict=True):
            late = number - delay[owner] / tick_s
            whole = np.floor(late).astype(np.int64)
            share = late - whole
            for at, weight in ((whole, 1.0 - share), (whole + 1, share)):
                inside = np.clip(at, 1, ticks[owner])
                place = np.where(at <= 0, from_mm[owner, axis], positions[begin + inside - 1, axis])
                out[:, axis] += amplitude * weight * place
    moving = longer > 0
    last = np.cumsum(ticks)[moving] - 1
    out[np.cumsum(longer)[moving] - 1] = positions[last]
    return out, longer, lead_ticks + extra
