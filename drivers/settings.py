"""What the hardware layer needs to know of a wire, an axis and a head. Data only, refused at the door when bad.

The machine file's tables are built from these models; units stand in the field names.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from fractions import Fraction
from typing import Annotated, Any, Literal, Self

from pydantic import BeforeValidator, Field, model_validator
from pydantic.json_schema import SkipJsonSchema

from drivers import serialtime
from drivers.described.format import DriveFile
from drivers.heads.settings import DriveOutputHead as DriveOutputHead
from drivers.heads.settings import Head as Head
from drivers.model import LARGEST as LARGEST
from drivers.model import SMALLEST as SMALLEST
from drivers.model import NonNegative as NonNegative
from drivers.model import Positive as Positive
from drivers.model import Real as Real
from drivers.model import Settings as Settings
from drivers.quirks import Quirk

SIMULATED_CHANNEL = "simulated"


OptionName = Annotated[str, Field(pattern=r"^[A-Za-z][A-Za-z0-9_]{0,63}$")]
OptionValue = (
    bool
    | Annotated[int, Field(ge=-(1 << 63), lt=1 << 63)]
    | Real
    | Annotated[str, Field(min_length=1, max_length=200)]
)


class CanAdapter(Settings):
    """How a CAN bus is reached: the adapter by the name of its backend, and who else may speak through it."""

    interface: str = Field(
        description="slcan (a link of our own) or a python-can backend by name: socketcan, socketcand, pcan, ...; "
        "python-can:slcan is python-can's own"
    )
    channel: str = Field(description="the backend's channel; 'simulated' for the simulated gantry's own line")
    bitrate_bit_s: int = Field(gt=0, le=1_000_000)
    options: dict[OptionName, OptionValue] = Field(
        default={},
        max_length=16,
        description="what python-can's backend wants to know besides, by its own names (socketcand: host, port)",
    )
    stop_by: Literal["wire", "power-cut"] = Field(
        default="wire",
        description="how the guard stops the drives: over the wire, by a handle of its own; or, where the adapter lets "
        "nobody else in, by [stops.power_cut] alone",
    )


class CanWire(CanAdapter):
    """A CAN bus reached through any python-can backend."""

    kind: Literal["can"] = "can"
    heartbeat_ms: int = Field(
        default=40, ge=5, le=1000, description="our heartbeat; a drive that misses it stops by itself"
    )
    heartbeat_lost_after_ms: int = Field(default=160, ge=10, le=5000)
    sdo_timeout_s: Positive = 0.5
    pdo: Literal["sync", "immediate"] = Field(
        default="sync",
        description="when drives take a command: all at the SYNC behind it, or each as soon as its own frame is there",
    )

    @property
    def is_simulated(self) -> bool:
        """Whether the wire ends in the simulated gantry."""
        return self.channel == SIMULATED_CHANNEL

    @property
    def serial_baud(self) -> int | None:
        """Speed of the serial side of an slcan adapter where the channel names it ("/dev/ttyUSB0@1000000")."""
        speed = self.channel.partition("@")[2]
        return int(speed) if self.interface == "slcan" and speed.isdecimal() and int(speed) > 0 else None


Baud = Literal[115_200, 230_400, 460_800, 500_000, 921_600, 1_000_000, 1_500_000, 2_000_000]
"""Speeds that a Linux terminal knows by name, fast enough for the guard to prove standstill by."""


class SerialWire(Settings):
    """A serial line: what its port must be set to."""

    channel: str = Field(description="the serial port; 'simulated' for the simulated gantry's own line")
    bitrate_bit_s: Baud = Field(description="what the trade calls the baud rate")
    parity: Literal["even", "odd", "none"] = Field(
        default="even", description="Modbus' own is even; without parity it asks for two stop bits"
    )
    stop_bits: Literal[1, 2] = 1

    @property
    def is_simulated(self) -> bool:
        """Whether the wire ends in the simulated gantry."""
        return self.channel == SIMULATED_CHANNEL

    @property
    def character_bits(self) -> int:
        """Bits of one character on the line: start, eight, parity, stop."""
        return 9 + (self.parity != "none") + self.stop_bits

    @property
    def character_ns(self) -> int:
        """Time of one character on the line."""
        return -(-self.character_bits * 1_000_000_000 // self.bitrate_bit_s)


class ModbusWire(SerialWire):
    """A serial line on which drives speak Modbus RTU."""

    kind: Literal["modbus-rtu"]
    silence_us: Annotated[int, Field(ge=50, le=20_000)] = Field(
        default=1750,
        description="silence between frames: 1750 above 19200 bit/s by the standard; less only where every drive's "
        "manual allows it (3.5 characters are the least)",
    )
    turnaround_us: Annotated[int, Field(ge=0, le=20_000)] = Field(
        default=1000, description="the longest that a drive thinks between a request's silence and its answer"
    )
    command_timeout_ms: Annotated[int, Field(ge=10, le=5000)] = Field(
        default=160, description="a drive that hears no request for so long stops by itself"
    )
    answer_timeout_s: Positive = 0.5

    @property
    def heartbeat_lost_after_ms(self) -> int:
        """Time without a word of ours after which a drive stops by itself: what a CAN wire calls so."""
        return self.command_timeout_ms

    @property
    def silence_ns(self) -> int:
        """Silence between frames."""
        return self.silence_us * 1000

    @model_validator(mode="after")
    def _is_long_enough(self) -> Self:
        least_us = 3.5 * self.character_ns / 1000
        if self.silence_us < least_us:
            raise ValueError(f"silence_us of at least 3.5 characters ({least_us:.0f} us)")
        return self


class _DescribedWire(Settings):
    """What both wires of described drives have."""

    command_timeout_ms: Annotated[int, Field(ge=10, le=5000)] = Field(
        default=160,
        description="a drive that hears nothing for so long stops by itself, where its file says how; a fixed time of "
        "the drive's own must be given here as it is",
    )
    answer_timeout_s: Positive = 0.5

    @property
    def heartbeat_lost_after_ms(self) -> int:
        """Time without a word of ours after which a drive stops by itself: what a CAN wire calls so."""
        return self.command_timeout_ms


class DescribedCanWire(CanAdapter, _DescribedWire):
    """A CAN bus on which drives speak frames that their owner has written down (``drive_file`` of each axis)."""

    kind: Literal["described-can"]

    @property
    def is_simulated(self) -> bool:
        """Whether the wire ends in the simulated gantry."""
        return self.channel == SIMULATED_CHANNEL


class DescribedSerialWire(SerialWire, _DescribedWire):
    """A serial line on which drives speak frames that their owner has written down (``drive_file`` of each axis)."""

    kind: Literal["described-serial"]


DESCRIBED_KINDS: dict[str, str] = {"described-can": "can", "described-serial": "serial"}
"""Wires of described drives, and what their files call them."""


def _with_kind(value: Any) -> Any:
    return {"kind": "can", **value} if isinstance(value, dict) else value


Wire = Annotated[
    CanWire | ModbusWire | DescribedCanWire | DescribedSerialWire,
    Field(discriminator="kind"),
    BeforeValidator(_with_kind),
]
"""Any wire; without ``kind`` it is CAN."""

Register = Annotated[int, Field(ge=0, le=0xFFFF)]
Word = Annotated[int, Field(ge=0, le=0xFFFF)]
Bit = Annotated[int, Field(ge=0, le=15)]
StateName = Literal[
    "not ready to switch on", "switch on disabled", "ready to switch on", "switched on", "operation enabled",
    "quick stop active", "fault reaction active", "fault",
]  # fmt: skip


class StatusPattern(Settings):
    """A state that the drive's status word means: ``status & mask == value``."""

    mask: Word
    value: Word
    state: StateName


