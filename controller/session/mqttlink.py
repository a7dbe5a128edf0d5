"""The process that talks to the broker, as the service sees it: started, handed letters, heard, started again.

Owns the child's life and the socket to it. Nothing here waits for a broker: letters are put into a socket that may
drop them, words are taken out of it when there are any, and a child that dies is followed by another after a while.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import signal
import socket
import sys
import time
from asyncio.subprocess import DEVNULL, Process
from collections.abc import Callable
from pathlib import Path
from typing import Any

from controller.config.mqtt import Mqtt
from controller.session.mqttdesk import Backoff, Letter
from controller.session.mqttwords import PACKET_BYTES, Topics

END_PATIENCE_S = 2.0
"""A client that has been told to say farewell has so long for it."""
HUNG_S = 60.0
"""A client without a word for so long is ended: each letter has its answer long before, and so has connecting."""
WORDS_AT_ONCE = 64
"""So many packets of the client are taken at one time; the rest waits in the socket."""

Hearer = Callable[[dict[str, Any]], None]


def client_settings(settings: Mqtt, topics: Topics, base: Path) -> dict[str, Any]:
    """What the client is told first; paths are taken from the machine file's folder ``base``."""

    def path(given: str | None) -> str | None:
        return None if given is None else str(base / Path(given).expanduser())

    tls = settings.tls
    return {
        "host": settings.host,
        "port": settings.port_used,
        "root": topics.root,
        "user": settings.user,
        "password_file": path(settings.password_file),
        "password_env": settings.password_env,
        "tls": None if tls is None else {"ca": path(tls.ca), "cert": path(tls.cert), "key": path(tls.key)},
    }


class ClientLink:
    """Keeps one client process alive, one after the other, until ``close``.

    hear: called with each of the client's words (see ``mqttclient``). down: called when a connection is over, with
    what the client said of it and the seconds until the next one.
    """

    def __init__(
        self, settings: dict[str, Any], stderr_path: Path, hear: Hearer, down: Callable[[str, float], None]
    ) -> None:
        self._settings = settings
        self._stderr_path = stderr_path
        self._hear = hear
        self._down = down
        self._backoff = Backoff()
        self._ours: socket.socket | None = None
        self._process: Process | None = None
        self._trouble = ""
        self._up_s: float | None = None
        self._word_s = time.monotonic()
        self._keeper: asyncio.Task[None] | None = None

    @property
    def is_up(self) -> bool:
        """Whether the client has said that it is connected, and has not ended as far as we have heard."""
        return self._up_s is not None

    @property
    def pid(self) -> int | None:
        """The client's process id, while there is one."""
        return None if self._process is None else self._process.pid

    def open(self) -> None:
        """Begin; returns at once."""
        self._keeper = asyncio.create_task(self._keep(), name="mqtt link")

    def send(self, letter: Letter) -> bool:
        """Hand a letter over. False when there is nobody to take it, or no room: it may be handed over again."""
        return self._send(
            {"n": letter.number, "topic": letter.topic, "body": letter.body, "qos": letter.qos,
             "retain": letter.retain}
        )  # fmt: skip

    def _send(self, words: dict[str, Any]) -> bool:
        if self._ours is None:
            return False
        try:
            self._ours.send(json.dumps(words).encode())
        except OSError:
            return False
        return True

    def pump(self) -> None:
        """Take what the client has said, some of it at a time, and end it when it hangs. Never waits."""
        self._take()
        if self._process is not None and time.monotonic() - self._word_s > HUNG_S:
            self._trouble = f"the client said nothing for {HUNG_S:g} s"
            self._word_s = time.monotonic()
            _kill(self._process)

    def _take(self) -> None:
        for _ in range(WORDS_AT_ONCE):
            if self._ours is None:
                return
            try:
                raw = self._ours.recv(PACKET_BYTES)
            except BlockingIOError:
                return
            except OSError:
                raw = b""
            if not raw:
                self._deaf()
                return
            self._word_s = time.monotonic()
            try:
                words = json.loads(raw)
            except (ValueError, RecursionError):
                continue
            if not isinstance(words, dict):
                continue
            if "trouble" in words:
                self._trouble = str(words["trouble"])
            elif "up" in words:
                self._up_s = time.monotonic()
            self._hear(words)

    def _deaf(self) -> None:
        """The client has closed its end: its process ends, and the keeper goes on."""
        if self._ours is not None:
            asyncio.get_running_loop().remove_reader(self._ours)
            self._ours.close()
            self._ours = None

    async def _keep(self) -> None:
        while True:
            self._trouble, self._up_s = "", None
            try:
                code = await self._life()
            except OSError as error:
                code = f"it could not be started: {error}"
            wait_s = self._backoff.after(self._up_for_s())
            self._up_s = None
            self._down(self._trouble or code, wait_s)
            await asyncio.sleep(wait_s)

    def _up_for_s(self) -> float:
        return 0.0 if self._up_s is None else time.monotonic() - self._up_s

    async def _life(self) -> str:
        """One client from its start to its end; how it ended, in words."""
        ours, theirs = socket.socketpair(socket.AF_UNIX, socket.SOCK_SEQPACKET)
        ours.setblocking(False)
        self._ours, self._word_s = ours, time.monotonic()
        asyncio.get_running_loop().add_reader(ours, self.pump)
        try:
            with theirs, self._stderr_path.open("wb") as stderr:
                self._process = await asyncio.create_subprocess_exec(
                    sys.executable, "-P", "-m", "controller.session.mqttclient", str(theirs.fileno()),
                    stdin=DEVNULL, stdout=DEVNULL, stderr=stderr, start_new_session=True,
                    pass_fds=(theirs.fileno(),),
                )  # fmt: skip
            self._send(self._settings)
            code = await self._process.wait()
            self.pump()
            return f"the client ended with {code}"
        finally:
            self._deaf()
            await self._end_process()

    async def _end_process(self) -> None:
        process, self._process = self._process, None
        if process is None or process.returncode is not None:
            return
        _kill(process)
        await process.wait()

    async def close(self) -> None:
        """Let the client say farewell, for a moment; then it is ended."""
        if self._keeper is None:
            return
        if self.is_up and self._process is not None and self._send({"bye": True}):
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(END_PATIENCE_S):
                    await asyncio.shield(self._process.wait())
        self._keeper.cancel()
        await asyncio.gather(self._keeper, return_exceptions=True)
        self._keeper = None


def _kill(process: Process) -> None:
    with contextlib.suppress(ProcessLookupError):
        process.send_signal(signal.SIGKILL)
