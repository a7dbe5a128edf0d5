"""How true a gantry draws, by a machine file: contour of shapes, place over the canvas, two passes on one another.

Owns the figures' definitions where they differ from the accuracy bench (tests/bench/accuracy_measure.py). Everything is
planned by the file and played on the gantry's mechanics past the wire.

* Contour: of each shape after it has been shifted and turned onto its curve as well as that goes: where a shape stands
  is told by *place*. Shapes are the bench's: circles of 5, 50 and 300 mm both ways, lines at 45, 3 and 0 degrees, a
  star, the words LOW TIDE.
* Place: over a grid of the canvas, what no shift and turn of the whole picture takes away; by the frame alone.
* Register: five crosses come to from below and from the left, then again from above and from the right, as a fill and
  its outline do; the farthest that two of them lie apart.
"""

from __future__ import annotations

import functools
from dataclasses import dataclass

import numpy as np

from controller.config.machine import Machine
from controller.motion.geometry import GeometryMap
from controller.motion.plan import plan_pass
from controller.register.circular import circular_figures
from controller.strokes.strokeset import StrokeKind, StrokeSet
from tests.bench import accuracy_measure as measure
from tests.bench.accuracy_art import Art, accuracy_art
from tests.bench.accuracy_play import play_pass
from tests.calibrate.gantries import Given, heed, stated
from tests.calibrate.painted import Vector

RADII_MM = (5.0, 50.0, 300.0)
DOT_RADIUS_MM = 5.0
P99_MM, MAX_MM, DOT_G_MM = 0.08, 0.15, 0.05
"""The aims of motion (docs/motion-accuracy.md)."""

ARM_MM, HOOK_MM = 6.0, 8.0
MARKS = ((0.1, 0.12), (0.9, 0.12), (0.9, 0.88), (0.1, 0.88), (0.5, 0.5))
GRID = (7, 5)
FIT_STEP_MM, SLOPE_MM, WAYS = 0.5, 0.001, 400


@dataclass(frozen=True)
class Judged:
    """mm. p99, max: the worst shape's, and which; g: of circles of 5 mm."""

    p99: float
    shape: str
    max: float
    max_shape: str
    g: float
    place: float
    register: float

    @property
    def holds(self) -> bool:
        """Whether the aims of motion are met."""
        return self.p99 <= P99_MM and self.max <= MAX_MM and self.g <= DOT_G_MM


@functools.cache
def art(radii_mm: tuple[float, ...] = RADII_MM, circles_only: bool = False) -> Art:
    """The drawing, once."""
    return accuracy_art(radii_mm, circles_only=circles_only)


def judge(machine: Machine, truth: Machine, drawing: Art | None = None) -> Judged:
    """By the file ``machine`` on the gantry of its [twin]; ``truth``: a file that states the gantry's frame."""
    drawing = drawing or art()
    painted = play_pass(plan_pass(drawing.strokes, drawing.ink, machine, machine.park_mm), machine)
    rows: list[tuple[float, float, str]] = []
    g = 0.0
    for cell in drawing.cells:
        mine = [onto(painted[index], curve) for index, curve in zip(cell.strokes, cell.curves, strict=True)]
        found = measure.contour(mine, cell.curves)
        rows.append((found.p99, found.max, cell.name))
        if cell.radius_mm == DOT_RADIUS_MM:
            assert cell.centre_mm is not None
            g = _deviation_g_mm(mine, cell.centre_mm, cell.radius_mm)
    p99, _, shape = max(rows)
    _, largest, max_shape = max(rows, key=lambda row: row[1])
    return Judged(p99, shape, largest, max_shape, g, place_mm(machine, truth), register_mm(machine))


def _deviation_g_mm(mine: list[Vector], centre_mm: tuple[float, float], radius_mm: float) -> float:
    """G, the larger of both ways; of a path that does not go round its middle any more, the range of its radii."""
    both = [measure.resampled(one) for one in mine]
    try:
        circle = circular_figures(both[0], both[1], centre_mm, radius_mm, 1.0)
    except ValueError:
        return max(float(np.ptp(np.hypot(*(one - centre_mm).T))) for one in both)
    return max(circle.clockwise.deviation_g_mm, circle.anticlockwise.deviation_g_mm)


