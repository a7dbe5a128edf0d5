"""Connections to the page: how many there may be, which is left when one is too many, and how long one may be silent.

Owns that a press of the button gets in, whoever else holds connections. Whether a request is whole it takes from the
server's word; knows no route.
"""

from __future__ import annotations

import asyncio
import itertools
from collections import Counter
from collections.abc import Iterable
from typing import Final

from uvicorn.protocols.http.h11_impl import H11Protocol

CONNECTIONS_MAX: Final = 64
"""Of these no more than those that look on (see watch.py) and presses are at work for long; the rest wait."""

_turns = itertools.count()


class Connection(H11Protocol):
    """One connection. It is ended when no whole request has come within the server's ``timeout_keep_alive`` of its
    beginning or of the last answer, however many bytes have."""

    address = ""
    turn = 0
    """Grows from one that begins to wait to the next."""
    _late: asyncio.TimerHandle | None = None

    @property
    def is_waiting(self) -> bool:
        """Whether it is the far end's turn: to ask, to say the rest of what it asks, or to take what it asked for."""
        return self._is_idle or self.cycle.more_body or self.flow.write_paused

    @property
    def _is_idle(self) -> bool:
        # Its type says never None, which it is before the first request.
        return self.cycle is None or self.cycle.response_complete  # type: ignore[redundant-expr]

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        """See asyncio.Protocol."""
        super().connection_made(transport)
        self.address = "" if self.client is None else self.client[0]
        self._wait()
        if len(self.connections) > CONNECTIONS_MAX:
            left = first_to_leave(one for one in self.connections if isinstance(one, Connection))
            self.connections.discard(left)
            # Not "close": that waits until the far end has taken what it was sent.
            left.transport.abort()

    def on_response_complete(self) -> None:
        """An answer has been given."""
        self._wait()
        super().on_response_complete()

    def connection_lost(self, exc: Exception | None) -> None:
        """See asyncio.Protocol."""
        if self._late is not None:
            self._late.cancel()
        super().connection_lost(exc)

    def _wait(self) -> None:
        self.turn = next(_turns)
        if self._late is not None:
            self._late.cancel()
        self._late = self.loop.call_later(self.timeout_keep_alive, self._is_late)

    def _is_late(self) -> None:
        if self._is_idle:
            self.transport.close()


def first_to_leave(connections: Iterable[Connection]) -> Connection:
    """Which is left: of those that wait and come from the address with most of them, the one that has waited longest.

    So one peer with many takes places from itself only, and a press, which has just come, is the last to go. Of those
    given at least one has to wait, as one does that has just come.
    """
    waiting = [one for one in connections if one.is_waiting]
    held = Counter(one.address for one in waiting)
    most = max(held.values())
    return min((one for one in waiting if held[one.address] == most), key=lambda one: one.turn)
