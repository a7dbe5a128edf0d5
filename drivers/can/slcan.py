"""The serial CAN adapter's text lines: a codec for any byte chunks, and a link on a serial descriptor.

Owns the line format (``t`` and ``T`` data frames, ``r`` and ``R`` remote frames, ended by a carriage return; a bell
for an error) and the descriptor. Knows nothing of what the frames mean. python-can's slcan backend sets the
adapter up; after that only our own ``os.write`` and ``os.read`` touch the line, without any thread.

Identifiers follow the convention of linux/can.h: bit 31 marks a 29-bit identifier, bit 30 a remote frame.

Another process (the guard) may write complete lines on a descriptor of its own at any time: one ``write`` is never
mixed with another. The advisory lock taken here keeps out a second link, not the guard.
"""

from __future__ import annotations

import contextlib
import errno
import fcntl
import os
import select
import termios
from binascii import Error as HexError
from binascii import hexlify, unhexlify
from collections.abc import Iterable, Sequence

from drivers.can.health import BusHealth
from drivers.can.link import Frame
from drivers.clock import NS_PER_MS, Clock, MonotonicClock
from drivers.errors import LinkError, MisuseError

EXTENDED_FLAG = 0x8000_0000
REMOTE_FLAG = 0x4000_0000
_EXTENDED_MASK = 0x1FFF_FFFF

LINE_BYTES_MAX = 32
"""The longest line: T, 8 digits, length, 16 digits, 4 digits of time stamp, end: 31."""

END_OF_CUT_LINE = b"\rO\r"
"""What a second writer puts before its own lines: end what was cut, then OPEN, which an open adapter only refuses.

The bare CR would do but for one rest: a line whose data end in the digit C, cut right before it, leaves ``C`` CR to
come, and that is the adapter's CLOSE. Whoever repeats its round is then heard again from the next one on.
"""

_READ_BYTES = 4096
_WRITE_LIMIT_NS = 4 * NS_PER_MS
_SETTLE_AFTER_OPEN_S = 0.05
_OTHER_REPLIES = frozenset(b"zZVvNF")
_ASK_FLAGS = b"F\r"
_ASK_EVERY_NS = 100 * NS_PER_MS


def encode_frames(frames: Iterable[tuple[int, bytes]]) -> bytes:
    """The lines of ``frames`` (can_id with linux/can.h flags, 0-8 data bytes), joined for one write.

    A remote frame's length is that of its data, whose content does not travel.
    """
    parts: list[bytes] = []
    for can_id, data in frames:
        if can_id <= 0x7FF:
            parts.append(b"t%03X%d%b\r" % (can_id, len(data), hexlify(data).upper()))
        elif can_id & EXTENDED_FLAG:
            if can_id & REMOTE_FLAG:
                parts.append(b"R%08X%d\r" % (can_id & _EXTENDED_MASK, len(data)))
            else:
                head = b"T%08X%d" % (can_id & _EXTENDED_MASK, len(data))
                parts.append(head + hexlify(data).upper() + b"\r")
        else:
            parts.append(b"r%03X%d\r" % (can_id & 0x7FF, len(data)))
    return b"".join(parts)


