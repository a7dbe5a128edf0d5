"""Numbers that follow from machine and job files: what ``giornata check`` shows, and its warnings.

Owns the derived numbers as data. Prints nothing. A warning says that a stated limit of the machine file is
exceeded; contradictions and impossible settings never get here (controller/config/rules.py refuses them).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from fractions import Fraction
from math import pi
from pathlib import Path

from controller.config import formulas
from controller.config.adapterrules import adapter_warnings
from controller.config.canrules import can_warnings
from controller.config.errors import Mistake
from controller.config.headrules import head_cautions
from controller.config.job import Job
from controller.config.machine import AXES, Machine
from controller.config.motionrules import JERK_TIME_MAX_S
from controller.config.plane import bends
from drivers.describedfacts import counter_span, group_tick
from drivers.settings import (
    CanWire,
    DescribedCanWire,
    DescribedSerialWire,
    ModbusWire,
    StopsSettings,
    described_of,
    exchange_ns,
    registers_of,
)

DOT_RADII_MM = (2.0, 5.0)

BELT_SHARE = 0.44
"""1.2^2 - 1: of the stretch that a belt's frequency told 20 % too high leaves."""

BEND_SHARE_MAX = 0.25
"""Of the path's acceleration: so much of it may a table's bend ask for on top."""

BELT_ERROR_MAX_MM = 0.1
LEAN_REASONABLE_MM = 0.5


@dataclass(frozen=True, slots=True)
class AxisNumbers:
    """Derived numbers of one axis.

    ``counts_per_mm`` and ``travel_per_turn_mm`` are exact. ``counter_span_m``: travel after which the drive's
    counter reads the same again. ``tick_step_um``: travel of one velocity unit in one tick, the planner's
    grid. ``top_speed_units``: the axis' top speed in drive units. ``lease_stop_mm``: longest way to standstill at
    travel speed when the guard stops it (``stop_bound_mm``); ``drive_stop_mm``: the same when the drive itself does,
    having missed our heartbeat, None when it never would. ``overrun_mm``: the head's way beyond the motor's
    standstill after a quick stop: the play and a swing of the belt. ``energy_j``: kinetic energy at travel
    speed.

    ``canvas_mm``: places of the axis that the canvas needs, by length table, squareness and sag. ``lag_mm``: how far
    the motor is behind its command at paint speed. ``play_mm``: the largest anywhere; ``take_up_ms``: shortest time
    in which the motor crosses it. ``stretch_mm``: how far the belt gives at the path's full
    acceleration where it is softest, None when it is taken for stiff. ``motor_acceleration_mm_s2``: what following a
    path may ask of the motor at most.
    """

    axis: str
    travel_per_turn_mm: Fraction
    counts_per_mm: Fraction
    resolution_um: float
    counter_span_m: float
    velocity_step_mm_s: float
    tick_step_um: float
    top_speed_units: int
    lease_stop_mm: float
    drive_stop_mm: float | None
    overrun_mm: float
    energy_j: float
    canvas_mm: tuple[float, float]
    lag_mm: float
    play_mm: float
    take_up_ms: float
    stretch_mm: float | None
    motor_acceleration_mm_s2: float


@dataclass(frozen=True, slots=True)
class DotNumbers:
    """A dot of this radius: the speed round its outer ring, by paint speed and acceleration, and the time of a turn."""

    radius_mm: float
    speed_mm_s: float
    turn_ms: float


@dataclass(frozen=True, slots=True)
class Warned:
    """One warning: which field's limit, what is beyond it, and the catalogue's entry that says more."""

    where: str
    message: str
    code: str

    def __str__(self) -> str:
        return f"{self.where}: {self.message}"


@dataclass(frozen=True, slots=True)
class MachineNumbers:
    """Derived numbers of a machine. ``bus_load``: share of the bus, 1 = full. ``jerk_ms``: time in which the path's
    acceleration is built up.
    """

    name: str
    axes: tuple[AxisNumbers, ...]
    bus_bits_per_tick: int
    bus_load: float
    reaction_ms: float
    jerk_ms: float
    dots: tuple[DotNumbers, ...]
    warnings: tuple[Warned, ...]


@dataclass(frozen=True, slots=True)
class InkNumbers:
    """Derived numbers of one ink of a job; the speed is the ink's own or None for the machine's."""

    name: str
    colour: str
    tip_mm: float
    spiral_step_mm: float
    paint_speed_mm_s: float | None


