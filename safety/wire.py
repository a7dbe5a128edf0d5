"""The guard's own way to the drives: ready bytes out, and positions in once the streamer is dead.

Owns the descriptor and how its bytes are cut into frames. Knows nothing of drives: what the bytes mean was
settled by whoever wrote the settings. Never blocks; every call is bounded.

The serial adapter's text line for a CAN data frame is ``tIIILDD..`` and carriage return: identifier in three hex
digits, length in one, then the data bytes; an adapter may append four hex digits of time. ``T`` and eight digits: an
identifier of 29 bits.
"""

from __future__ import annotations

import contextlib
import errno
import fcntl
import os
import re
import select
import socket
import struct
import termios
from collections.abc import Sequence
from typing import Protocol

from safety.bus import CAN_FRAME, WANTED, BusHealth
from safety.settings import EXTENDED, FRAMES_KIND, RTU_KINDS, GuardSettings, StandstillAxis

_LINE = re.compile(rb"(?:t([0-9A-Fa-f]{3})|T([01][0-9A-Fa-f]{7}))([0-8])((?:[0-9A-Fa-f]{2})*)\Z")
_LINE_END = re.compile(rb"[\r\n\a]")
_LONGEST_LINE = 64
_READ_BYTES = 4096
_READS_MAX = 32
_CAN_RAW_ERR_FILTER = 2  # linux/can/raw.h; not every Python has the name
_CAN_NOT_DATA = 0x6000_0000  # remote or error frame


class WireError(OSError):
    """The wire cannot be opened."""


class PositionReader:
    """Picks the axes' positions out of frames; whatever it cannot read it drops and counts."""

    __slots__ = ("_axes", "_is_cut", "_rest", "garbled")

    def __init__(self, axes: Sequence[StandstillAxis]) -> None:
        self._axes = tuple(axes)
        self._rest = b""
        self._is_cut = False
        self.garbled = 0

    def feed_text(self, chunk: bytes) -> list[tuple[int, int]]:
        """Axis index and position in counts, in order of arrival, from a piece of the adapter's text."""
        *lines, rest = _LINE_END.split(self._rest + chunk)
        if lines and self._is_cut:
            # The end of a line whose beginning was dropped may look like a whole one.
            self._is_cut = False
            del lines[0]
        if len(rest) > _LONGEST_LINE:
            rest = b""
            self.garbled += not self._is_cut
            self._is_cut = True
        self._rest = rest
        found: list[tuple[int, int]] = []
        for line in lines:
            match = _LINE.match(line)
            if match is None:
                # Bare acknowledgements: z after a frame, nothing after a command.
                self.garbled += line not in (b"", b"z")
                continue
            length = int(match[3])
            if len(match[4]) not in (2 * length, 2 * length + 4):
                self.garbled += 1
                continue
            can_id = int(match[1], 16) if match[1] else EXTENDED | int(match[2], 16)
            found.extend(self.feed_frame(can_id, bytes.fromhex(match[4][: 2 * length].decode())))
        return found

    def feed_can(self, frame: bytes) -> list[tuple[int, int]]:
        """The same from one classical CAN frame of 16 bytes, as the kernel hands it out."""
        if len(frame) != CAN_FRAME.size:
            self.garbled += 1
            return []
        can_id, length, data = CAN_FRAME.unpack(frame)
        if can_id & _CAN_NOT_DATA or length > 8:
            self.garbled += 1
            return []
        return self.feed_frame(can_id, data[:length])

    def feed_frame(self, can_id: int, data: bytes) -> list[tuple[int, int]]:
        """The same from an identifier and its data."""
        found = []
        for index, axis in enumerate(self._axes):
            if axis.can_id == can_id and (counts := axis.position(data)) is not None:
                found.append((index, counts))
        return found


class Wire(Protocol):
    """What the guard asks of its wire."""

    def send_stop(self) -> int:
        """Write one round (end of a cut frame, stop frames, poll). Returns how many bytes went out."""
        ...

    def read_positions(self) -> list[tuple[int, int]]:
        """Everything that has come: axis index and counts. Only once nobody else reads the wire."""
        ...

    def fileno(self) -> int:
        """The descriptor, -1 when there is none."""
        ...

    def is_lost(self) -> bool:
        """Has the other end gone?"""
        ...

    def trouble_fileno(self) -> int:
        """What becomes readable when the bus has something to say of itself; -1 where it cannot."""
        ...

    def bus_trouble(self) -> str:
        """Why the bus takes no frames, as of now; empty while it does, or where it cannot tell."""
        ...

    def close(self) -> None:
        """Give the descriptor back; a second call does nothing."""
        ...