class ChunkParser:
    """Frames out of arbitrary chunks of the adapter's text.

    Never raises and never holds more than one line: what cannot be read is counted in ``garbled``, the
    adapter's bells in ``refusals``. The adapter's status flags are kept in ``flags`` (all of them since somebody took
    them; None when none came); other answers that carry no frame (``z``, ``Z``, version) are passed over.
    """

    __slots__ = ("_rest", "_skipping", "flags", "garbled", "refusals")

    def __init__(self) -> None:
        self._rest = b""
        self._skipping = False
        self.flags: int | None = None
        self.garbled = 0
        self.refusals = 0

    @property
    def held_bytes(self) -> int:
        """How many bytes of an unfinished line are kept."""
        return len(self._rest)

    def feed(self, chunk: bytes, received_ns: int = 0) -> list[Frame]:
        """All frames that ``chunk`` completes, oldest first, each with ``received_ns``."""
        frames: list[Frame] = []
        if b"\a" in chunk:
            self._feed_with_bells(chunk, received_ns, frames)
        else:
            self._feed_plain(chunk, received_ns, frames)
        return frames

    def _feed_with_bells(self, chunk: bytes, received_ns: int, frames: list[Frame]) -> None:
        pieces = chunk.split(b"\a")
        for piece in pieces[:-1]:
            self._feed_plain(piece, received_ns, frames)
            # The bell ends whatever stood before it: a line cut short is no frame.
            if self._rest:
                self.garbled += 1
                self._rest = b""
            self._skipping = False
            self.refusals += 1
        self._feed_plain(pieces[-1], received_ns, frames)

    def _feed_plain(self, chunk: bytes, received_ns: int, frames: list[Frame]) -> None:
        lines = (self._rest + chunk).split(b"\r")
        rest = lines.pop()
        if self._skipping and lines:
            del lines[0]
            self._skipping = False
        for line in lines:
            if not line:
                continue
            # The common line first: a data frame with an 11-bit identifier. unhexlify is strict (no blanks,
            # signs or underscores), which int() is not.
            if line[0] == 0x74 and len(line) >= 5 and len(line) == 2 * line[4] - 91:
                try:
                    raw = unhexlify(b"0" + line[1:4] + line[5:])
                except (HexError, ValueError):
                    self.garbled += 1
                    continue
                can_id = (raw[0] << 8) | raw[1]
                if can_id <= 0x7FF and len(raw) <= 10:
                    frames.append(Frame(can_id, raw[2:], received_ns))
                else:
                    self.garbled += 1
            else:
                frame = _parse_other(line, received_ns)
                if frame is not None:
                    frames.append(frame)
                elif line[0] not in _OTHER_REPLIES or len(line) > LINE_BYTES_MAX:
                    self.garbled += 1
                elif line[0] == 0x46:
                    self._take_flags(line)
        if self._skipping:
            rest = b""
        elif len(rest) >= LINE_BYTES_MAX:
            self.garbled += 1
            self._skipping = True
            rest = b""
        self._rest = rest

    def _take_flags(self, line: bytes) -> None:
        """``F`` and two hexadecimal digits."""
        try:
            (flags,) = unhexlify(line[1:])
        except (HexError, ValueError):
            self.garbled += 1
            return
        self.flags = flags | (self.flags or 0)


def _parse_other(line: bytes, received_ns: int) -> Frame | None:
    """A frame of any of the four kinds, with or without the adapter's 4-digit time stamp; None when not one."""
    kind = line[0:1]
    if kind in (b"t", b"r"):
        id_digits, flags, id_max = 3, 0, 0x7FF
    elif kind in (b"T", b"R"):
        id_digits, flags, id_max = 8, EXTENDED_FLAG, _EXTENDED_MASK
    else:
        return None
    length_at = 1 + id_digits
    digit = line[length_at : length_at + 1]
    if not digit or not b"0" <= digit <= b"8":
        return None
    length = digit[0] - 0x30
    is_remote = kind in (b"r", b"R")
    end = length_at + 1 + (0 if is_remote else 2 * length)
    if len(line) not in (end, end + 4):
        return None
    try:
        can_id = int.from_bytes(unhexlify(b"0" * (id_digits % 2) + line[1:length_at]), "big")
        data = bytes(length) if is_remote else unhexlify(line[length_at + 1 : end])
        unhexlify(line[end:])
    except (HexError, ValueError):
        return None
    if can_id > id_max:
        return None
    return Frame(can_id | flags | (REMOTE_FLAG if is_remote else 0), data, received_ns)


