"""The master of a serial line: one exchange at a time, silence between frames, and stops before everything.

Owns the order and the instants of frames on the line. Knows frames by their lengths only; what a good answer is, the
request says. It never waits: ``work`` does what is
due at an instant and ``next_ns`` says when something will be due again; whoever sleeps runs it meanwhile
(``drivers.clock``). Answers are taken in any pieces; what is not a whole good answer to the very request that is in
flight changes nothing but its end. A good answer to a request that was given up is passed over, and the wait for the
present one goes on (MODBUS over Serial Line V1.02, 2.4.1: the time-out is kept running): one that is late must not
cost the next drive its own.

A stop waits for nothing but the end of what is on the line and one silence: not for an answer that has not begun, not
for a deadline, not for a repetition, and for no silence that does not come (noise, a drive that babbles). All that was
to be sent is dropped for it, and it is said several times, since on two wires it may meet an answer.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from typing import Any, Protocol

from drivers.clock import NS_PER_MS, Clock
from drivers.errors import LinkError
from drivers.line.port import FAR_NS, SerialLine

STOP_REPEATS = 3
PATIENCE_NS = 100 * NS_PER_MS
"""For an answer outside of ticks: a drive that stores a value may take its time."""


LONGEST_FRAME = 128
"""Characters that are waited for when a stop is due. What goes on for longer is talked into, and the stop repeated."""

_OWED_MAX = 4
"""So many requests that were given up may still be answered."""

HELD_BYTES_MAX = 256
"""Of an answer no more is looked at; a longer one is none."""


class AnswerError(Exception):
    """What came is no good answer; the text says why. ``is_refusal``: the drive itself refuses."""

    def __init__(self, text: str, *, is_refusal: bool = False) -> None:
        super().__init__(text)
        self.is_refusal = is_refusal


class Request(Protocol):
    """One request: the frame as it goes out, and what a good answer must look like."""

    @property
    def frame(self) -> bytes:
        """What goes out."""
        ...

    @property
    def answer_bytes(self) -> int:
        """Length of the longest good answer; 0 where nobody answers."""
        ...

    def needed(self, received: bytes) -> int:
        """How long the answer that ``received`` begins must be, as far as that can be told."""
        ...

    def content(self, received: bytes) -> Any:
        """What a good answer says. Raises AnswerError for all else."""
        ...


class LineTimes(Protocol):
    """What the master must know of its line."""

    @property
    def character_ns(self) -> int:
        """Time of one character."""
        ...

    @property
    def silence_ns(self) -> int:
        """Silence between frames."""
        ...


class Exchange:
    """One request and what became of it.

    ``make(now_ns)`` gives the request at the instant at which it leaves; it leaves at ``due_ns`` or as soon after as
    the line is free. An answer may begin ``patience_ns`` after the silence that ends the request, and is waited for
    until ``until_ns`` where that is later. Then ``sent_ns``, and at the end ``content`` (of a good answer), or
    ``error`` and ``is_refused``.
    """

    __slots__ = (
        "content",
        "due_ns",
        "error",
        "is_done",
        "is_refused",
        "make",
        "on_end",
        "patience_ns",
        "received_ns",
        "sent_ns",
        "until_ns",
    )

    def __init__(
        self,
        make: Callable[[int], Request],
        due_ns: int = 0,
        on_end: Callable[[Exchange], None] | None = None,
        patience_ns: int = PATIENCE_NS,
        until_ns: int = 0,
    ) -> None:
        self.make = make
        self.until_ns = until_ns
        self.patience_ns = patience_ns
        self.due_ns = due_ns
        self.on_end = on_end
        self.sent_ns = 0
        self.received_ns = 0
        self.content: Any = ()
        self.error = ""
        self.is_refused = False
        self.is_done = False

    @property
    def is_good(self) -> bool:
        """Whether a good answer has come (or all of a broadcast has left)."""
        return self.is_done and not self.error


class Master:
    """The master of ``line``; ``clock`` says the instants. Not for two threads."""

    def __init__(self, line: SerialLine, wire: LineTimes, clock: Clock) -> None:
        self._line = line
        self._clock = clock
        self._character_ns = wire.character_ns
        self._silence_ns = wire.silence_ns
        self._free_ns = 0
        self._queue: deque[Exchange] = deque()
        self._current: Exchange | None = None
        self._request: Request | None = None
        self._deadline_ns = FAR_NS
        self._received = bytearray()
        self._owed: deque[Request] = deque(maxlen=_OWED_MAX)
        self._stops: deque[bytes] = deque()
        self._stop_frames: tuple[bytes, ...] = ()
        self._stop_rest_ns = 0
        self._stop_latest_ns = 0
        self.trouble: LinkError | None = None
        """Why the line is gone, found while nobody could be told; ``raise_trouble`` raises it."""
        self.ignored_bytes = 0
        self.bad_answers = 0
        self.late_answers = 0
        self.unanswered = 0
        self.exchanges = 0

    # What is asked of it

    def put(self, exchange: Exchange) -> None:
        """Queue an exchange behind the others."""
        self._queue.append(exchange)

    def drop_queue(self, why: str = "it was overtaken") -> None:
        """Forget what has not left yet; it ends with an error."""
        while self._queue:
            self._end(self._queue.popleft(), why)

    def stop(self, frames: tuple[bytes, ...], rest_ns: int = 0) -> None:
        """Send ``frames``, before everything, each ``STOP_REPEATS`` times. Never blocks, never raises.

        ``rest_ns``: how long a drive may answer such a frame, behind its silence; 0 for what nobody answers. Said
        again while it is under way it goes on where it was: the last of ``frames`` must leave, too.
        """
        self._stop_rest_ns = rest_ns
        self.drop_queue()
        if not self._stops:
            self._expect_silence(max(self._clock.now_ns(), self._free_ns))
        left = len(self._stops) % len(frames) if frames == self._stop_frames else 0
        self._stop_frames = frames
        self._stops.clear()
        self._stops.extend(frames[len(frames) - left :])
        for _ in range(STOP_REPEATS):
            self._stops.extend(frames)
        self.work(self._clock.now_ns())

    @property
    def is_idle(self) -> bool:
        """Whether nothing is left to be said or awaited."""
        return not (self._queue or self._stops or self._current)

    @property
    def stops_left(self) -> int:
        """How many stop frames have not left yet."""
        return len(self._stops)

    def raise_trouble(self) -> None:
        """Raise the LinkError that was found meanwhile, if any."""
        if self.trouble is not None:
            raise self.trouble

    # Work while somebody sleeps (drivers.clock.SleepWork)

    def fileno(self) -> int:
        """What becomes readable when bytes come."""
        return -1 if self.trouble is not None else self._line.fileno()

    def next_ns(self) -> int:
        """When ``work`` is due again though nothing comes."""
        if self.trouble is not None:
            return self._stop_due_ns if self._stops else FAR_NS
        due_ns = self._line.next_ns()
        if self._stops:
            due_ns = min(due_ns, self._stop_due_ns)
        if self._current is not None:
            due_ns = min(due_ns, self._deadline_ns)
        elif self._queue:
            due_ns = min(due_ns, max(self._free_ns, self._queue[0].due_ns))
        return due_ns

    def work(self, now_ns: int) -> None:
        """Take what has come, end what is over, send what is due. Never blocks, never raises."""
        if self.trouble is not None:
            self._stop_anyway(now_ns)
            return
        try:
            self._hear(now_ns)
            if self._current is not None and now_ns >= self._deadline_ns:
                self.unanswered += 1
                got = f"{len(self._received)} bytes of an answer" if self._received else "no answer"
                self._give_up(got)
            if self._stops:
                if now_ns >= self._stop_due_ns:
                    self._send_stop(now_ns)
            elif self._is_due(now_ns):
                self._begin(self._queue.popleft(), now_ns)
        except LinkError as error:
            self._lose(error)

    def _stop_anyway(self, now_ns: int) -> None:
        """A line that was in trouble may take a stop all the same; nothing else leaves."""
        if not self._stops or now_ns < self._stop_due_ns:
            return
        try:
            self._send_stop(now_ns)
        except LinkError:
            self._stops.clear()

    @property
    def _stop_due_ns(self) -> int:
        """When the next stop leaves: once the line is free, and though it never is."""
        return min(self._free_ns, self._stop_latest_ns)

    def _expect_silence(self, from_ns: int) -> None:
        """From then on whatever is on the line must have ended within the longest frame and one silence."""
        self._stop_latest_ns = from_ns + LONGEST_FRAME * self._character_ns + self._silence_ns

    def _is_due(self, now_ns: int) -> bool:
        is_free = self._current is None and now_ns >= self._free_ns
        return bool(self._queue) and is_free and now_ns >= self._queue[0].due_ns

    def _hear(self, now_ns: int) -> None:
        chunk = self._line.receive()
        if not chunk:
            return
        self._free_ns = max(self._free_ns, now_ns + self._silence_ns)
        if self._current is None or self._request is None:
            self.ignored_bytes += len(chunk)
            return
        self._received += chunk
        while True:
            received = bytes(self._received)
            if len(received) < self._request.needed(received):
                return
            try:
                # All of it: a byte too many makes it another frame.
                content = self._request.content(received[:HELD_BYTES_MAX])
            except AnswerError as error:
                if self._passes_over(received):
                    continue
                self.bad_answers += 1
                self._current.is_refused = error.is_refusal
                self._current.received_ns = now_ns
                self._finish(str(error))
            else:
                self._owed.clear()
                self._current.content = content
                self._current.received_ns = now_ns
                self._finish("")
            return

    def _passes_over(self, received: bytes) -> bool:
        """Whether what has come begins with a good answer to a request that was given up; then that is taken away."""
        for place, request in enumerate(self._owed):
            long = request.answer_bytes
            if long > len(received):
                continue
            try:
                request.content(received[:long])
            except AnswerError:
                continue
            del self._received[:long]
            for _ in range(place + 1):  # answers come in order
                self._owed.popleft()
            self.late_answers += 1
            return True
        return False

    def _give_up(self, error: str) -> None:
        """End the present exchange though its answer may still come."""
        if self._request is not None:
            self._owed.append(self._request)
        self._finish(error)

    def _send_stop(self, now_ns: int) -> None:
        if self._current is not None:
            self._give_up("a stop came first")
        frame = self._stops.popleft()
        try:
            self._line.send(frame)
        except LinkError:
            # The queue is clogged with what is older than the stop: it has been dropped; once more.
            self._line.send(frame)
        self._free_ns = now_ns + len(frame) * self._character_ns + self._silence_ns + self._stop_rest_ns
        self._expect_silence(self._free_ns)

    def _begin(self, exchange: Exchange, now_ns: int) -> None:
        request = exchange.make(now_ns)
        exchange.sent_ns = now_ns
        try:
            self._line.send(request.frame)
        except LinkError as error:
            self._end(exchange, str(error))
            raise
        self.exchanges += 1
        end_ns = now_ns + len(request.frame) * self._character_ns
        self._free_ns = end_ns + self._silence_ns
        self._received.clear()
        if request.answer_bytes == 0:
            self._end(exchange, "")
            return
        self._current, self._request = exchange, request
        answer_ns = request.answer_bytes * self._character_ns + self._silence_ns
        patient_ns = end_ns + self._silence_ns + exchange.patience_ns + answer_ns
        self._deadline_ns = max(patient_ns, exchange.until_ns)

    def _finish(self, error: str) -> None:
        exchange, self._current, self._request = self._current, None, None
        self._deadline_ns = FAR_NS
        if exchange is not None:
            self._end(exchange, error)

    @staticmethod
    def _end(exchange: Exchange, error: str) -> None:
        exchange.error, exchange.is_done = error, True
        if exchange.on_end is not None:
            exchange.on_end(exchange)

    def _lose(self, error: LinkError) -> None:
        self.trouble = error
        self._stops.clear()
        self._finish(str(error))
        self.drop_queue()

    def close(self) -> None:
        """Give the line back. What was queued ends with an error."""
        if self.trouble is None:
            self._lose(LinkError("wire", "an open line", "a closed one"))
        self._line.close()
