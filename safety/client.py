"""How others speak to the guard: the streamer's beat line, and the requests of whoever wants a stop.

Owns the near end of both sockets. Decides nothing: what the guard answers is handed on. ``BeatLine`` is made for a
timed loop: after ``arm`` it neither blocks nor raises. ``safety.local`` has the same line for virtual time.
"""

from __future__ import annotations

import contextlib
import json
import select
import socket
import struct
import time
from pathlib import Path
from typing import Protocol

from safety.beat import MESSAGE_BYTES, UnreadableBeatError, Word, pack_into, unpack

ANSWER_BYTES = 65536
_ECHOES_MAX = 64
_KNOCK_AGAIN_S = 0.002


class GuardUnreachableError(ConnectionError):
    """No guard answers on that socket."""

    code = "no-guard"


class GuardSilentError(GuardUnreachableError):
    """A guard is there, or may be, and does not answer: it may be watching over a machine that moves."""

    code = "guard-unanswered"


_NOBODY = (FileNotFoundError, NotADirectoryError, ConnectionRefusedError)
"""What a socket says behind which no process listens."""


class Beats(Protocol):
    """What the streamer's loop asks of its line to the guard, in real or virtual time."""

    @property
    def latched(self) -> bool:
        """The guard has said LATCHED: it has stopped, or refused to arm."""
        ...

    @property
    def gone(self) -> bool:
        """The guard's end of the line is closed."""
        ...

    def arm(
        self, now_ns: int, lease_until_ns: int, position_um: tuple[int, int] = (0, 0), flags: int = 0
    ) -> bool:
        """Say ARM and wait for the answer. True: the guard watches; the first beat must follow in the lease."""
        ...

    def beat(
        self,
        now_ns: int,
        lease_until_ns: int,
        tick: int,
        x_um: int,
        y_um: int,
        x_um_s: int,
        y_um_s: int,
        x_following_um: int,
        y_following_um: int,
        flags: int,
    ) -> bool:
        """Renew the lease. False when the beat could not be handed over: then stop."""
        ...

    def poll_echo(self) -> tuple[int, int]:
        """The last sequence the guard has taken and the instant at which it said so; (-1, 0) before any."""
        ...

    def disarm(self, now_ns: int, tick: int = 0) -> bool:
        """Say DISARM, the axes being at rest, and wait for the answer. True when the guard has taken it."""
        ...

    def close(self) -> None:
        """Hang up; without ``disarm`` before, the guard takes that for death."""
        ...


class BeatLine:
    """The streamer's end of the beat socket. One writer; instants are CLOCK_MONOTONIC ns."""

    __slots__ = (
        "_answer_timeout_s",
        "_buffer",
        "_echo_ns",
        "_echo_sequence",
        "_gone",
        "_latched",
        "_line",
        "_sequence",
    )

    def __init__(self, line: socket.socket, answer_timeout_s: float = 1.0) -> None:
        line.setblocking(False)
        self._line = line
        self._answer_timeout_s = answer_timeout_s
        self._buffer = bytearray(MESSAGE_BYTES)
        self._sequence = 0
        self._echo_sequence = -1
        self._echo_ns = 0
        self._latched = False
        self._gone = False

    @classmethod
    def connect(cls, beat_socket: Path | str, answer_timeout_s: float = 1.0) -> BeatLine:
        """Connect to the guard at ``beat_socket``. Raises GuardUnreachableError."""
        return cls(_connect(beat_socket, answer_timeout_s), answer_timeout_s)

    @property
    def latched(self) -> bool:
        """The guard has said LATCHED: it has stopped, or refused to arm."""
        return self._latched

    @property
    def gone(self) -> bool:
        """The guard's end of the line is closed."""
        return self._gone

    def arm(
        self, now_ns: int, lease_until_ns: int, position_um: tuple[int, int] = (0, 0), flags: int = 0
    ) -> bool:
        """Say ARM and wait for the answer. True: the guard watches; the first beat must follow in the lease."""
        x_um, y_um = position_um
        return (
            self._send(Word.ARM, now_ns, lease_until_ns, 0, x_um, y_um, 0, 0, 0, 0, flags)
            and self._await_echo()
        )

    def beat(
        self,
        now_ns: int,
        lease_until_ns: int,
        tick: int,
        x_um: int,
        y_um: int,
        x_um_s: int,
        y_um_s: int,
        x_following_um: int,
        y_following_um: int,
        flags: int,
    ) -> bool:
        """Renew the lease. False when the beat could not be handed over: then stop. Never blocks or raises."""
        return self._send(
            Word.BEAT, now_ns, lease_until_ns, tick,
            x_um, y_um, x_um_s, y_um_s, x_following_um, y_following_um, flags,
        )  # fmt: skip

    def poll_echo(self) -> tuple[int, int]:
        """The last sequence the guard has taken and when it said so; (-1, 0) before any. Never blocks or raises.

        The instant is the guard's own: an echo that lay unread on the line does not look fresh.
        """
        for _ in range(_ECHOES_MAX):
            if not self._read():
                break
        return self._echo_sequence, self._echo_ns

    def disarm(self, now_ns: int, tick: int = 0) -> bool:
        """Say DISARM, the axes being at rest, and wait for the answer. True when the guard has taken it."""
        return self._send(Word.DISARM, now_ns, now_ns, tick, 0, 0, 0, 0, 0, 0, 0) and self._await_echo()

    def close(self) -> None:
        """Hang up; without ``disarm`` before, the guard takes that for death."""
        self._gone = True
        self._line.close()

    def _send(self, word: Word, now_ns: int, lease_ns: int, tick: int, *values: int) -> bool:
        sequence = self._sequence + 1
        try:
            pack_into(self._buffer, word, sequence, now_ns, lease_ns, tick, *values)
            self._line.send(self._buffer)
        except BlockingIOError:  # the guard has stopped reading
            return False
        except (struct.error, ValueError, ArithmeticError):  # a number that is none, or does not fit
            return False
        except OSError:
            self._gone = True
            return False
        self._sequence = sequence
        return True

    def _await_echo(self) -> bool:
        """Wait until the guard has answered the word just sent."""
        deadline_s = time.monotonic() + self._answer_timeout_s
        while self._echo_sequence != self._sequence and not self._latched and not self._gone:
            left_s = deadline_s - time.monotonic()
            if left_s <= 0:
                return False
            if not self._read():
                select.select((self._line,), (), (), left_s)
        return self._echo_sequence == self._sequence and not self._latched

    def _read(self) -> bool:
        """Take one answer; False when there is none."""
        try:
            message = self._line.recv(MESSAGE_BYTES + 1)
        except BlockingIOError:
            return False
        except OSError:
            message = b""
        if not message:
            self._gone = True
            return False
        try:
            answer = unpack(message)
        except UnreadableBeatError:
            return True
        if answer.word is Word.ECHO:
            self._echo_sequence = answer.sequence
            self._echo_ns = answer.sent_ns
        elif answer.word is Word.LATCHED:
            self._latched = True
        return True


