"""The guard's way to drives behind an adapter to which it cannot write by itself: a program that can, under orders.

Owns that program's life, the orders to it, and the judgement whether it can still be relied upon. The program opens the
adapter once more for itself, beside the streamer; which program it is, and what it says on the bus, was settled by
whoever wrote the settings. Never blocks but where it says so, and then for a bounded time.

Orders and words go over a SOCK_SEQPACKET pair (docs/guard.md). Orders are single bytes. A word is a byte for its kind,
the instant at which it was said (CLOCK_MONOTONIC, ns, unsigned, 64 bits, little-endian), and what belongs to the kind.
"""

from __future__ import annotations

import contextlib
import os
import select
import socket
import struct
import sys
import time
from collections import deque

from safety.settings import GuardSettings
from safety.watched import Life, Watched
from safety.wire import PositionReader

STOP, REST, PROVE, QUIT = b"S", b"E", b"P", b"Q"
HEAD = struct.Struct("<cQ")
READY, UNPROVED, FAILED, BEAT, SENT, FRAMES, TROUBLE = b"R", b"U", b"F", b"B", b"S", b"P", b"T"
HEARD = struct.Struct("<Q")
COUNT = struct.Struct("<I")
FRAME = struct.Struct("<IB8s")

START_NS = 8_000_000_000
"""A program that has said nothing for so long after its start will not."""

AGAIN_NS = 2_000_000_000
"""No sooner than so long after its start is a program that fails in the middle of a stop started anew."""

_WORD_BYTES = 2048
_WORDS_MAX = 256
_POSITIONS_MAX = 4096
_FIRST_WAIT_S = 0.005
_END_WAIT_MS = 300


