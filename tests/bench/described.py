"""What a described drive's frames cost: `python -m tests.bench.described`. Python alone, no wire.

Microseconds a call, the least of several runs, beside an empty call's. Figures stand in docs/described-drives.md.
"""

from __future__ import annotations

import timeit
from collections.abc import Callable

from controller.config.drivefile import load_drive
from controller.config.places import shipped
from drivers.described.codec import DriveCodec
from drivers.described.driveside import DriveSide
from drivers.described.receiver import CanReceiver, SerialReceiver

CALLS = 20_000
RUNS = 7


def micros(call: Callable[[], object]) -> float:
    """Least microseconds a call."""
    return min(timeit.repeat(call, number=CALLS, repeat=RUNS)) / CALLS * 1e6


def main() -> None:
    """Print one line a figure."""
    print(f"empty call: {micros(lambda: None):.2f} us")
    for name in ("heron", "tide"):
        drive = load_drive(shipped(f"drives/{name}.toml"))
        codec, side = DriveCodec(drive, 2), DriveSide(drive, 2)
        print(f"{name}: velocity {micros(lambda codec=codec: codec.velocity(-123_456, 1)):.2f} us")
        print(f"{name}: stop {micros(lambda codec=codec: codec.encode('stop')):.2f} us")
        for reply in drive.replies:
            can_id, data = side.reply(reply.name, {"position": -123_456, "velocity": 77, "status": 0x103})
            if drive.can is not None:
                bus = CanReceiver([codec])
                print(
                    f"{name}: {reply.name} taken {micros(lambda bus=bus, i=can_id, d=data: bus.take(i, d)):.2f} us"
                )
                continue
            line = SerialReceiver([codec, DriveCodec(drive, 3)])
            print(
                f"{name}: {reply.name} in one piece {micros(lambda line=line, d=data: line.feed(d)):.2f} us"
            )
            first, second = data[:7], data[7:]

            def two(line: SerialReceiver = line, first: bytes = first, second: bytes = second) -> None:
                line.feed(first)
                line.feed(second)

            print(f"{name}: {reply.name} in two {micros(two):.2f} us")


if __name__ == "__main__":
    main()
