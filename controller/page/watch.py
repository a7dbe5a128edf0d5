"""Keeps a page's board up to date while somebody looks on, and does nothing at all while nobody does.

Owns who looks on, how many may, and the two tasks that feed the board: the talk with the service, and looks at the disk
(in a thread, once a second). Knows no HTTP.
"""

from __future__ import annotations

import asyncio
import contextlib
import time
from collections.abc import Callable, Iterator
from typing import Final

from controller.config.places import StateDir
from controller.page.board import Board
from controller.page.looking import UNREAD, Account, Look, Looker
from controller.page.talk import Sleep, Talk
from safety import latch

VIEWERS_MAX: Final = 8
LOOK_EVERY_S: Final = 1.0
LINGER_S: Final = 5.0
"""So long after the last has left all goes on, for whoever only loads the page anew."""


class FullError(Exception):
    """So many look on already."""


class Watch:
    """See above. ``run`` it beside the server; ``close`` ends every stream."""

    def __init__(
        self, state: StateDir, machine: str, *, now_ns: Callable[[], int] = time.monotonic_ns,
        sleep: Sleep = asyncio.sleep, viewers_max: int = VIEWERS_MAX,
    ) -> None:  # fmt: skip
        self.board = Board(machine)
        self.now_ns = now_ns
        self.sleep = sleep
        self._state = state
        self._looker = Looker(state, machine)
        self._talk = Talk(state.control_socket, self.board, now_ns, sleep)
        self._viewers_max = viewers_max
        self._viewers = 0
        self._changed = asyncio.Event()
        self.is_closed = False

    @property
    def viewers(self) -> int:
        """How many look on."""
        return self._viewers

    @contextlib.contextmanager
    def viewer(self) -> Iterator[None]:
        """One more looks on. Raises FullError when that is one too many."""
        if self._viewers >= self._viewers_max:
            raise FullError
        self._viewers += 1
        self._changed.set()
        try:
            yield
        finally:
            self._viewers -= 1
            self._changed.set()

    def close(self) -> None:
        """No stream goes on."""
        self.is_closed = True

    async def run(self) -> None:
        """Feed the board whenever somebody looks on; ends by being cancelled only."""
        while True:
            await self._until(lambda: self._viewers > 0)
            tasks = [asyncio.create_task(self._talk.run()), asyncio.create_task(self._look())]
            try:
                while self._viewers:
                    await self._until(lambda: self._viewers == 0)
                    await self.sleep(LINGER_S)
            finally:
                for task in tasks:
                    task.cancel()
                await asyncio.gather(*tasks, return_exceptions=True)
                self.board.forgotten()

    async def _until(self, true: Callable[[], bool]) -> None:
        while not true():
            self._changed.clear()
            await self._changed.wait()

    async def _look(self) -> None:
        while True:
            try:
                look = await asyncio.to_thread(self._looker.look)
            except Exception as error:  # noqa: BLE001 - a fault of ours must not leave what was seen last standing
                said = f"the page's own fault: {type(error).__name__}: {error}"
                look = Look(latch.read(self._state.latch), Account(state=UNREAD, why=said), None, (said,))
            self.board.looked(look)
            await self.sleep(LOOK_EVERY_S)