class HandleWire:
    """A Wire whose bytes leave from another process. ``hindrance`` before motion, ``failure`` while there is some."""

    def __init__(self, settings: GuardSettings) -> None:
        """Start the program. Raises OSError when that cannot be."""
        self._command = settings.handle
        self._late_ns = round(settings.handle_late_ms * 1e6)
        self._reader = PositionReader(settings.standstill)
        self._found: deque[tuple[int, int]] = deque(maxlen=_POSITIONS_MAX)
        self._process: Watched | None = None
        self._ended: list[int] = []
        self._is_stopping = False
        self._is_deaf = False
        self._relied_ns = 0
        self._descriptor = -1
        self._is_gone = True
        self._is_ready = False
        self._unproved = ""
        self._last_words = ""
        self._trouble = ""
        self._sent_bytes = 0
        self._heard_ns = 0
        self._started_ns = 0
        self._beat_ns = 0
        self._start()

    # --- what every wire does ----------------------------------------------------------------------------

    def send_stop(self) -> int:
        """Order the stop; the program says it again and again until ``rest``. Returns how many bytes it has sent since.

        The first call waits for its word, 5 ms at most. One that cannot be relied upon is ended and started anew.
        """
        now_ns = time.monotonic_ns()
        is_first = not self._is_stopping
        self._is_stopping = True
        self._take_words()
        if is_first:
            self._sent_bytes = 0
        if self.is_unfit(now_ns) and now_ns - self._started_ns >= (0 if is_first else AGAIN_NS):
            with contextlib.suppress(OSError):
                self._start()
        self._order(STOP)
        if is_first and not self._sent_bytes and not self._is_gone:
            select.select((self._descriptor,), (), (), _FIRST_WAIT_S)
            self._take_words()
        sent, self._sent_bytes = self._sent_bytes, 0
        return sent

    def read_positions(self) -> list[tuple[int, int]]:
        """Positions in all answers that the program has heard since the stop was ordered."""
        self._take_words()
        self._collect()
        found = list(self._found)
        self._found.clear()
        return found

    def fileno(self) -> int:
        """The descriptor on which the program speaks."""
        return self._descriptor

    def is_lost(self) -> bool:
        """Is the program gone? One that merely says nothing is not lost: see ``failure``."""
        return self._is_gone or self._process is None or self._process.is_dying()

    def trouble_fileno(self) -> int:
        """Becomes readable when the program has a word; -1 once it is gone."""
        return -1 if self._is_gone else self._descriptor

    def bus_trouble(self) -> str:
        """What the program says of the bus; empty while that is nothing."""
        self._take_words()
        return self._trouble

    def close(self) -> None:
        """Let the program end; a second call does nothing. One that is stopping goes on for a while by itself."""
        if self._descriptor < 0:
            return
        if not self._is_stopping:
            self._order(QUIT)
        os.close(self._descriptor)
        self._descriptor = -1
        self._is_gone = True
        if self._process is not None and not self._is_stopping:
            # The adapter is to be free when the guard has ended: the next one may want it.
            waiter = select.poll()
            waiter.register(self._process.pidfd, select.POLLIN)
            waiter.poll(_END_WAIT_MS)
        self._leave()

    # --- what only this one does -------------------------------------------------------------------------

    def hindrance(self, patience_s: float) -> str:
        """Why nothing may move on its account; empty: the program has heard each drive answer what it sent.

        Waits for that for up to ``patience_s``, once more for drives that did not answer before. Trouble of the bus is
        forgotten only by opening the adapter anew: a program that has told some is started again, for the next try.
        """
        self._take_words()
        if self._trouble and not self._is_stopping:
            trouble = self._trouble
            self._start()
            return f"{trouble}; the guard's own handle is being opened anew: try again"
        end_s = time.monotonic() + patience_s
        asked_again = False
        while True:
            self._take_words()
            if self._is_ready or self._is_gone:
                break
            if self._unproved and not asked_again:
                asked_again = True
                self._unproved = ""
                self._order(PROVE)
            left_s = end_s - time.monotonic()
            if self._unproved or left_s <= 0:
                break
            select.select((self._descriptor,), (), (), left_s)
        now_ns = self._relied_ns = time.monotonic_ns()
        if self._is_ready:
            return self._why_unfit(now_ns)
        return (
            self._unproved or self._why_unfit(now_ns) or "the guard's own handle is not open yet: try again"
        )

    def failure(self, now_ns: int) -> str:
        """Why the program cannot be relied upon any more, as of ``now_ns``; empty while it can."""
        self._take_words()
        why = self._why_unfit(now_ns)
        if why:
            return why
        deaf_ns = now_ns - max(self._heard_ns, self._relied_ns)
        if deaf_ns > self._late_ns:
            self._is_deaf = True
            return (
                f"through the guard's own handle the drives have not been heard for {deaf_ns * 1e-6:.0f} ms"
            )
        return ""

    def is_unfit(self, now_ns: int) -> bool:
        """Is it of no use, whatever the drives do: gone, stopped, silent, or found deaf while they were speaking?"""
        return self._is_deaf or bool(self._why_unfit(now_ns))

    def rest(self) -> None:
        """Standstill is proved, or nobody waits for a proof: no more stop rounds until the next ``send_stop``."""
        self._collect()
        self._is_stopping = False
        self._order(REST)

    @property
    def pid(self) -> int:
        """The program's process id."""
        return -1 if self._process is None else self._process.pid

    # --- inside ------------------------------------------------------------------------------------------

    def _start(self) -> None:
        """Start it, in the place of the one before. Orders that come before it listens wait for it."""
        if self._process is not None:
            self._process.kill()
        self._leave()
        self._is_gone = True
        self._is_ready = self._is_deaf = False
        self._unproved = self._last_words = self._trouble = ""
        self._sent_bytes = 0
        self._heard_ns = 0
        self._started_ns = time.monotonic_ns()
        self._beat_ns = self._started_ns + START_NS - self._late_ns
        near, far = socket.socketpair(socket.AF_UNIX, socket.SOCK_SEQPACKET)
        with near, far:
            near.setblocking(False)
            far.set_inheritable(True)
            # Ordinary priority until it has started: at the guard's own, its start would hold the guard up.
            pid = os.posix_spawn(
                sys.executable,
                (sys.executable, *self._command, str(far.fileno())),
                os.environ,
                file_actions=((os.POSIX_SPAWN_OPEN, 1, os.devnull, os.O_WRONLY, 0),),
                scheduler=(os.SCHED_OTHER, os.sched_param(0)),
            )
            if self._descriptor < 0:
                self._descriptor = near.detach()
            else:
                # The same number: whoever waits on it goes on waiting on the right one.
                os.dup2(near.fileno(), self._descriptor, inheritable=False)
        self._process = Watched(pid)
        self._is_gone = False

    def _leave(self) -> None:
        """Let go of the process; it is collected once it has ended."""
        if self._process is not None:
            self._ended.append(self._process.pid)
            self._process.close()
            self._process = None
        self._collect()

    def _collect(self) -> None:
        for pid in self._ended[:]:
            with contextlib.suppress(ChildProcessError):
                if os.waitpid(pid, os.WNOHANG)[0] == 0:
                    continue
            self._ended.remove(pid)

    def _order(self, order: bytes) -> None:
        with contextlib.suppress(OSError):
            os.write(self._descriptor, order)

    def _why_unfit(self, now_ns: int) -> str:
        if self._last_words:
            return self._last_words
        life = Life.DYING if self._process is None or self._is_gone else self._process.look()
        if life is Life.DYING:
            return "the process with the guard's own handle has ended"
        if life is Life.STOPPED:
            return "the process with the guard's own handle has been stopped"
        if now_ns - self._beat_ns > self._late_ns:
            silent_ms = (now_ns - self._beat_ns) * 1e-6
            return f"the process with the guard's own handle has said nothing for {silent_ms:.0f} ms"
        return ""

    def _take_words(self) -> None:
        if self._is_gone:
            return
        for _ in range(_WORDS_MAX):
            try:
                word = os.read(self._descriptor, _WORD_BYTES)
            except BlockingIOError:
                return
            except OSError:
                word = b""
            if not word:
                self._is_gone = True
                return
            if len(word) >= HEAD.size:
                kind, said_ns = HEAD.unpack_from(word)
                self._take(kind, said_ns, word[HEAD.size :])

    def _take(self, kind: bytes, said_ns: int, body: bytes) -> None:
        if kind == BEAT and len(body) == HEARD.size:
            # Its own instant: a word that lay unread does not make it look alive.
            self._beat_ns = said_ns
            (self._heard_ns,) = HEARD.unpack(body)
        elif kind == FRAMES:
            for can_id, length, data in FRAME.iter_unpack(body[: len(body) // FRAME.size * FRAME.size]):
                self._found.extend(self._reader.feed_frame(can_id, data[:length]))
        elif kind == SENT and len(body) == COUNT.size:
            self._sent_bytes += COUNT.unpack(body)[0]
            self._trouble = ""
        elif kind == READY:
            self._is_ready = True
        elif kind == UNPROVED:
            self._unproved = body.decode(errors="replace")
        elif kind == FAILED:
            self._last_words = body.decode(errors="replace")
        elif kind == TROUBLE:
            self._trouble = body.decode(errors="replace")
