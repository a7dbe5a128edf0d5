"""One described drive as it answers: replies in, feedback out. Pure.

Owns how a drive's partial words become one feedback: which of them must have come before a round is whole, and how old
the oldest of them is. A state is what the drive file says that the status word means, and ``UNKNOWN`` for a word of
which it says nothing.
"""

from __future__ import annotations

from drivers.described.codec import Decoded
from drivers.described.format import Quantity, SwitchBit
from drivers.described.tick import AxisTick
from drivers.interface import AxisFeedback, DriveState
from drivers.words import AS_WIRED, Unwrapped, own_inputs, statusword_of

_POSITION, _STATUS, _VELOCITY, _INPUTS = 1, 2, 4, 8
_BITS: dict[Quantity, int] = {
    "position": _POSITION,
    "status": _STATUS,
    "velocity": _VELOCITY,
    "inputs": _INPUTS,
}
_PLACES = tuple(tuple(place for place in range(4) if told >> place & 1) for told in range(16))
_FAR_NS = 1 << 62
_COUNTS_MAX = 1 << 62
"""No axis goes so far, and what puts positions down has 64 bits for them."""


class DescribedMirror:
    """The latest word of one drive."""

    __slots__ = (
        "_came", "_codec", "_counter", "_ever", "_has_velocity", "_judged", "_last", "_needed", "_power_mask",
        "_seen", "_shown", "_switches", "_unit_counts_s", "_wired", "feedback", "is_trusted", "state", "status",
    )  # fmt: skip

    def __init__(self, tick: AxisTick, unit_counts_s: float, feedback: AxisFeedback) -> None:
        self._codec = tick.codec
        self._needed = sum(bit for name, bit in _BITS.items() if name in tick.needed)
        self._has_velocity = "velocity" in tick.needed
        self._unit_counts_s = unit_counts_s
        self._counter = Unwrapped(tick.codec.position_span_counts)
        drive = tick.codec.drive
        self._power_mask = drive.status.power_mask
        switches = drive.switches
        self._switches = (switches.negative_limit, switches.positive_limit, switches.home)
        self._came = [0 if bit & self._needed else _FAR_NS for bit in _BITS.values()]
        self._ever = self._seen = 0
        self._last: tuple[int, int] | None = None
        self._wired = 0
        self._judged: int | None = None
        self._shown: tuple[int | None, int] | None = None
        self.feedback = feedback
        self.is_trusted = False
        self.state = DriveState.UNKNOWN
        self.status = 0

    def begin_round(self) -> None:
        """What came before must not complete the round that begins."""
        self._seen = 0

    @property
    def is_whole(self) -> bool:
        """Whether all that is needed has come since the round began."""
        return self._seen == self._needed

    def take(
        self, word: Decoded, received_ns: int, read_ns: int, begun_ns: int, *, is_late: bool = False
    ) -> None:
        """Take in a whole good reply.

        ``read_ns``: when what it says was true; ``begun_ns``: the round's instant. A position is handed on as it was
        then, reckoned back with the drive's own velocity: all axes so report the same instant. The error is a t^2 / 2
        at acceleration a. ``is_late``: it belongs to a round before this one, and does not make this one whole.
        """
        feedback, told = self.feedback, 0
        if word.status is not None:
            if word.status != self._judged:
                self._judged = self.status = word.status
                self.state = self._codec.state(word.status)
            told |= _STATUS
        if word.inputs is not None:
            self._wired = word.inputs
            told |= _INPUTS
        if word.fault is not None:
            feedback.fault_code = word.fault
        if word.velocity is not None and self._has_velocity:
            feedback.velocity_units = word.velocity
            told |= _VELOCITY
        if word.position is not None and self._take_position(word.position, read_ns, begun_ns):
            told |= _POSITION
        # The same words mean the same: in motion they hardly change from tick to tick.
        if told & (_STATUS | _INPUTS) and self._shown != (self._judged, self._wired):
            self._show()
        self._note(told & self._needed, received_ns, is_late=is_late)

    def _note(self, told: int, received_ns: int, *, is_late: bool) -> None:
        """What of the needed has come, and how old the oldest of all of it is."""
        self._ever |= told
        if not is_late:
            self._seen |= told
        came = self._came
        for place in _PLACES[told]:
            came[place] = received_ns
        if self._ever == self._needed:
            self.feedback.received_ns = min(came)

    def _take_position(self, raw: int, read_ns: int, begun_ns: int) -> bool:
        """Whether it can be one: a damaged f32 without a checksum may be beyond everything."""
        feedback = self.feedback
        counts = self._counter.take(raw)
        if not self._has_velocity:
            # A drive that does not report its velocity: the change of its position over the time between two readings.
            if self._last is not None and read_ns > self._last[0]:
                moved = counts - self._last[1]
                passed_s = (read_ns - self._last[0]) * 1e-9
                feedback.velocity_units = round(moved / passed_s / self._unit_counts_s)
            self._last = (read_ns, counts)
        back = feedback.velocity_units * self._unit_counts_s * (read_ns - begun_ns) * 1e-9
        position_counts = counts - round(back)
        if not -_COUNTS_MAX < position_counts < _COUNTS_MAX:
            return False
        feedback.position_counts = position_counts
        return True

    def _show(self) -> None:
        self._shown = (self._judged, self._wired)
        feedback, mask = self.feedback, self._power_mask
        has_power = mask != 0 and self.status & mask == mask
        feedback.state = self.state if self.is_trusted else DriveState.UNKNOWN
        feedback.statusword = statusword_of(self.state, has_power=has_power)
        feedback.inputs = self._wired << AS_WIRED | own_inputs(*map(self._is_closed, self._switches))

    def _is_closed(self, switch: SwitchBit | None) -> bool:
        if switch is None:
            return False
        word = self._wired if switch.word == "inputs" else self.status
        return bool(word >> switch.bit & 1)

    def trust(self) -> None:
        """The drive has been set up and read."""
        self.is_trusted = True
        self._show()

    def lose(self) -> None:
        """Nothing is known of this drive until it has been configured again."""
        self.is_trusted = False
        self.state = DriveState.UNKNOWN
        self.status = 0
        self._judged = self._shown = None
        self._counter.lose()
        self._last = None
        self._ever = self._seen = 0
        self.feedback.state = DriveState.UNKNOWN
        self.feedback.fault_code = 0
