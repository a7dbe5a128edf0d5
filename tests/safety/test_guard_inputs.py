"""The guard as a process with stop inputs and a power-cut output: pressed, unplugged, silent; cut without proof.

Serial ports are files here (see ``guard_with_ports``); everything else is the real guard.
"""

from __future__ import annotations

import contextlib
import json
import signal
import socket
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from safety import latch
from safety.beat import Beat, Word
from safety.client import GuardUnreachableError, request_quit, request_status
from safety.events import Echo, Heard, InputClosed
from safety.guard import Guard
from safety.modem import INPUT_LINES, OUTPUT_LINES
from safety.settings import GuardSettings, PowerCut, StopInput

pytestmark = pytest.mark.realtime

PROGRAM = (str(Path(__file__).with_name("guard_with_ports.py")),)
DSR, RTS = INPUT_LINES["dsr"], OUTPUT_LINES["rts"]


class Port:
    """A serial port in a file."""

    def __init__(self, folder: Path) -> None:
        self.path = folder / "port"
        self.out = folder / "port.out"
        self.put(DSR)

    def put(self, bits: int) -> None:
        """The input lines, changed in one step."""
        beside = self.path.with_suffix(".new")
        beside.write_text(str(bits))
        beside.replace(self.path)

    def outputs(self) -> int:
        """The output lines."""
        return int(self.out.read_text()) if self.out.exists() else 0

    def button(self, **changes: Any) -> StopInput:
        """A stop input on it."""
        return StopInput("button", "modem-line", str(self.path), "dsr", silent_ms=1000.0, **changes)

    def power(self, open_after_ms: float = 150.0) -> PowerCut:
        """The power-cut output on it."""
        return PowerCut(str(self.path), "rts", open_after_ms)


@pytest.fixture
def port(folder: Path) -> Port:
    return Port(folder)


@pytest.fixture
def wired(adapter: Any, bench: Any) -> GuardSettings:
    """Settings with the adapter's pty for a wire."""
    return bench.wired(adapter.channel)  # type: ignore[no-any-return]


def wait_for(holds: Callable[[], bool]) -> None:
    end_s = time.monotonic() + 10
    while not holds():
        assert time.monotonic() < end_s, "it never came to hold"
        time.sleep(0.002)


def is_open(settings: GuardSettings, name: str = "button") -> bool:
    inputs = request_status(settings.stop_socket)["inputs"]
    assert isinstance(inputs, dict)
    return bool(inputs[name]["open"])


def latched(settings: GuardSettings, power_cut: str = "") -> latch.Latch:
    """The latch once it is settled, and once it says ``power_cut``."""
    end_s = time.monotonic() + 10
    while time.monotonic() < end_s:
        found = latch.read(Path(settings.latch_path))
        settled = found is not None and found.standstill != "pending" and bool(found.guard_pid)
        if found is not None and settled and found.power_cut == (power_cut or found.power_cut):
            return found
        time.sleep(0.005)
    raise AssertionError(f"no such latch; {found}")


@pytest.mark.parametrize("trouble", ["pressed", "unplugged", "odd"])
def test_an_input_that_opens_stops_and_kills(
    wired: GuardSettings, bench: Any, port: Port, trouble: str
) -> None:
    """Pressed, unplugged or unreadable while armed: the streamer is killed, standstill proved, the latch names it."""
    bench.guard(wired, PROGRAM, inputs=(port.button(),))
    wait_for(lambda: not is_open(wired))
    streamer = bench.streamer()
    if trouble == "pressed":
        port.put(0)
    elif trouble == "unplugged":
        port.path.unlink()
    else:
        port.path.write_text("what")
    found = latched(wired)
    assert (found.reason, found.standstill, found.power_cut) == ("input-open", "proved", "not fitted")
    assert "stop input button is open" in found.text
    assert streamer.wait(10) == -signal.SIGKILL


