"""Single keys of a terminal: bytes to keys, and the terminal's mode for as long as they are read.

Owns decoding and restoring; what a key means is told elsewhere. ``KeyDecoder`` is pure.
"""

from __future__ import annotations

import asyncio
import atexit
import os
import termios
import tty
from types import TracebackType
from typing import Final, Self

ENTER: Final = "enter"
BACK: Final = "back"
END: Final = "end"
"""Ctrl-D: at the begin of a word the end of the input, within it nothing."""
GONE: Final = "gone"
"""The terminal has ended; nothing comes from it any more."""
ARROWS: Final = {"A": "up", "B": "down", "C": "right", "D": "left"}
READ_BYTES: Final = 256
_ESCAPE, _INTRODUCERS = "\x1b", ("[", "O")
_NAMED: Final = {"\r": ENTER, "\n": ENTER, "\x7f": BACK, "\x08": BACK, "\x04": END}


class KeyDecoder:
    """Bytes in, keys out: single characters, arrows by name (ECMA-48 cursor keys), enter, back, end.

    An escape sequence may come in pieces; one that is no arrow is left out.
    """

    def __init__(self) -> None:
        self._sequence = ""

    def feed(self, data: bytes) -> list[str]:
        """The keys that these bytes complete."""
        keys: list[str] = []
        for letter in data.decode("latin-1"):
            if self._sequence:
                self._sequence += letter
                if len(self._sequence) == 2 and letter in _INTRODUCERS:
                    continue
                if len(self._sequence) == 2 or "@" <= letter <= "~":
                    if len(self._sequence) > 2 and letter in ARROWS:
                        keys.append(ARROWS[letter])
                    self._sequence = ""
            elif letter == _ESCAPE:
                self._sequence = letter
            elif letter in _NAMED:
                keys.append(_NAMED[letter])
            elif letter.isascii() and letter.isprintable():
                keys.append(letter)
        return keys


class KeyTerminal:
    """A terminal that gives single keys and does not show them, between ``take`` and ``restore``.

    Ctrl-C stays a signal. The terminal is as it was before after ``restore``, at the end of a ``with``, and when the
    program ends in any way but by a signal that cannot be caught.
    """

    def __init__(self, descriptor: int) -> None:
        self._descriptor = descriptor
        self._before = termios.tcgetattr(descriptor)
        self._decoder = KeyDecoder()

    def take(self) -> None:
        """Single keys from here on; what was typed before is forgotten: it was meant for another place of the head."""
        atexit.register(self.restore)
        tty.setcbreak(self._descriptor, termios.TCSAFLUSH)
        self._decoder = KeyDecoder()

    def restore(self) -> None:
        """As it was. Any number of times; a terminal that has gone needs nothing."""
        try:
            termios.tcsetattr(self._descriptor, termios.TCSADRAIN, self._before)
        except termios.error:
            return
        finally:
            atexit.unregister(self.restore)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.restore()

    async def keys(self) -> list[str]:
        """The next keys, at least one, without blocking the loop; ``GONE`` when the terminal has ended."""
        loop = asyncio.get_running_loop()
        while True:
            came: asyncio.Future[bytes] = loop.create_future()

            def readable(came: asyncio.Future[bytes] = came) -> None:
                if came.done():
                    return
                try:
                    came.set_result(os.read(self._descriptor, READ_BYTES))
                except OSError:
                    came.set_result(b"")

            loop.add_reader(self._descriptor, readable)
            try:
                data = await came
            finally:
                loop.remove_reader(self._descriptor)
            if not data:
                return [GONE]
            if found := self._decoder.feed(data):
                return found