class SlcanLink:
    """A CanLink on a serial CAN adapter that has been set up. Not for two threads.

    An adapter that has answered ``F`` once is asked for its status flags ten times a second, together with frames.
    """

    __slots__ = (
        "_ask_ns", "_clock", "_fd", "_held", "_name", "_parser", "_poller", "_ready", "_unfinished", "health",
    )  # fmt: skip

    def __init__(self, fd: int, name: str, clock: Clock | None = None) -> None:
        """Take over ``fd``, a non-blocking raw tty; ``name`` is for messages."""
        self._fd = fd
        self._name = name
        self._clock = clock if clock is not None else MonotonicClock()
        self._parser = ChunkParser()
        self._unfinished = False
        self._held: list[Frame] = []
        self._ask_ns: int | None = None
        self.health = BusHealth()
        self._poller = select.poll()
        self._poller.register(fd, select.POLLOUT)
        self._ready = select.poll()
        self._ready.register(fd, select.POLLIN)

    @classmethod
    def open(cls, channel: str, bitrate_bit_s: int, clock: Clock | None = None) -> SlcanLink:
        """Lock ``channel`` against a second link, set the adapter up, ask for its flags and take the line.

        Raises LinkError when there is no such line, it is in use or does not take the set-up; MisuseError for
        a bit rate that adapters of this kind do not know.
        """
        path = channel.split("@", 1)[0]
        try:
            fd = os.open(path, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK | os.O_CLOEXEC)
        except OSError as error:
            raise LinkError(
                f"wire {channel}",
                "a serial CAN adapter",
                error.strerror or str(error),
                code="wire-not-opened",
            ) from error
        try:
            # The lock comes before python-can writes anything: opening must not disturb a link in use.
            try:
                fcntl.flock(fd, fcntl.LOCK_EX | fcntl.LOCK_NB)
            except OSError as error:
                raise LinkError(
                    f"wire {channel}", "a line of our own", "a line that is in use", code="wire-not-opened"
                ) from error
            _set_up_adapter(channel, bitrate_bit_s)
            _make_raw(fd, channel)
            link = cls(fd, channel, clock)
            link._ask_flags()
            return link
        except BaseException:
            os.close(fd)
            raise

    def send_frames(self, frames: Sequence[tuple[int, bytes]]) -> None:
        """One write for all frames. Raises LinkError when the line does not take them within a few ms."""
        payload = encode_frames(frames)
        if self._ask_ns is not None and self._clock.now_ns() >= self._ask_ns:
            self._ask_ns = self._clock.now_ns() + _ASK_EVERY_NS
            payload += _ASK_FLAGS
        if self._unfinished:
            # Something was cut off before: end that line, so that the adapter drops it and reads ours whole.
            payload = b"\r" + payload
        try:
            written = os.write(self._fd, payload)
        except BlockingIOError:
            written = 0
        except (OSError, ValueError) as error:
            raise LinkError(f"wire {self._name}", "a line that takes frames", _reason(error)) from error
        if written != len(payload):
            self._write_rest(payload, written)
        self._unfinished = False

    def _write_rest(self, payload: bytes, written: int) -> None:
        deadline_ns = MonotonicClock().now_ns() + _WRITE_LIMIT_NS
        while written < len(payload):
            left_ns = deadline_ns - MonotonicClock().now_ns()
            if left_ns <= 0:
                if written:
                    self._unfinished = payload[written - 1 : written] != b"\r"
                raise LinkError(
                    f"wire {self._name}",
                    f"{len(payload)} bytes taken within {_WRITE_LIMIT_NS // NS_PER_MS} ms",
                    f"{written} bytes taken",
                )
            self._poller.poll(1)
            try:
                written += os.write(self._fd, payload[written:])
            except BlockingIOError:
                continue
            except OSError as error:
                if written:
                    self._unfinished = payload[written - 1 : written] != b"\r"
                raise LinkError(f"wire {self._name}", "a line that takes frames", _reason(error)) from error

    def receive(self) -> list[Frame]:
        """All frames that have come.

        Raises LinkError when the line is closed or gone, and once when the adapter's flags say error-passive; what came
        with that is handed out by the next call. Opening anew forgets it.
        """
        frames = self._read()
        if self._held:
            frames, self._held = self._held + frames, []
        if self._parser.flags is not None:
            self._judge_flags(frames)
        return frames

    def _ask_flags(self) -> None:
        """Ask once, without waiting: an adapter that does not know the question rings its bell, or is silent."""
        with contextlib.suppress(OSError):
            os.write(self._fd, _ASK_FLAGS)

    def _judge_flags(self, frames: list[Frame]) -> None:
        flags, self._parser.flags = self._parser.flags or 0, None
        if self._ask_ns is None:
            self._ask_ns = self._clock.now_ns() + _ASK_EVERY_NS
        trouble = self.health.adapter_flags(flags)
        if trouble:
            self._held = frames
            raise LinkError(
                f"wire {self._name}", "a bus controller without errors", trouble, code="bus-errors"
            )

    def _read(self) -> list[Frame]:
        frames: list[Frame] = []
        while True:
            try:
                chunk = os.read(self._fd, _READ_BYTES)
            except BlockingIOError:
                return frames
            except OSError as error:
                raise LinkError(f"wire {self._name}", "a line to read", _reason(error)) from error
            if not chunk:
                if frames or not self._has_hung_up():
                    return frames
                raise LinkError(f"wire {self._name}", "a line to read", "a line that has hung up")
            got = self._parser.feed(chunk, self._clock.now_ns())
            if len(chunk) < _READ_BYTES:
                return frames + got if frames else got
            frames += got

    def _has_hung_up(self) -> bool:
        # A tty with VMIN 0 also reads nothing when nothing has come; only a hang-up shows in poll.
        return any(event & (select.POLLHUP | select.POLLERR) for _, event in self._ready.poll(0))

    @property
    def garbled(self) -> int:
        """Unreadable pieces dropped so far."""
        return self._parser.garbled

    @property
    def refusals(self) -> int:
        """How often the adapter has answered with its error bell."""
        return self._parser.refusals

    def fileno(self) -> int:
        """The descriptor, or -1 after ``close``."""
        return self._fd

    def close(self) -> None:
        """Give the line back. The adapter's channel stays open on purpose: the guard may still need it."""
        fd, self._fd = self._fd, -1
        if fd >= 0:
            os.close(fd)


