"""Described drives on a CAN bus: a tick's frames leave in one batch, one behind the other.

Owns identifiers on the bus and what answers belong to which round. The axes do not take their velocities at the same
instant: the second frame is a frame's time behind the first, always; that is part of each axis' latency, and
positions are reckoned back to the tick's instant by it (``drivers.described.tick``).
"""

from __future__ import annotations

from collections.abc import Sequence

from drivers.can.link import CanLink
from drivers.can.slcan import EXTENDED_FLAG
from drivers.clock import NS_PER_MS, Clock
from drivers.described.codec import CommandCodec, Decoded, DriveCodec, OutFrame, ReplyCodec
from drivers.described.format import CommandName
from drivers.described.group import ATTEMPTS, DescribedGroup, wire_of
from drivers.errors import LinkError, MisuseError
from drivers.settings import DescribedCanWire, GroupSettings


def flagged(codec: DriveCodec, can_id: int) -> int:
    """The identifier as links take it: bit 31 marks 29 bits (linux/can.h)."""
    is_long = codec.drive.can is not None and codec.drive.can.id_bits == 29
    return can_id | EXTENDED_FLAG if is_long else can_id


def stop_frames(codecs: Sequence[DriveCodec]) -> list[tuple[int, bytes]]:
    """Stop to everybody, where drives have that, and to each by name."""
    frames: list[tuple[int, bytes]] = []
    names: tuple[CommandName, ...] = ("stop_all", "stop")
    for name in names:
        for codec in codecs:
            for frame in codec.commands.get(name, ()):
                made = frame.make({"outputs": 0})
                one = (flagged(codec, made.can_id), made.data)
                if one not in frames:
                    frames.append(one)
    return frames


