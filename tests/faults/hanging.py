"""A streamer that hangs: the real one, but from a given tick on its loop spins for ever instead of sending.

``python -m tests.faults.hanging SPEC.json TICK``. The hook stands here, not in the program.
"""

from __future__ import annotations

import sys

from controller.stream.__main__ import main
from controller.stream.loop import StreamLoop

if __name__ == "__main__":
    hang_at = int(sys.argv[2])
    send = StreamLoop._send

    def hanging_send(loop: StreamLoop, tick: int, instant_ns: int) -> None:
        """Send, until it is time to hang."""
        while tick >= hang_at:
            pass
        send(loop, tick, instant_ns)

    StreamLoop._send = hanging_send  # type: ignore[method-assign]
    sys.exit(main(sys.argv[1:2]))
