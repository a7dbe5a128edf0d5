"""What the hardware layer needs to know of a head: how it is told, how it answers, when it has settled. Data only.

Owns the models of every kind of head, and what follows from them alone. What a head must agree on with wire and axes
are rules of the machine file.
"""

from __future__ import annotations

from typing import Annotated, Any, Literal, Self

from pydantic import BeforeValidator, Field, model_validator
from pydantic.json_schema import SkipJsonSchema

from drivers.heads.headfile import HeadFile
from drivers.heads.pattern import Pattern
from drivers.model import NonNegative, Positive, Real, Settings

SIMULATED_PORT = "simulated"

HeadBaud = Literal[
    9600, 19_200, 38_400, 57_600, 115_200, 230_400, 460_800, 500_000, 921_600, 1_000_000,
]  # fmt: skip
Parity = Literal["even", "odd", "none"]


class TimeSettling(Settings):
    """Settled when the switches say so and the settling time is over."""

    kind: Literal["time"] = "time"


class TravelSettling(Settings):
    """Settled when the lift's measured place has stayed within a window."""

    kind: Literal["travel"]
    up_mm: Real = Field(description="reading while the pen is up")
    down_mm: Real = Field(description="reading while the pen is on the canvas")
    window_mm: Positive = Field(description="half width of both windows")
    hold_ms: NonNegative = Field(description="so long the reading must stay in its window")
    leave_ms: NonNegative = Field(
        default=200.0,
        description="settled, and then outside of its window for longer than this: it has left again",
    )

    @model_validator(mode="after")
    def _windows_apart(self) -> Self:
        if abs(self.up_mm - self.down_mm) <= 2 * self.window_mm:
            raise ValueError(
                f"up_mm and down_mm more than two window_mm apart (they are {abs(self.up_mm - self.down_mm):g} mm)"
            )
        return self

    def is_there(self, value: float, goal: int) -> bool:
        """Whether a reading fits ``goal`` (1 is down)."""
        return abs(value - (self.down_mm if goal else self.up_mm)) <= self.window_mm

    def words(self, goal: int) -> str:
        """What is expected of a reading."""
        return f"{self.down_mm if goal else self.up_mm:g} mm +/- {self.window_mm:g}"


class ForceSettling(Settings):
    """Settled when the pressing force has stayed within a window; up when next to none is left."""

    kind: Literal["force"]
    down_n: Positive = Field(description="force while the pen paints")
    window_n: Positive = Field(description="half width of that window")
    up_max_n: NonNegative = Field(description="force that is none, of a pen that touches nothing")
    hold_ms: NonNegative = Field(description="so long the reading must stay in its window")
    leave_ms: NonNegative = Field(
        default=200.0,
        description="settled, and then outside of its window for longer than this: it has left again",
    )

    @model_validator(mode="after")
    def _windows_apart(self) -> Self:
        if self.down_n - self.window_n <= self.up_max_n:
            raise ValueError(f"up_max_n below down_n - window_n ({self.down_n - self.window_n:g})")
        return self

    def is_there(self, value: float, goal: int) -> bool:
        """Whether a reading fits ``goal`` (1 is down)."""
        return abs(value - self.down_n) <= self.window_n if goal else value <= self.up_max_n

    def words(self, goal: int) -> str:
        """What is expected of a reading."""
        return f"{self.down_n:g} N +/- {self.window_n:g}" if goal else f"at most {self.up_max_n:g} N"


Settling = Annotated[TimeSettling | TravelSettling | ForceSettling, Field(discriminator="kind")]


class _AnyHead(Settings):
    """What every head has."""

    settle_down_ms: NonNegative = Field(
        description="planned time for the pen to come down; settling by time: it is over then, not before"
    )
    settle_up_ms: NonNegative
    answer_timeout_ms: Positive = Field(
        default=1000.0, description="a head that is not there by then (settled, where it measures) is lost"
    )
    without_power: Literal["up", "stays", "down", "unknown"] = Field(
        default="unknown", description="what the pen does when the head loses its power; up is what one wants"
    )


