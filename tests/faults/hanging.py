"""A streamer that hangs or is slow: the real one, but from a given tick on its loop spins for ever instead of sending,
or wakes so many ms late for each tick.

``python -m tests.faults.hanging SPEC.json TICK [LATE_MS]``. The hook stands here, not in the program.
"""

from __future__ import annotations

import json
import sys
import time

from controller.stream.__main__ import main
from controller.stream.loop import StreamLoop

if __name__ == "__main__":
    trouble_at = int(sys.argv[2])
    late_ms = float(sys.argv[3]) if len(sys.argv) > 3 else 0.0
    send = StreamLoop._send

    def troubled_send(loop: StreamLoop, tick: int, instant_ns: int) -> None:
        """Send, until it is time for trouble."""
        if tick == trouble_at and late_ms:
            sys.stdout.write(json.dumps({"event": "slow", "now_ns": time.monotonic_ns()}) + "\n")
            sys.stdout.flush()
        while tick >= trouble_at and not late_ms:
            pass
        if tick >= trouble_at:
            time.sleep(max(0.0, (instant_ns - time.monotonic_ns()) * 1e-9 + late_ms * 1e-3))
        send(loop, tick, instant_ns)

    StreamLoop._send = troubled_send  # type: ignore[method-assign]
    sys.exit(main(sys.argv[1:2]))
