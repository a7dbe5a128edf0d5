# ruff: noqa: D102
"""The guard as a process that stops through a program with a handle of its own, on a bus behind a loopback server.

Two handles on one bus.
"""

from __future__ import annotations

import json
import os
import signal
import time
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from drivers.registry import stop_plan
from safety import latch
from safety.client import BeatLine, request_quit, request_status, request_stop
from safety.settings import GuardSettings, StandstillAxis
from tests.fakes.drive_settings import group_settings
from tests.fakes.socketcand_server import SocketcandServer
from tests.safety.bus_axes import RunningAxes

pytestmark = pytest.mark.realtime

PROGRAM, STREAMER, PROGRAM_ANEW = 0, 1, 2
"""Clients of the server, in the order in which they come."""

CHILD = str(Path(__file__).with_name("bus_streamer.py"))
SILENT_PROGRAM = """
import os, struct, sys, time
line, hush = int(sys.argv[2]), sys.argv[1]
os.write(line, struct.pack("<cQ", b"R", time.monotonic_ns()))
while not os.path.exists(hush):
    os.write(line, struct.pack("<cQQ", b"B", time.monotonic_ns(), time.monotonic_ns()))
    time.sleep(0.01)
time.sleep(60)
"""


class Site:
    """A bus with two running axes, and a guard on it."""

    def __init__(self, bench: Any, settings: GuardSettings, clients_max: int = 16) -> None:
        self.axes = RunningAxes()
        self.bus = SocketcandServer("vcan0", self.axes, clients_max)
        options = {"host": "127.0.0.1", "port": self.bus.port}
        plan = stop_plan(group_settings("socketcand", "vcan0", options=options), "vcan0")
        self.settings = replace(
            settings,
            wire_kind=plan.kind,
            wire_channel=plan.channel,
            handle=plan.handle,
            handle_late_ms=3000.0,
            standstill=tuple(
                StandstillAxis(word.axis, word.can_id, word.offset_bytes, word.length_bytes, 0.2)
                for word in plan.standstill
            ),
            give_up_after_s=20.0,
        )
        self.bench = bench

    def begin(self, **changes: Any) -> Any:
        """A guard that is ready and an armed streamer."""
        self.bench.guard(self.settings, **changes)
        assert self.bench.ready["notes"] == [] or "handle" not in str(self.bench.ready["notes"])
        return self.streamer()

    def streamer(self) -> Any:
        process = self.bench.start(CHILD, self.settings.beat_socket, str(self.bus.port))
        assert process.stdout.readline() == "armed\n"
        return process

    @property
    def program(self) -> int:
        """The process id of the guard's program."""
        (guard, *_) = self.bench.processes
        children = Path(f"/proc/{guard.pid}/task/{guard.pid}/children").read_text().split()
        (pid,) = (int(one) for one in children)
        return pid

    def latch(self) -> latch.Latch:
        """The latch, once standstill is judged."""
        found: list[latch.Latch] = []

        def is_judged() -> bool:
            standing = latch.read(Path(self.settings.latch_path))
            found[:] = [standing] if standing is not None else []
            return standing is not None and standing.standstill != "pending"

        wait_for(is_judged)
        return found[0]


def wait_for(holds: Callable[[], bool]) -> None:
    end_s = time.monotonic() + 30
    while not holds():
        assert time.monotonic() < end_s, "it never came to hold"
        time.sleep(0.002)


@pytest.fixture
def site(bench: Any, settings: GuardSettings) -> Iterator[Site]:
    made = Site(bench, settings)
    yield made
    made.bus.close()


@pytest.mark.parametrize(
    ("number", "reason"),
    [(None, "stop-asked"), (signal.SIGKILL, "streamer-died"), (signal.SIGSTOP, "streamer-stopped")],
)
def test_the_second_handle_stops_what_the_first_one_streams(
    site: Site, number: signal.Signals | None, reason: str
) -> None:
    """Asked to, or with the streamer killed or stopped: the program stops the drives and hears them stand."""
    streamer = site.begin()
    os.kill(site.program, signal.SIGTERM)  # as a signal to the whole group does: its guard's end is its end
    if number is None:
        request_stop(site.settings.stop_socket, "trial", "test")
    else:
        streamer.send_signal(number)
    found = site.latch()
    assert (found.reason, found.standstill) == (reason, "proved")
    assert found.first_bytes_ns
    assert {client for _, client in site.axes.stops} == {PROGRAM}
    assert streamer.wait(10) == -signal.SIGKILL
    # Told to rest, the program says no more; then it ends with its guard.
    program = site.program
    assert request_quit(site.settings.stop_socket)["quit"]
    wait_for(lambda: not Path(f"/proc/{program}").exists())


