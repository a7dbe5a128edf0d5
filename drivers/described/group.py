"""Described drives commanded together: what their groups share, whatever the wire.

Owns the frames of a round, in which order a command's frames leave and what rests between them, and when a round is
whole. A *word* is the name of a command, or ``idle``: asking only. How frames leave and how answers come is the wire's.
"""

from __future__ import annotations

from abc import abstractmethod
from collections import deque

from drivers.clock import NS_PER_MS, Clock
from drivers.described.codec import CommandCodec, Decoded, OutFrame
from drivers.described.format import CommandName, SetTimeout
from drivers.described.mirror import DescribedMirror
from drivers.described.tick import Wire, codecs_of, refusals, tick_of
from drivers.described.together import clashes
from drivers.describedfacts import UNIT_TOLERANCE, outputs_width
from drivers.errors import FaultError, LinkError, MisuseError
from drivers.interface import AxisFeedback, DriveState
from drivers.powergroup import PowerGroup
from drivers.serialtime import TICK_SHARE_MAX
from drivers.settings import DESCRIBED_KINDS, DescribedCanWire, DescribedSerialWire, GroupSettings
from drivers.words import AS_WIRED

IDLE = "idle"
ATTEMPTS = 3


def wire_of(settings: GroupSettings) -> Wire:
    """The wire as one of described drives. Raises MisuseError for another."""
    if not isinstance(settings.wire, DescribedCanWire | DescribedSerialWire):
        raise MisuseError("wire.kind", f"one of {', '.join(DESCRIBED_KINDS)}", settings.wire.kind)
    return settings.wire


