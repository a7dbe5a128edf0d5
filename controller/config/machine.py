"""The machine file as frozen models: axes, wire, head, canvas, limits, and the simulated gantry where there is one.

Owns what a machine is; knows nothing of pictures. Contradictions between fields are refused when a ``Machine`` is
made (controller/config/rules.py and motionrules.py). Frames: *machine mm*, x to the right, y downwards, zero where the
homing switches say so; *axis mm* are what the axes themselves read, the same but for length tables, squareness and sag
(controller/motion/geometry.py). Limits, homing, park and the places of tables are axis mm; the canvas is machine mm.
"""

from __future__ import annotations

from typing import Annotated, Literal, Self

from pydantic import Field, model_validator

from controller.config.calibration import Calibration
from controller.config.contradictions import AXES as AXES
from controller.config.contradictions import ContradictionsError, run_rules
from controller.config.maintenance import Maintenance
from controller.config.mqtt import Mqtt
from controller.config.plane import LEVEL, Plane
from controller.config.rules import machine_rules
from controller.config.values import of_model
from drivers.settings import (
    DriveSettings,
    GroupSettings,
    Head,
    NonNegative,
    Positive,
    Real,
    Settings,
    StopsSettings,
    Wire,
)
from drivers.twin.parameters import TwinParameters

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


Numbers = Annotated[tuple[Real, ...], Field(strict=False, min_length=1)]
NonNegatives = Annotated[tuple[NonNegative, ...], Field(strict=False, min_length=1)]
Positives = Annotated[tuple[Positive, ...], Field(strict=False, min_length=1)]
NonNegativePair = Annotated[tuple[NonNegative, NonNegative], Field(strict=False)]


_PLACES = "places along the axis as it reads them, rising; straight lines between, the ends hold beyond"


class PlayTable(Settings):
    """Play measured at several places of an axis; straight lines between, the ends hold beyond."""

    position_mm: Numbers = Field(description=_PLACES)
    play_mm: NonNegatives = Field(description="whole gap at that place; used in place of the axis' play_mm")


class Belt(Settings):
    """The belt as a spring that drives the head's mass; softer or stiffer by place."""

    position_mm: Numbers = Field(description=_PLACES)
    frequency_hz: Positives = Field(
        description="natural frequency of the head on its belt at that place, at least 1 Hz and at most one in 4 ticks"
    )
    damping: Annotated[float, Field(ge=0, lt=1)] = Field(
        default=0.0, description="damping ratio: 0.05 loses 27 % of the swing in each period"
    )


class LengthTable(Settings):
    """How far the axis truly goes: error = true place - place that belt pitch, teeth and gear say."""

    position_mm: Numbers = Field(description=_PLACES)
    error_mm: Numbers = Field(
        description="true place less the place that the axis reads (positive: it went too far), "
        "changing by at most 10 mm a metre"
    )


class Sag(Settings):
    """How far the head hangs lower (positive: down) than the straight line, by its place along x."""

    position_mm: Numbers = Field(
        description="places along x as the axis reads them, rising; straight lines between, the ends hold beyond"
    )
    drop_mm: Numbers = Field(
        description="how much lower the head hangs there (positive: down), changing by at most 20 mm a metre"
    )


class Geometry(Settings):
    """How the two axes lie in the plane of the canvas."""

    squareness_mm_m: Real = Field(
        default=0.0,
        description="how far x drifts to the right per metre that y goes down; between -20 and 20",
    )
    sag: Sag | None = Field(default=None, description="left out: the head runs level")


class Pen(Settings):
    """How the tip stands off the holder while it touches the canvas."""

    lean_mm: NonNegativePair = Field(
        default=(0.0, 0.0),
        description="how far the tip trails the holder when drawn along x, along y (half the difference between lines "
        "drawn either way, play taken out); at most 2",
    )
    landing_mm: Pair = Field(
        default=(0.0, 0.0),
        description="where the tip lands, from the holder's centre: right and down positive; at most 5 either way",
    )