def onto(painted_mm: Vector, curve_mm: Vector, rounds: int = 4) -> Vector:
    """The painted places shifted and turned onto their curve, the distances' squares the least (Gauss and Newton).

    It begins where places of the same way from the beginning lie on one another, which settles a line along itself.
    What does not show, such as a circle's turn, is left at nothing. A step that makes it worse is not taken.
    """
    about, shift = _rigid(_by_way(painted_mm), _by_way(curve_mm))
    moved, least = painted_mm @ about.T + shift, np.inf
    best = moved
    for _ in range(rounds):
        places = measure.resampled(moved, FIT_STEP_MM)
        middle = places.mean(axis=0)
        off = measure.signed_distances(places, curve_mm)
        if float(off @ off) / len(off) >= least:
            break
        best, least = moved, float(off @ off) / len(off)
        slopes = np.column_stack(
            [
                (measure.signed_distances(places + step, curve_mm) - off) / SLOPE_MM
                for step in SLOPE_MM * np.eye(2)
            ]
        )
        # At a corner the side changes, and with it the sign: such places say nothing.
        good = np.hypot(*slopes.T) <= 1.0 + 1e-6
        arm = places - middle
        turn = slopes[:, 1] * arm[:, 0] - slopes[:, 0] * arm[:, 1]
        reach = max(float(np.hypot(*arm.T).max()), 1.0)
        design = np.column_stack([slopes, turn / reach])
        step, *_ = np.linalg.lstsq(design[good], -off[good], rcond=1e-3)
        angle = float(step[2]) / reach
        about = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
        moved = (moved - middle) @ about.T + middle + step[:2]
    return best


def _by_way(points_mm: Vector) -> Vector:
    """``WAYS`` places (n, 2) of a path, evenly by length."""
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(points_mm, axis=0).T))])
    at = np.linspace(0.0, along[-1], WAYS)
    return np.column_stack([np.interp(at, along, points_mm[:, k]) for k in range(2)])


def _rigid(places: Vector, feet: Vector) -> tuple[Vector, Vector]:
    """Turn (2, 2) and shift (2,) that bring ``places`` onto ``feet`` by least squares (Kabsch; from memory)."""
    a, b = places - places.mean(axis=0), feet - feet.mean(axis=0)
    angle = np.arctan2((a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0]).sum(), (a * b).sum())
    turn = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    return turn, feet.mean(axis=0) - turn @ places.mean(axis=0)


def truth_of(file: Given) -> Machine:
    """A file that states the frame and the drives of its [twin] to the last digit: what could be known at best."""
    twin, known = file["twin"], dict(file)
    known["axes"] = {}
    for axis, stands in file["axes"].items():
        true = twin["axes"][axis]
        known["axes"][axis] = stands | {
            "play_mm": true["play_mm"],
            "loop_lag_ms": true["loop_lag_ms"],
            "latency_ms": true["latency_ms"],
            "belt": true["belt"],
            "length_table": true["length_error"],
        }
    known["geometry"] = {"squareness_mm_m": twin["squareness_mm_m"], "sag": twin["sag"]}
    known["motion"] = dict(file["motion"])
    heed(known)
    return stated(known)


def place_mm(machine: Machine, truth: Machine) -> float:
    """Farthest that a place of the canvas lies off, the whole picture shifted and turned onto itself."""
    width, height = machine.canvas.size_mm
    x, y = np.meshgrid(np.linspace(0.0, width, GRID[0]), np.linspace(0.0, height, GRID[1]))
    wanted = np.column_stack([x.ravel(), y.ravel()])
    axes = GeometryMap.of(machine).to_axes(wanted)
    lies = GeometryMap.of(truth).to_canvas(axes)
    turn, shift = _rigid(lies, wanted)
    return float(np.hypot(*(lies @ turn.T + shift - wanted).T).max())


def _beside(contact: Vector, axis: int, centre_mm: float) -> Vector:
    """The places of an arm near its middle; where it was drawn beside that altogether, its nearest end."""
    off = np.abs(contact[:, axis] - centre_mm)
    inside: Vector = contact[off <= max(1.5, float(off.min()))]
    return inside


def register_mm(machine: Machine) -> float:
    """How far crosses of two passes lie apart at most, come to from opposite sides."""
    size = np.array(machine.canvas.size_mm)
    strokes: list[Vector] = []
    for side in (-1.0, 1.0):
        for share in MARKS:
            centre = np.array(share) * size
            upright = np.array(
                [[side * HOOK_MM, -side * -ARM_MM], [0.0, side * ARM_MM], [0.0, -side * ARM_MM]]
            )
            strokes += [centre + upright, centre + upright[:, ::-1]]
    set_ = StrokeSet(
        np.concatenate(strokes), np.arange(0, 3 * len(strokes) + 1, 3),
        np.full(len(strokes), StrokeKind.LINE, np.uint8), np.zeros(len(strokes), np.int32), ("marks",),
    )  # fmt: skip
    drawn = play_pass(plan_pass(set_, art(RADII_MM).ink, machine, machine.park_mm), machine)
    half = len(strokes) // 2
    apart = []
    for number in range(half):
        across = number % 2  # of an upright the place along x, of a level arm that along y
        centre = (np.array(MARKS[number // 2]) * size)[1 - across]
        first, second = (
            _beside(one, 1 - across, centre)[:, across].mean()
            for one in (drawn[number], drawn[half + number])
        )
        apart.append(float(second - first))
    return float(np.hypot(apart[::2], apart[1::2]).max())
