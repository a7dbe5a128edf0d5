"""A CAN bus behind a loopback TCP server that speaks socketcand's text protocol, for tests without CAN hardware.

Written from the protocol's published description (linux-can/socketcand, doc/protocol.md): ``< hi >`` on connecting,
``< open NAME >``, ``< rawmode >``, each answered with ``< ok >``; then ``< send ID LENGTH BYTES >`` from a client and
``< frame ID SECONDS DATA >`` to it. python-can's client is the judge. A frame reaches every client but its sender.

As a program: ``python -m tests.fakes.socketcand_server NAME PTY`` puts the serial CAN adapter on PTY (the simulated
gantry's) behind the server; one JSON line tells the port. It ends when its standard input does.
"""

from __future__ import annotations

import json
import os
import re
import select
import socket
import sys
import threading
import time
from collections.abc import Sequence
from typing import Protocol

_MESSAGE = re.compile(rb"<\s*([^<>]*?)\s*>")
Frame = tuple[int, bytes]


class Station(Protocol):
    """What else is on the bus."""

    def hear(self, can_id: int, data: bytes, client: int) -> Sequence[Frame]:
        """A frame of client number ``client`` (in order of connecting); what is answered."""
        ...

    def fileno(self) -> int:
        """A descriptor that becomes readable when ``speak`` has something; -1: none."""
        ...

    def speak(self) -> Sequence[Frame]:
        """What is said unasked."""
        ...


class _Client:
    def __init__(self, line: socket.socket, number: int) -> None:
        self.line = line
        self.number = number
        self.is_raw = False
        self.rest = b""


class SocketcandServer:
    """The server, in a thread of its own. ``port`` is where it listens.

    ``clients_max``: a client beyond it is turned away, as by an adapter that lets only one program in. A client whose
    number is in ``deafened`` hears nothing any more; one in ``unread`` is not read from.
    """

    def __init__(self, name: str, station: Station, clients_max: int = 16) -> None:
        self.name = name
        self.station = station
        self.clients_max = clients_max
        self.deafened: set[int] = set()
        self.unread: set[int] = set()
        self.connected = 0
        self._clients: list[_Client] = []
        self._door = socket.create_server(("127.0.0.1", 0))
        self._door.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 65536)
        self.port = int(self._door.getsockname()[1])
        self._quit_r, self._quit_w = os.pipe()
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()

    def close(self) -> None:
        """Hang up on everybody."""
        os.write(self._quit_w, b"q")
        self._thread.join(10)
        for client in self._clients:
            client.line.close()
        self._door.close()
        os.close(self._quit_r)
        os.close(self._quit_w)

    def _run(self) -> None:
        while True:
            lines = [client.line for client in self._clients if client.number not in self.unread]
            own = [self.station.fileno()] if self.station.fileno() >= 0 else []
            waited: list[int | socket.socket] = [self._quit_r, self._door, *lines, *own]
            ready = select.select(waited, (), (), 0.05)[0]
            if self._quit_r in ready:
                return
            if own and own[0] in ready:
                self._spread(self.station.speak(), None)
            if self._door in ready:
                self._let_in()
            for client in self._clients[:]:
                if client.line in ready:
                    self._serve(client)

    def _let_in(self) -> None:
        line, _ = self._door.accept()
        line.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        client = _Client(line, self.connected)
        self._clients.append(client)
        self._say(client, b"< hi >")

    def _serve(self, client: _Client) -> None:
        try:
            chunk = client.line.recv(4096)
        except OSError:
            chunk = b""
        if not chunk:
            self._clients.remove(client)
            client.line.close()
            return
        client.rest += chunk
        while (found := _MESSAGE.search(client.rest)) is not None:
            client.rest = client.rest[found.end() :]
            self._obey(client, found[1].decode().split())

    def _obey(self, client: _Client, words: list[str]) -> None:
        if words[:1] == ["open"]:
            is_full = sum(other.is_raw for other in self._clients) >= self.clients_max
            is_good = words[1:] == [self.name] and not is_full
            self._say(client, b"< ok >" if is_good else b"< error could not open bus >")
        elif words == ["rawmode"]:
            # A number is given to who speaks on the bus, not to who only knocks.
            client.number, self.connected = self.connected, self.connected + 1
            client.is_raw = True
            self._say(client, b"< ok >")
        elif words[:1] == ["send"] and client.is_raw:
            can_id, length = int(words[1], 16), int(words[2], 16)
            data = bytes(int(word, 16) for word in words[3 : 3 + length])
            self._spread([(can_id, data)], client)
            self._spread(self.station.hear(can_id, data, client.number), None)
        else:
            self._say(client, b"< error unknown command >")

    def _spread(self, frames: Sequence[Frame], sender: _Client | None) -> None:
        now_s = time.time()
        text = b"".join(
            b"< frame %03X %.6f %s >" % (can_id, now_s, data.hex().upper().encode())
            for can_id, data in frames
        )
        for client in self._clients if text else ():
            if client is not sender and client.is_raw and client.number not in self.deafened:
                self._say(client, text)

    def _say(self, client: _Client, text: bytes) -> None:
        try:
            client.line.send(text, socket.MSG_DONTWAIT)
        except OSError:
            return  # who does not read loses frames, as on a bus


class SerialAdapter:
    """The other end of a pty that speaks a serial CAN adapter's text lines, as a station."""

    def __init__(self, path: str) -> None:
        import tty

        self._fd = os.open(path, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)
        tty.setraw(self._fd)
        self._rest = b""
        os.write(self._fd, b"C\rS8\rO\r")

    def hear(self, can_id: int, data: bytes, client: int) -> Sequence[Frame]:
        """On to the adapter."""
        os.write(self._fd, b"t%03X%d%s\r" % (can_id, len(data), data.hex().upper().encode()))
        return ()

    def fileno(self) -> int:
        """The pty."""
        return self._fd

    def speak(self) -> Sequence[Frame]:
        """What the adapter has heard."""
        *lines, self._rest = (self._rest + os.read(self._fd, 4096)).split(b"\r")
        return [
            (int(line[1:4], 16), bytes.fromhex(line[5 : 5 + 2 * int(line[4:5])].decode()))
            for line in lines
            if line[:1] == b"t"
        ]


def main(arguments: list[str]) -> int:
    """The bus ``arguments[0]`` on the adapter ``arguments[1]``, until standard input ends."""
    name, path = arguments
    server = SocketcandServer(name, SerialAdapter(path))
    print(json.dumps({"event": "ready", "port": server.port}), flush=True)
    sys.stdin.read()
    server.close()
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
