"""Stop inputs in a session: what the guard is told, the reader process, open loops, and a guard that lives on."""

from __future__ import annotations

import json
import socket
import threading
import tomllib
from pathlib import Path
from typing import Any

import pytest

from controller.config.errors import RefusedError
from controller.config.machine import Machine
from controller.config.places import StateDir, shipped
from controller.session import processrunner
from controller.session.guarding import guard_settings
from controller.session.listening import wire_free
from controller.session.processrunner import ProcessRunner
from controller.session.stopinputs import StopReader, await_closed
from drivers.interface import StopPlan
from safety.settings import GuardSettings, PowerCut, StopInput

PLAN = StopPlan("tty", "/dev/pts/9", b"\r", (b"t0000\r",), b"t0800\r", ())
MODEM = {"kind": "modem-line", "name": "loop", "device": "/dev/ttyUSB7", "line": "dsr"}
GPIO = {"kind": "gpio", "name": "door", "chip": "/dev/gpiochip99", "line": 4}
DRIVE = {"kind": "drive-input", "name": "ends", "axis": "x", "bit": 20}


def _machine(**stops: Any) -> Machine:
    raw = tomllib.loads(shipped("machines/boathouse.toml").read_text())
    raw["stops"] = stops
    return Machine.model_validate(raw)


def test_the_guard_is_told_of_its_inputs(tmp_path: Path) -> None:
    """Modem lines it reads, reported ones it hears over its socket, those of drives come with the beats; power cut."""
    cut = {"kind": "modem-line", "device": "/dev/ttyUSB8", "line": "rts", "open_after_ms": 700.0}
    machine = _machine(debounce_ms=3.0, inputs=[MODEM, GPIO, DRIVE], power_cut=cut)
    state = StateDir(tmp_path)
    settings = guard_settings(machine, state, PLAN, 42)
    assert settings.inputs == (
        StopInput("loop", "modem-line", "/dev/ttyUSB7", "dsr", debounce_ms=3.0),
        StopInput("door", "reported", debounce_ms=0.0),
    )
    assert settings.power_cut == PowerCut("/dev/ttyUSB8", "rts", 700.0)
    assert settings.input_socket == str(state.input_socket)
    settings.dump(tmp_path / "guard.json")
    assert GuardSettings.load(tmp_path / "guard.json") == settings
    assert guard_settings(_machine(), state, PLAN, 42).input_socket == ""


async def test_a_reader_that_cannot_read_is_no_session(tmp_path: Path) -> None:
    """Without its stop inputs the machine does not move: refused in words, and no process is left."""
    state = StateDir.open(tmp_path / "s", "boathouse")
    assert await StopReader.start(_machine(inputs=[MODEM]), state) is None
    with pytest.raises(RefusedError, match="stop inputs cannot be read") as caught:
        await StopReader.start(_machine(inputs=[GPIO]), state)
    assert "[stops]" in caught.value.remedy


class Answers(threading.Thread):
    """A guard's stop socket that answers these statuses, the last one for ever; ``until`` so many were given."""

    def __init__(self, path: Path, *answers: dict[str, Any], until: int = 10_000) -> None:
        super().__init__(daemon=True)
        self._answers = list(answers)
        self._until = until
        self._path = path
        self._door = socket.socket(socket.AF_UNIX, socket.SOCK_SEQPACKET)
        self._door.bind(str(path))
        self._door.listen(4)
        self.start()

    def run(self) -> None:
        """Answer, then go as a guard goes."""
        for _ in range(self._until):
            try:
                line, _peer = self._door.accept()
            except OSError:
                return
            with line:
                if line.recv(4096) == b"":
                    continue
                answer = self._answers.pop(0) if len(self._answers) > 1 else self._answers[0]
                line.send(json.dumps(answer).encode())
        self._path.unlink()
        self._door.close()

    def close(self) -> None:
        """Stop listening."""
        if self._door.fileno() >= 0:
            self._door.shutdown(socket.SHUT_RDWR)
            self._door.close()
        self.join(5)


async def test_open_loops_are_named(tmp_path: Path) -> None:
    """A loop that closes in time is waited for; one that stays open is refused by its name and cause."""
    opened = {"door": {"open": True, "why": "not read yet"}}
    closing = Answers(tmp_path / "a.sock", {"inputs": opened}, {"inputs": {"door": {"open": False}}})
    await await_closed(tmp_path / "a.sock")
    closing.close()
    stays = Answers(tmp_path / "b.sock", {"inputs": opened})
    with pytest.raises(RefusedError, match=r"door \(not read yet\)"):
        await await_closed(tmp_path / "b.sock", timeout_s=0.1)
    stays.close()
    await await_closed(tmp_path / "nobody.sock")


async def test_the_guard_of_a_dead_session_is_outlived(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It is waited for; one that does not end is refused with its pid and what it is at."""
    state = StateDir.open(tmp_path / "s", "boathouse")
    runner = ProcessRunner(_machine(), tmp_path / "m.toml", state)
    await runner._outlive_guard()
    ending = Answers(state.stop_socket, {"pid": 77, "state": "stopping"}, until=3)
    await runner._outlive_guard()
    ending.close()
    monkeypatch.setattr(processrunner, "OLD_GUARD_PATIENCE_S", 0.2)
    stays = Answers(state.stop_socket, {"pid": 77, "state": "latched", "standstill": "not proved"})
    with pytest.raises(RefusedError, match=r"pid 77, latched, standstill not proved"):
        await runner._outlive_guard()
    stays.close()


async def test_a_silent_guard_of_a_dead_session_is_none_to_pass_by(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """One that is there and says nothing may be at the wire: neither a session nor a listener begins beside it."""
    state = StateDir.open(tmp_path / "s", "boathouse")
    monkeypatch.setattr(processrunner, "OLD_GUARD_PATIENCE_S", 0.2)
    with socket.socket(socket.AF_UNIX, socket.SOCK_SEQPACKET) as door:
        door.bind(str(state.stop_socket))
        door.listen(8)
        with pytest.raises(RefusedError, match=r"lives on \(it does not answer"):
            await ProcessRunner(_machine(), tmp_path / "m.toml", state)._outlive_guard()
        with pytest.raises(RefusedError, match=r"at the wire \(it does not answer"), wire_free(state, "test"):
            pytest.fail("began beside a guard")
