"""Formulas behind the derived numbers: bus bits, stopping distance, energy, counts. Pure, no models.

Owns each formula once, with its source; the tests hold them against published values. Units stand in the names.
"""

from __future__ import annotations

from collections.abc import Iterable
from fractions import Fraction
from math import pi, sqrt

from drivers.cantiming import can_frame_bits_max as can_frame_bits_max

INT32_MAX = 2**31 - 1
COUNTER_COUNTS = 2**32
"""States of a drive's 32-bit position counter (CiA 402, object 6064h)."""

BUS_LOAD_MAX = 0.8
"""A cycle that fills more of the bus than this is refused: the rest is for set-up, emergencies and repeats."""

GUARD_REACTION_MS = 10.0
"""Allowance from the end of the lease to the drive's hearing of the stop: the guard wakes, ends the streamer and
a half-written frame, writes the stop, and one repetition is lost. An allowance, not a promise: the host decides."""

PDO_SETPOINT_BYTES = 6
"""Controlword (2) and target velocity (4)."""
PDO_OUTPUT_BYTES = 4
"""Digital outputs; only when they change, counted in every cycle."""
PDO_STATE_BYTES = 6
"""Statusword (2) and position (4)."""
PDO_INPUT_BYTES = 8
"""Digital inputs (4) and velocity (4)."""
SYNC_BYTES = 0
HEARTBEAT_BYTES = 1
SDO_BYTES = 8
EMERGENCY_BYTES = 8
SERIAL_CHARACTER_BITS = 10
"""Start, eight, stop: what a serial CAN adapter's line is set to."""


def cycle_bytes(axes: int) -> tuple[int, ...]:
    """Data bytes of every frame of one tick with ``axes`` drives, the head's output among them."""
    per_axis = (PDO_SETPOINT_BYTES, PDO_STATE_BYTES, PDO_INPUT_BYTES)
    return (SYNC_BYTES, PDO_OUTPUT_BYTES, *(per_axis * axes))


def acyclic_bytes(axes: int) -> tuple[int, ...]:
    """Data bytes of what comes in each heartbeat's period besides the cycle, at most.

    Our heartbeat and one of every drive; an allowance of one SDO exchange with every drive (a stop is also said by
    SDO) and one emergency of every drive.
    """
    return (HEARTBEAT_BYTES, *((HEARTBEAT_BYTES, SDO_BYTES, SDO_BYTES, EMERGENCY_BYTES) * axes))


def bus_load(data_bytes: Iterable[int], period_us: float, bitrate_bit_s: int) -> float:
    """Share of the bus (1 = full) that frames of these data lengths take when sent once every ``period_us``."""
    bits = sum(can_frame_bits_max(n) for n in data_bytes)
    return bits * 1e6 / (period_us * bitrate_bit_s)


def machine_bus_load(axes: int, tick_us: int, bitrate_bit_s: int, heartbeat_ms: int) -> float:
    """Share of the bus at the tick, worst case: the cycle, and in each heartbeat's period what comes besides."""
    besides = bus_load(acyclic_bytes(axes), heartbeat_ms * 1000, bitrate_bit_s)
    return bus_load(cycle_bytes(axes), tick_us, bitrate_bit_s) + besides


def slcan_characters_out(axes: int) -> int:
    """Most characters of one tick towards a serial CAN adapter: every frame of ours, our heartbeat, a look at flags."""
    frames = (SYNC_BYTES, PDO_OUTPUT_BYTES, HEARTBEAT_BYTES, *((PDO_SETPOINT_BYTES,) * axes))
    return sum(map(slcan_characters, frames)) + 2


def slcan_characters_in(axes: int) -> int:
    """Most characters of one tick from a serial CAN adapter: the drives' words and heartbeats, two for each of ours."""
    frames = (PDO_STATE_BYTES, PDO_INPUT_BYTES, HEARTBEAT_BYTES) * axes
    return sum(map(slcan_characters, frames)) + 2 * (axes + 3) + 4


