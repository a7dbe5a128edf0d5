"""Serial ports' modem lines: what a port's thread does in one turn, and that power is never held by mistake.

The turns are made by hand here, without a thread; a pty has no modem lines, so the port is a fake that records.
"""

from __future__ import annotations

import errno
import os
import termios
import tty
from dataclasses import replace
from pathlib import Path

import pytest

from safety import modem
from safety.events import InputClosed, InputOpened
from safety.lines import POWER_INPUT, Lines
from safety.modem import INPUT_LINES, OUTPUT_LINES, LineKeeper, TtyPort
from safety.settings import GuardSettings, PowerCut, StopInput

DSR, CTS = INPUT_LINES["dsr"], INPUT_LINES["cts"]
RTS, DTR = OUTPUT_LINES["rts"], OUTPUT_LINES["dtr"]


class FakePort:
    """A port whose lines are set by the test; opening raises RTS and DTR, as the kernel does."""

    opened = 0

    def __init__(self, inputs: int = DSR) -> None:
        self.inputs = inputs
        self.outputs = RTS | DTR
        self.failing: OSError | None = None
        self.can_clear = True
        self.is_open = True

    def read(self) -> int:
        """All asserted lines."""
        if self.failing is not None:
            raise self.failing
        return self.inputs | self.outputs

    def set(self, bits: int) -> None:
        """Assert."""
        self.outputs |= bits

    def clear(self, bits: int) -> None:
        """Let go, when it can."""
        if not self.can_clear:
            raise OSError(errno.EIO, "Input/output error")
        self.outputs &= ~bits

    def close(self) -> None:
        """Noted."""
        self.is_open = False


class Socket:
    """Where ports are plugged in: ``port`` is None while nothing is."""

    def __init__(self, port: FakePort | None = None) -> None:
        self.port = port
        self.opened: list[tuple[str, bool]] = []
        self.wakes = 0

    def open(self, device: str, holds_power: bool) -> FakePort:
        """Stands in for ``TtyPort``."""
        self.opened.append((device, holds_power))
        if self.port is None:
            raise FileNotFoundError(errno.ENOENT, "No such file or directory")
        return self.port

    def wake(self) -> None:
        """Counted."""
        self.wakes += 1

    def keeper(self, power_bits: int = 0) -> LineKeeper:
        """A keeper of the port that is plugged in here."""
        return LineKeeper("/dev/ttyS9", power_bits, self.wake, self.open)


def test_the_lines_are_those_of_the_standard_names() -> None:
    """Bits as in linux/termios.h (asm-generic, from memory): DTR 2, RTS 4, CTS 20h, CD 40h, RI 80h, DSR 100h."""
    assert INPUT_LINES == {"cts": 0x20, "dcd": 0x40, "ri": 0x80, "dsr": 0x100}
    assert OUTPUT_LINES == {"dtr": 0x2, "rts": 0x4}


def test_every_change_is_kept_and_wakes_once() -> None:
    """Readings that change are queued in order and wake the guard; steady ones only get younger."""
    plug = Socket(FakePort())
    keeper = plug.keeper()
    assert plug.port is not None
    for inputs in (DSR, DSR, 0, DSR, DSR):
        plug.port.inputs = inputs
        keeper.turn()
    assert [bits and bits & DSR for _, bits in keeper.changes] == [DSR, 0, DSR]
    assert plug.wakes == 3
    assert keeper.last[0] >= keeper.changes[-1][0]


@pytest.mark.parametrize("number", [errno.ENODEV, errno.EIO, errno.ENXIO])
def test_a_port_that_fails_is_unreadable_and_opened_anew(number: int) -> None:
    """An adapter that is pulled reads as nothing at once; plugged in again it is read again."""
    port = FakePort()
    plug = Socket(port)
    keeper = plug.keeper()
    keeper.turn()
    port.failing = OSError(number, os.strerror(number))
    keeper.turn()
    assert os.strerror(number) in keeper.error
    assert not port.is_open
    plug.port = None
    keeper.turn()
    plug.port = FakePort()
    keeper.turn()
    assert [bits for _, bits in keeper.changes] == [DSR | RTS | DTR, None, DSR | RTS | DTR]
    assert keeper.last[1] is not None
    assert keeper.error == ""