@dataclass(frozen=True, slots=True)
class JobNumbers:
    """Derived numbers of a job."""

    name: str
    artwork: Path
    inks: tuple[InkNumbers, ...]


def machine_numbers(machine: Machine) -> MachineNumbers:
    """All derived numbers of ``machine``, with warnings."""
    reach = zip(*canvas_reach_mm(machine), strict=True)
    axes = tuple(_axis_numbers(machine, axis, ends) for axis, ends in zip(AXES, reach, strict=True))
    bits, load = _wire_load(machine)
    return MachineNumbers(
        name=machine.name,
        axes=axes,
        bus_bits_per_tick=bits,
        bus_load=load,
        reaction_ms=reaction_ms(machine),
        jerk_ms=machine.motion.acceleration_mm_s2 / machine.motion.jerk_mm_s3 * 1000,
        dots=tuple(_dot_numbers(machine, radius_mm) for radius_mm in DOT_RADII_MM),
        warnings=tuple(_warnings(machine, axes)),
    )


def _wire_load(machine: Machine) -> tuple[int, float]:
    """Bits that a tick puts on the wire, and the share of the tick that the wire is taken up, silences included."""
    wire = machine.wire
    if isinstance(wire, ModbusWire):
        maps = [registers_of(axis, machine.axes[axis].drive) for axis in AXES]
        characters = sum(18 + 2 * (one.written[1] + one.looked_at[1]) for one in maps)
        busy_ns = sum(exchange_ns(wire, one) for one in maps)
        return characters * wire.character_bits, busy_ns / machine.tick_ns
    if isinstance(wire, DescribedCanWire | DescribedSerialWire):
        drives = [machine.axes[axis].drive for axis in AXES]
        head = machine.head.axis if machine.head.kind == "drive-output" else ""
        tick = group_tick(
            wire,
            [described_of(axis, drive) for axis, drive in zip(AXES, drives, strict=True)],
            [drive.node_id for drive in drives],
            AXES,
            head,
            machine.tick_us,
        )
        return tick.bits, tick.busy_ns / machine.tick_ns
    bits = sum(formulas.can_frame_bits_max(n) for n in formulas.cycle_bytes(len(AXES)))
    load = formulas.machine_bus_load(len(AXES), machine.tick_us, wire.bitrate_bit_s, wire.heartbeat_ms)
    return bits, load


def canvas_reach_mm(machine: Machine) -> tuple[tuple[float, float], tuple[float, float]]:
    """Lowest and highest axis mm, (x, y) each, that the canvas needs, unregistered."""
    x, y = machine.canvas.origin_mm
    width, height = machine.canvas.size_mm
    return machine.plane.extent_mm((x, y), (x + width, y + height))


def reaction_ms(machine: Machine) -> float:
    """Longest time from the loss of the streamer to a drive's hearing of the stop: lease + guard's reaction."""
    return machine.lease.lease_ms + formulas.GUARD_REACTION_MS


def stop_bound_mm(machine: Machine, axis: str, speed_mm_s: float) -> float:
    """Longest way of ``axis`` from a fault to standstill when the guard stops it, commanded speed ``speed_mm_s``.

    s = v t_r + v^2 / (2 a) + v tau with t_r the lease plus the guard's reaction (``reaction_ms``: the lease may just
    have been renewed; the guard wakes, ends the streamer and a half-written frame, and its first stop may be
    lost and said again), a the drive's quick stop and tau the latency and lag of its velocity loop: an axis that is
    behind its command runs on that much further. The way is the motor's; the head may run on by ``overrun_mm``.
    ``speed_mm_s`` is the largest speed commanded within the lease. All of it worst case at once; an allowance of the
    host's own lateness is in the reaction, no promise of the host.
    """
    return _bound_mm(machine, axis, speed_mm_s, reaction_ms(machine))


def drive_stop_bound_mm(machine: Machine, axis: str, speed_mm_s: float) -> float | None:
    """The same when the drive alone stops it: t_r is its heartbeat time-out, 1016h. None: it has no time-out.

    Counted from the last heartbeat that it heard, so at most from the fault.
    """
    if not machine.axes[axis].drive.notices_silence:
        return None
    return _bound_mm(machine, axis, speed_mm_s, machine.wire.heartbeat_lost_after_ms)


