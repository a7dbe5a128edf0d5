"""The process that reads GPIO stop inputs for the guard: ``python -m drivers.inputs SETTINGS.json``.

Owns the process: settings in, lines opened, one JSON line out (``ready`` or ``refused``), then the loop until SIGTERM
or until the process that started it is gone. The settings are an ``InputReaderSettings``. Exit code 0 at its end, 2
when it could not start.
"""

from __future__ import annotations

import contextlib
import json
import os
import signal
import sys
from pathlib import Path
from types import FrameType

from pydantic import ValidationError

from drivers.clock import MonotonicClock
from drivers.errors import DriverError
from drivers.inputs.gpio import GpioLines
from drivers.inputs.reader import InputReader
from drivers.inputs.report import GuardReport
from drivers.settings import InputReaderSettings

PRIORITY = 60
"""Below streamer and guard: a report may wait for a tick, never the other way round."""


def main(arguments: list[str]) -> int:
    """Read and report until told to end."""
    if len(arguments) != 1:
        sys.stderr.write("expected one argument, the settings' file\n")
        return 2
    parent = os.getppid()
    try:
        settings = InputReaderSettings.model_validate_json(Path(arguments[0]).read_text())
        lines = GpioLines.open(settings.inputs)
    except ValidationError as error:
        return _refuse(f"{arguments[0]}: {error.errors(include_url=False)}")
    except (OSError, ValueError, DriverError) as error:
        return _refuse(str(error))
    report = GuardReport(settings.input_socket)
    ended = False

    def end(_number: int, _frame: FrameType | None) -> None:
        nonlocal ended
        ended = True

    signal.signal(signal.SIGTERM, end)
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    is_realtime = _claim()
    names = [one.name for one in settings.inputs]
    _say({"event": "ready", "pid": os.getpid(), "inputs": names, "realtime": is_realtime})
    reader = InputReader(settings, lines, report.say, MonotonicClock())
    try:
        while not ended and os.getppid() == parent:
            reader.step()
    finally:
        report.close()
        lines.close()
    return 0


def _claim() -> bool:
    """Real-time priority where the host gives it."""
    with contextlib.suppress(OSError):
        os.sched_setscheduler(0, os.SCHED_FIFO, os.sched_param(PRIORITY))
        return True
    return False


def _refuse(reason: str) -> int:
    _say({"event": "refused", "reason": reason})
    return 2


def _say(message: dict[str, object]) -> None:
    # Whoever started us may be gone already; the loop finds that out.
    with contextlib.suppress(OSError):
        sys.stdout.write(json.dumps(message) + "\n")
        sys.stdout.flush()


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
