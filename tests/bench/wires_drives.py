"""The simulated drives of a wire and nothing else: `python -m tests.bench.wires_drives SETTINGS.json [DESCRIPTOR]`.

For the bench: what *our* side of a wire holds is seen only against drives that answer in time, as real ones do, each
with a processor of its own. These are the simulated gantry's drives and motors behind the same pty
(``drivers.twin.wireport``); there are no hands, no files, no canvas, and of the motion no more is kept than the
physics needs. The process is pinned to the lowest core it may use (the streamer takes the highest), runs with
SCHED_FIFO where it may, and spins for the last 100 us before it has something to say.

With a descriptor, one end of a pair of sockets, they speak over that in place of a pty. What is written to a pty is
carried by a worker of the kernel of ordinary priority, in each direction, and waits for it where the host is busy;
sockets need none.

It prints ``{"channel": ..., "realtime": ...}`` and ends when its stdin does.
"""

from __future__ import annotations

import gc
import json
import os
import select
import sys
import time
from pathlib import Path

from drivers.twin.gantry import Gantry
from drivers.twin.settings import TwinSettings
from drivers.twin.wireport import WirePort

PRIORITY = 70
SPIN_NS = 100_000
_IDLE_NS = 50_000_000


def claim_core() -> bool:
    """Pinned, without collecting garbage, with SCHED_FIFO; whether the host gave the last."""
    gc.collect()
    gc.freeze()
    gc.disable()
    allowed = sorted(os.sched_getaffinity(0))
    if len(allowed) > 1:
        os.sched_setaffinity(0, {allowed[0]})
    try:
        os.sched_setscheduler(0, os.SCHED_FIFO, os.sched_param(PRIORITY))
    except OSError:
        return False
    return True


def answer(gantry: Gantry, port: WirePort, stdin: int) -> None:
    """Be the drives until stdin ends."""
    line, monotonic_ns = port.fileno(), time.monotonic_ns
    while True:
        now_ns = monotonic_ns()
        due_ns = min(port.due_ns, gantry.next_ns, now_ns + _IDLE_NS)
        writers = [line] if port.is_clogged else []
        wait_s = max(0, due_ns - now_ns - SPIN_NS) * 1e-9
        ready, writable, _ = select.select([line, stdin], writers, [], wait_s)
        if stdin in ready:
            return
        if writable:
            port.flush()
        if line in ready:
            port.hear(monotonic_ns())
        else:
            while monotonic_ns() < due_ns:
                pass
        port.live(monotonic_ns())


def main(arguments: list[str]) -> int:
    """Run until stdin ends."""
    settings = TwinSettings.model_validate_json(Path(arguments[0]).read_bytes())
    gantry = Gantry(settings.group, settings.parameters, time.monotonic_ns(), max_samples=1)
    line = int(arguments[1]) if len(arguments) > 1 else None
    port = WirePort(gantry, settings.group, line)
    is_realtime = claim_core()
    channel = port.channel if line is None else ""
    sys.stdout.write(json.dumps({"channel": channel, "realtime": is_realtime}) + "\n")
    sys.stdout.flush()
    answer(gantry, port, sys.stdin.fileno())
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