class SetUpRegister(Settings):
    """A register to be set before use, and read back."""

    number: Register
    value: Annotated[int, Field(ge=-(1 << 31), lt=1 << 32)]
    bits: Literal[16, 32] = 16


class ModbusRegisters(Settings):
    """Where a drive keeps what we write and read, numbered from 0 as on the wire, and what its words mean.

    What is written each tick (control, velocity, and the head's outputs where there are some) must lie side by side:
    nothing in between is ever written. What is read must lie within ``READ_SPAN_MAX`` registers.
    """

    word_order: Literal["high-first", "low-first"] = Field(
        default="high-first", description="of values of 32 bits: which register holds the upper half"
    )
    control: Register
    velocity: Register = Field(description="signed, in units of velocity_unit_counts_s")
    velocity_bits: Literal[16, 32] = 32
    outputs: Register | None = Field(default=None, description="bit n is the head's output_bit 16 + n")
    status: Register
    position: Register = Field(description="signed, 32 bits, counts")
    speed: Register = Field(description="signed, as wide as velocity, the same units")
    inputs: Register = Field(description="bit n is the head's input bit 16 + n")
    fault: Register | None = Field(default=None, description="the drive's own error code")
    timeout: Register | None = Field(
        default=None,
        description="time without a request after which the drive stops by itself; 0 is off. Left out: it has none",
    )
    timeout_unit_ms: Annotated[int, Field(ge=1, le=1000)] = 1
    enable_words: Annotated[tuple[Word, ...], Field(strict=False, min_length=1, max_length=8)] = Field(
        description="control words that lead to operation, one a round; the last is held"
    )
    disable_word: Word = Field(description="takes the motor's power away")
    quick_stop_word: Word = Field(description="stops with the drive's own ramp; goes to all drives at once")
    clear_word: Word = Field(description="acknowledges a fault, out of operation; written after disable_word")
    states: Annotated[tuple[StatusPattern, ...], Field(strict=False, min_length=2, max_length=32)] = Field(
        description="the first that fits counts; a word that fits none is unknown, which is never healthy"
    )
    power_mask: Word = Field(
        default=0,
        description="status bits that are all set while there is motor power; 0: the drive does not say",
    )
    negative_limit_bit: Bit | None = None
    positive_limit_bit: Bit | None = None
    home_bit: Bit | None = None
    set_up: Annotated[tuple[SetUpRegister, ...], Field(strict=False, max_length=64)] = ()

    @property
    def written(self) -> tuple[int, int]:
        """First register and count of what is written in every exchange."""
        first = min(place for place, _ in self._writes())
        return first, sum(count for _, count in self._writes())

    @property
    def looked_at(self) -> tuple[int, int]:
        """First register and count of what is read in every exchange."""
        spans = list(self._reads())
        first = min(place for place, _ in spans)
        return first, max(place + count for place, count in spans) - first

    def _writes(self) -> Iterator[tuple[int, int]]:
        yield self.control, 1
        yield self.velocity, self.velocity_bits // 16
        if self.outputs is not None:
            yield self.outputs, 1

    def _reads(self) -> Iterator[tuple[int, int]]:
        yield self.status, 1
        yield self.position, 2
        yield self.speed, self.velocity_bits // 16
        yield self.inputs, 1
        if self.fault is not None:
            yield self.fault, 1

    @model_validator(mode="after")
    def _lie_together(self) -> Self:
        at = self.written[0]
        for place, count in sorted(self._writes()):
            if place != at:
                raise ValueError(
                    f"control, velocity and outputs side by side (register {at} is none of them or two)"
                )
            at += count
        if self.looked_at[1] > READ_SPAN_MAX:
            raise ValueError(
                f"what is read within {READ_SPAN_MAX} registers (these span {self.looked_at[1]})"
            )
        if not any(pattern.state == "operation enabled" for pattern in self.states):
            raise ValueError("a state 'operation enabled' in states")
        return self


