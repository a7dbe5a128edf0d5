"""Ways to drive for measuring, pen up: circles both ways round, approaches along an axis, a line there and back, and
what identifies an axis (``probesteps``).

Owns the tests' settings, their way over the canvas, and which segment of the schedule is which part of the test. The
head goes through the same profile, geometry and chain as in a pass; only reversals are not slowed down for, since a
circular test is driven at one speed. Knows no bus and no reading.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import asdict, dataclass, fields
from math import acos, ceil, pi, sqrt
from pathlib import Path
from typing import Any, Literal

import numpy as np

from controller.config.errors import InputError, Mistake
from controller.config.machine import AXES, Machine
from controller.motion.chain import Chain, axis_models
from controller.motion.frames import Vector, quanta_per_mm, soft_limits_mm
from controller.motion.geometry import GeometryMap
from controller.motion.path import polyline
from controller.motion.probesteps import BrakeTest, StepsTest, staircase
from controller.motion.profile import plan_profile
from controller.motion.schedule import SEGMENT_DTYPE, Schedule, SegmentKind
from controller.motion.ticks import sample, to_quanta, to_velocities

START_RAD = 0.25 * pi
"""A turn begins half way between two reversals, so that its ends meet where nothing happens."""

REST_S = 0.6
"""Rest between two parts: the belts come to rest."""

TAKE_UP_MM = 3.0
"""Before the first part both axes go this far, and their play more, in one direction: then their play lies there."""

OVERRUN_MM = 5.0
"""An approach begins, and a row of targets ends, this much and the play beyond a target."""

CONSTANT_SHARE = 0.98
"""A turn has this share of its speed everywhere, or is refused."""

TEST_FILE = "test.json"
_SAGITTA_MM = 0.0005
_SETTLE_S = 0.3
_GOLDEN = 0.5 * (sqrt(5.0) - 1.0)


@dataclass(frozen=True, slots=True)
class CircleTest:
    """A whole turn each way, canvas mm."""

    centre_mm: tuple[float, float]
    radius_mm: float
    speed_mm_s: float
    kind: Literal["circle"] = "circle"


@dataclass(frozen=True, slots=True)
class AxisTest:
    """Targets along one axis of the canvas, each approached ``repeats`` times from both sides.

    across_mm: where the other axis stands, canvas mm.
    """

    axis: Literal["x", "y"]
    targets_mm: tuple[float, ...]
    across_mm: float
    repeats: int
    speed_mm_s: float
    kind: Literal["axis"] = "axis"


@dataclass(frozen=True, slots=True)
class LineTest:
    """A straight line there and back, canvas mm."""

    start_mm: tuple[float, float]
    end_mm: tuple[float, float]
    speed_mm_s: float
    kind: Literal["line"] = "line"


MeasuringTest = CircleTest | AxisTest | LineTest
Test = MeasuringTest | StepsTest | BrakeTest

_KINDS: dict[str, type[Any]] = {
    "circle": CircleTest, "axis": AxisTest, "line": LineTest, "steps": StepsTest, "brake": BrakeTest,
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Part:
    """What one segment of the schedule is.

    what: clockwise or anticlockwise (as seen facing the wall), there or back, up or down (a rest at a target,
    approached in the positive or negative direction), ring (a rest after braking); an empty text for the way between.
    target, repeat: -1 for none.
    """

    what: str
    target: int = -1
    repeat: int = -1


@dataclass(frozen=True, slots=True)
class Probe:
    """A test ready to drive. ``parts`` belong to the schedule's segments, one to one.

    flank: (x, y) -1 or +1, the side of its gap that each motor takes up before the first part.
    """

    test: Test
    schedule: Schedule
    parts: tuple[Part, ...]
    flank: tuple[int, int]

    def save(self, folder: Path) -> None:
        """Write the schedule, and beside it what the test is."""
        self.schedule.save(folder)
        what = {
            "test": asdict(self.test),
            "parts": [asdict(part) for part in self.parts],
            "flank": list(self.flank),
        }
        (folder / TEST_FILE).write_text(json.dumps(what, indent=1) + "\n")


def load_test(folder: Path) -> tuple[Test, tuple[Part, ...], tuple[int, int]]:
    """What ``Probe.save`` wrote of a test: settings, parts, flank. Raises InputError when it is none."""
    path = folder / TEST_FILE
    try:
        said = json.loads(path.read_text())
        made = _KINDS[said["test"]["kind"]]
        settings: dict[str, Any] = {
            name: tuple(value) if isinstance(value, list) else value for name, value in said["test"].items()
        }
        if set(settings) != {field.name for field in fields(made)}:
            raise ValueError("other settings")
        x, y = said["flank"]
        return made(**settings), tuple(Part(**part) for part in said["parts"]), (int(x), int(y))
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise InputError(
            [Mistake(path, "test", "a test of giornata measure", str(error), code="run-not-read")]
        ) from None


def axis_targets(
    machine: Machine, axis: Literal["x", "y"], low_mm: float, high_mm: float, count: int
) -> tuple[float, ...]:
    """``count`` targets from low to high, evenly but for a part of a belt tooth each.

    So an error that comes back with every tooth is met at many of its places (ISO 230-2 asks for uneven targets for
    this reason; from memory). The parts follow the golden ratio: no two alike, and the same in every run.
    """
    tooth_mm = machine.axes[axis].drive.belt_pitch_mm
    even = np.linspace(low_mm, high_mm, count)
    off = tooth_mm * (np.mod(np.arange(count) * _GOLDEN, 1.0) - 0.5)
    step = (high_mm - low_mm) / max(count - 1, 1)
    off = np.clip(off, -0.25 * step, 0.25 * step)
    return tuple(float(value) for value in np.round(np.clip(even + off, low_mm, high_mm), 3))


def plan_probe(machine: Machine, test: Test) -> Probe:
    """The schedule of a test. Raises InputError when it does not fit the machine's reach, speed or acceleration."""
    match test:
        case CircleTest():
            way = _circle(machine, test)
        case AxisTest():
            way = _axis(machine, test)
        case LineTest():
            way = _line(machine, test)
        case StepsTest():
            way = _steps(machine, test)
        case BrakeTest():
            way = _brake(machine, test)
    return Probe(test, way.finish(), tuple(way.parts), way.flank)


