"""One drive behind its register map: registers in, feedback out; commands in, registers out. Pure.

Owns where values lie, how words become states, and the unwrapping of positions. A state is what the map says that the
drive's own status word means, and ``UNKNOWN`` for a word of which it says nothing. The statusword that is handed on is
that of CiA 402 for the state (``drivers.words``).
"""

from __future__ import annotations

from collections.abc import Sequence

from drivers.interface import AxisFeedback, DriveState
from drivers.settings import ModbusRegisters
from drivers.words import AS_WIRED, Unwrapped, own_inputs, statusword_of


class DriveMirror:
    """The latest word of one drive, and how to speak to it."""

    __slots__ = (
        "_control_at",
        "_counter",
        "_high_first",
        "_inputs_at",
        "_map",
        "_outputs_at",
        "_patterns",
        "_position_at",
        "_read_first",
        "_speed_at",
        "_status_at",
        "_velocity_at",
        "_write_count",
        "feedback",
        "is_trusted",
        "read_count",
        "state",
        "status_word",
    )  # fmt: skip

    def __init__(self, registers: ModbusRegisters, feedback: AxisFeedback) -> None:
        self._map = registers
        self._high_first = registers.word_order == "high-first"
        self._patterns = tuple((one.mask, one.value, DriveState(one.state)) for one in registers.states)
        first, self.read_count = registers.looked_at
        self._read_first = first
        self._status_at = registers.status - first
        self._position_at = registers.position - first
        self._speed_at = registers.speed - first
        self._inputs_at = registers.inputs - first
        first, self._write_count = registers.written
        self._control_at, self._velocity_at = registers.control - first, registers.velocity - first
        self._outputs_at = None if registers.outputs is None else registers.outputs - first
        self.feedback = feedback
        self.is_trusted = False
        self.state = DriveState.UNKNOWN
        self.status_word = 0
        self._counter = Unwrapped(1 << 32)

    # Out

    def split(self, value: int, bits: int) -> list[int]:
        """A value of 16 or 32 bits, signed or not, as registers."""
        if bits == 16:
            return [value & 0xFFFF]
        high, low = value >> 16 & 0xFFFF, value & 0xFFFF
        return [high, low] if self._high_first else [low, high]

    def command(self, control: int, velocity_units: int, outputs_word: int) -> list[int]:
        """The registers that are written in every exchange, in order."""
        values = [0] * self._write_count
        values[self._control_at] = control
        words = self.split(velocity_units, self._map.velocity_bits)
        at = self._velocity_at
        values[at : at + len(words)] = words
        if self._outputs_at is not None:
            values[self._outputs_at] = outputs_word
        return values

    def holds(self, velocity_units: int) -> bool:
        """Whether the drive's velocity register can hold it."""
        half = 1 << (self._map.velocity_bits - 1)
        return -half <= velocity_units < half

    # In

    def joined(self, words: Sequence[int]) -> int:
        """One or two registers as a signed number."""
        if len(words) == 1:
            return words[0] - ((words[0] & 0x8000) << 1)
        high, low = words if self._high_first else reversed(words)
        value = high << 16 | low
        return value - ((value & 0x8000_0000) << 1)

    def decode(self, status: int) -> DriveState:
        """The state that the map gives to a status word."""
        for mask, value, state in self._patterns:
            if status & mask == value:
                return state
        return DriveState.UNKNOWN

    def take(self, words: Sequence[int], received_ns: int, ago_s: float, unit_counts_s: float) -> None:
        """Take in a whole good answer of ``read_count`` registers.

        The position is handed on as it was ``ago_s`` before the drive read it, reckoned back with the drive's own
        velocity: all axes so report the same instant. The error is a t^2 / 2 at acceleration a.
        """
        feedback, registers = self.feedback, self._map
        status = words[self._status_at]
        at = self._position_at
        raw = self.joined(words[at : at + 2])
        at = self._speed_at
        speed = self.joined(words[at : at + registers.velocity_bits // 16])
        wired = words[self._inputs_at]
        self.status_word = status
        self.state = self.decode(status)
        feedback.state = self.state if self.is_trusted else DriveState.UNKNOWN
        mask = registers.power_mask
        feedback.statusword = statusword_of(self.state, has_power=mask != 0 and status & mask == mask)
        counts = self._counter.take(raw)
        feedback.velocity_units = speed
        feedback.position_counts = counts - round(speed * unit_counts_s * ago_s)
        feedback.inputs = wired << AS_WIRED | self._own_inputs(wired)
        if registers.fault is not None:
            feedback.fault_code = words[registers.fault - self._read_first]
        feedback.received_ns = received_ns

    def _own_inputs(self, wired: int) -> int:
        registers = self._map
        bits = (registers.negative_limit_bit, registers.positive_limit_bit, registers.home_bit)
        return own_inputs(*(bit is not None and bool(wired >> bit & 1) for bit in bits))

    def lose(self) -> None:
        """Nothing is known of this drive until it has been configured again."""
        self.is_trusted = False
        self.state = DriveState.UNKNOWN
        self._counter.lose()
        self.feedback.state = DriveState.UNKNOWN
        self.feedback.fault_code = 0