def test_nothing_arms_while_an_input_is_open(wired: GuardSettings, bench: Any, port: Port) -> None:
    """Open from the start: refused with a reason, not latched; closed, the next streamer arms."""
    port.put(0)
    bench.guard(wired, PROGRAM, inputs=(port.button(),))
    bench.streamer(expect="refused")
    status = request_status(wired.stop_socket)
    assert "stop input button" in str(status["last_refusal"])
    assert status["state"] == "idle"
    assert latch.read(Path(wired.latch_path)) is None
    port.put(DSR)
    wait_for(lambda: not is_open(wired))
    bench.streamer(expect="armed")


def test_a_button_pressed_while_idle_latches(
    wired: GuardSettings, bench: Any, port: Port, adapter: Any
) -> None:
    """Nobody is armed and the guard sleeps: the press still wakes it, stop bytes go out, the machine is latched."""
    bench.guard(wired, PROGRAM, inputs=(port.button(),))
    wait_for(lambda: not is_open(wired))
    port.put(0)
    assert latched(wired).reason == "input-open"
    adapter.wait_for(b"t2016020000000000\r")
    port.put(DSR)
    bench.streamer(expect="refused")


def test_a_glitch_is_counted_and_does_not_stop(wired: GuardSettings, bench: Any, port: Port) -> None:
    """An opening shorter than the debounce time leaves a count in the status and nothing else.

    The debounce time is long here, so that the writer cannot be held up for longer.
    """
    bench.guard(wired, PROGRAM, inputs=(port.button(debounce_ms=10.0),))
    wait_for(lambda: not is_open(wired))

    def glitches() -> int:
        inputs = request_status(wired.stop_socket)["inputs"]
        assert isinstance(inputs, dict)
        return int(inputs["button"]["glitches"])

    for _ in range(20):
        port.put(0)
        time.sleep(0.003)
        port.put(DSR)
        if glitches() or latch.read(Path(wired.latch_path)):
            break
        time.sleep(0.02)
    if latch.read(Path(wired.latch_path)) is None:  # a held-up writer has really pressed the button
        assert glitches() >= 1


class Reader:
    """The near end of the input socket, as a reader process would hold it."""

    def __init__(self, settings: GuardSettings) -> None:
        self.line = socket.socket(socket.AF_UNIX, socket.SOCK_SEQPACKET)
        self.line.connect(settings.input_socket)

    def say(self, closed: object = True, name: str = "gate") -> None:
        """One report."""
        self.line.send(json.dumps({"input": name, "closed": closed}).encode())


@pytest.mark.parametrize("trouble", ["opens", "hangs up", "falls silent"])
def test_a_reported_input(wired: GuardSettings, bench: Any, folder: Path, trouble: str) -> None:
    """Said to be open, its reader gone, or its reader silent: each is an opening, with a text that tells them apart."""
    gate = StopInput("gate", "reported", debounce_ms=0.0, silent_ms=400.0)
    settings = {"inputs": (gate,), "input_socket": str(folder / "input.sock")}
    bench.guard(wired, PROGRAM, **settings)
    assert is_open(wired, "gate")
    with contextlib.closing(Reader(GuardSettings.load(folder / "guard.json")).line) as line:
        line.send(b"noise")
        line.send(b'{"input": "gate", "closed": true}')
        wait_for(lambda: not is_open(wired, "gate"))
        line.send(b'{"input": "gate", "closed": true}')
        streamer = bench.streamer()
        if trouble == "opens":
            line.send(b'{"input": "gate", "closed": false}')
        elif trouble == "hangs up":
            line.close()
        found = latched(wired)
    words = {
        "opens": "gate is open",
        "hangs up": "its reader has gone",
        "falls silent": "nothing heard of it for",
    }
    assert found.reason == "input-open"
    assert words[trouble] in found.text
    assert streamer.wait(10) == -signal.SIGKILL


