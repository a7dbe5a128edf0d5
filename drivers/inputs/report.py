"""The reader's end of the guard's input socket: one small JSON object a message. Standard library only.

Never blocks: a guard that does not take a report loses it, and silence is a stop there. A socket that is not there
(any more) is tried again with the next report.
"""

from __future__ import annotations

import contextlib
import errno
import json
import socket

_KINDS = (socket.SOCK_SEQPACKET, socket.SOCK_DGRAM)


class GuardReport:
    """Says ``{"input": name, "closed": true|false}`` to the guard, whatever kind of packet socket it has."""

    def __init__(self, path: str) -> None:
        self._path = path
        self._socket: socket.socket | None = None

    @property
    def is_connected(self) -> bool:
        """Whether the last message was taken by the kernel, or none has been said on this connection."""
        return self._socket is not None

    def connect(self) -> bool:
        """Try to reach the guard. False: not there."""
        if self._socket is not None:
            return True
        for kind in _KINDS:
            line = socket.socket(socket.AF_UNIX, kind)
            line.setblocking(False)
            try:
                line.connect(self._path)
            except OSError as error:
                line.close()
                if error.errno != errno.EPROTOTYPE:
                    return False
            else:
                self._socket = line
                return True
        return False

    def say(self, name: str, closed: bool) -> None:
        """One report. Never blocks, never raises."""
        if not self.connect():
            return
        assert self._socket is not None
        message = json.dumps({"input": name, "closed": closed}).encode()
        try:
            self._socket.send(message)
        except BlockingIOError:
            # Full: nobody reads there, and nobody needs to be told so.
            return
        except OSError:
            self.close()

    def close(self) -> None:
        """Hang up. Never raises."""
        if self._socket is not None:
            with contextlib.suppress(OSError):
                self._socket.close()
            self._socket = None
