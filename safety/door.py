"""The guard's sockets: how others come in, and how a message is taken or answered without ever blocking.

Owns listening sockets (SOCK_SEQPACKET, for this user only) and one ``Peer`` for each connection. Judges nothing.
"""

from __future__ import annotations

import contextlib
import errno
import os
import socket
import struct
from pathlib import Path

from safety.watched import Watched

_PEER = struct.Struct("=iII")


class DoorError(OSError):
    """The socket cannot be opened."""


def open_door(path: Path) -> socket.socket:
    """Listen at ``path``. A socket left by a dead guard is replaced; a living one's is refused (DoorError)."""
    door = socket.socket(socket.AF_UNIX, socket.SOCK_SEQPACKET | socket.SOCK_CLOEXEC | socket.SOCK_NONBLOCK)
    try:
        if path.is_socket():
            with contextlib.closing(socket.socket(socket.AF_UNIX, socket.SOCK_SEQPACKET)) as probe:
                if probe.connect_ex(str(path)) == 0:
                    raise DoorError(errno.EADDRINUSE, f"{path}: another guard is listening here")
            path.unlink()
        mask = os.umask(0o177)
        try:
            door.bind(str(path))
        finally:
            os.umask(mask)
        door.listen(64)
    except DoorError:
        door.close()
        raise
    except OSError as error:
        door.close()
        raise DoorError(error.errno, f"{path}: cannot listen here: {error}") from None
    return door


class Peer:
    """One connection, with the process at its other end."""

    __slots__ = ("line", "process", "uid")

    def __init__(self, line: socket.socket) -> None:
        """Raises OSError when the process at the other end is gone already."""
        line.setblocking(False)
        self.line = line
        pid, self.uid, _ = _PEER.unpack(line.getsockopt(socket.SOL_SOCKET, socket.SO_PEERCRED, _PEER.size))
        self.process = Watched(pid)

    def receive(self, size: int) -> bytes | None:
        """One message; None when there is none; empty when the other end is closed."""
        try:
            return self.line.recv(size)
        except BlockingIOError:
            return None
        except OSError:
            return b""

    def send(self, message: bytes) -> bool:
        """Hand over one message, or drop it when the other end does not read."""
        try:
            self.line.send(message)
        except OSError:
            return False
        return True

    def close(self) -> None:
        """Let go of connection and process."""
        self.line.close()
        self.process.close()