def test_power_is_held_until_it_is_cut_for_good() -> None:
    """Energised with the port; cut once, it is never energised again, whatever happens to the port."""
    port = FakePort()
    plug = Socket(port)
    keeper = plug.keeper(RTS)
    keeper.turn()
    assert plug.opened == [("/dev/ttyS9", True)]
    assert port.outputs & RTS
    keeper.cut()
    keeper.turn()
    assert keeper.was_cut
    assert not port.outputs & RTS
    assert port.outputs & DTR
    port.failing = OSError(errno.ENODEV, "No such device")
    keeper.turn()
    plug.port = FakePort()
    for _ in range(3):
        keeper.turn()
    assert len(plug.opened) == 1
    assert keeper.was_cut


def test_a_cut_before_the_port_was_ever_open_opens_none() -> None:
    """Opening a port would raise its lines: after a cut it stays shut."""
    plug = Socket(FakePort())
    keeper = plug.keeper(RTS)
    keeper.cut()
    keeper.turn()
    assert plug.opened == []
    assert not keeper.was_cut
    assert keeper.cut_error


def test_a_cut_that_fails_is_said_and_tried_again() -> None:
    """Only what has been seen to work is called cut."""
    port = FakePort()
    keeper = Socket(port).keeper(RTS)
    keeper.turn()
    port.can_clear = False
    keeper.cut()
    seen = []
    for port.can_clear in (False, True):
        keeper.turn()
        seen.append((keeper.was_cut, keeper.cut_error))
    assert seen == [(False, "/dev/ttyS9: Input/output error"), (True, "")]


def test_ending_cuts_and_closes() -> None:
    """The thread's end lets the power go and gives the port back."""
    port = FakePort()
    keeper = Socket(port).keeper(RTS)
    keeper.start()
    while keeper.last[1] is None:
        pass
    keeper.end(timeout_s=10.0)
    keeper.end(timeout_s=10.0)
    assert keeper.was_cut
    assert not port.outputs & RTS
    assert not port.is_open


def test_a_real_descriptor_without_modem_lines_is_unreadable() -> None:
    """A pty refuses TIOCMGET: that is an error of the system's, told as one, not a closed contact."""
    master, slave = os.openpty()
    tty.setraw(slave)
    port = TtyPort(os.ttyname(slave), holds_power=True)
    for call in (port.read, lambda: port.set(RTS), lambda: port.clear(RTS)):
        with pytest.raises(OSError, match=r".+"):
            call()
    assert termios.tcgetattr(slave)[2] & termios.HUPCL
    port.close()
    port.close()
    os.close(master)
    os.close(slave)
    for device in ("/dev/null", "/dev/ttyNONE"):
        with pytest.raises(OSError, match=r".+"):
            TtyPort(device, holds_power=True)


BUTTON = StopInput("button", "modem-line", "/dev/ttyS9", "dsr", debounce_ms=0.0)
DOOR = StopInput("door", "modem-line", "/dev/ttyS8", "cts", debounce_ms=0.0)


@pytest.fixture
def plugs(monkeypatch: pytest.MonkeyPatch) -> dict[str, Socket]:
    """Two places for ports, taken instead of real devices; no threads."""
    found = {"/dev/ttyS9": Socket(FakePort()), "/dev/ttyS8": Socket(FakePort(CTS))}
    monkeypatch.setattr(modem, "TtyPort", lambda device, holds: found[device].open(device, holds))
    monkeypatch.setattr(LineKeeper, "start", LineKeeper.turn)
    return found


def turn(lines: Lines) -> None:
    for keeper in lines._keepers.values():
        keeper.turn()
    lines.carry()


