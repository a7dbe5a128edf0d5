"""The small boundary between motion and machine: what every group of drives must do, and may not.

Every implementation is held to these promises by one suite (tests/contract). Nothing here knows ink, strokes
or millimetres: positions are the drive's own counts, velocities the drive's own units.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import Enum
from typing import Protocol, runtime_checkable


class DriveState(Enum):
    """CiA 402 states (IEC 61800-7-201), and ``UNKNOWN`` for silence or an undefined statusword.

    ``UNKNOWN`` is never healthy.
    """

    UNKNOWN = "unknown"
    NOT_READY_TO_SWITCH_ON = "not ready to switch on"
    SWITCH_ON_DISABLED = "switch on disabled"
    READY_TO_SWITCH_ON = "ready to switch on"
    SWITCHED_ON = "switched on"
    OPERATION_ENABLED = "operation enabled"
    QUICK_STOP_ACTIVE = "quick stop active"
    FAULT_REACTION_ACTIVE = "fault reaction active"
    FAULT = "fault"


@dataclass(slots=True)
class AxisFeedback:
    """The latest word of one drive. Mutable and reused: the tick loop allocates nothing.

    ``position_counts`` is the drive's 32-bit counter unwrapped by modular subtraction into a Python int.
    ``inputs`` are the 32 bits of 60FDh: 0 negative limit, 1 positive limit, 2 home switch, 16 up as wired.
    ``received_ns`` is 0 until the first word has come; then the instant of the last one. ``event`` is the last thing
    that the drive told of its own accord, in words (an emergency, that it has started anew); empty for none.
    """

    position_counts: int = 0
    velocity_units: int = 0
    statusword: int = 0
    state: DriveState = DriveState.UNKNOWN
    inputs: int = 0
    fault_code: int = 0
    received_ns: int = 0
    event: str = ""


@dataclass(slots=True)
class GroupFeedback:
    """Feedback of all axes, in axis order. ``sequence`` counts complete rounds (every axis answered)."""

    axes: list[AxisFeedback] = field(default_factory=list)
    sequence: int = 0


@dataclass(frozen=True, slots=True)
class StandstillWord:
    """How a stranger to our code reads one axis' position off the wire: used by the guard after a stop.

    What its fields mean stands in ``safety.settings.StandstillAxis``, which is made of it.
    """

    axis: str
    can_id: int
    offset_bytes: int
    length_bytes: int
    resolution_um: float
    order: str = "little"
    mask_hex: str = ""
    value_hex: str = ""
    poll_hex: str = ""
    checksum: str = ""
    checksum_from: int = 0
    checksum_at: int = 0
    checksum_order: str = "little"


@dataclass(frozen=True, slots=True)
class StopPlan:
    """Ready-made stop for a process that imports nothing of ours.

    Kinds ``modbus-rtu`` and ``modbus-rtu-low-first``: ``frames`` are broadcasts, ``poll_frame`` is one request for each
    axis, all equally long, which stops that axis, too; each leaves by itself with silence before and behind it, and
    ``can_id`` is the unit that answers with the position as its first registers.

    Kind ``described-serial``: frames leave by themselves as well; each axis' request stands in its ``standstill``, and
    ``silence_us``, ``answer_us``, ``stop_rest_us`` and ``polls_stop`` say how (``safety.settings.GuardSettings``).

    ``end_frame`` ends a half-written frame on the wire (empty where the wire needs none). ``frames`` are
    complete byte strings, each to be written in one call, in order, again and again. ``poll_frame`` asks the
    drives for their positions. For kind ``tty`` frames are text lines of the serial CAN adapter; for
    ``socketcan`` they are 16-byte classical CAN frames.

    Kind ``handle``: such a process cannot write to the adapter by itself. ``handle`` are the arguments of the Python
    program that can, before the number of the descriptor on which it takes orders (docs/guard.md); frames are its own.
    Kind ``none``: nothing can be said over the wire, by the owner's word (``wire.stop_by``).
    """

    kind: str
    channel: str
    end_frame: bytes
    frames: tuple[bytes, ...]
    poll_frame: bytes
    standstill: tuple[StandstillWord, ...]
    silence_us: float = 1750.0
    answer_us: float = 10_000.0
    stop_rest_us: float = 0.0
    polls_stop: bool = True
    handle: tuple[str, ...] = ()


@runtime_checkable
class TellsNotes(Protocol):
    """A group that has found something worth telling while it set its drives up, though nothing that forbids motion."""

    @property
    def notes(self) -> tuple[str, ...]:
        """A sentence each, with the axis."""
        ...


@runtime_checkable
class DriveGroup(Protocol):
    """Two or more axes on one wire, commanded together."""

    @property
    def axes(self) -> tuple[str, ...]:
        """Axis names in the order of every sequence below."""
        ...

    @property
    def feedback(self) -> GroupFeedback:
        """The latest feedback; refreshed by ``poll`` only. Never healthy by default."""
        ...

    def configure(self) -> None:
        """Set the drives up over the wire and read back what was written. Blocks; nothing moves.

        Raises LinkError when a node does not answer, FaultError when a value does not hold.
        """
        ...

    def enable(self) -> None:
        """Bring every axis to OPERATION ENABLED in cyclic velocity mode at zero velocity. Blocks.

        An axis counts as enabled when its statusword says so. Raises FaultError or LinkError; then every axis
        has been told to stop.
        """
        ...

    def send_tick(self, velocity_units: tuple[int, ...], outputs: int) -> None:
        """Command all axes so that they take the velocities at the same instant, and the head's outputs.

        ``velocity_units`` in drive units, one per axis; ``outputs`` bit 0 is the head (1 = down). Does not
        block longer than one tick. After ``abort`` it raises MisuseError and sends nothing. Raises
        MisuseError for values beyond 32 bits or a wrong count, FaultError when the last word of an axis is not
        OPERATION ENABLED (nothing was sent), LinkError when the wire does not take them.
        """
        ...

    def poll(self) -> None:
        """Read all that has come, without blocking, and refresh ``feedback``. Raises LinkError if closed."""
        ...

    def clear_fault(self) -> tuple[str, ...]:
        """Acknowledge faults. Blocks. Never enables, never moves. Returns what was acknowledged, a text each."""
        ...

    def abort(self) -> None:
        """Tell every axis to quick-stop now. Never blocks, never raises, may be called at any time, twice."""
        ...

    def disable(self) -> None:
        """Zero velocity, then every axis to SWITCH ON DISABLED (brakes on). Blocks. Raises LinkError."""
        ...

    def close(self) -> None:
        """Give the wire back. Never raises; a second call does nothing."""
        ...
