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
    command_timeout: Literal["heartbeat", "none"] = Field(
        default="heartbeat",
        description="how the drive notices that nobody commands it any more: objects 1016h and 6007h, or not at all",
    )

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


InputName = Annotated[str, Field(pattern=r"^[a-z0-9][a-z0-9-]{0,63}$")]
DevicePath = Annotated[str, Field(min_length=1, max_length=200)]


class ModemLineInput(Settings):
    """A stop loop on a serial port's modem line; the guard reads it itself. An unplugged adapter is a stop."""

    kind: Literal["modem-line"]
    name: InputName
    device: DevicePath = Field(description="the serial port, by its /dev/serial/by-id name where it has one")
    line: Literal["dsr", "dcd", "cts", "ri"] = Field(description="asserted while the loop is closed")


class DriveInputSettings(Settings):
    """A stop loop on a digital input of a drive (60FDh), read with every answer of that drive."""

    kind: Literal["drive-input"]
    name: InputName
    axis: str = Field(description="the axis whose drive carries the input")
    bit: int = Field(ge=0, le=31, description="bit of object 60FDh that is set while the loop is closed")


class GpioInputSettings(Settings):
    """A stop loop on a line of a Linux GPIO chip; a reader process reports it to the guard."""

    kind: Literal["gpio"]
    name: InputName
    chip: DevicePath = Field(description="the chip's device, such as /dev/gpiochip0")
    line: int = Field(ge=0, le=65535, description="offset of the line on its chip")
    closed_level: Literal["high", "low"] = Field(
        default="high", description="level while the loop is closed; the pull goes to the other one"
    )


StopInputSettings = Annotated[
    ModemLineInput | DriveInputSettings | GpioInputSettings, Field(discriminator="kind")
]


class PowerCutSettings(Settings):
    """An output that holds the motors' power on while it is energised; the guard lets it go as its last means."""

    kind: Literal["modem-line"]
    device: DevicePath
    line: Literal["rts", "dtr"]
    open_after_ms: Annotated[float, Field(ge=50, le=60_000)] = Field(
        default=1000.0, description="without proof of standstill this long after the first stop, power is cut"
    )


class StopsSettings(Settings):
    """What stops the machine besides the software: inputs, each normally closed, and a power-cut output."""

    debounce_ms: Annotated[float, Field(ge=0, le=10)] = Field(
        default=2.0,
        description="an input that opens for less is taken for a disturbance; a stop waits no longer",
    )
    inputs: Annotated[tuple[StopInputSettings, ...], Field(strict=False, max_length=16)] = ()
    power_cut: PowerCutSettings | None = None


class InputReaderSettings(Settings):
    """What ``python -m drivers.inputs`` is told: which lines to read and where the guard listens."""

    input_socket: str = Field(min_length=1)
    inputs: Annotated[tuple[GpioInputSettings, ...], Field(strict=False, min_length=1, max_length=16)]
    debounce_ms: Annotated[float, Field(ge=0, le=10)] = 2.0
    report_ms: Annotated[float, Field(ge=1, le=1000)] = 5.0


class GroupSettings(Settings):
    """All drives on one wire, in axis order, and the head."""

    wire: CanWire
    axes: dict[str, DriveSettings]
    head: DriveOutputHead
    tick_us: int = Field(gt=0)
