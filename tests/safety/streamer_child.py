"""A streamer for tests: arms, says so, beats until it is told something on standard input or the guard objects.

Usage: streamer_child.py BEAT_SOCKET [WIRE_CHANNEL]. With a channel it writes a velocity line at every tick.
Words on standard input: ``disarm`` (and leave at once), ``close`` (hang up without the word), ``garble``,
``repeat``, ``half`` (write half a line and no more), ``hang`` (sleep), ``spin`` (compute and say nothing), ``burn``
(compute between beats), ``flood`` (beat without a clock), ``rush`` (command a speed, then DISARM), ``flag N`` (beat
with these flags), ``boast`` (say top speed from now on, whatever the axes do).
"""

import os
import select
import sys
import time

from safety.client import BeatLine

TICK_NS = 4_000_000
LEASE_NS = 450_000_000


def main() -> None:
    line = BeatLine.connect(sys.argv[1], answer_timeout_s=5.0)
    wire = os.open(sys.argv[2], os.O_RDWR | os.O_NOCTTY) if len(sys.argv) > 2 else -1
    now_ns = time.monotonic_ns()
    armed = line.arm(now_ns, now_ns + LEASE_NS, (100_000, 100_000), 3)
    print("armed" if armed else "refused", flush=True)
    tick = 0
    flags, burning, boasting = 3, False, False
    while armed:
        tick += 1
        ready, _, _ = select.select((sys.stdin,), (), (), TICK_NS / 1e9)
        word = sys.stdin.readline().strip() if ready else ""
        now_ns = time.monotonic_ns()
        if wire >= 0:
            os.write(wire, b"t2016AB" if word == "half" else b"t20160F00000000%02X\rt0800\r" % (tick % 256))
            if word == "half":
                os.close(wire)
                wire = -1
                print("half", flush=True)
        if word == "disarm":
            print("disarmed" if line.disarm(now_ns) else "not disarmed", flush=True)
            return
        if word == "close":
            line.close()
            time.sleep(30)
        if word == "garble":
            line._line.send(b"not a beat")
        if word == "repeat":
            line._line.send(line._buffer)
        if word == "hang":
            time.sleep(30)
        while word == "spin":
            pass
        if word == "burn":
            burning = True
        while burning and time.monotonic_ns() < now_ns + TICK_NS:
            pass
        while word == "flood":
            now_ns = time.monotonic_ns()
            line.beat(now_ns, now_ns + LEASE_NS, tick, 100_000, 100_000, 0, 0, 0, 0, 3)
        if word.startswith("flag"):
            flags = int(word.split()[1])
        boasting = boasting or word == "boast"
        speed = 600_000 if boasting else 6000 if word == "rush" else 0
        line.beat(now_ns, now_ns + LEASE_NS, tick, 100_000, 100_000, speed, 0, 0, 0, flags)
        if word == "rush":
            line.disarm(time.monotonic_ns())
            time.sleep(30)
        line.poll_echo()
    sys.stdin.read()


main()