def _circle(machine: Machine, test: CircleTest) -> _Way:
    _positive("radius", test.radius_mm)
    _speed(machine, test.speed_mm_s)
    acceleration, jerk = machine.motion.acceleration_mm_s2, machine.motion.jerk_mm_s3
    radius, speed = test.radius_mm, test.speed_mm_s
    fastest = sqrt(acceleration * radius)
    if speed > fastest:
        raise _too_fast(test, fastest)
    lead_mm = speed**2 / acceleration + speed * acceleration / jerk + speed * _SETTLE_S
    lead = max(0.5 * pi, lead_mm / radius)
    step = 2.0 * acos(max(1.0 - _SAGITTA_MM / radius, 0.5))
    way: _Way | None = None
    for sign, what in ((1, "clockwise"), (-1, "anticlockwise")):
        span = 2.0 * pi + 2.0 * lead
        angles = START_RAD + sign * np.linspace(-lead, 2.0 * pi + lead, ceil(span / step) + 1)
        points = np.asarray(test.centre_mm) + radius * np.column_stack([np.cos(angles), np.sin(angles)])
        if way is None:
            way = _Way(machine, points[0])
        else:
            way.travel(points[0])
            way.rest(REST_S)
        way.mark("")
        driven = way.drive(points, speed)
        way.rest(REST_S)
        way.mark(what)
        away = driven - np.asarray(test.centre_mm)
        angle = sign * np.unwrap(np.arctan2(away[:, 1], away[:, 0]))
        angle -= angle[0]
        inside = (angle >= lead) & (angle <= lead + 2.0 * pi)
        steps = np.hypot(*np.diff(driven[inside], axis=0).T)
        if float(steps.min()) < CONSTANT_SHARE * speed * way.tick_s:
            raise _too_fast(test, float(steps.min()) / way.tick_s)
    assert way is not None
    return way