class DescribedCanGroup(DescribedGroup):
    """A DriveGroup of described drives on a CAN bus."""

    def __init__(self, settings: GroupSettings, link: CanLink, clock: Clock) -> None:
        """Take over ``link``. Sends nothing yet. Raises MisuseError when something does not fit."""
        wire = wire_of(settings)
        if not isinstance(wire, DescribedCanWire):
            raise MisuseError("wire.kind", "described-can", wire.kind)
        super().__init__(settings, clock, "node", wire.answer_timeout_s)
        self._link = link
        self._routes: dict[int, list[tuple[int, ReplyCodec]]] = {}
        for place, codec in enumerate(self._codecs):
            for reply in codec.replies.values():
                self._routes.setdefault(flagged(codec, reply.can_id), []).append((place, reply))
        self._stops = stop_frames(self._codecs)
        steps = [
            (step.leaves_ns, place, step) for place, tick in enumerate(self._plan.axes) for step in tick.steps
        ]
        self._order = tuple((place, step) for _, place, step in sorted(steps, key=lambda one: one[:2]))
        self._idle = [(place, frame) for place, tick in enumerate(self._plan.axes) for frame in tick.idle]
        self._unasked = [
            {reply.name for reply in codec.drive.replies if reply.cyclic_ms} for codec in self._codecs
        ]
        is_long = [codec.drive.can is not None and codec.drive.can.id_bits == 29 for codec in self._codecs]
        self._flags = tuple(EXTENDED_FLAG if one else 0 for one in is_long)
        self._before_ns = 0
        self._awaited: dict[str, Decoded | None] = {}
        self._asked = -1
        self.ignored = 0
        """Frames so far that were none of ours, or no good ones."""

    # Frames

    def _ask(self, place: int, frame: OutFrame) -> list[Decoded]:
        codec = self._codecs[place]
        limit_ns = codec.drive.wire.answer_timeout_ms * NS_PER_MS
        for _ in range(ATTEMPTS):
            self._asked, self._awaited = place, dict.fromkeys(frame.answers)
            self._link.send_frames(((flagged(codec, frame.can_id), frame.data),))
            until_ns = self._clock.now_ns() + limit_ns
            while None in self._awaited.values() and self._clock.now_ns() < until_ns:
                self._clock.sleep_until_ns(self._clock.now_ns() + NS_PER_MS)
                self.poll()
            found = list(self._awaited.values())
            self._asked, self._awaited = -1, {}
            if None not in found:
                return [word for word in found if word is not None]
        raise self._no_answer(place, frame, "no answer")

    def _put(self, now_ns: int, batches: list[list[CommandCodec]]) -> None:  # noqa: ARG002
        frames = [
            (made.can_id | self._flags[place], made.data)
            for place, batch in enumerate(batches)
            for made in (self._made(place, frame) for frame in batch)
        ]
        if frames:
            self._link.send_frames(frames)

    def _settle(self) -> None:
        """Nothing waits here: a bus takes frames as they come."""

    def _begin_round(self, now_ns: int) -> None:
        self._before_ns = self._round_begun_ns
        super()._begin_round(now_ns)

    def _begin_tick(self, velocity_units: tuple[int, ...]) -> None:
        """Velocities of all axes, then what asks for their words: one batch."""
        frames = []
        for place, step in self._order:
            made = self._made(place, step.frame, velocity_units[place])
            frames.append((made.can_id | self._flags[place], made.data))
        self._begin_round(self._clock.now_ns())
        self._link.send_frames(frames)

    def poll(self) -> None:
        """Read all that has come and refresh ``feedback``.

        Raises LinkError when the link is gone; then nothing is known of any drive.
        """
        try:
            arrived = self._link.receive()
        except LinkError:
            self._lose_wire()
            raise
        words: list[tuple[int, Decoded, int]] = []
        last: dict[tuple[int, str], int] = {}
        for frame in arrived:
            for place, reply in self._routes.get(frame.can_id, ()):
                if (word := reply.decode(frame.data)) is not None:
                    last[place, word.reply] = len(words)
                    words.append((place, word, frame.received_ns))
                    break
            else:
                self.ignored += 1
        for number, (place, word, received_ns) in enumerate(words):
            # Said twice in one look: the earlier answer is one of the round before, which came late.
            self._take(place, word, received_ns, is_late=last[place, word.reply] != number)
        if words:
            self._took()

    def _take(self, place: int, word: Decoded, received_ns: int, *, is_late: bool) -> None:
        begun_ns = self._before_ns if is_late else self._round_begun_ns
        sampled = self._plan.axes[place].sampled_ns.get(word.reply)
        read_ns = received_ns if sampled is None else begun_ns + sampled
        if sampled is None:
            # Asked for by nothing in a tick: the instant at which a position was true is not known. What the drive
            # sends by itself may come at any time, so that its positions are not used (``drivers.described.tick``).
            begun_ns = received_ns
            if word.reply in self._unasked[place]:
                word = word._replace(position=None)
        self._mirrors[place].take(
            word, received_ns, read_ns, begun_ns, is_late=is_late and sampled is not None
        )
        if place == self._asked and word.reply in self._awaited:
            self._awaited[word.reply] = word

    # Ends

    def _tell_to_stop(self) -> None:
        self._outputs = 0
        try:
            self._begin_round(self._clock.now_ns())
            self._link.send_frames(self._stops)
            self._link.send_frames(
                [
                    (made.can_id | self._flags[place], made.data)
                    for place, made in ((place, self._made(place, frame)) for place, frame in self._idle)
                ]
            )
        except Exception:  # noqa: BLE001
            # Whatever broke, the guard and the drives' own time-outs stop them; raising here would stop nothing.
            return

    def close(self) -> None:
        """Give the wire back. Drives still in operation are told to stop first."""
        if self._closed:
            return
        if self._live:
            self.abort()
        self._closed = True
        self._live = False
        try:
            self._link.close()
        except Exception:  # noqa: BLE001
            # Closing never raises: nobody could do anything about it.
            return