def test_power_is_cut_when_standstill_is_not_proved(
    wired: GuardSettings, bench: Any, port: Port, adapter: Any
) -> None:
    """Axes that run on: the output is let go after its time, the latch says so, and no later guard energises it.

    The next guard finds the latch and leaves the output alone; once a person has cleared the latch, one energises it.
    """
    adapter.speed_counts_s, adapter.deaf = 50_000.0, True
    guard = bench.guard(wired, PROGRAM, give_up_after_s=0.4, power_cut=port.power())
    wait_for(lambda: bool(port.outputs() & RTS))
    wait_for(lambda: not is_open(wired, "power-cut output"))
    bench.streamer().kill()
    found = latched(wired, "opened")
    assert (found.reason, found.standstill) == ("streamer-died", "not proved")
    assert not port.outputs() & RTS
    request_quit(wired.stop_socket)
    assert guard.wait(10) == 3

    guard = bench.guard(wired, PROGRAM, power_cut=port.power())
    assert bench.ready["state"] == "latched"
    assert request_status(wired.stop_socket)["power_cut"] == "opened"
    bench.streamer(expect="refused")
    assert not port.outputs() & RTS
    request_quit(wired.stop_socket)
    guard.wait(10)
    assert not port.outputs() & RTS
    latch.clear(Path(wired.latch_path), "Ada", "streamer-died")
    bench.guard(wired, PROGRAM, power_cut=port.power())
    wait_for(lambda: bool(port.outputs() & RTS))


def test_power_is_kept_when_the_axes_stand_and_goes_with_the_guard(
    wired: GuardSettings, bench: Any, port: Port
) -> None:
    """Proof in time leaves the motors their power; without a guard they have none."""
    guard = bench.guard(wired, PROGRAM, power_cut=port.power(open_after_ms=9000.0))
    wait_for(lambda: not is_open(wired, "power-cut output"))
    bench.streamer().kill()
    found = latched(wired)
    assert (found.standstill, found.power_cut) == ("proved", "kept")
    assert port.outputs() & RTS
    request_quit(wired.stop_socket)
    assert guard.wait(10) == 0
    assert not port.outputs() & RTS
    assert latched(wired).power_cut == "kept"


def test_a_wire_that_is_gone_costs_the_power(
    wired: GuardSettings, bench: Any, port: Port, adapter: Any
) -> None:
    """No stop byte can be sent: counted from the verdict, the power is cut; standstill stays unproved."""
    bench.guard(wired, PROGRAM, give_up_after_s=0.4, power_cut=port.power())
    wait_for(lambda: not is_open(wired, "power-cut output"))
    streamer = bench.streamer()
    adapter.unplug()
    found = latched(wired, "opened")
    assert (found.reason, found.standstill, found.first_bytes_ns) == ("wire-lost", "not proved", 0)
    assert streamer.wait(10) == -signal.SIGKILL
    assert not port.outputs() & RTS


def test_a_guard_that_breaks_cuts_the_power_unless_it_has_proof(
    wired: GuardSettings, bench: Any, port: Port, adapter: Any
) -> None:
    """On the way out over a bug of its own, without proof: the output goes first, and the latch says so."""
    adapter.mute = True
    guard = bench.guard(
        wired, (*PROGRAM, "broken"), give_up_after_s=0.3, power_cut=port.power(open_after_ms=9000.0)
    )
    wait_for(lambda: bool(port.outputs() & RTS))
    time.sleep(0.05)
    streamer = bench.streamer()
    with contextlib.suppress(GuardUnreachableError):
        request_status(wired.stop_socket)
    assert guard.wait(10) == 3
    assert streamer.wait(10) == -signal.SIGKILL
    found = latched(wired)
    assert (found.reason, found.standstill, found.power_cut) == ("guard-failed", "not proved", "opened")
    assert not port.outputs() & RTS


def test_an_armed_guard_wakes_for_the_end_of_debouncing(settings: GuardSettings, port: Port) -> None:
    """Not with its next look, which may come up to 2 ms later: at the instant at which the opening becomes a stop."""
    guard = Guard(replace(settings, inputs=(port.button(debounce_ms=1.0),)))
    inputs, watch = guard._lines.inputs, guard._watch
    now_ns = time.monotonic_ns()
    for read_ns in (now_ns, now_ns + 1_000_000):
        inputs.read("button", read_ns, True)
    assert [type(event) for event in inputs.look(now_ns + 1_000_000)] == [InputClosed]
    arm = Beat(Word.ARM, 1, now_ns, now_ns + 450_000_000)
    assert isinstance(watch.step(now_ns, Heard(1, arm)), Echo)
    inputs.read("button", now_ns + 1_000_001, False)
    assert guard._deadline_ns() == now_ns + 2_000_001
