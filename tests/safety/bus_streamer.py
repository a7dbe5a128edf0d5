"""A streamer for tests on a bus behind a socketcand server: commands two axes, beats, and stops them when told to.

Usage: bus_streamer.py BEAT_SOCKET PORT. Says ``armed`` or ``refused``.
"""

import struct
import sys
import time

from drivers.can.frames import SYNC_FRAME, stop_frames
from drivers.can.pythoncan import PythonCanLink
from safety.client import BeatLine

TICK_S = 0.004
LEASE_NS = 450_000_000


def main() -> None:
    options = {"host": "127.0.0.1", "port": int(sys.argv[2])}
    link = PythonCanLink.open("socketcand", "vcan0", 1_000_000, options=options)
    line = BeatLine.connect(sys.argv[1], answer_timeout_s=10.0)
    now_ns = time.monotonic_ns()
    armed = line.arm(now_ns, now_ns + LEASE_NS, (100_000, 100_000), 3)
    print("armed" if armed else "refused", flush=True)
    run = [(0x200 + node, struct.pack("<Hi", 15, 1000)) for node in (1, 2)]
    while armed:
        line.poll_echo()
        link.send_frames(stop_frames((1, 2)) if line.latched else [*run, SYNC_FRAME])
        time.sleep(TICK_S)
        link.receive()
        now_ns = time.monotonic_ns()
        line.beat(now_ns, now_ns + LEASE_NS, 1, 100_000, 100_000, 0, 0, 0, 0, 3)
    sys.stdin.read()


main()
