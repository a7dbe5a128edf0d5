"""The real guard with serial ports made of files, because a pty has no modem lines.

Usage: guard_with_ports.py SETTINGS.json [broken]. A port's device is a file that holds the input lines as a number; its
output lines stand in the file's neighbour ``.out``. A missing file is an unplugged adapter. ``broken``: any request
makes the guard's loop fail.
"""

import sys
from pathlib import Path

import safety.guard
import safety.modem


class FilePort:
    """``safety.modem.ModemPort`` over two files."""

    def __init__(self, device: str, holds_power: bool) -> None:
        self._device = Path(device)
        self._out = Path(device + ".out")
        self._holds_power = holds_power
        self.read()

    def read(self) -> int:
        """Both files' lines; OSError when the port is gone."""
        outputs = int(self._out.read_text()) if self._out.exists() else 0
        return int(self._device.read_text()) | outputs

    def set(self, bits: int) -> None:
        """Assert outputs."""
        self._write(self._outputs() | bits)

    def clear(self, bits: int) -> None:
        """Let outputs go."""
        self._write(self._outputs() & ~bits)

    def close(self) -> None:
        """Nothing is held."""

    def _outputs(self) -> int:
        self._device.read_text()
        return int(self._out.read_text()) if self._out.exists() else 0

    def _write(self, bits: int) -> None:
        beside = self._out.with_suffix(".tmp")
        beside.write_text(str(bits))
        beside.replace(self._out)


def break_down(*_: object) -> None:
    """A bug in the guard."""
    raise RuntimeError("bug")


if __name__ == "__main__":
    safety.modem.TtyPort = FilePort  # type: ignore[misc,assignment]
    if "broken" in sys.argv:
        safety.guard.Guard._on_request = break_down  # type: ignore[method-assign,assignment]
    sys.exit(safety.guard.main(sys.argv[-1:]))
