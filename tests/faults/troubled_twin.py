"""The simulated gantry's process with two more hands: ``{"spin_ms": ..}`` hangs its loop, ``{"belt": false}`` opens a
stop loop on a free input of its y drive (bit 18 of 60FDh; closed from the start).

``python -m tests.faults.troubled_twin SETTINGS.json``. The hooks stand here, not in the program.
"""

from __future__ import annotations

import sys
import time
from typing import Any

from drivers.twin.__main__ import main
from drivers.twin.process import TwinProcess

BELT = 1 << 18


class TroubledTwin(TwinProcess):
    """See above."""

    def __init__(self, *arguments: Any) -> None:
        super().__init__(*arguments)
        self._gantry.nodes[1].head_inputs = BELT

    def _do(self, command: dict[str, Any]) -> None:
        if "spin_ms" in command:
            end_s = time.monotonic() + float(command["spin_ms"]) * 1e-3
            while time.monotonic() < end_s:
                pass
        elif "belt" in command:
            self._gantry.nodes[1].head_inputs = BELT if command["belt"] else 0
            self._say({"event": "belt", "now_ns": time.monotonic_ns()})
        else:
            super()._do(command)


if __name__ == "__main__":
    import drivers.twin.__main__ as program

    program.TwinProcess = TroubledTwin  # type: ignore[misc]
    sys.exit(main(sys.argv[1:]))