def _too_fast(test: CircleTest, fastest: float) -> InputError:
    return _mistake(
        "speed",
        f"at most about {fastest:.4g} mm/s on a radius of {test.radius_mm:g} mm with this machine's acceleration",
        f"{test.speed_mm_s:g} mm/s",
        code="measure-setting",
    )


def _line(machine: Machine, test: LineTest) -> _Way:
    _speed(machine, test.speed_mm_s)
    start, end = np.asarray(test.start_mm), np.asarray(test.end_mm)
    if float(np.hypot(*(end - start))) < 1.0:
        raise _mistake(
            "line",
            "two ends at least 1 mm apart",
            f"{test.start_mm} and {test.end_mm}",
            code="measure-setting",
        )
    way = _Way(machine, start)
    way.mark("")
    for ends, what in (((start, end), "there"), ((end, start), "back")):
        way.drive(np.stack(ends), test.speed_mm_s)
        way.settle()
        way.mark(what)
        # A part of its own: for the way back the motors cross their play before the head moves.
        way.rest(REST_S)
        way.mark("")
    return way


def _axis(machine: Machine, test: AxisTest) -> _Way:
    _speed(machine, test.speed_mm_s)
    targets = np.asarray(test.targets_mm, dtype=np.float64)
    if len(targets) < 2 or bool(np.any(np.diff(targets) <= 0)):
        raise _mistake(
            "targets", "at least two places that rise", f"{test.targets_mm}", code="measure-setting"
        )
    if test.repeats < 2:
        raise _mistake("repeats", "at least 2", f"{test.repeats}", code="measure-setting")
    index = AXES.index(test.axis)
    over = OVERRUN_MM + max(axis_models(machine)[index].play_mm)

    def place(along: float) -> Vector:
        at = np.full(2, float(test.across_mm))
        at[index] = along
        return at

    way = _Way(machine, place(float(targets[0]) - over))
    way.mark("")
    for repeat in range(test.repeats):
        for what, order in (("up", range(len(targets))), ("down", range(len(targets) - 1, -1, -1))):
            for target in order:
                way.straight(place(float(targets[target])), test.speed_mm_s)
                way.settle()
                way.mark("")
                way.rest(REST_S)
                way.mark(what, target, repeat)
            beyond = float(targets[-1]) + over if what == "up" else float(targets[0]) - over
            way.straight(place(beyond), test.speed_mm_s)
            way.rest(0.25 * REST_S)
            way.mark("")
    return way


def _steps(machine: Machine, test: StepsTest) -> _Way:
    _speed(machine, test.speed_mm_s)
    if test.repeats < 2:
        raise _mistake("repeats", "at least 2", f"{test.repeats}", code="measure-setting")
    index, motion = AXES.index(test.axis), machine.motion
    along = staircase(test.speed_mm_s, motion.acceleration_mm_s2, motion.jerk_mm_s3, machine.tick_us * 1e-6)
    ends = []
    for sign in (-0.5, 0.5):
        end = np.full(2, float(test.across_mm))
        end[index] = test.along_mm + sign * along[-1]
        ends.append(end)
    way = _Way(machine, ends[0])
    way.mark("")
    for repeat in range(test.repeats):
        for what, start, sign in (("there", ends[0], 1.0), ("back", ends[1], -1.0)):
            places = np.repeat(start[None], len(along), axis=0)
            places[:, index] += sign * along
            way.follow(places)
            way.rest(REST_S)
            way.mark(what, -1, repeat)
    return way