@pytest.mark.parametrize("number", [signal.SIGKILL, signal.SIGSTOP])
def test_a_program_that_is_lost_stops_the_machine(site: Site, number: signal.Signals) -> None:
    """The streamer is told first, since its own stop is all there is; a handle opened anew then proves standstill."""
    streamer = site.begin()
    program = site.program
    os.kill(program, number)
    found = site.latch()
    assert (found.reason, found.standstill) == ("handle-lost", "proved")
    assert site.axes.stops[0][1] == STREAMER
    assert PROGRAM_ANEW in {client for _, client in site.axes.stops}
    assert streamer.wait(10) == -signal.SIGKILL
    wait_for(lambda: not Path(f"/proc/{program}").exists())


def test_a_program_that_hears_no_drive_stops_the_machine(site: Site) -> None:
    """A handle that hears nothing while the streamer does could neither prove standstill nor be believed to send."""
    site.begin(handle_late_ms=400.0)
    site.bus.deafened.add(PROGRAM)
    found = site.latch()
    assert (found.reason, found.standstill) == ("handle-lost", "proved")
    assert "not been heard" in found.text


def test_a_program_that_says_nothing_stops_the_machine(site: Site, folder: Path) -> None:
    """Alive and not stopped, only silent: its beats are what it is trusted by."""
    hush = folder / "hush"
    site.begin(handle=("-c", SILENT_PROGRAM, str(hush)), handle_late_ms=400.0, give_up_after_s=0.5)
    hush.touch()
    found = site.latch()
    assert (found.reason, found.standstill) == ("handle-lost", "not proved")
    assert "said nothing" in found.text
    assert site.axes.first_stopper == 0  # the silent one has no place on this bus


def test_without_its_guard_the_program_stops_the_drives(site: Site) -> None:
    """A guard that is killed says nothing: whoever took its orders says stop for a while, then ends."""
    site.begin()
    program = site.program
    site.bench.processes[0].kill()
    assert site.axes.first_stopper == PROGRAM
    wait_for(lambda: not Path(f"/proc/{program}").exists())


def _arm(settings: GuardSettings) -> bool:
    line = BeatLine.connect(settings.beat_socket, answer_timeout_s=10.0)
    now_ns = time.monotonic_ns()
    armed = line.arm(now_ns, now_ns + 400_000_000, (100_000, 100_000), 3)
    if armed:
        line.disarm(time.monotonic_ns())
    line.close()
    return armed


def test_nothing_arms_before_every_drive_has_answered(site: Site) -> None:
    """Drives without power at the start: refused with the reason. With power, the next ARM asks again and is taken."""
    site.axes.is_powered = False
    site.bench.guard(site.settings)
    assert "node 1 and node 2" in str(site.bench.ready["notes"])
    assert not _arm(site.settings)
    refusal = str(request_status(site.settings.stop_socket)["last_refusal"])
    assert "no answer from node 1 and node 2" in refusal
    site.axes.is_powered = True
    wait_for(lambda: _arm(site.settings))


def test_an_adapter_for_one_program_only_is_refused(bench: Any, settings: GuardSettings) -> None:
    """The second opening fails: the guard says so when it starts, and arms nobody."""
    site = Site(bench, settings, clients_max=0)
    try:
        bench.guard(site.settings)
        assert "guard's own handle" in json.dumps(bench.ready["notes"])
        assert not _arm(site.settings)
        assert "handle" in str(request_status(site.settings.stop_socket)["last_refusal"])
    finally:
        site.bus.close()


def test_the_guard_imports_nothing_of_the_program() -> None:
    """The program is the guard's by settings alone; the words between the two are written down twice, and equal."""
    from drivers.can import stopperwork as theirs
    from safety import handle as ours

    names = (
        "STOP",
        "REST",
        "PROVE",
        "QUIT",
        "READY",
        "UNPROVED",
        "FAILED",
        "BEAT",
        "SENT",
        "FRAMES",
        "TROUBLE",
    )
    assert [getattr(theirs, name) for name in names] == [getattr(ours, name) for name in names]
    structs = ("HEAD", "HEARD", "COUNT", "FRAME")
    assert [getattr(theirs, name).format for name in structs] == [
        getattr(ours, name).format for name in structs
    ]
