"""The real-time child: ``python -m controller.stream SPEC.json``.

Owns the process: signals, host rights, opening and closing. SIGTERM asks for a controlled stop, a second one for a
stop by every means; SIGUSR1 for an end after the stroke in work, SIGUSR2 for a controlled stop that leaves SIGTERM its
first meaning. Exit code 0 when the outcome line was written, whatever it says; 2 when the specification
cannot be read.
"""

from __future__ import annotations

import contextlib
import json
import os
import signal
import sys
from pathlib import Path
from types import FrameType

from pydantic import ValidationError

from controller.config.errors import InputError, code_of
from controller.config.load import load_machine
from controller.stream.host import LEAD_MAX_NS, SPIN_NS, HostRights, claim_host, release_host
from controller.stream.loop import StopFlag, rest_counts
from controller.stream.ring import Ring, RingError
from controller.stream.run import run_stream
from controller.stream.servicewatch import ServiceWatch
from controller.stream.spec import StreamOutcome, StreamSpec
from controller.stream.stopagain import keep_stopping
from controller.stream.tracing import noted, with_trace
from drivers.clock import MonotonicClock
from drivers.errors import DriverError
from drivers.registry import group_on_link, open_head_line, open_link
from safety.client import BeatLine, GuardUnreachableError


def main(arguments: list[str]) -> int:
    """Run one life of the streamer; JSON lines on standard output."""
    if len(arguments) != 1:
        sys.stderr.write("expected one argument, the specification's file\n")
        return 2
    stop = StopFlag()

    terminated = False

    def on_signal(_number: int, _frame: FrameType | None) -> None:
        nonlocal terminated
        stop.abort = stop.abort or terminated
        terminated = stop.asked = True

    def on_pause(number: int, _frame: FrameType | None) -> None:
        if number == signal.SIGUSR1:
            stop.stroke_end = True
        else:
            stop.asked = True

    signal.signal(signal.SIGTERM, on_signal)
    signal.signal(signal.SIGUSR1, on_pause)
    signal.signal(signal.SIGUSR2, on_pause)
    # A terminal's Ctrl-C is for the service to judge.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    try:
        spec = StreamSpec.model_validate_json(Path(arguments[0]).read_text())
    except (OSError, ValidationError, ValueError) as error:
        sys.stderr.write(f"{arguments[0]}: expected a stream specification, got {error}\n")
        return 2
    _run(spec, stop)
    return 0


def _run(spec: StreamSpec, stop: StopFlag) -> None:
    if spec.guard_socket is None:
        _say_outcome(
            StreamOutcome(
                end="refused", reason="no guard socket is given: no guard, no motion", code="guard-not-armed"
            )
        )
        return
    try:
        service = None if spec.service_pid is None else ServiceWatch(spec.service_pid)
    except OSError:
        reason = f"the service (process {spec.service_pid}) that started this run is gone"
        _say_outcome(StreamOutcome(end="refused", reason=reason, code="service-gone"))
        return
    # Only the instant of a send is worth a spin. Whoever waits for answers must sleep: at real-time priority a
    # spinning wait would take the core away from the very program that is to answer.
    clock, waker = MonotonicClock(SPIN_NS), MonotonicClock()
    try:
        machine = load_machine(Path(spec.machine_file))
        ring = _open_ring(Path(spec.ring_path))
        beats = BeatLine.connect(spec.guard_socket)
    except (InputError, RingError, OSError, GuardUnreachableError) as error:
        _say_outcome(StreamOutcome(end="refused", reason=str(error), code=code_of(error)))
        return
    try:
        settings = machine.group_settings()
        link, trace_notes = with_trace(open_link(settings, spec.channel, waker), spec, machine, waker, "real")
        group = group_on_link(settings, link, waker, open_head_line(settings, spec.head_channel))
    except DriverError as error:
        beats.close()
        _say_outcome(StreamOutcome(end="refused", reason=f"drives: {error}", code=error.code))
        return
    try:
        outcome = run_stream(
            spec,
            machine,
            group,
            clock,
            ring,
            beats,
            stop=stop,
            claim=lambda: claim_host(spec.core),
            on_ready=_say_ready,
            # Not too early: the answers of the last SYNC may still be on their way.
            lead_ns=min(LEAD_MAX_NS, machine.tick_ns // 2),
            waker=waker,
            service_gone=None if service is None else service.is_gone,
        )
        # First of all the reason: once the lease has run out, the guard ends this process.
        _say_outcome(noted(outcome, trace_notes))
        if outcome.end == "halted":
            # Without a DISARM a closed line is a stop for the guard; and where there is no guard any more, stop alone.
            beats.close()
            keep_stopping(group, waker, machine.tick_ns, rest_counts(machine))
    finally:
        beats.close()
        group.close()
        release_host()
        ring.close()
        if service is not None:
            service.close()


def _open_ring(path: Path) -> Ring:
    """The service's ring; our own where there is none (nobody listens, the loop is the same)."""
    try:
        return Ring.open(path)
    except FileNotFoundError:
        return Ring.create(path)


def _say_ready(host: HostRights) -> None:
    _say(
        {
            "event": "ready",
            "pid": os.getpid(),
            "realtime": host.realtime,
            "core": host.core,
            "guard": "armed",
            "notes": list(host.notes),
        }
    )


def _say_outcome(outcome: StreamOutcome) -> None:
    _say({"event": "outcome", **outcome.model_dump(mode="json")})


def _say(message: dict[str, object]) -> None:
    # Nobody may be there to read it: that must not come before the stop that is still to be said.
    with contextlib.suppress(OSError):
        sys.stdout.write(json.dumps(message) + "\n")
        sys.stdout.flush()


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