def _bound_mm(machine: Machine, axis: str, speed_mm_s: float, after_ms: float) -> float:
    lag_ms = machine.axes[axis].loop_lag_ms + machine.axes[axis].latency_ms
    deceleration_mm_s2 = machine.axes[axis].drive.quick_stop_mm_s2
    return formulas.stopping_distance_mm(speed_mm_s, (after_ms + lag_ms) * 1e-3, deceleration_mm_s2)


def job_numbers(job: Job, job_path: Path) -> JobNumbers:
    """All derived numbers of ``job``."""
    inks = tuple(
        InkNumbers(ink.name, ink.colour, ink.tip_mm, ink.step_mm, ink.paint_speed_mm_s) for ink in job.inks
    )
    return JobNumbers(job.name, artwork_path(job, job_path), inks)


def artwork_path(job: Job, job_path: Path) -> Path:
    """The SVG file of a job, found from the job file's folder."""
    return job_path.parent / job.artwork


def check_artwork(job: Job, job_path: Path) -> list[Mistake]:
    """What is wrong with the job's artwork as a file; its content is for who reads it."""
    artwork = artwork_path(job, job_path)
    try:
        if artwork.is_file():
            return []
        got = "a folder" if artwork.is_dir() else "no file" if artwork.exists() else "no such file"
    except OSError as error:
        got = (error.strerror or str(error)).lower()
    return [Mistake(job_path, "artwork", f"an SVG file at {artwork}", got, code="artwork-missing")]


def check_job_against_machine(job: Job, job_path: Path, machine: Machine) -> list[Mistake]:
    """What does not fit between a job and a machine as far as the two files alone tell it."""
    found: list[Mistake] = []
    width_mm, height_mm = machine.canvas.size_mm
    x_mm, y_mm = job.origin_mm
    if not (0 <= x_mm < width_mm and 0 <= y_mm < height_mm):
        expected = f"a place on the canvas of {machine.name}, 0 to {width_mm:g} and 0 to {height_mm:g} mm"
        found.append(Mistake(job_path, "origin_mm", expected, f"[{x_mm:g}, {y_mm:g}]", code="job-off-canvas"))
    fastest = min(machine.axes[axis].speed_max_mm_s for axis in AXES)
    found.extend(
        Mistake(
            job_path,
            f"inks[{ink.name}].paint_speed_mm_s",
            f"at most {fastest:g}, the slower axis' speed_max_mm_s of {machine.name}",
            f"{ink.paint_speed_mm_s:g}",
            code="job-too-fast",
        )
        for ink in job.inks
        if ink.paint_speed_mm_s is not None and ink.paint_speed_mm_s > fastest
    )
    return found


def _dot_numbers(machine: Machine, radius_mm: float) -> DotNumbers:
    motion = machine.motion
    speed_mm_s = min(
        motion.paint_speed_mm_s, formulas.circle_speed_mm_s(radius_mm, motion.acceleration_mm_s2)
    )
    return DotNumbers(radius_mm, speed_mm_s, 2 * pi * radius_mm / speed_mm_s * 1000)


def _axis_numbers(machine: Machine, name: str, canvas_mm: tuple[float, float]) -> AxisNumbers:
    axis = machine.axes[name]
    drive = axis.drive
    speed_mm_s = machine.motion.travel_speed_mm_s
    unit = drive.velocity_unit_counts_s
    motion = machine.motion
    belt_hz = axis.belt_hz_min
    lag_s = (axis.loop_lag_ms + axis.latency_ms) * 1e-3
    swing_mm = 0.0 if belt_hz is None else formulas.belt_swing_mm(drive.quick_stop_mm_s2, belt_hz)
    return AxisNumbers(
        axis=name,
        travel_per_turn_mm=drive.travel_per_turn_mm,
        counts_per_mm=drive.counts_per_mm,
        resolution_um=formulas.resolution_um(drive.counts_per_mm),
        counter_span_m=formulas.counter_span_m(
            drive.counts_per_mm,
            formulas.COUNTER_COUNTS if drive.described is None else counter_span(drive.described),
        ),
        velocity_step_mm_s=formulas.velocity_step_mm_s(unit, drive.counts_per_mm),
        tick_step_um=machine.quantum_counts(name) / float(drive.counts_per_mm) * 1000,
        top_speed_units=round(formulas.velocity_units(axis.speed_max_mm_s, unit, drive.counts_per_mm)),
        lease_stop_mm=stop_bound_mm(machine, name, speed_mm_s),
        drive_stop_mm=drive_stop_bound_mm(machine, name, speed_mm_s),
        overrun_mm=axis.play_max_mm + swing_mm,
        energy_j=formulas.kinetic_energy_j(axis.moving_mass_kg, speed_mm_s),
        canvas_mm=canvas_mm,
        lag_mm=motion.paint_speed_mm_s * lag_s,
        play_mm=axis.play_max_mm,
        take_up_ms=formulas.take_up_s(axis.play_max_mm, axis.acceleration_max_mm_s2) * 1000,
        stretch_mm=None if belt_hz is None else formulas.belt_stretch_mm(motion.acceleration_mm_s2, belt_hz),
        motor_acceleration_mm_s2=formulas.motor_acceleration_mm_s2(
            motion.acceleration_mm_s2, motion.jerk_mm_s3, belt_hz, machine.tick_us * 1e-6
        ),
    )


