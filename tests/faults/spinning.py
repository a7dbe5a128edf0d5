"""A program that hangs when told: the real one, but SIGUSR1 makes its main thread compute for so many seconds.

``python -m tests.faults.spinning SECONDS MODULE ARGUMENT..``. The hook stands here, not in the program.
"""

from __future__ import annotations

import runpy
import signal
import sys
import time

if __name__ == "__main__":
    seconds, module = float(sys.argv[1]), sys.argv[2]

    def spin(*_: object) -> None:
        """Compute, and look at nothing."""
        end_s = time.monotonic() + seconds
        while time.monotonic() < end_s:
            pass

    signal.signal(signal.SIGUSR1, spin)
    sys.argv = sys.argv[2:]
    runpy.run_module(module, run_name="__main__", alter_sys=True)
