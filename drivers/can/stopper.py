"""The process that holds the guard's own handle on a CAN adapter: ``python -m drivers.can.stopper SETTINGS FD``.

Owns the process: settings in (a ``CanStopperSettings`` as JSON), the adapter opened a second time, orders in and words
out over the socket FD (SOCK_SEQPACKET), until told to quit or until the other end is gone and stop has been said for a
while. Used where the guard cannot write to the adapter by itself; it decides nothing. Exit code 0 in order, 2 when it
could not start, 3 when the handle was lost.
"""

from __future__ import annotations

import contextlib
import gc
import os
import select
import signal
import socket
import sys

from drivers.can.pythoncan import PythonCanLink
from drivers.can.stopperwork import HandleError, StopperWork, failed
from drivers.clock import Clock, MonotonicClock
from drivers.errors import DriverError
from drivers.stoppersettings import CanStopperSettings

PRIORITY = 82
"""Below the guard, above the streamer: a stop does not wait for a tick."""

_ORDER_BYTES = 16
_ORDERS_A_TURN = 64


def main(arguments: list[str]) -> int:
    """Hold the handle until told to end."""
    if len(arguments) != 2 or not arguments[1].isdecimal():
        sys.stderr.write("expected two arguments, the settings as JSON and a socket's descriptor\n")
        return 2
    # Its guard's end is its end. A signal to the whole group must not take the stop from a guard that has one to say.
    for number in (signal.SIGINT, signal.SIGHUP, signal.SIGTERM):
        signal.signal(number, signal.SIG_IGN)
    line = socket.socket(fileno=int(arguments[1]))
    line.setblocking(False)
    clock = MonotonicClock()
    try:
        settings = CanStopperSettings.model_validate_json(arguments[0])
        adapter = settings.adapter
        link = PythonCanLink.open(
            adapter.interface, adapter.channel, adapter.bitrate_bit_s, clock, adapter.options
        )
    except (ValueError, DriverError) as error:
        _say(line, failed(clock.now_ns(), f"the guard's own handle: {error}"))
        return 2
    _claim()
    gc.collect()
    gc.freeze()
    try:
        _serve(StopperWork(settings, link, clock), link, line, clock)
    except HandleError as error:
        _say(line, failed(clock.now_ns(), f"the guard's own handle: {error}"))
        return 3
    finally:
        link.close()
        line.close()
    return 0


def _serve(work: StopperWork, link: PythonCanLink, line: socket.socket, clock: Clock) -> None:
    is_alone = False
    while not work.is_over:
        readers: list[int] = [] if is_alone else [line.fileno()]
        if work.is_stopping and link.fileno() >= 0:
            readers.append(link.fileno())
        select.select(readers, (), (), max(0, work.due_ns() - clock.now_ns()) * 1e-9)
        for _ in range(0 if is_alone else _ORDERS_A_TURN):
            try:
                order = line.recv(_ORDER_BYTES)
            except BlockingIOError:
                break
            except OSError:
                order = b""
            is_alone = not order
            _tell(line, work.order(order))
            if is_alone:
                break
        _tell(line, work.step())


def _tell(line: socket.socket, words: list[bytes]) -> None:
    for word in words:
        _say(line, word)


def _say(line: socket.socket, word: bytes) -> None:
    # Who does not read takes silence for a loss; a stop is not held up by it.
    with contextlib.suppress(OSError):
        line.send(word)


def _claim() -> None:
    """Real-time priority where the host gives it."""
    with contextlib.suppress(OSError):
        os.sched_setscheduler(0, os.SCHED_FIFO, os.sched_param(PRIORITY))


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