def _warnings(machine: Machine, axes: tuple[AxisNumbers, ...]) -> list[Warned]:
    found = [Warned(where, message, code) for where, message, code in head_cautions(machine.head)]
    motion = machine.motion
    for numbers in axes:
        axis = machine.axes[numbers.axis]
        if numbers.energy_j > motion.kinetic_energy_max_j:
            found.append(
                Warned(
                    f"axes.{numbers.axis}.moving_mass_kg",
                    f"{numbers.energy_j:.3g} J at travel speed, above motion.kinetic_energy_max_j of "
                    f"{motion.kinetic_energy_max_j:g} J",
                    code="check-energy",
                )
            )
        found.extend(
            Warned(
                f"axes.{numbers.axis}",
                f"{way_mm:.4g} mm to standstill at travel speed {who}, above "
                f"motion.stopping_distance_max_mm of {motion.stopping_distance_max_mm:g} mm",
                code="check-stopping-distance",
            )
            for way_mm, who in (
                (numbers.lease_stop_mm, "when the guard stops it"),
                (numbers.drive_stop_mm, "when only the drive notices our silence"),
            )
            if way_mm is not None and way_mm > motion.stopping_distance_max_mm
        )
        if not axis.drive.notices_silence:
            found.append(
                Warned(
                    f"axes.{numbers.axis}.drive.command_timeout",
                    "the drive has no time-out: when this computer, its power or the cable fails, only your "
                    "hardware stops the axis",
                    code="check-no-drive-timeout",
                )
            )
        if axis.max_mm - axis.min_mm > numbers.counter_span_m * 1000:
            found.append(
                Warned(
                    f"axes.{numbers.axis}",
                    f"the travel is longer than the {numbers.counter_span_m:.3g} m that the drive's counter can tell "
                    "apart; where the axis stands is lost with power",
                    code="check-counter-span",
                )
            )
        if numbers.velocity_step_mm_s > motion.paint_speed_mm_s / 10:
            found.append(
                Warned(
                    f"axes.{numbers.axis}.drive.velocity_unit_counts_s",
                    f"one unit is {numbers.velocity_step_mm_s:.3g} mm/s, coarse beside the paint speed of "
                    f"{motion.paint_speed_mm_s:g} mm/s",
                    code="check-velocity-coarse",
                )
            )
        found.extend(_motion_warnings(machine, numbers))
    if machine.motion.jerk_mm_s3 * machine.tick_us * 1e-6 > machine.motion.acceleration_mm_s2:
        found.append(
            Warned(
                "motion.jerk_mm_s3",
                f"acceleration is built up in {machine.motion.acceleration_mm_s2 / machine.motion.jerk_mm_s3:.2g} s, "
                "less than a tick: no gentler than without the limit",
                code="check-jerk",
            )
        )
    if isinstance(machine.wire, CanWire):
        found.extend(Warned(where, message, code) for where, message, code in can_warnings(machine))
    found.extend(Warned(where, message, code) for where, message, code in adapter_warnings(machine))
    if not machine.wire.is_simulated:
        found.extend(_without_hardware(machine.stops))
    return found