def test_inputs_of_two_ports_are_told_apart(settings: GuardSettings, plugs: dict[str, Socket]) -> None:
    """Each input follows its own line of its own port."""
    lines = Lines(replace(settings, inputs=(BUTTON, DOOR)))
    lines.begin(latched=False)
    turn(lines)
    assert lines.inputs.look(lines._keepers["/dev/ttyS9"].last[0]) == [
        InputClosed("button"),
        InputClosed("door"),
    ]
    assert plugs["/dev/ttyS8"].port is not None
    plugs["/dev/ttyS8"].port.inputs = DSR
    turn(lines)
    assert lines.inputs.look(lines._keepers["/dev/ttyS8"].last[0]) == [
        InputOpened("door", "/dev/ttyS8 reads open", was_closed=True)
    ]
    assert lines.power_state == "not fitted"
    lines.cut_power()


def test_a_hung_port_falls_silent(settings: GuardSettings, plugs: dict[str, Socket]) -> None:
    """A read that does not return: its last reading, carried again and again, does not look alive."""
    lines = Lines(replace(settings, inputs=(BUTTON,)))
    lines.begin(latched=False)
    turn(lines)
    read_ns = lines._keepers["/dev/ttyS9"].last[0]
    assert lines.inputs.look(read_ns) == [InputClosed("button")]
    for after_ms in range(0, 60, 2):
        lines.carry()
        found = lines.inputs.look(read_ns + after_ms * 1_000_000)
        assert bool(found) is (after_ms == 52), after_ms


def test_a_guard_that_finds_a_latch_does_not_open_the_powers_port(
    settings: GuardSettings, plugs: dict[str, Socket]
) -> None:
    """Never energised while a latch stands, not even for the moment of opening; other ports are read all the same."""
    lines = Lines(replace(settings, inputs=(BUTTON, DOOR), power_cut=PowerCut("/dev/ttyS9", "rts")))
    lines.begin(latched=True)
    assert plugs["/dev/ttyS9"].opened == []
    assert plugs["/dev/ttyS8"].opened == [("/dev/ttyS8", False)]
    assert lines.power_state == "opened"


def test_a_power_cut_that_is_not_held_is_an_open_input(
    settings: GuardSettings, plugs: dict[str, Socket]
) -> None:
    """Who can no longer cut the power may not arm: the output is read back and watched like a stop input."""
    port = plugs["/dev/ttyS9"].port
    assert port is not None
    lines = Lines(replace(settings, power_cut=PowerCut("/dev/ttyS9", "rts")))
    lines.begin(latched=False)
    turn(lines)
    assert lines.inputs.look(lines._keepers["/dev/ttyS9"].last[0]) == [InputClosed(POWER_INPUT)]
    assert lines.power_state == "kept"
    port.failing = OSError(errno.ENODEV, "No such device")
    turn(lines)
    (event,) = lines.inputs.look(lines._keepers["/dev/ttyS9"].last[0])
    assert isinstance(event, InputOpened)
    assert event.was_closed
    lines.cut_power()
    turn(lines)
    assert lines.power_state == "kept"
    assert "not open" in lines.power_error


def test_cutting_is_seen(settings: GuardSettings, plugs: dict[str, Socket]) -> None:
    """Asked for is not done: the state changes when the port has taken it."""
    lines = Lines(replace(settings, power_cut=PowerCut("/dev/ttyS9", "dtr", open_after_ms=250.0)))
    assert lines.open_after_ns == 250_000_000
    lines.begin(latched=False)
    turn(lines)
    states = []
    for _ in range(2):
        lines.cut_power()
        states.append(lines.power_state)
        turn(lines)
    assert [*states, lines.power_state] == ["kept", "opened", "opened"]
    port = plugs["/dev/ttyS9"].port
    assert port is not None
    assert port.outputs == RTS


def test_only_the_modem_and_lines_modules_know_the_output() -> None:
    """Nothing else in this room energises: one call of ``set`` on a port, where it has just been opened."""
    room = Path(modem.__file__).parent
    calls = [
        (path.name, line.strip())
        for path in sorted(room.glob("*.py"))
        for line in path.read_text().splitlines()
        if ".set(self.power_bits)" in line or "TIOCMBIS" in line
    ]
    assert calls == [
        ("modem.py", "fcntl.ioctl(self._descriptor, termios.TIOCMBIS, _BITS.pack(bits))"),
        ("modem.py", "self._port.set(self.power_bits)"),
    ]
