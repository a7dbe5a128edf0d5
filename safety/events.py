"""What can happen to the guard, what it can decide, and the reasons it can give: plain data, no judgement."""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum, StrEnum
from typing import Literal

from safety.beat import Beat


class State(Enum):
    """Where the guard stands."""

    IDLE = "idle"
    ARMED = "armed"
    STOPPING = "stopping"
    LATCHED = "latched"


class Reason(StrEnum):
    """Why the machine was stopped; these codes stand in the latch and in the journal."""

    LEASE_OUT = "lease-out"
    LEASE_TOO_LONG = "lease-too-long"
    BEAT_MISSING = "beat-missing"
    BEAT_LATE = "beat-late"
    BEAT_REPEATED = "beat-repeated"
    BEAT_OUT_OF_ORDER = "beat-out-of-order"
    BEAT_UNREADABLE = "beat-unreadable"
    STREAMER_DIED = "streamer-died"
    SERVICE_DIED = "service-died"
    CLOSED_WITHOUT_WORD = "closed-without-word"
    STOP_ASKED = "stop-asked"
    ENVELOPE_POSITION = "envelope-position"
    ENVELOPE_SPEED = "envelope-speed"
    ENVELOPE_FOLLOWING = "envelope-following"
    GUARD_OVERRUN = "guard-overrun"
    GUARD_FAILED = "guard-failed"
    INPUT_OPEN = "input-open"
    WIRE_LOST = "wire-lost"
    BUS_OFF = "bus-off"
    BEAT_FLOOD = "beat-flood"
    FEEDBACK_STALE = "feedback-stale"
    DRIVE_FAULT = "drive-fault"
    MOTOR_POWER_LOST = "motor-power-lost"
    STREAMER_STOPPED = "streamer-stopped"
    STREAMER_SPINNING = "streamer-spinning"
    DISARMED_MOVING = "disarmed-moving"
    HANDLE_LOST = "handle-lost"


LATCH_UNREADABLE = "latch-unreadable"
"""What stands for a reason where the latch is there and cannot be read."""

Lease = Literal["", "never given", "given back", "held"]
"""What the guard's own book says of motion leases: what it had allowed, and no proof of anything. Empty: not known."""


@dataclass(frozen=True, slots=True)
class Heard:
    """A readable message from connection ``peer``: ARM, BEAT or DISARM."""

    peer: int
    beat: Beat


@dataclass(frozen=True, slots=True)
class Garbled:
    """A message from ``peer`` that cannot be read."""

    peer: int
    detail: str


@dataclass(frozen=True, slots=True)
class PeerClosed:
    """``peer`` closed its connection and lives on."""

    peer: int


@dataclass(frozen=True, slots=True)
class PeerDied:
    """The process behind ``peer`` is dead."""

    peer: int


@dataclass(frozen=True, slots=True)
class PeerStopped:
    """The process behind ``peer`` has been stopped (by a signal or a debugger): alive, and running nothing."""

    peer: int


@dataclass(frozen=True, slots=True)
class PeerSpinning:
    """The process behind ``peer`` burns the processor as no sound loop would."""

    peer: int
    detail: str


@dataclass(frozen=True, slots=True)
class ServiceDied:
    """The process that started the guard is dead."""


@dataclass(frozen=True, slots=True)
class StopAsked:
    """Somebody asks for a stop."""

    why: str
    by: str


@dataclass(frozen=True, slots=True)
class InputOpened:
    """A stop input (normally closed) is open or cannot be read. ``was_closed``: this guard has seen it closed."""

    name: str
    why: str = ""
    was_closed: bool = True


@dataclass(frozen=True, slots=True)
class InputClosed:
    """A stop input is closed now."""

    name: str


@dataclass(frozen=True, slots=True)
class WireLost:
    """The guard's own way to the drives is gone."""

    detail: str


@dataclass(frozen=True, slots=True)
class HandleLost:
    """The program that stops for the guard cannot be relied upon any more."""

    detail: str


@dataclass(frozen=True, slots=True)
class BusOff:
    """The bus takes no frames: its controller has gone off it, or nobody acknowledges."""

    detail: str


@dataclass(frozen=True, slots=True)
class GuardFailed:
    """The guard's own code has broken."""

    detail: str


@dataclass(frozen=True, slots=True)
class Overran:
    """The loop found that it took too long over something of its own."""

    late_ns: int


@dataclass(frozen=True, slots=True)
class LatchFound:
    """A latch stands that was written before."""

    detail: str


@dataclass(frozen=True, slots=True)
class Stood:
    """The stop sequence has ended: standstill proved, or given up on. May come again when proved later."""

    proved: bool


@dataclass(frozen=True, slots=True)
class Tick:
    """Nothing but time has passed."""


Event = (
    Heard
    | Garbled
    | PeerClosed
    | PeerDied
    | PeerStopped
    | PeerSpinning
    | ServiceDied
    | StopAsked
    | InputOpened
    | InputClosed
    | WireLost
    | HandleLost
    | BusOff
    | GuardFailed
    | Overran
    | LatchFound
    | Stood
    | Tick
)


@dataclass(frozen=True, slots=True)
class Keep:
    """Nothing to do."""


@dataclass(frozen=True, slots=True)
class Echo:
    """Tell the armed streamer that its word ``sequence`` was taken."""

    sequence: int
    lease_until_ns: int


@dataclass(frozen=True, slots=True)
class Refuse:
    """The word is not taken; its sender must not move anything."""

    text: str


@dataclass(frozen=True, slots=True)
class Stop:
    """Stop the machine now. Given out once; it stands for good."""

    reason: Reason
    text: str
    at_ns: int


Decision = Keep | Echo | Refuse | Stop
KEEP = Keep()


class IllegalEventError(RuntimeError):
    """The event cannot happen in this state, or time went back. Nothing has changed."""