class _Descriptor:
    """What both real wires share: a descriptor, its health, and the reader."""

    def __init__(self, descriptor: int, axes: Sequence[StandstillAxis]) -> None:
        self._descriptor = descriptor
        self._reader = PositionReader(axes)
        self._health = select.poll()
        self._health.register(descriptor, 0)  # hang-up and error are always reported

    def fileno(self) -> int:
        return self._descriptor

    def is_lost(self) -> bool:
        return self._descriptor < 0 or bool(self._health.poll(0))

    def trouble_fileno(self) -> int:
        return -1

    def bus_trouble(self) -> str:
        return ""

    def close(self) -> None:
        if self._descriptor >= 0:
            with contextlib.suppress(OSError):
                os.close(self._descriptor)
            self._descriptor = -1


class Tty(_Descriptor):
    """A serial line. Its health is asked for without a wait.

    poll, select and read on a tty first wait until the kernel's worker has carried what came in. It has ordinary
    priority: 161 ms were seen where packages were unpacked beside it (docs/timing.md). A question to the line waits for
    nobody, and is refused once the line has hung up.
    """

    def is_lost(self) -> bool:
        """Has the other end gone?"""
        if self._descriptor < 0:
            return True
        try:
            fcntl.ioctl(self._descriptor, termios.TIOCOUTQ, b"\0\0\0\0")
        except OSError:
            return True
        return False


class TtyWire(Tty):
    """A serial CAN adapter's text lines. Opened beside whoever else has it open; its settings stay as they are."""

    def __init__(
        self,
        channel: str,
        end_frame: bytes,
        frames: Sequence[bytes],
        poll: bytes,
        axes: Sequence[StandstillAxis],
    ) -> None:
        try:
            descriptor = os.open(channel, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK | os.O_CLOEXEC)
        except OSError as error:
            raise WireError(error.errno, f"wire {channel}: {error.strerror}") from None
        if not os.isatty(descriptor):
            os.close(descriptor)
            raise WireError(errno.ENOTTY, f"wire {channel}: expected a serial line, got something else")
        super().__init__(descriptor, axes)
        # One call for all of it: the kernel keeps a line's writers apart, so nothing gets in between. The end of
        # a cut line leads every round: the streamer may have been in a write of its own when it was killed.
        self._round = end_frame + b"".join(frames) + poll

    def send_stop(self) -> int:
        """One round. A line full of stale commands is emptied first: a stop does not queue behind them."""
        try:
            if os.write(self._descriptor, self._round) == len(self._round):
                return len(self._round)
        except BlockingIOError:
            pass
        except OSError:
            return 0
        try:
            termios.tcflush(self._descriptor, termios.TCOFLUSH)
            return os.write(self._descriptor, self._round)
        except (OSError, termios.error):
            return 0

    def read_positions(self) -> list[tuple[int, int]]:
        """Positions in all the text that has come."""
        found: list[tuple[int, int]] = []
        for _ in range(_READS_MAX):
            try:
                chunk = os.read(self._descriptor, _READ_BYTES)
            except OSError:
                break
            if not chunk:
                break
            found.extend(self._reader.feed_text(chunk))
        return found


