"""Whoever looks on over the control socket: each has a bounded queue of events, and none holds anything up.

Owns the queues and what is dropped from them. Pure but for the wake-up: telling never waits and never raises, however
slowly somebody reads; a reader who falls behind loses the oldest events and is told how many. Of progress only the
latest is kept.
"""

from __future__ import annotations

import asyncio
import contextlib
from collections import deque
from collections.abc import Callable
from typing import Final

from controller.session.wire import Message

ROOM: Final = 256
"""Events that wait for one reader."""
RECENT: Final = 12
"""Events that a newcomer is told of."""
PROGRESS_EVERY_NS: Final = 100_000_000
"""Progress is passed on ten times a second at most."""

_QUIET = frozenset({"advanced"})


class Follower:
    """One reader's queue."""

    def __init__(self, room: int = ROOM) -> None:
        self._room = room
        self._queue: deque[Message] = deque()
        self._lost = 0
        self._last: Message | None = None
        self._woken = asyncio.Event()
        self.gone = asyncio.Event()
        """Set when the reader has left."""

    def put(self, event: Message) -> None:
        """Take an event; the oldest goes when there is no room."""
        if self._last is not None:
            return
        if self._queue and _is_progress(event) and _is_progress(self._queue[-1]):
            self._queue[-1] = event
        else:
            if len(self._queue) >= self._room:
                self._queue.popleft()
                self._lost += 1
            self._queue.append(event)
        self._woken.set()

    def finish(self, last: Message) -> None:
        """What is read after all the others and is never dropped; nothing comes after it."""
        self._last = last
        self._woken.set()

    @property
    def waiting(self) -> int:
        """Events not yet read."""
        return len(self._queue)

    async def next(self) -> tuple[Message, bool]:
        """The next message, and whether it is the last one of all. Waits for it."""
        while True:
            if self._lost:
                lost, self._lost = self._lost, 0
                return {"event": "lost", "events": lost}, False
            if self._queue:
                return self._queue.popleft(), False
            if self._last is not None:
                return self._last, True
            self._woken.clear()
            await self._woken.wait()


def _is_progress(event: Message) -> bool:
    return event.get("event") in _QUIET


class Followers:
    """All readers of one service. ``wall_ms`` dates events; ``now_ns`` paces progress; ``log`` gets each but progress.

    ``log`` must neither raise nor wait.
    """

    def __init__(
        self,
        now_ns: Callable[[], int],
        wall_ms: Callable[[], int],
        log: Callable[[Message], None] | None = None,
    ) -> None:
        self._now_ns = now_ns
        self._wall_ms = wall_ms
        self._log = log
        self._open: set[Follower] = set()
        self._recent: deque[Message] = deque(maxlen=RECENT)
        self._progress_ns: int | None = None
        self.decorate: Callable[[], Message] = dict
        """Further fields of progress: where the head is, how late ticks were."""

    def open(self) -> Follower:
        """One more reader."""
        follower = Follower()
        self._open.add(follower)
        return follower

    def close(self, follower: Follower) -> None:
        """One less; closing twice does nothing."""
        self._open.discard(follower)
        follower.gone.set()

    @property
    def count(self) -> int:
        """How many read."""
        return len(self._open)

    @property
    def recent(self) -> list[Message]:
        """The latest events, progress aside, oldest first."""
        return list(self._recent)

    def tell(self, event: Message) -> None:
        """Tell all of an event."""
        if _is_progress(event):
            now_ns = self._now_ns()
            ended = event.get("ticks") == event.get("ticks_total")
            if not self._open or (
                self._progress_ns is not None and not ended and now_ns - self._progress_ns < PROGRESS_EVERY_NS
            ):
                return
            self._progress_ns = now_ns
            dated = {**event, **self.decorate(), "at_ms": self._wall_ms()}
        else:
            dated = {**event, "at_ms": self._wall_ms()}
            self._recent.append(dated)
            if self._log is not None:
                # What is only told must not fail for it.
                with contextlib.suppress(OSError, ValueError):
                    self._log(dated)
        for follower in self._open:
            follower.put(dated)