def _motion_warnings(machine: Machine, numbers: AxisNumbers) -> Iterator[Warned]:
    """Where belt, play and tables of an axis are at odds with what is asked of it."""
    name, axis = numbers.axis, machine.axes[numbers.axis]
    if numbers.stretch_mm is not None and numbers.stretch_mm * BELT_SHARE > BELT_ERROR_MAX_MM:
        yield Warned(
            f"axes.{name}.belt.frequency_hz",
            f"the belt gives {numbers.stretch_mm:.3g} mm at motion.acceleration_mm_s2 where it is softest: a frequency "
            f"told 20 % too high leaves {numbers.stretch_mm * BELT_SHARE:.2g} mm of it",
            code="check-belt",
        )
    if axis.belt_hz_min is not None and numbers.motor_acceleration_mm_s2 > axis.acceleration_max_mm_s2:
        fits_mm_s3 = formulas.jerk_for_motor_mm_s3(
            axis.acceleration_max_mm_s2,
            machine.motion.acceleration_mm_s2,
            axis.belt_hz_min,
            machine.tick_us * 1e-6,
        )
        remedy = (
            f"motion.jerk_mm_s3 of at most {fits_mm_s3:.3g} fits"
            if fits_mm_s3 * JERK_TIME_MAX_S >= machine.motion.acceleration_mm_s2
            else "lower motion.acceleration_mm_s2 and jerk_mm_s3"
        )
        yield Warned(
            f"axes.{name}.acceleration_max_mm_s2",
            f"to make up for the belt the motor may need {numbers.motor_acceleration_mm_s2:.4g} mm/s^2, above "
            f"{axis.acceleration_max_mm_s2:g}: {remedy}",
            code="check-belt",
        )
    if machine.pen.lean_mm[AXES.index(name)] > LEAN_REASONABLE_MM:
        yield Warned(
            "pen.lean_mm",
            f"{machine.pen.lean_mm[AXES.index(name)]:g} mm along {name}: so loose a pen does not stand the same twice; "
            "mend the holder first",
            code="check-pen-loose",
        )
    yield from _table_warnings(machine, numbers)


def _table_warnings(machine: Machine, numbers: AxisNumbers) -> Iterator[Warned]:
    """Tables that end before the canvas does, and numbers that a table puts out of use."""
    name, axis = numbers.axis, machine.axes[numbers.axis]
    low, high = numbers.canvas_mm
    sag = machine.geometry.sag if name == "x" else None
    lengths = axis.length_table
    tables = {
        f"axes.{name}.length_table": None if lengths is None else (lengths.position_mm, lengths.error_mm),
        "geometry.sag": None if sag is None else (sag.position_mm, sag.drop_mm),
    }
    for where, table in tables.items():
        if table is None or len(table[0]) == 1:
            continue
        bend, place = max(bends(table, low, high), default=(0.0, 0.0))
        jolt_mm_s2 = machine.motion.paint_speed_mm_s * bend / (machine.tick_us * 1e-6)
        if jolt_mm_s2 > BEND_SHARE_MAX * machine.motion.acceleration_mm_s2:
            yield Warned(
                where,
                f"bends by {bend * 1000:.3g} mm a metre at {place:g} mm, a jolt of {jolt_mm_s2:.3g} mm/s^2 at paint "
                "speed: measure at more places",
                code="check-table",
            )
        first, last = table[0][0], table[0][-1]
        if low < first or high > last:
            yield Warned(
                f"{where}.position_mm",
                f"measured from {first:g} to {last:g} mm, the canvas needs {low:.5g} to {high:.5g}: beyond the table "
                "its end value holds",
                code="check-table",
            )
    if axis.play_table is not None and axis.play_mm:
        yield Warned(
            f"axes.{name}.play_mm",
            f"{axis.play_mm:g} mm is not used: play_table stands for it",
            code="check-play-unused",
        )


def _without_hardware(stops: StopsSettings) -> Iterator[Warned]:
    """What a real machine should have and this file does not name."""
    if not stops.inputs:
        yield Warned(
            "stops.inputs",
            "no hardware stop input: the software does not see an emergency stop or a limit trip",
            code="check-no-stop-inputs",
        )
    if stops.power_cut is None:
        yield Warned(
            "stops.power_cut",
            "no power-cut output: when the drives do not obey a stop, the guard has no other means",
            code="check-no-power-cut",
        )
