"""The simulated gantry as a process in real time, on its pty. The client is python-can's slcan backend, not ours."""

from __future__ import annotations

import json
import os
import select
import signal
import struct
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import can
import numpy as np
import pytest

from drivers.twin import store
from drivers.twin.__main__ import main
from drivers.twin.canvas import Canvas
from drivers.twin.record import MotionRecord
from drivers.twin.settings import TwinSettings

from .conftest import MAPPING, make_parameters, make_settings

pytestmark = pytest.mark.realtime


class Twin:
    """A running process and the words to and from it."""

    def __init__(self, folder: Path, parent_pid: int | None = None) -> None:
        settings = TwinSettings(
            group=make_settings(),
            parameters=make_parameters(),
            state_dir=str(folder / "twin"),
            parent_pid=parent_pid,
        )
        path = folder / "twin.json"
        path.write_text(settings.model_dump_json())
        self.process = subprocess.Popen(
            [sys.executable, "-m", "drivers.twin", str(path)], stdin=subprocess.PIPE, stdout=subprocess.PIPE
        )
        self._buffer = b""
        self.channel = self.hear("ready", 60)["channel"]

    def hear(self, event: str, timeout_s: float = 20) -> dict[str, Any]:
        """Wait for an event."""
        assert self.process.stdout is not None
        deadline = time.monotonic() + timeout_s
        while True:
            while b"\n" in self._buffer:
                line, self._buffer = self._buffer.split(b"\n", 1)
                said = json.loads(line)
                if said["event"] == event:
                    return said
            assert select.select([self.process.stdout], [], [], deadline - time.monotonic())[0], event
            piece = os.read(self.process.stdout.fileno(), 4096)
            assert piece, f"the process ended before {event!r}"
            self._buffer += piece

    def tell(self, **command: Any) -> None:
        """One command."""
        assert self.process.stdin is not None
        self.process.stdin.write(json.dumps(command).encode() + b"\n")
        self.process.stdin.flush()

    def status(self) -> dict[str, Any]:
        """Ask how it is."""
        self.tell(status=True)
        return self.hear("status")

    def until_still(self) -> dict[str, Any]:
        """Ask until everything stands."""
        deadline = time.monotonic() + 20
        while time.monotonic() < deadline:
            said = self.status()
            if said["still"]:
                return said
        raise AssertionError("still moving")

    def close(self) -> None:
        """End the process by all means."""
        if self.process.poll() is None:
            self.process.kill()
        self.process.wait(20)
        for pipe in (self.process.stdin, self.process.stdout):
            if pipe is not None:
                pipe.close()


@pytest.fixture
def twin(tmp_path: Path) -> Iterator[Twin]:
    twin = Twin(tmp_path)
    yield twin
    twin.close()


def open_bus(twin: Twin) -> can.BusABC:
    return can.Bus(interface="slcan", channel=twin.channel, bitrate=1_000_000, sleep_after_open=0)


def say(bus: can.BusABC, can_id: int, data: bytes = b"") -> None:
    bus.send(can.Message(arbitration_id=can_id, data=data, is_extended_id=False), timeout=1)


def wait_for(bus: can.BusABC, can_id: int) -> bytes:
    deadline = time.monotonic() + 10
    while time.monotonic() < deadline:
        frame = bus.recv(0.1)
        if frame is not None and frame.arbitration_id == can_id:
            return bytes(frame.data)
    raise AssertionError(f"no frame {can_id:03X}")


def write(bus: can.BusABC, node: int, index: int, sub: int, value: int, size: int) -> None:
    data = (value & ((1 << 8 * size) - 1)).to_bytes(4, "little")
    say(bus, 0x600 + node, bytes([0x23 | (4 - size) << 2]) + struct.pack("<HB", index, sub) + data)
    assert wait_for(bus, 0x580 + node)[0] == 0x60