class CanWire(_Descriptor):
    """A raw CAN socket, each frame 16 bytes, and beside it one that hears the controller's error frames only.

    Two sockets: the first one's queue is full of the drives' answers while a streamer is at work.
    """

    def __init__(
        self,
        line: socket.socket,
        frames: Sequence[bytes],
        poll: bytes,
        axes: Sequence[StandstillAxis],
        errors: socket.socket | None = None,
    ) -> None:
        self._errors = errors
        self._bus = BusHealth()
        if errors is not None:
            errors.setblocking(False)
        line.setblocking(False)
        self._frames = tuple(frame for frame in (*frames, poll) if frame)
        super().__init__(line.detach(), axes)

    def send_stop(self) -> int:
        """One round; what the interface's full queue does not take waits for the next round."""
        sent = 0
        for frame in self._frames:
            try:
                sent += os.write(self._descriptor, frame)
            except OSError:
                break
        return sent

    def read_positions(self) -> list[tuple[int, int]]:
        """Positions in all frames that have come."""
        found: list[tuple[int, int]] = []
        for _ in range(_READS_MAX * 8):
            try:
                frame = os.read(self._descriptor, CAN_FRAME.size)
            except OSError:
                break
            if not frame:
                break
            found.extend(self._reader.feed_can(frame))
        return found

    def trouble_fileno(self) -> int:
        """The socket of the error frames."""
        return -1 if self._errors is None else self._errors.fileno()

    def bus_trouble(self) -> str:
        """Take all error frames in. An interface that is taken down says so by an error of its own."""
        if self._errors is None:
            return ""
        for _ in range(_READS_MAX):
            try:
                frame = self._errors.recv(CAN_FRAME.size)
            except BlockingIOError:
                break
            except OSError as error:
                self._bus.trouble = f"the CAN interface is gone: {error.strerror}"
                break
            if not frame:
                self._bus.trouble = "the CAN interface is gone"
                break
            self._bus.feed(frame)
        return self._bus.trouble

    def close(self) -> None:
        """Give both sockets back; a second call does nothing."""
        super().close()
        if self._errors is not None:
            self._errors.close()
            self._errors = None


class NoWire:
    """No wire at all: for tests of everything else. Nothing is sent and nothing is ever proved."""

    def send_stop(self) -> int:
        """Nothing goes out."""
        return 0

    def read_positions(self) -> list[tuple[int, int]]:
        """Nothing comes."""
        return []

    def fileno(self) -> int:
        """There is none."""
        return -1

    def is_lost(self) -> bool:
        """What is not there cannot be lost."""
        return False

    def trouble_fileno(self) -> int:
        """There is none."""
        return -1

    def bus_trouble(self) -> str:
        """No bus, no trouble."""
        return ""

    def close(self) -> None:
        """Nothing to give back."""


def _id_mask(can_id: int) -> int:
    """All of the identifier, its kind, and nothing but data frames."""
    return EXTENDED | _CAN_NOT_DATA | (0x1FFF_FFFF if can_id & EXTENDED else 0x7FF)


def open_wire(settings: GuardSettings) -> Wire:
    """Open the wire of ``settings``. Raises WireError naming the channel."""
    frames = [bytes.fromhex(frame) for frame in settings.stop_frames_hex]
    poll = bytes.fromhex(settings.poll_frame_hex)
    if settings.wire_kind == "tty":
        end = bytes.fromhex(settings.end_frame_hex)
        return TtyWire(settings.wire_channel, end, frames, poll, settings.standstill)
    if settings.wire_kind == "socketcan":
        try:
            line = socket.socket(socket.AF_CAN, socket.SOCK_RAW | socket.SOCK_CLOEXEC, socket.CAN_RAW)
            accepted = b"".join(
                struct.pack("=II", word.can_id, _id_mask(word.can_id)) for word in settings.standstill
            )
            line.setsockopt(socket.SOL_CAN_RAW, socket.CAN_RAW_FILTER, accepted)
            line.bind((settings.wire_channel,))
            errors = socket.socket(socket.AF_CAN, socket.SOCK_RAW | socket.SOCK_CLOEXEC, socket.CAN_RAW)
            errors.setsockopt(socket.SOL_CAN_RAW, socket.CAN_RAW_FILTER, b"")
            errors.setsockopt(socket.SOL_CAN_RAW, _CAN_RAW_ERR_FILTER, struct.pack("=I", WANTED))
            errors.bind((settings.wire_channel,))
        except OSError as error:
            raise WireError(error.errno, f"wire {settings.wire_channel}: {error.strerror}") from None
        return CanWire(line, frames, poll, settings.standstill, errors)
    if settings.wire_kind == FRAMES_KIND:
        from safety.frames import FramesWire

        return FramesWire(
            settings.wire_channel,
            frames,
            settings.standstill,
            silence_ns=round(settings.silence_us * 1000),
            patience_ns=round(settings.answer_us * 1000),
            polls_stop=settings.polls_stop,
            stop_rest_ns=round(settings.stop_rest_us * 1000),
        )
    if settings.wire_kind in RTU_KINDS:
        from safety.rtu import RtuWire

        low_first = settings.wire_kind == RTU_KINDS[1]
        return RtuWire(settings.wire_channel, frames, poll, settings.standstill, low_first=low_first)
    return NoWire()
