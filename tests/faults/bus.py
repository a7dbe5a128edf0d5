"""A bus that can be made to lose, hold back, double, garble and shuffle frames: the campaign's side of the wire.

Owns the injected faults between whoever sends and the simulated gantry's in-process line, and notes when a stop
command reached the drives. Production code knows nothing of it: it sees a ``CanLink``.
"""

from __future__ import annotations

import heapq
import itertools
import random
from collections.abc import Callable, Sequence
from functools import partial

from drivers.can import frames
from drivers.can.link import Frame
from drivers.clock import VirtualClock
from drivers.errors import LinkError
from drivers.twin.virtual import VirtualLink

Passed = tuple[int, int, bytes]  # held back for so many ns, identifier, data
Policy = Callable[[Sequence[tuple[int, bytes]]], list[Passed]]
_CONTROLWORD = b"\x40\x60\x00"


class StageClock(VirtualClock):
    """Virtual time in which things can be set to happen, and which is cut fine where a fault is watched."""

    __slots__ = ("_due", "_order", "fine_ns")

    def __init__(self) -> None:
        super().__init__()
        self._due: list[tuple[int, int, Callable[[], None]]] = []
        self._order = itertools.count()
        self.fine_ns = 0
        """Above 0: the longest step. The world then answers within it."""

    def at(self, instant_ns: int, act: Callable[[], None]) -> None:
        """Call ``act`` when the clock comes to ``instant_ns``."""
        heapq.heappush(self._due, (instant_ns, next(self._order), act))

    def sleep_until_ns(self, instant_ns: int) -> None:
        """Move the world, halting at everything that is due on the way."""
        while True:
            now_ns = self.now_ns()
            next_ns = max(instant_ns, now_ns)
            if self._due:
                next_ns = min(next_ns, max(now_ns, self._due[0][0]))
            if self.fine_ns:
                next_ns = min(next_ns, now_ns + self.fine_ns)
            super().sleep_until_ns(next_ns)
            while self._due and self._due[0][0] <= next_ns:
                heapq.heappop(self._due)[2]()
            if next_ns >= instant_ns and not (self._due and self._due[0][0] <= next_ns):
                return


def is_stop(can_id: int, data: bytes) -> bool:
    """Whether a frame tells a drive to stop: a controlword without quick stop's or voltage's bit (CiA 402)."""
    if frames.RPDO1 < can_id < frames.RPDO1 + 0x80 and len(data) >= 2:
        return data[0] & 0x06 != 0x06
    if frames.SDO_REQUEST < can_id < frames.SDO_REQUEST + 0x80 and data[1:4] == _CONTROLWORD:
        return data[4] & 0x06 != 0x06
    return False


class Bus:
    """Everybody's wire to the gantry. Policies see whole batches; None passes all."""

    def __init__(self, link: VirtualLink, clock: StageClock) -> None:
        self._link = link
        self._clock = clock
        self._held: list[tuple[int, int, Frame]] = []
        self._order = itertools.count()
        self.to_drives: Policy | None = None
        self.from_drives: Policy | None = None
        self.is_broken = False
        self.watch_from_ns: int | None = None
        self.first_stop_ns: int | None = None

    @property
    def garbled(self) -> int:
        """What the line below could not read."""
        return self._link.garbled

    def send(self, batch: Sequence[tuple[int, bytes]]) -> None:
        """Put a batch on the wire. Raises LinkError when the adapter is gone."""
        if self.is_broken:
            raise LinkError("wire", "an adapter", "none")
        if self.to_drives is None:
            self._deliver(batch)
            return
        now_ns = self._clock.now_ns()
        for held_ns, can_id, data in self.to_drives(batch):
            if held_ns <= 0:
                self._deliver(((can_id, data),))
            else:
                self._clock.at(now_ns + held_ns, partial(self._deliver, ((can_id, data),)))

    def _deliver(self, batch: Sequence[tuple[int, bytes]]) -> None:
        now_ns = self._clock.now_ns()
        if (
            self._link.plugged
            and self.first_stop_ns is None
            and self.watch_from_ns is not None
            and now_ns >= self.watch_from_ns
            and any(is_stop(can_id, data) for can_id, data in batch)
        ):
            self.first_stop_ns = now_ns
        self._link.send_frames(batch)

    def receive(self) -> list[Frame]:
        """What has come. Raises LinkError when the adapter is gone."""
        if self.is_broken:
            raise LinkError("wire", "an adapter", "none")
        got = self._link.receive()
        now_ns = self._clock.now_ns()
        if self.from_drives is not None and got:
            for held_ns, can_id, data in self.from_drives([(frame.can_id, frame.data) for frame in got]):
                heapq.heappush(
                    self._held, (now_ns + held_ns, next(self._order), Frame(can_id, data, now_ns + held_ns))
                )
            got = []
        while self._held and self._held[0][0] <= now_ns:
            got.append(heapq.heappop(self._held)[2]._replace(received_ns=now_ns))
        return got


def all_of(batch: Sequence[tuple[int, bytes]]) -> list[Passed]:
    """Every frame, at once."""
    return [(0, can_id, data) for can_id, data in batch]


def losing(rng: random.Random, share: float) -> Policy:
    """Each frame is lost with probability ``share``."""
    return lambda batch: [one for one in all_of(batch) if rng.random() >= share]


def losing_sync() -> Policy:
    """No SYNC gets through."""
    return lambda batch: [one for one in all_of(batch) if one[1] != frames.SYNC]


def losing_next(can_id: int, count: int) -> Policy:
    """The next ``count`` frames with this identifier do not get through; everything else does."""
    left = count

    def policy(batch: Sequence[tuple[int, bytes]]) -> list[Passed]:
        nonlocal left
        passed = []
        for one in all_of(batch):
            if one[1] == can_id and left:
                left -= 1
            else:
                passed.append(one)
        return passed

    return policy


def delaying(rng: random.Random, longest_ns: int) -> Policy:
    """Each frame is held back for up to ``longest_ns``, on its own: so they also overtake each other."""
    return lambda batch: [(rng.randrange(longest_ns), can_id, data) for _, can_id, data in all_of(batch)]


def doubling(rng: random.Random, share: float) -> Policy:
    """Each frame comes twice with probability ``share``, the second up to 20 ms later."""

    def policy(batch: Sequence[tuple[int, bytes]]) -> list[Passed]:
        out = []
        for one in all_of(batch):
            out.append(one)
            if rng.random() < share:
                out.append((rng.randrange(20_000_000), one[1], one[2]))
        return out

    return policy


def garbling(rng: random.Random, share: float) -> Policy:
    """With probability ``share`` one to three bits of a frame's data are flipped, or its last bytes are missing."""

    def policy(batch: Sequence[tuple[int, bytes]]) -> list[Passed]:
        out = []
        for held_ns, can_id, data in all_of(batch):
            if data and rng.random() < share:
                if rng.random() < 0.25:
                    data = data[: rng.randrange(len(data))]
                else:
                    bits = int.from_bytes(data, "little")
                    for _ in range(rng.randint(1, 3)):
                        bits ^= 1 << rng.randrange(8 * len(data))
                    data = bits.to_bytes(len(data), "little")
            out.append((held_ns, can_id, data))
        return out

    return policy


def shuffling(rng: random.Random) -> Policy:
    """The frames of a batch come in another order, now and then across two batches."""

    def policy(batch: Sequence[tuple[int, bytes]]) -> list[Passed]:
        mixed = [(0 if rng.random() < 0.8 else 4_000_000, one[1], one[2]) for one in all_of(batch)]
        rng.shuffle(mixed)
        return mixed

    return policy