def start_turning(bus: can.BusABC, units: int) -> None:
    """Both drives enabled in profile velocity mode; node 1 turns."""
    for node in (1, 2):
        write(bus, node, 0x6060, 0, 3, 1)
        for word in (0x06, 0x07, 0x0F):
            write(bus, node, 0x6040, 0, word, 2)
    write(bus, 1, 0x60FF, 0, units, 4)


def test_speaks_to_python_can_and_keeps_its_state(twin: Twin, tmp_path: Path):
    """Cyclic velocity over the pty, a stroke painted, SIGTERM saves; a second life goes on where the first stood."""
    bus = open_bus(twin)
    assert bus.get_version(1) == (10, 10)
    twin.tell(load_pen={"ink": "deep", "colour": "#203a5c", "tip_mm": 4.0})
    assert twin.hear("pen")["ink"] == "deep"
    for node in (1, 2):
        for communication, cob_id, words in MAPPING:
            mapping = communication + 0x200
            write(bus, node, communication, 1, (cob_id + node) | 1 << 31, 4)
            write(bus, node, communication, 2, 1, 1)
            write(bus, node, mapping, 0, 0, 1)
            for place, word in enumerate(words, start=1):
                write(bus, node, mapping, place, word, 4)
            write(bus, node, mapping, 0, len(words), 1)
            write(bus, node, communication, 1, cob_id + node, 4)
        write(bus, node, 0x6060, 0, 9, 1)
    say(bus, 0x000, b"\x01\x00")
    for word, x, outputs in [(6, 0, 0), (7, 0, 0), (15, 0, 1 << 16)] + [(15, 50_000, 1 << 16)] * 60:
        say(bus, 0x301, struct.pack("<I", outputs))
        say(bus, 0x201, struct.pack("<Hi", word, x))
        say(bus, 0x202, struct.pack("<Hi", word, -x))
        say(bus, 0x080)
        status, position = struct.unpack("<Hi", wait_for(bus, 0x181))
    assert status & 0x6F == 0x27
    assert position > 300_000
    say(bus, 0x201, struct.pack("<Hi", 0x02, 0))
    say(bus, 0x202, struct.pack("<Hi", 0x02, 0))
    say(bus, 0x080)
    stopped_ns = time.monotonic_ns()
    stood = twin.until_still()
    twin.tell(save=True)
    twin.hear("saved")
    assert {path.name for path in (tmp_path / "twin").iterdir()} == {
        "state.json", "canvas.npz", "motion.npz", "canvas.png",
    }  # fmt: skip
    record = MotionRecord.load(tmp_path / "twin" / "motion.npz")
    stood_ns = record.standstill_ns(stopped_ns)
    assert stood_ns is not None
    assert np.abs(record.motor_mm_s).max() == pytest.approx(50, abs=1)
    assert Canvas.load(tmp_path / "twin" / "canvas.npz").strokes == 1
    bus.shutdown()
    twin.process.send_signal(signal.SIGTERM)
    assert twin.hear("end")["why"] == "signal"
    assert twin.process.wait(20) == 0
    second = Twin(tmp_path)
    try:
        said = second.status()
        assert said["axes"] == stood["axes"]
        assert said["strokes"] == 1
        assert said["pen"]["ink"] == "deep"
        second.tell(quit=True)
        assert second.process.wait(20) == 0
    finally:
        second.close()
    again = MotionRecord.load(tmp_path / "twin" / "motion.npz")
    assert again.t_ns[0] == record.t_ns[0]
    # One sample of the 1 kHz record: a record that is saved at once ends with a sample between two of the grid.
    assert again.standstill_ns(stopped_ns) == pytest.approx(stood_ns, abs=1_000_000)


