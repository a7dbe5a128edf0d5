"""What the hardware layer needs to know of a wire, an axis and a head. Data only, refused at the door when bad.

The machine file's tables are built from these models; units stand in the field names.
"""

from __future__ import annotations

from fractions import Fraction
from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field

SIMULATED_CHANNEL = "simulated"


class Settings(BaseModel):
    """Base of every settings model: strict, frozen, no unknown field, no infinity."""

    model_config = ConfigDict(strict=True, extra="forbid", frozen=True, allow_inf_nan=False)


SMALLEST = 1e-9
LARGEST = 1e9
# Every quantity of a machine lies far inside these; with them no formula over settings meets infinity or zero.
Positive = Annotated[float, Field(ge=SMALLEST, le=LARGEST)]
NonNegative = Annotated[float, Field(ge=0, le=LARGEST)]
Real = Annotated[float, Field(ge=-LARGEST, le=LARGEST)]


class CanWire(Settings):
    """A CAN bus reached through any python-can backend."""

    kind: Literal["can"] = "can"
    interface: str = Field(description="python-can backend by name: slcan, socketcan, ...")
    channel: str = Field(description="the backend's channel; 'simulated' for the simulated gantry's own line")
    bitrate_bit_s: int = Field(gt=0, le=1_000_000)
    heartbeat_ms: int = Field(
        default=40, ge=5, le=1000, description="our heartbeat; a drive that misses it stops by itself"
    )
    heartbeat_lost_after_ms: int = Field(default=160, ge=10, le=5000)
    sdo_timeout_s: Positive = 0.5

    @property
    def is_simulated(self) -> bool:
        """Whether the wire ends in the simulated gantry."""
        return self.channel == SIMULATED_CHANNEL


class DriveSettings(Settings):
    """One CiA 402 drive and the belt it pulls."""

    node_id: int = Field(ge=1, le=127)
    direction: Literal[-1, 1] = Field(description="+1 when positive counts move the head towards positive mm")
    counts_per_turn: int = Field(gt=0, lt=2**31)
    belt_pitch_mm: Positive
    pulley_teeth: int = Field(gt=0, le=10_000)
    gear_motor_turns: int = Field(
        default=1, gt=0, le=1_000_000, description="motor turns for gear_pulley_turns of the pulley"
    )
    gear_pulley_turns: int = Field(default=1, gt=0, le=1_000_000)
    velocity_unit_counts_s: Positive = Field(
        default=1.0, description="counts per second that one unit of the drive's velocity command means"
    )
    quick_stop_mm_s2: Positive = Field(description="deceleration of the drive's own quick stop")

    @property
    def travel_per_turn_mm(self) -> Fraction:
        """Travel for one motor turn, exact: pitch x teeth x gear."""
        pitch_mm = Fraction(str(self.belt_pitch_mm))
        return pitch_mm * self.pulley_teeth * self.gear_pulley_turns / self.gear_motor_turns

    @property
    def counts_per_mm(self) -> Fraction:
        """Counts per mm without sign, exact and possibly non-terminating in decimals."""
        return Fraction(self.counts_per_turn) / self.travel_per_turn_mm


class DriveOutputHead(Settings):
    """A pen lift wired to a drive's digital output, answering on that drive's digital inputs (60FEh, 60FDh)."""

    kind: Literal["drive-output"] = "drive-output"
    axis: str = Field(description="the axis whose drive carries the output")
    output_bit: int = Field(ge=0, le=31)
    down_input_bit: int = Field(ge=0, le=31, description="input that closes when the pen is down")
    up_input_bit: int = Field(ge=0, le=31, description="input that closes when the pen is up")
    settle_down_ms: NonNegative
    settle_up_ms: NonNegative
    answer_timeout_ms: Positive = 1000.0


class GroupSettings(Settings):
    """All drives on one wire, in axis order, and the head."""

    wire: CanWire
    axes: dict[str, DriveSettings]
    head: DriveOutputHead
    tick_us: int = Field(gt=0)
