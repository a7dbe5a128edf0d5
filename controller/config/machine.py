"""The machine file as frozen models: axes, wire, head, canvas, limits, and the simulated gantry where there is one.

Owns what a machine is; knows nothing of pictures. Every contradiction between fields is refused here, with the
field's path. Frames: *machine mm*, x to the right, y downwards, zero where the homing switches say so.
"""

from __future__ import annotations

from typing import Annotated, Literal, Self

from pydantic import Field, model_validator

from drivers.settings import (
    CanWire,
    DriveOutputHead,
    DriveSettings,
    GroupSettings,
    NonNegative,
    Positive,
    Real,
    Settings,
)
from drivers.twin.parameters import TwinParameters

AXES = ("x", "y")
Pair = Annotated[tuple[Real, Real], Field(strict=False)]
PositivePair = Annotated[tuple[Positive, Positive], Field(strict=False)]


class Homing(Settings):
    """How one axis finds its switch: fast to it, back off, then slow touches from one direction."""

    towards: Literal[-1, 1] = Field(description="direction in machine mm in which the switch is approached")
    position_mm: Real = Field(description="machine position of the switch's edge, by definition")
    fast_mm_s: Positive
    slow_mm_s: Positive
    back_off_mm: Positive
    touches: int = Field(default=4, ge=2, le=50)
    search_max_mm: Positive = Field(description="give up when the switch has not come within this distance")
    spread_max_mm: Positive = Field(description="largest minus smallest touch that is accepted")
    difference_max_mm: Positive = Field(description="largest accepted difference from the last homing")


class Axis(Settings):
    """One axis: its drive, its belt and what it may do."""

    drive: DriveSettings
    min_mm: Real = Field(description="soft limit")
    max_mm: Real = Field(description="soft limit")
    speed_max_mm_s: Positive
    acceleration_max_mm_s2: Positive
    following_error_max_mm: Positive
    play_mm: NonNegative = Field(default=0.0, description="lost motion between motor and head, whole gap")
    loop_lag_ms: NonNegative = Field(default=0.0, description="first-order lag of the drive's velocity loop")
    moving_mass_kg: Positive
    homing: Homing

    @model_validator(mode="after")
    def _limits_agree(self) -> Self:
        if self.min_mm >= self.max_mm:
            raise ValueError(f"expected min_mm below max_mm, got {self.min_mm} and {self.max_mm}")
        if self.homing.slow_mm_s >= self.homing.fast_mm_s:
            raise ValueError(
                "expected homing.slow_mm_s below homing.fast_mm_s, "
                f"got {self.homing.slow_mm_s} and {self.homing.fast_mm_s}"
            )
        if self.homing.fast_mm_s > self.speed_max_mm_s:
            raise ValueError(
                "expected homing.fast_mm_s up to speed_max_mm_s, "
                f"got {self.homing.fast_mm_s} and {self.speed_max_mm_s}"
            )
        if self.drive.quick_stop_mm_s2 < self.acceleration_max_mm_s2:
            raise ValueError(
                "expected drive.quick_stop_mm_s2 of at least acceleration_max_mm_s2 (a stop must not be gentler "
                f"than motion), got {self.drive.quick_stop_mm_s2} and {self.acceleration_max_mm_s2}"
            )
        return self


class Motion(Settings):
    """Limits along the path (vectors over both axes) and the stated bounds of energy and stopping distance."""

    travel_speed_mm_s: Positive
    paint_speed_mm_s: Positive
    acceleration_mm_s2: Positive
    corner_angle_deg: Annotated[float, Field(gt=0, lt=180)] = Field(
        default=20.0, description="turns sharper than this are stopped at"
    )
    kinetic_energy_max_j: Positive = Field(description="check warns above this")
    stopping_distance_max_mm: Positive = Field(description="check warns above this")


class Trim(Settings):
    """How far measured positions may correct commanded velocities."""

    gain_per_s: NonNegative = 2.0
    authority_mm_s: NonNegative = 2.0


class Lease(Settings):
    """How long a velocity command stays valid, and when a beat is late."""

    lease_ms: Positive = Field(default=24.0, description="a velocity command is valid this long")
    beat_late_ms: Positive = Field(
        default=20.0, description="a beat older than this on arrival stops the axes"
    )
    guard_late_ms: Positive = Field(
        default=60.0, description="the streamer stops when the guard is silent so long"
    )


class Canvas(Settings):
    """Where the canvas hangs: its top left corner in machine mm, and its size."""

    origin_mm: Pair
    size_mm: PositivePair