def test_second_writer_rubbish_and_a_client_that_reads_nothing(twin: Twin):
    """Stop frames from another descriptor end the motion through a half-written line and an undrained pty."""
    bus = open_bus(twin)
    start_turning(bus, 100_000)
    guard = os.open(twin.channel, os.O_WRONLY | os.O_NOCTTY)
    question = b"t60184041600000000000\r" * 40
    for _ in range(500):  # answers that nobody reads, more than a pty holds
        os.write(guard, question)
        if twin.status()["dropped_bytes"]:
            break
    os.write(bus.fileno(), b"\x00\xff garbage t60 \rt2016 0F")
    assert not twin.status()["still"]
    say_nmt = b"\rt00020100\r"  # CR ends the half line; then NMT start
    os.write(guard, say_nmt + b"t20120200\rt20220200\r")
    told_ns = time.monotonic_ns()
    said = twin.until_still()
    assert said["dropped_bytes"] > 0
    assert said["garbled"] >= 2
    assert said["now_ns"] - told_ns < 5_000_000_000
    os.close(guard)
    bus.shutdown()


def test_closing_client_neither_ends_nor_spins_it(twin: Twin):
    """After a client has closed, the process uses no processor time and serves the next client."""
    open_bus(twin).shutdown()

    def used_s() -> float:
        fields = Path(f"/proc/{twin.process.pid}/stat").read_text().rsplit(")", 1)[1].split()
        return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")

    before_s = used_s()
    time.sleep(1.0)
    assert used_s() - before_s <= 0.1
    bus = open_bus(twin)
    assert bus.get_serial_number(1) == "TWIN"
    write(bus, 1, 0x1017, 0, 20, 2)
    assert wait_for(bus, 0x701) == b"\x7f"
    bus.shutdown()


def test_ends_after_its_parent_when_all_is_quiet(tmp_path: Path):
    """The parent's death alone does not stop it while axes move; a quiet wire and standstill do, with files saved."""
    parent = subprocess.Popen([sys.executable, "-c", "input()"], stdin=subprocess.PIPE)
    twin = Twin(tmp_path, parent.pid)
    try:
        bus = open_bus(twin)
        start_turning(bus, 50_000)
        assert parent.stdin is not None
        parent.stdin.close()
        parent.wait(10)
        time.sleep(1.3)
        assert twin.process.poll() is None
        write(bus, 1, 0x6040, 0, 0x02, 2)
        bus.shutdown()
        assert twin.process.wait(20) == 0
        record = MotionRecord.load(tmp_path / "twin" / "motion.npz")
        assert record.standstill_ns(int(record.t_ns[-1])) is not None
        assert record.motor_mm[-1, 0] > 330
    finally:
        twin.close()
        parent.wait(10)


@pytest.mark.parametrize("content", ["{", '{"group": 1}', None])
def test_bad_settings_end_with_a_message(
    tmp_path: Path, content: str | None, capsys: pytest.CaptureFixture[str]
):
    """Exit code 2 and one message that names the file."""
    path = tmp_path / "twin.json"
    if content is not None:
        path.write_text(content)
    assert main([str(path)]) == 2
    assert str(path) in capsys.readouterr().err


def test_one_gantry_a_folder(tmp_path: Path):
    """A second gantry on a folder that is in use waits, then refuses in words and leaves the files alone."""
    held = store.lock(tmp_path, 0.0)
    with pytest.raises(store.FolderBusyError, match="another simulated gantry lives"):
        store.lock(tmp_path, 0.0)
    os.close(held)
    os.close(store.lock(tmp_path, 0.0))


def test_the_emergency_stop_takes_the_motors_power(twin: Twin):
    """Power cut in motion: both drives leave operation at once, the axes coast to rest, and it comes back at rest."""
    bus = open_bus(twin)
    try:
        start_turning(bus, 90_000)
        twin.tell(motor_power=True)
        assert "at rest" in twin.hear("error")["message"]
        twin.tell(motor_power=False)
        cut_ns = twin.hear("power")["now_ns"]
        assert twin.until_still()["left_operation_ns"] == [cut_ns, cut_ns]
        twin.tell(motor_power=True)
        assert twin.hear("power")["on"] is True
    finally:
        bus.shutdown()