def slcan_characters(data_bytes: int) -> int:
    """Characters of a frame as a line: t, three digits of identifier, the length, two a byte, CR."""
    return 6 + 2 * data_bytes


def stopping_distance_mm(speed_mm_s: float, reaction_s: float, deceleration_mm_s2: float) -> float:
    """Way to standstill: v t_r + v^2 / 2 a (uniform deceleration after a reaction time at full speed)."""
    return speed_mm_s * reaction_s + speed_mm_s**2 / (2 * deceleration_mm_s2)


def kinetic_energy_j(mass_kg: float, speed_mm_s: float) -> float:
    """Energy of a moving mass: m v^2 / 2."""
    return 0.5 * mass_kg * (speed_mm_s * 1e-3) ** 2


def resolution_um(counts_per_mm: Fraction) -> float:
    """Travel of one count, in um."""
    return float(1000 / counts_per_mm)


def counter_span_m(counts_per_mm: Fraction, span_counts: int = COUNTER_COUNTS) -> float:
    """Travel after which a counter (of 32 bits, where nothing else is said) reads the same again, in m."""
    return float(span_counts / counts_per_mm / 1000)


def velocity_step_mm_s(velocity_unit_counts_s: float, counts_per_mm: Fraction) -> float:
    """Speed that one unit of the drive's velocity command means, in mm/s."""
    return velocity_unit_counts_s / float(counts_per_mm)


def velocity_units(speed_mm_s: float, velocity_unit_counts_s: float, counts_per_mm: Fraction) -> float:
    """A speed in units of the drive's velocity command, not rounded."""
    return speed_mm_s * float(counts_per_mm) / velocity_unit_counts_s


def belt_stretch_mm(acceleration_mm_s2: float, frequency_hz: float) -> float:
    """How far a mass on a spring lags behind under steady acceleration: a / w^2, w = 2 pi f (F = m a = k s)."""
    return acceleration_mm_s2 / (2 * pi * frequency_hz) ** 2


def belt_swing_mm(acceleration_mm_s2: float, frequency_hz: float) -> float:
    """Most that a mass on an undamped spring swings when its support's acceleration steps to a: 2 a / w^2."""
    return 2 * belt_stretch_mm(acceleration_mm_s2, frequency_hz)


def motor_acceleration_mm_s2(
    acceleration_mm_s2: float, jerk_mm_s3: float, frequency_hz: float | None, tick_s: float
) -> float:
    """Most that a motor accelerates so that the head on its belt does as planned: A + (4/3) J / (h w^2).

    The motor leads the head by y'' / w^2, so it accelerates by y'' + y'''' / w^2. Jerk goes from +J to -J at worst.
    Smoothed by a quintic B-spline at the tick h, y'''' is the cubic B-spline's difference of the jerk: at most J times
    that spline's variation over h, 2 x 2/3. Without a belt (None) the motor does as the head: A.
    """
    if frequency_hz is None:
        return acceleration_mm_s2
    return acceleration_mm_s2 + belt_stretch_mm(4 / 3 * jerk_mm_s3 / tick_s, frequency_hz)


def jerk_for_motor_mm_s3(
    motor_acceleration_mm_s2: float, acceleration_mm_s2: float, frequency_hz: float, tick_s: float
) -> float:
    """Inverse of ``motor_acceleration_mm_s2`` for the jerk; negative when the motor is too weak for any."""
    spare_mm_s2 = motor_acceleration_mm_s2 - acceleration_mm_s2
    return 3 / 4 * spare_mm_s2 * tick_s * (2 * pi * frequency_hz) ** 2


def circle_speed_mm_s(radius_mm: float, acceleration_mm_s2: float) -> float:
    """Speed round a circle at which the acceleration towards its middle is a: v^2 / r = a."""
    return sqrt(acceleration_mm_s2 * radius_mm)


def take_up_s(play_mm: float, acceleration_mm_s2: float) -> float:
    """Shortest time in which a motor crosses the play, at rest before and after: 2 sqrt(g / a), no limit of jerk."""
    return 2 * sqrt(play_mm / acceleration_mm_s2)
