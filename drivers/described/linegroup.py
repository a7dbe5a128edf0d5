"""Described drives on a serial line, asked one after the other within every tick.

Owns requests and answers on the line. Slots, skew and late requests are as on a Modbus line (``drivers.line.slots``,
``drivers.modbus.group``): each frame leaves at an instant of the tick that the frames before it may take at most.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Any

from drivers.clock import NS_PER_MS, Clock
from drivers.described.codec import CommandCodec, Decoded, DriveCodec, OutFrame, ReplyCodec
from drivers.described.format import CommandName
from drivers.described.group import ATTEMPTS, DescribedGroup, wire_of
from drivers.described.tick import Step, answer_ns, codecs_of, silence_ns
from drivers.errors import MisuseError
from drivers.line.master import AnswerError, Exchange
from drivers.line.port import SerialLine
from drivers.line.slots import SlottedGroup
from drivers.settings import DescribedSerialWire, GroupSettings


@dataclass(frozen=True, slots=True)
class Times:
    """What the master must know of the line."""

    character_ns: int
    silence_ns: int


@dataclass(frozen=True, slots=True)
class Request:
    """One frame, and the answers that must come to it: whole, in order, and nothing else."""

    frame: bytes
    replies: tuple[ReplyCodec, ...]
    answer_bytes: int = field(init=False)
    """Length of all answers together."""

    def __post_init__(self) -> None:
        object.__setattr__(self, "answer_bytes", sum([reply.length for reply in self.replies]))

    def needed(self, received: bytes) -> int:  # noqa: ARG002
        """The same: answers have fixed lengths."""
        return self.answer_bytes

    def content(self, received: bytes) -> list[Decoded]:
        """What the answers say. Raises AnswerError when one is not whole and good."""
        found, at = [], 0
        for reply in self.replies:
            word = reply.decode(received[at : at + reply.length])
            if word is None:
                raise AnswerError(
                    f"{len(received)} bytes that are no good {reply.name}: {received[:32].hex(' ')}"
                )
            found.append(word)
            at += reply.length
        if at != len(received):
            raise AnswerError(f"{len(received)} bytes in place of {at}")
        return found


def stops_of(codecs: Sequence[DriveCodec]) -> tuple[bytes, ...]:
    """The frames that stop every drive, each once: to everybody where all drives have that, else to each by name."""
    name: CommandName = "stop_all" if all(codec.has("stop_all") for codec in codecs) else "stop"
    made = [frame.make({"outputs": 0}).data for codec in codecs for frame in codec.commands[name]]
    return tuple(dict.fromkeys(made))


def stop_rest_ns(codecs: Sequence[DriveCodec], character_ns: int) -> int:
    """How long a drive may answer a stop."""
    silent_ns = silence_ns(codecs)
    if all(codec.has("stop_all") for codec in codecs):
        return 0
    return max(
        answer_ns(codec, frame, character_ns, silent_ns)
        for codec in codecs
        for frame in codec.commands["stop"]
    )


class DescribedLineGroup(SlottedGroup[str], DescribedGroup):
    """A DriveGroup of described drives on a serial line."""

    def __init__(self, settings: GroupSettings, line: SerialLine, clock: Clock) -> None:
        """Take over ``line``. Sends nothing yet. Raises MisuseError when something does not fit."""
        wire = wire_of(settings)
        if not isinstance(wire, DescribedSerialWire):
            raise MisuseError("wire.kind", "described-serial", wire.kind)
        try:
            codecs = codecs_of(settings)
            times = Times(wire.character_ns, silence_ns(codecs))
        except ValueError as error:
            raise MisuseError(
                "drive_file", "a drive file of a serial drive for every axis", str(error)
            ) from None
        if any(codec.drive.serial is None or "address" not in codec.drive.serial.header for codec in codecs):
            raise MisuseError(
                "drive_file", "drives with an address in their frames: they share a line", "none"
            )
        super().__init__(settings, line, times, clock, "address", wire.answer_timeout_s)
        self._times = times
        steps = [step for tick in self._plan.axes for step in tick.steps]
        self._spare_ns = (self._tick_ns - self._plan.round_ns) // len(steps)
        waits_ns = iter(self._waits_ns([step.free_ns - step.leaves_ns for step in steps]))
        self._until_ns = tuple(tuple(next(waits_ns) for _ in tick.steps) for tick in self._plan.axes)
        self._turnaround_ns = tuple(codec.drive.wire.turnaround_us * 1000 for codec in self._codecs)
        self._replies: dict[tuple[int, tuple[str, ...]], tuple[ReplyCodec, ...]] = {}
        self._stops = stops_of(self._codecs)
        self._stop_rest_ns = stop_rest_ns(self._codecs, wire.character_ns)
        self._share()

    # Requests

    def _request(self, place: int, frame: OutFrame) -> Request:
        key = (place, frame.answers)
        known = self._replies.get(key)
        if known is None:
            known = tuple(self._codecs[place].replies[name] for name in frame.answers)
            self._replies[key] = known
        return Request(frame.data, known)

    def _read_ns(self, exchange: Exchange, bytes_sent: int) -> int:
        """When the drive has had the frame, and says what is true then."""
        return exchange.sent_ns + bytes_sent * self._times.character_ns + self._times.silence_ns

    def _taker(self, place: int, begun_ns: int, bytes_sent: int) -> Callable[[Exchange], None]:
        def take(exchange: Exchange) -> None:
            if not exchange.is_good:
                return
            read_ns = self._read_ns(exchange, bytes_sent)
            is_of_round = begun_ns == self._round_begun_ns
            for word in exchange.content:
                self._mirrors[place].take(
                    word, exchange.received_ns, read_ns, begun_ns, is_late=not is_of_round
                )
            if is_of_round:
                self._took()

        return take

    def _patience_ns(self, place: int) -> int:
        """For an answer outside of ticks."""
        return self._codecs[place].drive.wire.answer_timeout_ms * NS_PER_MS

    def _ask(self, place: int, frame: OutFrame) -> list[Decoded]:
        request = self._request(place, frame)
        exchange = Exchange(lambda _: request)
        for _ in range(ATTEMPTS):
            exchange = Exchange(lambda _: request, patience_ns=self._patience_ns(place))
            self._await(exchange)
            if exchange.is_good:
                return list(exchange.content)
        raise self._no_answer(place, frame, exchange.error)

    # Rounds

    def _put(self, now_ns: int, batches: list[list[CommandCodec]]) -> None:
        self._master.drop_queue()
        self._begun_ns = now_ns
        self._forget_motion_at_rest()
        for place, batch in enumerate(batches):
            for frame in batch:
                request = self._request(place, self._made(place, frame))
                take = self._taker(place, now_ns, frame.length)
                self._master.put(Exchange(_always(request), 0, take, self._patience_ns(place)))
        self._master.work(now_ns)

    def _forget_motion_at_rest(self) -> None:
        self._units = [0] * len(self._axes)
        self._owed = [0.0] * len(self._axes)

    def _settle(self) -> None:
        deadline_ns = self._clock.now_ns() + self._silent_ns
        while not self._master.is_idle and self._clock.now_ns() < deadline_ns:
            self._clock.sleep_until_ns(self._clock.now_ns() + NS_PER_MS)

    def _begin_tick(self, velocity_units: tuple[int, ...]) -> None:
        """The first axis' frame leaves, the others follow in their slots while the caller sleeps."""
        now_ns = self._clock.now_ns()
        self._master.drop_queue()
        self._begun_ns = now_ns
        self._begin_round(now_ns)
        for place, (tick, units) in enumerate(zip(self._plan.axes, velocity_units, strict=True)):
            patience_ns = self._turnaround_ns[place]
            for step, until_ns in zip(tick.steps, self._until_ns[place], strict=True):
                make = self._maker(place, now_ns, step, units)
                take = self._taker(place, now_ns, step.frame.length)
                due_ns = now_ns + step.leaves_ns
                self._master.put(Exchange(make, due_ns, take, patience_ns, now_ns + until_ns))
        self._master.work(now_ns)
        self._master.raise_trouble()

    def _maker(self, place: int, begun_ns: int, step: Step, units: int) -> Callable[[int], Any]:
        def make(now_ns: int) -> Request:
            sent = units
            if "velocity" in step.frame.names:
                sent = self._mended(place, units, max(0, now_ns - begun_ns - step.leaves_ns))
            return self._request(place, self._made(place, step.frame, sent))

        return make

    # Ends

    def _tell_to_stop(self) -> None:
        """The stop; behind it the same to each drive by name, and what brings its position."""
        try:
            self._master.stop(self._stops, self._stop_rest_ns)
            self._forget_motion()
            now_ns = self._clock.now_ns()
            self._begin_round(now_ns)
            self._begun_ns = now_ns
            for place, codec in enumerate(self._codecs):
                for frame in (*codec.commands["stop"], *self._plan.axes[place].idle):
                    request = self._request(place, self._made(place, frame))
                    take = self._taker(place, now_ns, frame.length)
                    patience_ns = self._turnaround_ns[place] + self._spare_ns
                    self._master.put(Exchange(_always(request), 0, take, patience_ns))
        except Exception:  # noqa: BLE001
            # Whatever broke, the guard and the drives' own time-outs stop them; raising here would stop nothing.
            return


def _always(request: Request) -> Callable[[int], Request]:
    return lambda _: request