READ_SPAN_MAX = 32


class DriveSettings(Settings):
    """One drive and the belt it pulls: CiA 402 on CAN, or by its register map on a serial line."""

    node_id: int = Field(ge=1, le=127, description="CANopen node or Modbus unit")
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
        description="how the drive notices that nobody commands it any more: objects 1016h and 6007h (a register map's "
        "timeout), or not at all",
    )
    registers: ModbusRegisters | None = Field(
        default=None, description="the register map of a drive on a Modbus line; there it is needed"
    )
    drive_file: str | None = Field(
        default=None,
        min_length=1,
        max_length=400,
        description="the drive file of a described drive, as a path from the machine file; a described wire needs it",
    )
    described: SkipJsonSchema[DriveFile | None] = Field(
        default=None, description="what stands in drive_file: read when the machine file is read"
    )
    acceleration_unit_counts_s2: Positive | None = Field(
        default=None,
        description="counts/s2 that one unit of 6085h means; left out: velocity_unit_counts_s per second",
    )
    eds: str | None = Field(
        default=None,
        min_length=1,
        max_length=200,
        description="the maker's EDS file of a drive on CAN, beside the machine file; what we need is looked up in it",
    )
    quirks: Annotated[tuple[Quirk, ...], Field(strict=False, max_length=16)] = Field(
        default=(), description="what this drive on CAN does otherwise than others, by name (docs/drivers.md)"
    )

    @property
    def quick_stop_unit_counts_s2(self) -> float:
        """Counts/s2 that one unit of the quick stop's deceleration (6085h) means."""
        return self.acceleration_unit_counts_s2 or self.velocity_unit_counts_s

    @property
    def notices_silence(self) -> bool:
        """Whether the drive stops by itself when it hears nothing of us."""
        has_none = self.registers is not None and self.registers.timeout is None
        has_none = has_none or (self.described is not None and not self.described.notices_silence)
        return self.command_timeout != "none" and not has_none

    @property
    def travel_per_turn_mm(self) -> Fraction:
        """Travel for one motor turn, exact: pitch x teeth x gear."""
        pitch_mm = Fraction(str(self.belt_pitch_mm))
        return pitch_mm * self.pulley_teeth * self.gear_pulley_turns / self.gear_motor_turns

    @property
    def counts_per_mm(self) -> Fraction:
        """Counts per mm without sign, exact and possibly non-terminating in decimals."""
        return Fraction(self.counts_per_turn) / self.travel_per_turn_mm


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

    wire: Wire
    axes: dict[str, DriveSettings]
    head: Head
    tick_us: int = Field(gt=0)

    @property
    def drive_output(self) -> DriveOutputHead | None:
        """The head where it hangs on a drive's output."""
        return self.head if isinstance(self.head, DriveOutputHead) else None

    @property
    def can(self) -> CanWire:
        """The wire as a CAN bus. Raises TypeError for another one."""
        if not isinstance(self.wire, CanWire):
            raise TypeError(f"expected a CAN bus, got {self.wire.kind}")
        return self.wire

    @property
    def modbus(self) -> ModbusWire:
        """The wire as a Modbus line. Raises TypeError for another one."""
        if not isinstance(self.wire, ModbusWire):
            raise TypeError(f"expected a Modbus line, got {self.wire.kind}")
        return self.wire


