"""``python -m drivers.twin SETTINGS.json``: the simulated gantry on a serial line of its own."""

from __future__ import annotations

import json
import sys
from pathlib import Path

from pydantic import ValidationError

from drivers.twin.process import TwinProcess
from drivers.twin.settings import TwinSettings
from drivers.twin.store import FolderBusyError


def main(arguments: list[str]) -> int:
    """Run one simulated gantry. Exit codes: 0 ended in order, 2 bad arguments or settings, 3 folder in use."""
    if len(arguments) != 1:
        sys.stderr.write("usage: python -m drivers.twin SETTINGS.json\n")
        return 2
    path = Path(arguments[0])
    try:
        process = TwinProcess(TwinSettings.model_validate_json(path.read_bytes()))
    except (OSError, ValidationError, ValueError) as error:
        sys.stderr.write(f"{path}: expected settings of the simulated gantry, got {error}\n")
        return 2
    except FolderBusyError as error:
        sys.stdout.write(json.dumps({"event": "refused", "why": str(error)}) + "\n")
        return 3
    return process.run()


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