class Machine(Settings):
    """A whole machine file."""

    format: Literal[1] = Field(description="version of this file format")
    name: str = Field(pattern=r"^[a-z0-9][a-z0-9-]{0,63}$")
    tick_us: int = Field(ge=500, le=100_000, description="length of one velocity tick")
    wire: CanWire
    axes: dict[str, Axis]
    home_order: tuple[str, ...] = Field(default=AXES, strict=False)
    park_mm: Pair = Field(description="where the head waits between passes, machine mm")
    head: DriveOutputHead
    motion: Motion
    canvas: Canvas
    trim: Trim = Trim()
    lease: Lease = Lease()
    twin: TwinParameters | None = None

    @model_validator(mode="after")
    def _parts_agree(self) -> Self:
        problems: list[str] = []
        if tuple(sorted(self.axes)) != AXES:
            raise ValueError(f"expected axes x and y, got {', '.join(sorted(self.axes)) or 'none'}")
        if tuple(sorted(self.home_order)) != AXES:
            problems.append(f"home_order: expected x and y once each, got {list(self.home_order)}")
        nodes = [axis.drive.node_id for axis in self.axes.values()]
        if len(set(nodes)) != len(nodes):
            problems.append(f"axes: expected different drive.node_id, got {nodes}")
        if self.head.axis not in self.axes:
            problems.append(f"head.axis: expected one of {', '.join(AXES)}, got {self.head.axis!r}")
        if self.wire.is_simulated and self.twin is None:
            problems.append("twin: expected a [twin] table with wire.channel 'simulated', got none")
        if self.twin is not None and tuple(sorted(self.twin.axes)) != AXES:
            problems.append(f"twin.axes: expected x and y, got {', '.join(sorted(self.twin.axes)) or 'none'}")
        fastest = min(axis.speed_max_mm_s for axis in self.axes.values())
        problems.extend(
            f"motion.{name}: expected at most the slower axis' speed_max_mm_s {fastest}, got {speed}"
            for name, speed in (
                ("travel_speed_mm_s", self.motion.travel_speed_mm_s),
                ("paint_speed_mm_s", self.motion.paint_speed_mm_s),
            )
            if speed > fastest
        )
        strongest = min(axis.acceleration_max_mm_s2 for axis in self.axes.values())
        if self.motion.acceleration_mm_s2 > strongest:
            problems.append(
                "motion.acceleration_mm_s2: expected at most the weaker axis' acceleration_max_mm_s2 "
                f"{strongest}, got {self.motion.acceleration_mm_s2}"
            )
        for index, name in enumerate(AXES):
            axis = self.axes[name]
            low, high = (
                self.canvas.origin_mm[index],
                self.canvas.origin_mm[index] + self.canvas.size_mm[index],
            )
            if low < axis.min_mm or high > axis.max_mm:
                problems.append(
                    f"canvas: expected within axes.{name} from {axis.min_mm} to {axis.max_mm}, got {low} to {high}"
                )
            if not axis.min_mm <= self.park_mm[index] <= axis.max_mm:
                problems.append(
                    f"park_mm: expected within axes.{name} from {axis.min_mm} to {axis.max_mm}, "
                    f"got {self.park_mm[index]}"
                )
        if self.lease.lease_ms * 1000 < 2 * self.tick_us:
            problems.append(
                f"lease.lease_ms: expected at least two ticks of {self.tick_us / 1000} ms, got {self.lease.lease_ms}"
            )
        if problems:
            raise ValueError("; ".join(problems))
        return self

    @property
    def tick_ns(self) -> int:
        """Length of one tick in ns."""
        return self.tick_us * 1000

    def quantum_counts(self, axis: str) -> float:
        """Counts that one unit of velocity moves axis ``axis`` in one tick: the planner's grid."""
        return self.axes[axis].drive.velocity_unit_counts_s * self.tick_us * 1e-6

    def quanta_per_mm(self, axis: str) -> float:
        """Signed grid steps for one mm of ``axis`` in machine mm (the sign is the drive's direction)."""
        drive = self.axes[axis].drive
        return drive.direction * float(drive.counts_per_mm) / self.quantum_counts(axis)

    def group_settings(self) -> GroupSettings:
        """What the hardware layer gets to know of this machine."""
        return GroupSettings(
            wire=self.wire,
            axes={name: self.axes[name].drive for name in AXES},
            head=self.head,
            tick_us=self.tick_us,
        )