def described_of(axis: str, drive: DriveSettings) -> DriveFile:
    """What the drive's file says. Raises ValueError without one."""
    if drive.described is None:
        raise ValueError(f"axes.{axis}.drive.drive_file: expected a drive file on a described wire, got none")
    return drive.described


def registers_of(axis: str, drive: DriveSettings) -> ModbusRegisters:
    """The drive's register map. Raises ValueError without one."""
    if drive.registers is None:
        raise ValueError(f"axes.{axis}.drive.registers: expected a register map on a Modbus line, got none")
    return drive.registers


def exchange_ns(wire: ModbusWire, registers: ModbusRegisters) -> int:
    """Time of one exchange with a drive of this map, at most."""
    return serialtime.exchange_ns(
        registers.written[1],
        registers.looked_at[1],
        wire.character_ns,
        wire.silence_us * 1000,
        wire.turnaround_us * 1000,
    )


def acts_after_ns(wire: ModbusWire, maps: Sequence[ModbusRegisters]) -> tuple[int, ...]:
    """For each axis: from the tick's instant until its drive may act on its command. The axes follow one another."""
    instants, begin_ns = [], 0
    for registers in maps:
        way_ns = serialtime.request_ns(registers.written[1], wire.character_ns, wire.silence_us * 1000)
        instants.append(begin_ns + way_ns)
        begin_ns += exchange_ns(wire, registers)
    return tuple(instants)