class DriveOutputHead(_AnyHead):
    """A pen lift wired to a drive's digital output, answering on that drive's digital inputs (60FEh, 60FDh)."""

    kind: Literal["drive-output"] = "drive-output"
    axis: str = Field(description="the axis whose drive carries the output")
    output_bit: int = Field(ge=0, le=31)
    down_input_bit: int = Field(ge=0, le=31, description="input that closes when the pen is down")
    up_input_bit: int = Field(ge=0, le=31, description="input that closes when the pen is up")

    @property
    def settle(self) -> Settling:
        """By time: a drive hands on no reading."""
        return TimeSettling()

    @property
    def has_switches(self) -> tuple[bool, bool]:
        """Whether the head says by a switch that it is up, down."""
        return True, True

    @property
    def silent_ns(self) -> int | None:
        """The drive's own silence is judged already."""
        return None


class _OwnHead(_AnyHead):
    """A head with a voice of its own."""

    settle: Settling = Field(default=TimeSettling(), description="left out: by switches and settling times")
    silent_after_ms: Annotated[float, Field(ge=5, le=5000)] = Field(
        default=300.0, description="a head that has said nothing for so long is lost"
    )

    @property
    def silent_ns(self) -> int | None:
        """Longest silence."""
        return round(self.silent_after_ms * 1e6)


InputBit = Annotated[int, Field(ge=0, le=7)]


class NodeHead(_OwnHead):
    """A pen lift on a generic input/output node of the drives' own CANopen bus (CiA 401)."""

    kind: Literal["node"]
    node_id: Annotated[int, Field(ge=1, le=126)]
    output_bit: InputBit = Field(description="bit of object 6200h:1; set means down")
    down_input_bit: InputBit | None = Field(
        default=None, description="bit of object 6000h:1 that is set when the pen is down"
    )
    up_input_bit: InputBit | None = Field(default=None, description="the same, up")
    analogue_input: Annotated[int, Field(ge=1, le=8)] | None = Field(
        default=None, description="sub-index of 6401h that holds travel or force"
    )
    analogue_step: Positive | Annotated[float, Field(lt=0, ge=-1e9)] = Field(
        default=1.0, description="mm or N of one step of the analogue input"
    )
    analogue_zero: Real = Field(default=0.0, description="mm or N at a reading of 0")
    error_output: Literal["6206h", "none"] = Field(
        default="6206h",
        description="how the node raises the pen by itself when our heartbeat is missing: objects 1016h, 1029h, 6206h "
        "and 6207h, or not at all",
    )

    @model_validator(mode="after")
    def _can_tell(self) -> Self:
        _check_switches(self.settle, self.down_input_bit is not None, self.up_input_bit is not None)
        if self.down_input_bit is not None and self.down_input_bit == self.up_input_bit:
            raise ValueError("up_input_bit and down_input_bit that differ")
        if (self.settle.kind != "time") is (self.analogue_input is None):
            raise ValueError("analogue_input with settling by travel or force, and only there")
        return self

    @property
    def has_switches(self) -> tuple[bool, bool]:
        """Whether the head says by a switch that it is up, down."""
        return self.up_input_bit is not None, self.down_input_bit is not None


def _check_switches(settle: Settling, has_down: bool, has_up: bool) -> None:
    if settle.kind == "time" and not (has_down and has_up):
        raise ValueError("a switch for down and one for up, where settling is by time")


class _PortHead(_OwnHead):
    ask_every_ms: Annotated[int, Field(ge=1, le=1000)] = Field(
        default=20, description="how often it is asked where it is"
    )
    line_timeout_ms: Annotated[int, Field(ge=1, le=2000)] = Field(
        default=60, description="an answer that has not come by then is lost; it is asked again"
    )

    @model_validator(mode="after")
    def _hears_in_time(self) -> Self:
        least_ms = 2 * max(self.ask_every_ms, self.line_timeout_ms)
        if self.silent_after_ms < least_ms:
            raise ValueError(
                f"silent_after_ms of at least {least_ms}: room for one answer that is lost "
                f"(got {self.silent_after_ms:g})"
            )
        return self


class Answer(Settings):
    """A line that the head may answer with. ``{value}`` stands for a number, the rest must be there as it is."""

    text: Annotated[str, Field(min_length=1, max_length=100)]
    means: Literal["up", "down", "between", "reading", "fault"] = Field(
        description="where it is; reading: it tells a value only; fault: it cannot be trusted"
    )

    @model_validator(mode="after")
    def _is_pattern(self) -> Self:
        Pattern(self.text)
        return self