def _reason(error: Exception) -> str:
    if isinstance(error, OSError) and error.errno == errno.EBADF:
        return "a closed line"
    return getattr(error, "strerror", None) or str(error)


def _set_up_adapter(channel: str, bitrate_bit_s: int) -> None:
    """Bit rate and channel through python-can's backend; its object is gone when this returns."""
    import can
    from can.interfaces.slcan import slcanBus

    class SetUpBus(slcanBus):
        """The backend, but letting go of the port leaves the adapter's channel open."""

        def shutdown(self) -> None:
            can.BusABC.shutdown(self)
            self.serialPortOrig.close()

    try:
        bus = SetUpBus(channel, bitrate=bitrate_bit_s, sleep_after_open=_SETTLE_AFTER_OPEN_S)
    except (can.CanError, OSError, ValueError) as error:
        # The backend wraps what it finds wrong with its arguments, too.
        if isinstance(error, ValueError) or isinstance(error.__cause__, ValueError):
            raise MisuseError(f"wire {channel}", "settings that the adapter knows", str(error)) from error
        raise LinkError(
            f"wire {channel}", "a serial CAN adapter", str(error), code="wire-not-opened"
        ) from error
    bus.shutdown()


def _make_raw(fd: int, channel: str) -> None:
    """VMIN 1 on the raw line that python-can left, so that "nothing yet" and "hung up" read differently."""
    try:
        attributes = termios.tcgetattr(fd)
        attributes[6][termios.VMIN] = 1
        attributes[6][termios.VTIME] = 0
        termios.tcsetattr(fd, termios.TCSANOW, attributes)
    except termios.error as error:
        raise LinkError(f"wire {channel}", "a serial line", str(error), code="wire-not-opened") from error