class Axis(Settings):
    """One axis: its drive, its belt and what it may do."""

    drive: DriveSettings
    min_mm: Real = Field(description="soft limit")
    max_mm: Real = Field(description="soft limit")
    speed_max_mm_s: Positive
    acceleration_max_mm_s2: Positive
    following_error_max_mm: Positive
    play_mm: NonNegative = Field(default=0.0, description="lost motion between motor and head, whole gap")
    play_table: PlayTable | None = Field(default=None, description="left out: play_mm holds everywhere")
    loop_lag_ms: NonNegative = Field(
        default=0.0, description="first-order lag of the drive's velocity loop; at most 200"
    )
    latency_ms: NonNegative = Field(
        default=0.0, description="from the instant of a command until it acts; at most 200"
    )
    belt: Belt | None = Field(default=None, description="left out: the belt is taken for stiff")
    length_table: LengthTable | None = Field(default=None, description="left out: the axis goes as it reads")
    moving_mass_kg: Positive
    homing: Homing

    @property
    def play_max_mm(self) -> float:
        """The largest play anywhere on the axis."""
        return self.play_mm if self.play_table is None else max(self.play_table.play_mm)

    @property
    def belt_hz_min(self) -> float | None:
        """The belt's lowest natural frequency; None when it is taken for stiff."""
        return None if self.belt is None else min(self.belt.frequency_hz)


class Motion(Settings):
    """Limits along the path (vectors over both axes) and the stated bounds of energy and stopping distance."""

    travel_speed_mm_s: Positive
    paint_speed_mm_s: Positive
    acceleration_mm_s2: Positive
    corner_angle_deg: Annotated[float, Field(gt=0, lt=180)] = Field(
        default=20.0, description="turns sharper than this are corners"
    )
    jerk_mm_s3: Positive = Field(
        default=250_000.0,
        description="limit of the change of acceleration: it is built up in acceleration / jerk seconds",
    )
    corners: Literal["stop", "round"] = Field(
        default="stop", description="stop at corners, or round them within corner_tolerance_mm"
    )
    corner_tolerance_mm: Positive = Field(
        default=0.05, description="farthest that a rounded corner may pass beside its vertex; at most 5"
    )
    reversal_error_mm: Positive = Field(
        default=0.05,
        description="strokes slow down where taking up the play would cost more than this; at least 0.005",
    )
    travel_shaping: Literal["none", "zv", "zvd"] = Field(
        default="none", description="shape travel moves so that the belt does not ring after them"
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
    feedback_late_ms: Positive = Field(
        default=60.0, description="the streamer stops when a drive is silent so long"
    )


class Pause(Settings):
    """What the motors do while a pass is paused and a person looks."""

    motors: Literal["hold", "off"] = Field(
        default="hold",
        description="hold: enabled under the guard; off: without power, and going on homes first",
    )
    hold_max_min: Positive = Field(
        default=30.0, le=240.0, description="motors that hold are off after so long"
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
    wire: Wire
    axes: dict[str, Axis]
    home_order: tuple[str, ...] = Field(default=AXES, strict=False)
    park_mm: Pair = Field(description="where the head waits between passes, machine mm")
    head: Head
    motion: Motion
    canvas: Canvas
    geometry: Geometry = Geometry()
    pen: Pen = Pen()
    trim: Trim = Trim()
    lease: Lease = Lease()
    pause: Pause = Pause()
    stops: StopsSettings = StopsSettings()
    mqtt: Mqtt | None = Field(default=None, description="left out: nobody is told of sessions over MQTT")
    maintenance: Maintenance | None = Field(
        default=None, description="left out: nobody is reminded of inspections"
    )
    calibration: Calibration = Calibration()
    twin: TwinParameters | None = None

    @model_validator(mode="after")
    def _parts_agree(self) -> Self:
        found = run_rules(machine_rules(), of_model(self))
        if found:
            raise ContradictionsError(found)
        return self

    @property
    def tick_ns(self) -> int:
        """Length of one tick in ns."""
        return self.tick_us * 1000

    @property
    def plane(self) -> Plane:
        """Length tables, sag and squareness: how machine mm lie on the axes."""
        tables = [self.axes[axis].length_table for axis in AXES]
        x, y = (LEVEL if table is None else (table.position_mm, table.error_mm) for table in tables)
        sag = self.geometry.sag
        drops = LEVEL if sag is None else (sag.position_mm, sag.drop_mm)
        return Plane((x, y), drops, self.geometry.squareness_mm_m * 1e-3)

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
