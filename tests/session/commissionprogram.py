"""``giornata`` as a process of its own where two things are made up: a serial port out of a file, a GPIO chip.

``python -m tests.session.commissionprogram VERB ...``. Guard, reader of stop inputs and streamer are the real programs;
the guard's serial port is a file (a pty has no modem lines), and the reader's library has a chip that follows another.
"""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Any

from controller.cli.main import main
from controller.session.processes import Child

PROGRAMS = {"safety.guard": "tests.safety.guard_with_ports", "drivers.inputs": "tests.session.chipreader"}
_start = Child.start


async def _started(name: str, module: str, *arguments: str, stderr_path: Path) -> Any:
    return await _start(name, PROGRAMS.get(module, module), *arguments, stderr_path=stderr_path)


def made_up() -> None:
    """From here on children are these."""
    Child.start = _started  # type: ignore[method-assign]


if __name__ == "__main__":
    made_up()
    sys.exit(main())
