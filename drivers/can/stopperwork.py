"""What the second handle does with orders and frames: proof, stop rounds, the drives' answers, beats.

Owns the decisions and the words to the guard; time and link are arguments. Knows nothing of processes and sockets, and
nothing of why it is to stop.

Orders are single bytes, words begin with a byte for their kind and the instant of CLOCK_MONOTONIC at which they were
said (unsigned, 64 bits, little-endian). docs/guard.md lists both; ``safety.handle`` is the other end.
"""

from __future__ import annotations

import struct

from drivers.can.link import CanLink, Frame
from drivers.clock import NS_PER_MS, Clock
from drivers.errors import LinkError
from drivers.stoppersettings import CanStopperSettings

STOP, REST, PROVE, QUIT = b"S", b"E", b"P", b"Q"

HEAD = struct.Struct("<cQ")
READY, UNPROVED, FAILED, BEAT, SENT, FRAMES, TROUBLE = b"R", b"U", b"F", b"B", b"S", b"P", b"T"
HEARD = struct.Struct("<Q")
COUNT = struct.Struct("<I")
FRAME = struct.Struct("<IB8s")

PROOF_NS = 400 * NS_PER_MS
"""How long the drives have for an answer; an SDO server takes some ms."""

ALONE_NS = 2000 * NS_PER_MS
"""How long stop is said when the one who gives orders is gone without a word."""

REFUSALS_MAX = 50
"""Rounds in a row that the bus did not take: then the handle is given up, so that it is opened anew."""

_LOOK_NS = 2 * NS_PER_MS
_FRAMES_A_WORD = 64


class HandleError(Exception):
    """The handle is of no use any more; the text says why. It must be opened anew."""


class StopperWork:
    """One handle's work. ``order`` and ``step`` say what is to be told; ``due_ns`` when ``step`` is wanted at last."""

    def __init__(self, settings: CanStopperSettings, link: CanLink, clock: Clock) -> None:
        """Take over ``link`` and begin with the proof."""
        self._link = link
        self._clock = clock
        self._round = [(can_id, bytes.fromhex(data)) for can_id, data in (*settings.stop, settings.poll)]
        self._proof = settings.proof
        self._hear_ids = settings.hear
        self._repeat_ns = round(settings.repeat_ms * NS_PER_MS)
        self._beat_every_ns = round(settings.beat_ms * NS_PER_MS)
        self._heard_ns = [0] * len(self._hear_ids)
        self._missing: set[int] = set()
        self._proof_until_ns = 0
        self._round_ns = 0
        self._refused = 0
        self._trouble = ""
        self.is_stopping = False
        self.is_over = False
        self._over_ns = 0
        self._beat_ns = clock.now_ns()
        self._prove()

    def order(self, order: bytes) -> list[bytes]:
        """Obey. An unknown order is none; no order at all means that the other end is gone."""
        now_ns = self._clock.now_ns()
        if order == STOP:
            if self.is_stopping:
                return []
            self.is_stopping = True
            return self._send_round(now_ns)
        if order == REST:
            self.is_stopping = False
        elif order == PROVE and not self._missing:
            self._prove()
        elif order == QUIT:
            self.is_over = True
        elif not order and not self._over_ns and not self.is_over:
            # Nobody to ask: the one who watched over motion is dead. Stop, for a while, then end.
            self._over_ns = now_ns + ALONE_NS
            self.is_stopping = True
            return self._send_round(now_ns)
        return []

    def due_ns(self) -> int:
        """When ``step`` is wanted though no order comes."""
        due_ns = self._beat_ns
        if self.is_stopping:
            due_ns = min(due_ns, self._round_ns)
        if self.is_stopping or self._missing:
            due_ns = min(due_ns, self._clock.now_ns() + _LOOK_NS)
        return due_ns

    def step(self) -> list[bytes]:
        """Hear, say what is due, and tell. Raises HandleError when the handle is of no use any more."""
        said = self._hear()
        now_ns = self._clock.now_ns()
        if self._proof_until_ns and (not self._missing or now_ns >= self._proof_until_ns):
            said.append(self._proved(now_ns))
        if self.is_stopping and now_ns >= self._round_ns:
            said += self._send_round(now_ns)
        if now_ns >= self._beat_ns:
            self._beat_ns = now_ns + self._beat_every_ns
            said.append(_word(BEAT, now_ns, HEARD.pack(min(self._heard_ns))))
        if self._over_ns and now_ns >= self._over_ns:
            self.is_over = True
        return said

    # --- the bus -----------------------------------------------------------------------------------------

    def _prove(self) -> None:
        self._missing = {answer_id for _, _, answer_id in self._proof}
        self._proof_until_ns = self._clock.now_ns() + PROOF_NS
        try:
            self._link.send_frames([(can_id, bytes.fromhex(data)) for can_id, data, _ in self._proof])
        except LinkError as error:
            raise HandleError(str(error)) from error

    def _proved(self, now_ns: int) -> bytes:
        self._proof_until_ns = 0
        if not self._missing:
            return _word(READY, now_ns)
        silent = " and ".join(f"node {answer_id & 0x7F}" for answer_id in sorted(self._missing))
        self._missing = set()
        text = (
            f"no answer from {silent} within {PROOF_NS // NS_PER_MS} ms to a question sent through the guard's own "
            "handle: are the drives powered, and does the adapter let a second program send and hear?"
        )
        return _word(UNPROVED, now_ns, text.encode())

    def _hear(self) -> list[bytes]:
        try:
            frames = self._link.receive()
        except LinkError as error:
            trouble = getattr(getattr(self._link, "health", None), "trouble", "")
            if trouble == self._trouble:
                # None, or told before: it is the handle itself.
                raise HandleError(str(error)) from error
            # The controller is in trouble, the handle is not: what can still be said must be said.
            self._trouble = trouble
            return [_word(TROUBLE, self._clock.now_ns(), trouble.encode())]
        found = b"".join(self._taken(frame) for frame in frames)
        if not (found and self.is_stopping):
            return []
        size = FRAME.size * _FRAMES_A_WORD
        now_ns = self._clock.now_ns()
        return [_word(FRAMES, now_ns, found[at : at + size]) for at in range(0, len(found), size)]

    def _taken(self, frame: Frame) -> bytes:
        self._missing.discard(frame.can_id)
        if frame.can_id not in self._hear_ids:
            return b""
        for index, can_id in enumerate(self._hear_ids):
            if can_id == frame.can_id:
                self._heard_ns[index] = frame.received_ns
        return FRAME.pack(frame.can_id, len(frame.data), frame.data)

    def _send_round(self, now_ns: int) -> list[bytes]:
        self._round_ns = now_ns + self._repeat_ns
        try:
            self._link.send_frames(self._round)
        except LinkError as error:
            self._refused += 1
            if self._refused >= REFUSALS_MAX:
                raise HandleError(str(error)) from error
            return [_word(TROUBLE, now_ns, str(error).encode())] if self._refused == 1 else []
        self._refused = 0
        return [_word(SENT, self._clock.now_ns(), COUNT.pack(sum(len(data) + 2 for _, data in self._round)))]


def _word(kind: bytes, now_ns: int, body: bytes = b"") -> bytes:
    return HEAD.pack(kind, now_ns) + body


def failed(now_ns: int, why: str) -> bytes:
    """The last word of a handle that is given up."""
    return _word(FAILED, now_ns, why.encode())