def _brake(machine: Machine, test: BrakeTest) -> _Way:
    _speed(machine, test.speed_mm_s)
    _positive("rest", test.rest_s)
    if not test.places_mm:
        raise _mistake("places", "at least one place", "none", code="measure-setting")
    index = AXES.index(test.axis)
    # The belt has to ring: what the machine file states of it is left out of the plan, whose task is to prevent that.
    stiff = {name: machine.axes[name].model_copy(update={"belt": None}) for name in AXES}
    machine = machine.model_copy(update={"axes": stiff})
    motion = machine.motion
    ramp_s = test.speed_mm_s / motion.acceleration_mm_s2 + motion.acceleration_mm_s2 / motion.jerk_mm_s3
    run_mm = test.speed_mm_s * (2.0 * ramp_s + 0.1)
    low, high = soft_limits_mm(machine)
    geometry = GeometryMap.of(machine)

    def place(along: float) -> Vector:
        at = np.full(2, float(test.across_mm))
        at[index] = along
        return at

    way: _Way | None = None
    for number, along in enumerate(test.places_mm):
        # From the side on which there is more room.
        before, after = (float(geometry.to_axes(place(along + shift))[index]) for shift in (-run_mm, run_mm))
        start = place(along - run_mm if before - low[index] >= high[index] - after else along + run_mm)
        if way is None:
            way = _Way(machine, start)
        else:
            way.straight(start, test.speed_mm_s)
        way.rest(REST_S)
        way.mark("")
        way.straight(place(along), test.speed_mm_s)
        way.mark("")
        way.rest(test.rest_s)
        way.mark("ring", number)
    assert way is not None
    return way


