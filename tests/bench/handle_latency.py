"""How long from the guard's order to the first stop frame on the bus, through the program with a handle of its own.

The bus is a loopback socketcand server in this process; the program is the real one. Each trial orders a stop at a
random phase of a stream of SYNCs every 4 ms and counts until the server has read axis x' quick stop. Also told: what
the program uses of a core while it only listens.
"""

from __future__ import annotations

import argparse
import random
import tempfile
import time
from dataclasses import replace
from pathlib import Path

from drivers.can.frames import SYNC_FRAME
from drivers.can.pythoncan import PythonCanLink
from drivers.registry import stop_plan
from safety.handle import REST, HandleWire
from safety.settings import StandstillAxis
from safety.watched import Watched
from tests.bench.guard_latency import percentile
from tests.fakes.drive_settings import group_settings
from tests.fakes.socketcand_server import SocketcandServer
from tests.safety.bus_axes import RunningAxes
from tests.safety.conftest import bench_settings

TICK_S = 0.004


def main() -> None:
    """Print p50, p99 and the longest, us, and the share of a core."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--trials", type=int, default=200)
    trials = parser.parse_args().trials
    axes, rng = RunningAxes(), random.Random(1)
    bus = SocketcandServer("vcan0", axes)
    options: dict[str, str | int] = {"host": "127.0.0.1", "port": bus.port}
    plan = stop_plan(group_settings("socketcand", "vcan0", options=options), "vcan0")
    words = tuple(
        StandstillAxis(w.axis, w.can_id, w.offset_bytes, w.length_bytes, 0.2) for w in plan.standstill
    )
    with tempfile.TemporaryDirectory() as folder:
        wire = HandleWire(
            replace(bench_settings(Path(folder)), wire_kind="handle", handle=plan.handle, standstill=words)
        )
        if hindrance := wire.hindrance(8.0):
            raise SystemExit(hindrance)
        streamer = PythonCanLink.open("socketcand", "vcan0", 1_000_000, options=options)
        program = Watched(wire.pid)
        took_us: list[float] = []
        begin_ns, used_ns = time.monotonic_ns(), program.cpu_ns()
        for _ in range(1000):
            streamer.send_frames([SYNC_FRAME])
            time.sleep(TICK_S)
            streamer.receive()
        share = (program.cpu_ns() - used_ns) / (time.monotonic_ns() - begin_ns)
        for _ in range(trials):
            streamer.send_frames([SYNC_FRAME])
            time.sleep(TICK_S * rng.random())
            axes.stops.clear()
            ordered_ns = time.monotonic_ns()
            wire.send_stop()
            axes.first_stopper  # noqa: B018
            took_us.append((axes.stops[0][0] - ordered_ns) / 1000.0)
            wire._is_stopping = False
            wire._order(REST)
            time.sleep(0.02)
            streamer.receive()
        wire.close()
        streamer.close()
        program.close()
    bus.close()
    took_us.sort()
    told = ", ".join(f"p{percent:g} {percentile(took_us, percent):.0f}" for percent in (50.0, 99.0, 100.0))
    print(f"order to first stop frame read by the server, us, {trials} trials: {told}")
    print(f"the program while it only listens, SYNC every 4 ms: {share:.1%} of a core")


if __name__ == "__main__":
    main()