class DescribedGroup(PowerGroup[str]):
    """A PowerGroup of drives that are described in files."""

    disabled = frozenset({DriveState.SWITCH_ON_DISABLED, DriveState.READY_TO_SWITCH_ON})

    def __init__(self, settings: GroupSettings, clock: Clock, noun: str, answer_timeout_s: float) -> None:
        """Raises MisuseError when a drive file is missing or does not fit wire, axis, head or tick."""
        super().__init__(settings, clock, noun, answer_timeout_s)
        wire = wire_of(settings)
        try:
            self._codecs = codecs_of(settings)
        except ValueError as error:
            raise MisuseError("drive_file", "a drive file for every axis", str(error)) from None
        self._refuse_misfits(settings)
        head = settings.drive_output
        self._plan = tick_of(
            wire, self._codecs, self._axes, "" if head is None else head.axis, settings.tick_us
        )
        if self._plan.round_ns > TICK_SHARE_MAX * self._tick_ns:
            raise MisuseError(
                "tick_us",
                f"frames and answers of up to {TICK_SHARE_MAX:.0%} of a tick",
                f"{self._plan.round_ns / NS_PER_MS:.2f} ms of {self._tick_ns / NS_PER_MS:g} ms "
                f"at {wire.bitrate_bit_s} bit/s",
            )
        self._mirrors = tuple(
            DescribedMirror(tick, drive.velocity_unit_counts_s, word)
            for tick, drive, word in zip(self._plan.axes, self._drives, self._feedback.axes, strict=True)
        )
        self._head_word = 0 if head is None else 1 << head.output_bit - AS_WIRED
        self._round_begun_ns = 0
        self._counted = True

    def _refuse_misfits(self, settings: GroupSettings) -> None:
        head = settings.drive_output
        for name, drive, codec in zip(self._axes, self._drives, self._codecs, strict=True):
            where = f"axes.{name}.drive"
            kind = DESCRIBED_KINDS[settings.wire.kind]
            if codec.drive.wire.kind != kind:
                raise MisuseError(
                    f"{where}.drive_file", f"a drive with wire.kind {kind}", codec.drive.wire.kind
                )
            if codec.drive.position.counts_per_turn != drive.counts_per_turn:
                expected = f"{codec.drive.position.counts_per_turn}, as in the drive file"
                raise MisuseError(f"{where}.counts_per_turn", expected, str(drive.counts_per_turn))
            unit = float(codec.velocity_unit_counts_s)
            if abs(drive.velocity_unit_counts_s - unit) > UNIT_TOLERANCE * unit:
                got = repr(drive.velocity_unit_counts_s)
                raise MisuseError(f"{where}.velocity_unit_counts_s", f"{unit!r}, as in the drive file", got)
            for field, expected, got in refusals(codec):
                raise MisuseError(f"{where}.drive_file: {field}", expected, got)
        for place, expected, got in clashes(self._codecs):
            raise MisuseError(f"axes.{self._axes[place]}.drive.drive_file", expected, got)
        if head is None:
            return
        width = outputs_width(self._codecs[self._head].drive)
        if not 0 <= head.output_bit - AS_WIRED < width:
            expected = f"{AS_WIRED} to {AS_WIRED - 1 + width}, as wired" if width else "a drive with outputs"
            raise MisuseError("head.output_bit", expected, str(head.output_bit))

    @property
    def acts_after_ns(self) -> tuple[int, ...]:
        """For each axis: from the tick's instant until its drive has its velocity. Their difference is the skew."""
        return tuple(tick.acts_ns for tick in self._plan.axes)

    # Words

    def _state(self, place: int) -> DriveState:
        return self._mirrors[place].state

    def _up_word(self, place: int, step: int) -> str:  # noqa: ARG002
        return "velocity" if step else "enable"

    def _hold_word(self, place: int) -> str:  # noqa: ARG002
        return "velocity"

    def _stop_word(self, place: int) -> str:  # noqa: ARG002
        return "stop"

    def _down_word(self, place: int) -> str:  # noqa: ARG002
        return "disable"

    def _clear_word(self, place: int) -> str:  # noqa: ARG002
        return "clear_fault"

    def _idle_word(self, place: int) -> str:  # noqa: ARG002
        return IDLE

    def _holds(self, place: int, velocity_units: int) -> bool:
        low, high = self._codecs[place].velocity_limits
        return low <= velocity_units <= high

    def _frames(self, place: int, word: str) -> tuple[CommandCodec, ...]:
        return self._codecs[place].commands.get(word, ())  # type: ignore[call-overload, no-any-return]

    def _made(self, place: int, frame: CommandCodec, units: int = 0, timeout_ms: int = 0) -> OutFrame:
        """The frame's bytes. Raises MisuseError for a value that the drive cannot be told."""
        outputs = self._head_word if place == self._head and self._outputs else 0
        try:
            return frame.make({"velocity": units, "outputs": outputs, "timeout": timeout_ms})
        except ValueError as error:
            raise MisuseError(self._wheres[place], "values that the drive can be told", str(error)) from None

    # What the wire does

    @abstractmethod
    def _put(self, now_ns: int, batches: list[list[CommandCodec]]) -> None:
        """Send each axis' frames at zero velocity, in order; nothing of an earlier round any more."""

    @abstractmethod
    def _settle(self) -> None:
        """Wait until all of it has left and its answers are due no more; bounded."""

    @abstractmethod
    def poll(self) -> None:
        """Take what has come."""

    @abstractmethod
    def _ask(self, place: int, frame: OutFrame) -> list[Decoded]:
        """One frame outside of rounds, said again when its answers do not come. Raises LinkError."""

    # Rounds

    def _begin_round(self, now_ns: int) -> None:
        self._round_begun_ns = now_ns
        self._counted = False
        for mirror in self._mirrors:
            mirror.begin_round()

    def _took(self) -> None:
        """Something has come: is the round whole?"""
        if not self._counted and all(mirror.is_whole for mirror in self._mirrors):
            self._counted = True
            self._feedback.sequence += 1

    def _round(self, words: list[str]) -> None:
        """Each axis' word, frame by frame; where one has to rest, the others are kept going meanwhile."""
        scripts = [deque(self._frames(place, word)) for place, word in enumerate(words)]
        rests_until_ns = [0] * len(words)
        while True:
            now_ns = self._clock.now_ns()
            batches: list[list[CommandCodec]] = []
            for place, word in enumerate(words):
                tick = self._plan.axes[place]
                if word == "velocity":
                    scripts[place].clear()
                    batches.append([step.frame for step in tick.steps])
                    continue
                batch: list[CommandCodec] = []
                while scripts[place] and now_ns >= rests_until_ns[place]:
                    frame = scripts[place].popleft()
                    batch.append(frame)
                    if frame.wait_ms:
                        rests_until_ns[place] = now_ns + frame.wait_ms * NS_PER_MS
                batches.append([*batch, *tick.idle])
            self._begin_round(now_ns)
            self._put(now_ns, batches)
            self._clock.sleep_until_ns(now_ns + self._tick_ns)
            self._settle()
            self.poll()
            if not any(scripts) and self._clock.now_ns() >= max(rests_until_ns):
                return

    # Setting up

    def _lose_drives(self) -> None:
        for mirror in self._mirrors:
            mirror.lose()

    def _configure(self) -> None:
        self._lose_drives()
        for place in range(len(self._axes)):
            # One that still turns for somebody else is stopped, not left to coast.
            self._run(place, "stop")
            self._set_timeout(place, on=False)
        begun_ns = self._clock.now_ns()
        while not all(mirror.feedback.received_ns >= begun_ns for mirror in self._mirrors):
            self._round([IDLE] * len(self._axes))
            self._refuse_silence(begun_ns)
        for mirror in self._mirrors:
            mirror.trust()

    def _run(self, place: int, command: CommandName, timeout_ms: int = 0) -> list[Decoded]:
        """A whole command outside of rounds; every answer that came."""
        came: list[Decoded] = []
        for frame in self._codecs[place].commands.get(command, ()):
            came += self._ask(place, self._made(place, frame, timeout_ms=timeout_ms))
            if frame.wait_ms:
                self._clock.sleep_until_ns(self._clock.now_ns() + frame.wait_ms * NS_PER_MS)
        return came

    def _set_timeout(self, place: int, *, on: bool) -> None:
        """Write the drive's own time-out, and read it back."""
        codec = self._codecs[place]
        rule = codec.drive.timeout
        if not isinstance(rule, SetTimeout) or not self._drives[place].notices_silence:
            return
        if not on and not rule.zero_is_off:
            return
        wanted = codec.timeout_ms(wire_of(self._settings).command_timeout_ms) if on else 0
        self._run(place, "set_timeout", timeout_ms=wanted)
        got = [word.timeout for word in self._run(place, "read_timeout") if word.timeout is not None]
        if got != [wanted]:
            raise FaultError(
                self._wheres[place],
                f"a time-out of {wanted} ms as set",
                f"{got[0]} ms" if got else "none read back",
            )

    def _described(self, word: AxisFeedback) -> str:
        text = super()._described(word)
        place = next(place for place, one in enumerate(self._feedback.axes) if one is word)
        meaning = self._codecs[place].drive.fault_text(word.fault_code) if word.fault_code else ""
        return f"{text}: {meaning}" if meaning else text

    def _no_answer(self, place: int, frame: OutFrame, got: str) -> LinkError:
        return LinkError(self._wheres[place], f"the answer {' and '.join(frame.answers)}", got)
