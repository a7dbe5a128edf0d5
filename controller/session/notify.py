"""Tells a service manager how the service stands: the protocol of systemd's sd_notify(3), by its few datagrams.

Owns NOTIFY_SOCKET and WATCHDOG_USEC. Without them it says nothing. Saying never waits: a manager that does not read
misses a word, and a missing watchdog word has it act, which is what the watchdog is for.
"""

from __future__ import annotations

import contextlib
import os
import socket
from collections.abc import Awaitable, Callable, Mapping
from typing import Final

BEATS_PER_PERIOD: Final = 2
"""sd_watchdog_enabled(3) recommends to beat at half of the period."""
STATUS_CHARACTERS: Final = 200


class Notifier:
    """The line to the service manager; closed without one. ``watchdog_s`` is its period, 0 for none."""

    def __init__(self, address: str | None, watchdog_s: float = 0.0) -> None:
        self.watchdog_s = watchdog_s if address else 0.0
        self._address = "\0" + address[1:] if address and address.startswith("@") else address
        self._line: socket.socket | None = None
        if self._address:
            self._line = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC)
            self._line.setblocking(False)

    @classmethod
    def of(cls, environment: Mapping[str, str], pid: int | None = None) -> Notifier:
        """By NOTIFY_SOCKET, WATCHDOG_USEC and WATCHDOG_PID. A watchdog meant for another process is none of ours."""
        address = environment.get("NOTIFY_SOCKET", "")
        if not address.startswith(("/", "@")):
            return cls(None)
        period_us = environment.get("WATCHDOG_USEC", "")
        meant = environment.get("WATCHDOG_PID", "")
        ours = not meant or meant == str(pid if pid is not None else os.getpid())
        return cls(address, int(period_us) / 1e6 if ours and period_us.isdecimal() else 0.0)

    def say(self, *words: str) -> None:
        """Send assignments such as ``READY=1``, in one datagram."""
        if self._line is not None and self._address is not None:
            with contextlib.suppress(OSError):
                self._line.sendto("\n".join(words).encode(), self._address)

    def ready(self, status: str) -> None:
        """The service has come up."""
        self.say("READY=1", _status(status))

    def status(self, status: str) -> None:
        """One line for whoever looks."""
        self.say(_status(status))

    def stopping(self, status: str) -> None:
        """The service goes down."""
        self.say("STOPPING=1", _status(status))

    async def beat(self, sleep: Callable[[float], Awaitable[None]]) -> None:
        """Beat the watchdog from the loop that awaits this, until cancelled; returns at once when there is none.

        A timer of its own would beat on over a loop that hangs.
        """
        while self.watchdog_s > 0.0:
            self.say("WATCHDOG=1")
            await sleep(self.watchdog_s / BEATS_PER_PERIOD)

    def close(self) -> None:
        """Close the line."""
        if self._line is not None:
            self._line.close()
            self._line = None


def _status(text: str) -> str:
    return f"STATUS={' '.join(text.split())[:STATUS_CHARACTERS]}"