class _Way:
    """Collects raw head places of the parts; one chain and one schedule at the end."""

    def __init__(self, machine: Machine, first_mm: Vector) -> None:
        self.machine = machine
        self.tick_s = machine.tick_us * 1e-6
        self.parts: list[Part] = []
        self._geometry = GeometryMap.of(machine)
        models = axis_models(machine)
        gap = np.array([max(model.play_mm) for model in models])
        low, high = soft_limits_mm(machine)
        first = self._geometry.to_axes(first_mm)
        self._refuse_outside(first[None], gap)
        take_up = TAKE_UP_MM + gap
        side = np.where(first - take_up - gap >= low, 1.0, -1.0)
        start = np.clip(first - side * take_up, low + 0.5 * gap, high - 0.5 * gap)
        motor = np.array(
            [place + 0.5 * s * float(model.gap_mm(place)) for place, s, model in zip(start, side, models, strict=True)]
        )  # fmt: skip
        self._motor = motor
        self.flank = (int(side[0]), int(side[1]))
        self._gap = gap
        self._chain = Chain(models, self.tick_s, motor, side)
        self._raw: list[Vector] = []
        self._count = 0
        self._marks: list[int] = []
        self._lengths: list[float] = []
        self._length = 0.0
        self._at = self._geometry.to_canvas(self._chain.head_mm)
        self._rest_axis = np.array(self._chain.head_mm)
        self.travel(first_mm)
        self.rest(2.0 * REST_S)

    def drive(self, points_mm: Vector, speed_mm_s: float) -> Vector:
        """Along a smooth line (canvas mm) from where the head is; answers its places at tick ends (k, 2)."""
        motion = self.machine.motion
        stop = np.zeros(len(points_mm), dtype=np.bool_)
        path = polyline(points_mm, stop, 179.0)
        if not path.chords:
            return np.empty((0, 2))
        speed = np.full(path.chords, speed_mm_s)
        places = sample(
            plan_profile(path, speed, motion.acceleration_mm_s2, motion.jerk_mm_s3), self.tick_s
        ).positions_mm
        self._add(self._geometry.to_axes(places))
        self._length += float(path.length_mm.sum())
        self._at = np.asarray(points_mm[-1], dtype=np.float64)
        return places

    def follow(self, places_mm: Vector) -> None:
        """Head places at tick ends (k, 2), canvas mm, that begin at rest where the head is and end at rest."""
        self._add(self._geometry.to_axes(places_mm))
        self._length += float(np.hypot(*np.diff(np.vstack([self._at, places_mm]), axis=0).T).sum())
        self._at = np.asarray(places_mm[-1], dtype=np.float64)

    def straight(self, target_mm: Vector, speed_mm_s: float) -> None:
        """Straight to a place (canvas mm)."""
        self.drive(np.stack([self._at, np.asarray(target_mm, dtype=np.float64)]), speed_mm_s)

    def travel(self, target_mm: Vector) -> None:
        """Straight to a place at travel speed."""
        self.straight(target_mm, min(self.machine.motion.travel_speed_mm_s, _fastest(self.machine)))

    def rest(self, duration_s: float) -> None:
        """Stand still for at least so long, and long enough for the chain's own delay."""
        ticks = max(ceil(duration_s / self.tick_s), self._chain.end_ticks)
        self._add(np.repeat(self._rest_axis[None], ticks, axis=0))

    def settle(self) -> None:
        """Stand still until the head has arrived."""
        self.rest(0.0)

    def mark(self, what: str, target: int = -1, repeat: int = -1) -> None:
        """What was driven since the last mark is one part."""
        self.parts.append(Part(what, target, repeat))
        self._marks.append(self._count)
        self._lengths.append(self._length)
        self._length = 0.0

    def finish(self) -> Schedule:
        """The whole as one schedule. Raises InputError when the axes would leave their reach or their speed."""
        machine, chain = self.machine, self._chain
        self.rest(0.0)
        raw = np.concatenate(self._raw)
        self._refuse_outside(raw, self._gap)
        commands = chain.commands_mm(raw)
        scale = quanta_per_mm(machine)
        start = to_quanta(self._motor, scale)
        velocities = to_velocities(start, to_quanta(commands, scale))
        for k, name in enumerate(AXES):
            drive = machine.axes[name].drive
            unit_mm_s = drive.velocity_unit_counts_s / float(drive.counts_per_mm)
            fastest = float(np.abs(velocities[:, k].astype(np.int64)).max(initial=0)) * unit_mm_s
            if fastest > machine.axes[name].speed_max_mm_s:
                raise _mistake(
                    "speed",
                    f"axis {name} at no more than {machine.axes[name].speed_max_mm_s:g} mm/s",
                    f"{fastest:.1f} mm/s where the motor crosses its play; ask for a lower speed",
                    code="measure-setting",
                )
        # The last part takes in the rest that lets the chain run dry; marks move by the chain's delay.
        ends = np.minimum(np.array(self._marks) + chain.delay_ticks, len(velocities))
        ends[-1] = len(velocities)
        table = np.zeros(len(ends), dtype=SEGMENT_DTYPE)
        table["kind"], table["stroke"] = SegmentKind.TRAVEL, -1
        table["first_tick"] = np.concatenate([[0], ends[:-1]])
        table["ticks"] = np.diff(ends, prepend=0)
        table["length_mm"] = self._lengths
        return Schedule(velocities, table, (int(start[0]), int(start[1])), machine.tick_ns, machine.name)

    def _add(self, places: Vector) -> None:
        if len(places):
            self._raw.append(places)
            self._count += len(places)
            self._rest_axis = places[-1]

    def _refuse_outside(self, places: Vector, gap: Vector) -> None:
        low, high = soft_limits_mm(self.machine)
        slack = 0.5 * gap - 1e-6
        inside = (places >= low + slack) & (places <= high - slack)
        if bool(inside.all()):
            return
        row, k = np.argwhere(~inside)[0]
        name = AXES[int(k)]
        at = self._geometry.to_canvas(places[int(row)])
        raise _mistake(
            "place",
            f"a way with axis {name} from {low[k]:g} to {high[k]:g} mm, run-up and overrun counted in",
            f"{float(places[int(row), int(k)]):.1f} mm, on the canvas ({at[0]:.1f}, {at[1]:.1f})",
            code="measure-outside",
        )


def _fastest(machine: Machine) -> float:
    return min(machine.axes[name].speed_max_mm_s for name in AXES)


def _positive(name: str, value: float) -> None:
    if not (np.isfinite(value) and value > 0.0):
        raise _mistake(name, "more than 0", f"{value:g}", code="measure-setting")


def _speed(machine: Machine, speed_mm_s: float) -> None:
    _positive("speed", speed_mm_s)
    fastest = min(machine.motion.travel_speed_mm_s, _fastest(machine))
    if speed_mm_s > fastest:
        raise _mistake(
            "speed",
            f"at most {fastest:g} mm/s, this machine's travel speed",
            f"{speed_mm_s:g}",
            code="measure-setting",
        )


def _mistake(where: str, expected: str, got: str, code: str) -> InputError:
    return InputError([Mistake(Path("measure"), where, expected, got, code=code)])


def parts_named(parts: Sequence[Part], what: str) -> list[int]:
    """Indices of the segments that are ``what``."""
    return [index for index, part in enumerate(parts) if part.what == what]