def request_stop(stop_socket: Path | str, reason: str, by: str, timeout_s: float = 2.0) -> dict[str, object]:
    """Have the guard stop the machine now. Returns its answer (``stopped``, ``latch``, ``reason``, ...).

    The answer comes when the stop bytes have gone out and the latch is written; standstill is proved later
    (see ``request_status``). Raises GuardUnreachableError when no guard is there, GuardSilentError when one does not
    answer: then stop it another way.
    """
    return _request(stop_socket, {"stop": reason, "by": by}, timeout_s)


def request_status(stop_socket: Path | str, timeout_s: float = 2.0) -> dict[str, object]:
    """Ask the guard how it stands: ``state``, ``reason``, ``standstill``, ... Raises GuardUnreachableError."""
    return _request(stop_socket, {"status": True}, timeout_s)


def request_quit(stop_socket: Path | str, timeout_s: float = 2.0) -> dict[str, object]:
    """Ask the guard to end; it refuses (``quit`` false) while armed or stopping. Raises GuardUnreachableError."""
    return _request(stop_socket, {"quit": True}, timeout_s)


def _request(path: Path | str, message: dict[str, object], timeout_s: float) -> dict[str, object]:
    with contextlib.closing(_connect(path, timeout_s)) as line:
        try:
            line.send(json.dumps(message).encode())
            answer = line.recv(ANSWER_BYTES)
        except TimeoutError:
            raise GuardSilentError(f"{path}: the guard does not answer within {timeout_s:g} s") from None
        except OSError as error:
            raise GuardSilentError(f"{path}: the guard does not answer: {error}") from None
    if not answer:
        raise GuardSilentError(f"{path}: the guard does not answer: it has closed the line")
    try:
        decoded = json.loads(answer)
    except ValueError:
        raise GuardSilentError(
            f"{path}: expected a JSON answer from the guard, got {answer[:80]!r}"
        ) from None
    if not isinstance(decoded, dict):
        raise GuardSilentError(f"{path}: expected a JSON object from the guard, got {answer[:80]!r}")
    return decoded


def _connect(path: Path | str, timeout_s: float) -> socket.socket:
    line = socket.socket(socket.AF_UNIX, socket.SOCK_SEQPACKET | socket.SOCK_CLOEXEC)
    try:
        line.settimeout(timeout_s)
        _knock(line, str(path), time.monotonic() + timeout_s)
    except OSError as error:
        line.close()
        # A path that is too long for a socket has no number: nobody can listen there.
        if isinstance(error, _NOBODY) or error.errno is None:
            raise GuardUnreachableError(f"{path}: no guard to speak to: {error}") from None
        raise GuardSilentError(f"{path}: the guard does not answer: {error}") from None
    return line


def _knock(line: socket.socket, path: str, deadline_s: float) -> None:
    """Connect; where too many others are knocking (EAGAIN on a unix socket), again until the deadline."""
    while True:
        try:
            line.connect(path)
        except BlockingIOError:
            if time.monotonic() >= deadline_s:
                raise
            time.sleep(_KNOCK_AGAIN_S)
        else:
            return
