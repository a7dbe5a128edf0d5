"""The guard's way to drives on a Modbus line: each frame in its own silence, positions out of noise, a stop."""

from __future__ import annotations

import json
import os
import select
import signal
import subprocess
import sys
import time
import tty
from collections.abc import Iterator
from itertools import pairwise
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pymodbus.framer import FramerRTU
from pymodbus.pdu import DecodePDU

from drivers.clock import MonotonicClock
from drivers.registry import open_group, stop_plan
from drivers.twin.settings import TwinSettings
from safety import linewire
from safety.rtu import BROADCASTS_FIRST, SILENCE_NS, RtuWire, crc16, position_in
from safety.settings import StandstillAxis
from safety.standstill import Standstill
from safety.wire import WireError
from tests.fakes.modbus_settings import modbus_settings, modbus_twin_parameters

X = StandstillAxis("x", 1, 0, 4, 0.2)
Y = StandstillAxis("y", 2, 0, 4, 0.2)
MS = 1_000_000
PLAN = stop_plan(modbus_settings(), "a line")
POLLS = (PLAN.poll_frame[: len(PLAN.poll_frame) // 2], PLAN.poll_frame[len(PLAN.poll_frame) // 2 :])


def answer(unit: int, counts: int) -> bytes:
    body = bytes((unit, 0x17, 4)) + counts.to_bytes(4, "big", signed=True)
    return body + crc16(body).to_bytes(2, "little")


class Clock:
    """Time that passes by being slept; in the place of the module ``time``."""

    def __init__(self) -> None:
        self.now_ns = 1_000 * MS

    def monotonic_ns(self) -> int:
        """As the module's."""
        return self.now_ns

    def sleep(self, duration_s: float) -> None:
        """As the module's."""
        self.now_ns += round(duration_s * 1e9)


@pytest.fixture
def line() -> Iterator[tuple[int, str]]:
    """A raw pty: its far end and its name."""
    master, slave = os.openpty()
    tty.setraw(slave)
    os.set_blocking(master, False)
    yield master, os.ttyname(slave)
    os.close(master)
    os.close(slave)


def wire_on(name: str) -> RtuWire:
    return RtuWire(name, PLAN.frames, PLAN.poll_frame, (X, Y), low_first=False)


def taken(master: int) -> bytes:
    came = b""
    while True:
        try:
            came += os.read(master, 4096)
        except BlockingIOError:
            return came


def test_the_checksum() -> None:
    """CRC-16 of the serial line guide's example 02 07 is 1241h (appendix B), reckoned apart from the drivers' own."""
    assert crc16(b"\x02\x07") == 0x1241


def test_another_decoder_reads_the_guards_frames() -> None:
    """Judge: pymodbus for servers. The broadcast writes one register for all; each poll writes it and reads two."""
    framer = FramerRTU(DecodePDU(True))
    for frame, unit, function in ((PLAN.frames[0], 0, 6), (POLLS[0], 1, 23), (POLLS[1], 2, 23)):
        _, pdu = framer.handleFrame(frame, 0, 0)
        assert pdu is not None
        assert (pdu.dev_id, pdu.function_code) == (unit, function)


def test_one_frame_a_call_and_silence_between(line: tuple[int, str]) -> None:
    """Broadcasts first, then each axis by name in turn; never a frame before the one ahead has had its silence."""
    master, name = line
    wire = wire_on(name)
    seen: list[tuple[int, bytes]] = []
    for _ in range(400):
        wire.read_positions()
        before_ns = time.monotonic_ns()
        if wire.send_stop():
            seen.append((before_ns, taken(master)))
            frame = seen[-1][1]
            if frame in POLLS:
                os.write(master, answer(frame[0], 1000))
        if len(seen) == 9:
            break
        time.sleep(0.002)
    wire.close()
    assert seen[0][1] == 2 * PLAN.frames[0]  # at once, and behind a silence
    assert [frame for _, frame in seen[1:BROADCASTS_FIRST]] == list(PLAN.frames) * (BROADCASTS_FIRST - 1)
    assert [frame for _, frame in seen[BROADCASTS_FIRST:]] == [POLLS[0], POLLS[1]] * 3
    # The instants are taken before a call that may wait: the first gap only proves less than it could.
    assert all(later - at >= SILENCE_NS for (at, _), (later, _) in pairwise(seen[1:]))


def test_a_line_that_never_falls_silent_does_not_hold_the_stop_back(
    line: tuple[int, str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Three characters of noise every 4 ms for a second: stops go on, each held back by a bounded time only."""
    master, name = line
    clock = Clock()
    monkeypatch.setattr(linewire, "time", clock)
    wire = wire_on(name)
    begun_ns, sent_ns, gaps_ns = clock.now_ns, clock.now_ns, []
    while clock.now_ns - begun_ns < 1000 * MS:
        os.write(master, b"\xff\xff\xff")
        select.select([wire.fileno()], (), (), 10)  # the kernel hands it on in a time of its own
        wire.read_positions()
        if wire.send_stop():
            gaps_ns.append(clock.now_ns - sent_ns)
            sent_ns = clock.now_ns
            taken(master)
        clock.sleep(0.004)
    wire.close()
    assert len(gaps_ns) >= 20
    # Patience with an answer and 64 characters at the speed of a line that nobody has set.
    assert max(gaps_ns) < 120 * MS


def test_the_first_stop_clears_the_line(line: tuple[int, str]) -> None:
    """A cut request and an answer under way: the stop is out at once, and whole behind one silence once more."""
    master, name = line
    other = os.open(name, os.O_RDWR | os.O_NOCTTY)
    os.write(other, b"\x01\x17\x10")  # a request that was cut off
    os.write(master, b"\x01\x17")  # and an answer under way
    wire = wire_on(name)
    begun_ns = time.monotonic_ns()
    assert wire.send_stop() == len(PLAN.frames[0])
    assert time.monotonic_ns() - begun_ns >= SILENCE_NS
    came = b""
    while not came.endswith(2 * PLAN.frames[0]):
        came += taken(master)
    os.close(other)
    wire.close()


@given(st.integers(-(1 << 31), (1 << 31) - 1), st.binary(max_size=20), st.binary(max_size=20), st.booleans())
def test_a_position_is_found_in_noise(counts: int, before: bytes, behind: bytes, low_first: bool) -> None:
    """Law: a whole good answer is found wherever it stands, in either order of words."""
    data = counts.to_bytes(4, "big", signed=True)
    if low_first:
        data = data[2:] + data[:2]
    body = b"\x01\x17\x04" + data
    frame = body + crc16(body).to_bytes(2, "little")
    if position_in(before + frame[:-1], X, low_first=low_first) is None:
        assert position_in(before + frame + behind, X, low_first=low_first) == counts


@given(st.integers(-(1 << 31), (1 << 31) - 1), st.integers(0, 8 * 9 - 1), st.integers(0, 8))
@settings(max_examples=200)
def test_damage_is_no_position(counts: int, bit: int, cut: int) -> None:
    """Law: a flipped bit or a missing end is no position, nor is another unit's answer."""
    frame = answer(1, counts)
    flipped = bytearray(frame)
    flipped[bit // 8] ^= 1 << bit % 8
    assert position_in(bytes(flipped), X, low_first=False) is None
    assert position_in(frame[:cut], X, low_first=False) is None
    assert position_in(frame, Y, low_first=False) is None


def test_a_file_is_no_line(tmp_path: Path) -> None:
    """Not a serial line, or none at all: WireError naming it."""
    path = tmp_path / "file"
    path.write_bytes(b"")
    for wrong in (path, tmp_path / "nothing"):
        with pytest.raises(WireError, match=str(wrong)):
            wire_on(str(wrong))


def test_positions_that_come_slowly_prove_over_a_longer_span() -> None:
    """A window of 60 ms and 5 samples: with one each 16 ms it takes 64 ms, one each 30 ms 120 ms, each 31 ms never."""
    for apart_ms, from_ms in ((16, 64), (30, 120), (31, None)):
        still = Standstill((X,), 60 * MS, 20.0, 5)
        proved = []
        for ms in range(0, 400, apart_ms):
            still.add(ms * MS, 0, 7)
            if still.proved(ms * MS):
                proved.append(ms)
        assert (proved[0] if proved else None) == from_ms


def test_slow_positions_of_an_axis_that_creeps_prove_nothing() -> None:
    """The span grows, the tolerance does not: 20 um in the five samples are too much wherever they lie."""
    still = Standstill((X,), 60 * MS, 20.0, 5)
    for k in range(40):
        still.add(k * 28 * MS, 0, 26 * k)  # 5.2 um each
        assert not still.proved(k * 28 * MS)


@pytest.mark.realtime
def test_a_stranger_stops_the_drives_and_proves_it(tmp_path: Path) -> None:
    """Axes at 200 mm/s on the simulated line; whoever commanded them is gone. The guard's wire alone stops both.

    Proof is by positions that it asks for itself; the simulated gantry's own word is the judge.
    """
    given_settings = modbus_settings(command_timeout_ms=5000, answer_timeout_s=5.0)
    path = tmp_path / "twin.json"
    twin = TwinSettings(
        group=given_settings, parameters=modbus_twin_parameters(), state_dir=str(tmp_path / "state"),
        parent_pid=os.getpid(),
    )  # fmt: skip
    path.write_text(twin.model_dump_json())
    process = subprocess.Popen(
        [sys.executable, "-m", "drivers.twin", str(path)],
        stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True,
    )  # fmt: skip
    try:
        assert process.stdout is not None
        assert process.stdin is not None
        channel = json.loads(process.stdout.readline())["channel"]
        clock = MonotonicClock()
        group = open_group(given_settings, channel, clock)
        group.configure()
        group.enable()
        for _ in range(30):
            begun_ns = clock.now_ns()
            group.send_tick((1_080_000, -1_080_000), 0)
            clock.sleep_until_ns(begun_ns + 10 * MS)
            group.poll()
        plan = stop_plan(given_settings, channel)
        wire = RtuWire(channel, plan.frames, plan.poll_frame, (X, Y), low_first=False)
        still = Standstill((X, Y), 60 * MS, 20.0, 5)
        proved = False
        for _ in range(1000):
            for index, counts in wire.read_positions():
                still.add(time.monotonic_ns(), index, counts)
            if still.proved(time.monotonic_ns()):
                proved = True
                break
            wire.send_stop()
            time.sleep(0.004)
        wire.close()
        assert proved
        process.stdin.write('{"status": true}\n')
        process.stdin.flush()
        status = json.loads(process.stdout.readline())
        assert status["still"]
        assert all(instant is not None for instant in status["left_operation_ns"])
        group.close()
    finally:
        process.send_signal(signal.SIGKILL)
        process.communicate(timeout=20)