Line = Annotated[str, Field(min_length=1, max_length=100, pattern=r"^[ -~]+$")]


class SerialHead(_PortHead):
    """A device on a serial port of its own that speaks in lines of text."""

    kind: Literal["serial"]
    channel: Annotated[str, Field(min_length=1, max_length=200)] = Field(
        description="its serial port; 'simulated' for the simulated gantry's"
    )
    bitrate_bit_s: HeadBaud = 115_200
    parity: Parity = "none"
    stop_bits: Literal[1, 2] = 1
    line_end: Literal["lf", "cr", "cr-lf"] = "lf"
    up: Line = Field(description="the line that raises the pen")
    down: Line = Field(description="the line that lowers it")
    ask: Line = Field(description="the line that asks where it is")
    accepted: Line | None = Field(
        default=None, description="what it answers to up and down; left out: nothing"
    )
    answers: Annotated[tuple[Answer, ...], Field(strict=False, min_length=1, max_length=16)] = Field(
        description="what it may answer to ask; the first that fits counts"
    )
    value_step: Positive | Annotated[float, Field(lt=0, ge=-1e9)] = Field(
        default=1.0, description="mm or N of one in {value}"
    )

    @model_validator(mode="after")
    def _can_tell(self) -> Self:
        means = {one.means for one in self.answers}
        _check_switches(self.settle, "down" in means, "up" in means)
        measured = [one for one in self.answers if one.means != "fault"]
        if self.settle.kind != "time" and not all(Pattern(one.text).has_value for one in measured):
            raise ValueError("{value} in every answer but a fault's, where settling is by travel or force")
        told = None if self.accepted is None else self.accepted.strip().encode()
        for one in self.answers:
            if told is not None and Pattern(one.text.strip()).match(told) is not None:
                raise ValueError(f"accepted that is no answer to ask ({self.accepted!r} fits {one.text!r})")
        if len({self.up, self.down, self.ask}) < 3:
            raise ValueError("three different lines up, down and ask")
        return self

    @property
    def has_switches(self) -> tuple[bool, bool]:
        """Whether the head says by a switch that it is up, down."""
        means = {one.means for one in self.answers}
        return "up" in means, "down" in means

    @property
    def is_simulated(self) -> bool:
        """Whether the port ends in the simulated gantry."""
        return self.channel == SIMULATED_PORT


class DescribedHead(_PortHead):
    """A device whose frames its owner has written down in a head file, on the drives' bus or on a port of its own."""

    kind: Literal["described"]
    head_file: Annotated[str, Field(min_length=1, max_length=400)] = Field(
        description="its file, as a path from the machine file"
    )
    device: SkipJsonSchema[HeadFile | None] = Field(
        default=None, description="what stands in head_file: read when the machine file is read"
    )
    node_id: Annotated[int, Field(ge=0, le=255)] = 1
    channel: Annotated[str, Field(min_length=1, max_length=200)] | None = Field(
        default=None,
        description="its serial port where its file says serial; 'simulated' for the simulated gantry's",
    )
    bitrate_bit_s: HeadBaud = 115_200
    parity: Parity = "none"
    stop_bits: Literal[1, 2] = 1

    @property
    def has_switches(self) -> tuple[bool, bool]:
        """Whether the head says by a switch that it is up, down."""
        if self.device is None:
            return False, False
        return self.device.up_bit is not None, self.device.down_bit is not None

    @property
    def is_simulated(self) -> bool:
        """Whether the port ends in the simulated gantry."""
        return self.channel == SIMULATED_PORT

    @property
    def is_on_bus(self) -> bool:
        """Whether it hangs on the drives' own bus."""
        return self.device is not None and self.device.can is not None


def _with_kind(value: Any) -> Any:
    return {"kind": "drive-output", **value} if isinstance(value, dict) else value


Head = Annotated[
    DriveOutputHead | NodeHead | SerialHead | DescribedHead,
    Field(discriminator="kind"),
    BeforeValidator(_with_kind),
]
"""Any head; without ``kind`` it is a drive's output."""

AnyHead = DriveOutputHead | NodeHead | SerialHead | DescribedHead
OwnHead = NodeHead | SerialHead | DescribedHead
"""Heads with a voice of their own."""
