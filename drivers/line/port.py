"""A serial line as bytes: what the master asks of one, and the real one on a descriptor.

Owns the opening (pyserial sets the port up and locks it) and non-blocking reads and writes. Knows nothing of frames.
"""

from __future__ import annotations

import os
import select
import termios
from typing import TYPE_CHECKING, Literal, Protocol

from drivers.errors import LinkError

if TYPE_CHECKING:
    import serial

FAR_NS = 1 << 62
_READ_BYTES = 4096


class PortSettings(Protocol):
    """What a port must be set to."""

    @property
    def bitrate_bit_s(self) -> int:
        """What the trade calls the baud rate."""
        ...

    @property
    def parity(self) -> Literal["even", "odd", "none"]:
        """Parity bit."""
        ...

    @property
    def stop_bits(self) -> int:
        """1 or 2."""
        ...

    @property
    def is_simulated(self) -> bool:
        """Whether it is the simulated gantry's."""
        ...


class SerialLine(Protocol):
    """A line that somebody has opened. ``fileno`` is -1 where no descriptor tells of bytes."""

    def send(self, data: bytes) -> None:
        """Hand over all bytes at once, without blocking. Raises LinkError when they are not taken."""
        ...

    def receive(self) -> bytes:
        """All bytes that have come, without blocking. Raises LinkError when the line is closed or gone."""
        ...

    def drop_unsent(self) -> None:
        """Forget what was handed over and has not left. Never raises."""
        ...

    def next_ns(self) -> int:
        """When bytes will come, where that is known (virtual time); else ``FAR_NS``."""
        ...

    def fileno(self) -> int:
        """The descriptor, or -1."""
        ...

    def close(self) -> None:
        """Give the line back; a second call does nothing."""
        ...


class TtyLine:
    """A SerialLine on a port of this computer."""

    __slots__ = ("_fd", "_name", "_port", "_ready")

    def __init__(self, port: serial.Serial, name: str) -> None:
        """Take over ``port``, open and non-blocking; ``name`` is for messages."""
        self._port = port
        self._name = name
        self._fd = port.fileno()
        self._ready = select.poll()
        self._ready.register(self._fd, 0)

    @classmethod
    def open(cls, channel: str, wire: PortSettings) -> TtyLine:
        """Open ``channel`` with the settings of ``wire`` and lock it. Raises LinkError."""
        import serial

        parities = {"even": serial.PARITY_EVEN, "odd": serial.PARITY_ODD, "none": serial.PARITY_NONE}
        # A pseudo-terminal has no parity bit and refuses one.
        parity = parities["none" if wire.is_simulated else wire.parity]
        try:
            port = serial.Serial(
                channel,
                wire.bitrate_bit_s,
                parity=parity,
                stopbits=wire.stop_bits,
                timeout=0,
                write_timeout=0,
                exclusive=True,
            )
        except (OSError, ValueError, termios.error) as error:
            raise LinkError(
                f"wire {channel}", "a serial line of our own", str(error), code="wire-not-opened"
            ) from error
        os.set_blocking(port.fileno(), False)
        return cls(port, channel)

    def send(self, data: bytes) -> None:
        """One write for the whole frame."""
        try:
            written = os.write(self._fd, data)
        except BlockingIOError:
            written = 0
        except (OSError, ValueError) as error:
            raise LinkError(f"wire {self._name}", "a line that takes frames", str(error)) from error
        if written != len(data):
            self.drop_unsent()
            raise LinkError(
                f"wire {self._name}", f"{len(data)} bytes taken at once", f"{written} bytes taken"
            )

    def receive(self) -> bytes:
        """All that has come."""
        chunks = b""
        while True:
            try:
                chunk = os.read(self._fd, _READ_BYTES)
            except BlockingIOError:
                return chunks
            except (OSError, ValueError) as error:
                raise LinkError(f"wire {self._name}", "a line to read", str(error)) from error
            # Nothing yet and hung up read alike on a line set up by pyserial (VMIN 0).
            if not chunk and not chunks and any(event for _, event in self._ready.poll(0)):
                raise LinkError(f"wire {self._name}", "a line to read", "a line that has hung up")
            chunks += chunk
            if len(chunk) < _READ_BYTES:
                return chunks

    def drop_unsent(self) -> None:
        """Empty the queue of what has not left."""
        try:
            termios.tcflush(self._fd, termios.TCOFLUSH)
        except (OSError, ValueError, termios.error):
            return

    def next_ns(self) -> int:
        """Nobody knows."""
        return FAR_NS

    def fileno(self) -> int:
        """The descriptor, or -1 after ``close``."""
        return self._fd

    def close(self) -> None:
        """Give the port back."""
        if self._fd >= 0:
            self._fd = -1
            self._port.close()
