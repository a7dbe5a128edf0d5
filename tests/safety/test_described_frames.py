"""The guard's way to described drives: checksums of its own, positions out of noise, each frame in its silence."""

from __future__ import annotations

import binascii
import json
import os
import select
import signal
import struct
import subprocess
import sys
import time
import tomllib
import tty
import zlib
from collections.abc import Callable, Iterator
from dataclasses import asdict, replace
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drivers.clock import MonotonicClock
from drivers.described.checksums import CHECKSUMS
from drivers.described.codec import DriveCodec
from drivers.described.driveside import DriveSide
from drivers.described.format import DriveFile
from drivers.errors import MisuseError
from drivers.interface import StopPlan
from drivers.registry import open_group, stop_plan
from drivers.settings import GroupSettings
from drivers.twin.settings import TwinSettings
from safety.checks import CHECKS
from safety.frames import FramesWire, position_in
from safety.linewire import STOPS_FIRST
from safety.settings import EXTENDED, GuardSettings, StandstillAxis
from safety.standstill import Standstill
from safety.wire import PositionReader, TtyWire
from tests.fakes.described_settings import (
    can_settings,
    described_twin_parameters,
    drive_data,
    drive_file,
    serial_settings,
)
from tests.fakes.drive_files import can_drive

MS = 1_000_000
TIDE = drive_file("tide")
PLAN = stop_plan(serial_settings(), "a line")
AXES = tuple(StandstillAxis(**asdict(word)) for word in PLAN.standstill)
X, Y = AXES


@pytest.mark.parametrize("name", sorted(CHECKS))
@given(data=st.binary(max_size=40))
@settings(max_examples=40)
def test_checksums_agree_with_the_drivers_own(name: str, data: bytes) -> None:
    """Reckoned bit by bit here, by tables and libraries there: the same sum and size for any bytes."""
    size, total = CHECKS[name]
    other = CHECKSUMS[name]  # type: ignore[index]
    assert (size, total(data)) == (other.size, other.of(data))


def test_checksums_are_the_published_ones() -> None:
    """Over "123456789": the check values of the catalogues of CRC algorithms (from memory), zlib's, binascii's."""
    data = b"123456789"
    assert set(CHECKS) == set(CHECKSUMS)
    assert CHECKS["crc-8"][1](data) == 0xF4
    assert CHECKS["crc-16-modbus"][1](data) == 0x4B37
    assert CHECKS["crc-16-ccitt-false"][1](data) == 0x29B1 == binascii.crc_hqx(data, 0xFFFF)
    assert CHECKS["crc-16-xmodem"][1](data) == 0x31C3 == binascii.crc_hqx(data, 0)
    assert CHECKS["crc-32"][1](data) == 0xCBF43926 == zlib.crc32(data)


def answer(node: int, counts: int) -> bytes:
    """By the drive's end, bit by bit."""
    return DriveSide(TIDE, node).reply("state", {"position": counts, "status": 0x0104})[1]


@given(st.integers(-(1 << 31), (1 << 31) - 1), st.binary(max_size=20), st.binary(max_size=10))
def test_a_position_is_found_in_noise(counts: int, before: bytes, behind: bytes) -> None:
    """Law: a whole good answer is found wherever it stands."""
    whole = answer(1, counts)
    if position_in(whole[1:] + behind, X) is None:
        assert position_in(before + whole + behind, X) == counts


@given(st.integers(-(1 << 31), (1 << 31) - 1), st.integers(0, 8 * 18 - 1), st.integers(0, 17))
@settings(max_examples=200)
def test_damage_is_no_position(counts: int, bit: int, cut: int) -> None:
    """Law: a flipped bit or a missing end is no position, nor is another drive's answer."""
    frame = answer(1, counts)
    flipped = bytearray(frame)
    flipped[bit // 8] ^= 1 << bit % 8
    assert position_in(bytes(flipped), X) is None
    assert position_in(frame[:cut], X) is None
    assert position_in(frame, Y) is None


def test_without_a_checksum_one_answer_proves_nothing() -> None:
    """A drive without one: a damaged answer passes for a good one, and standstill still needs all of a window."""
    wire = {
        key: value for key, value in tomllib.loads(drive_data("tide"))["wire"].items() if key != "checksum"
    }
    plan = stop_plan(serial_settings(drive_file("tide", wire=wire, samples=[])), "a line")
    axis = StandstillAxis(**asdict(plan.standstill[0]))
    assert axis.checksum == ""
    still = Standstill((axis,), 60 * MS, 20.0, 5)
    for k in range(4):
        still.add(k * 20 * MS, 0, 7)
        assert not still.proved(k * 20 * MS)
    still.add(80 * MS, 0, 7 + 1 << 20)
    assert not still.proved(80 * MS)


@pytest.fixture
def line() -> Iterator[tuple[int, str]]:
    """A raw pty: its far end and its name."""
    master, slave = os.openpty()
    tty.setraw(slave)
    os.set_blocking(master, False)
    yield master, os.ttyname(slave)
    os.close(master)
    os.close(slave)


def wire_on(name: str, plan: StopPlan) -> FramesWire:
    return FramesWire(
        name, plan.frames, tuple(StandstillAxis(**asdict(word)) for word in plan.standstill),
        silence_ns=round(plan.silence_us * 1000), patience_ns=round(plan.answer_us * 1000),
        polls_stop=plan.polls_stop, stop_rest_ns=round(plan.stop_rest_us * 1000),
    )  # fmt: skip


def taken(master: int, count: int) -> bytes:
    """So many bytes, however slowly the pty hands them over."""
    came = b""
    while len(came) < count and select.select([master], [], [], 20)[0]:
        came += os.read(master, count - len(came))
    return came


def without(*commands: str) -> Any:
    """Tide without some commands, or whose stop is not answered."""
    data = tomllib.loads(drive_data("tide"))["commands"]
    for name in commands:
        if name == "answer":
            del data["stop"][0]["answers"]
        else:
            del data[name]
    return drive_file("tide", commands=data, samples=[])


Sent = tuple[int, bytes, int]  # instants before and behind the call, what it put on the line


def sent_by(plan: StopPlan, line: tuple[int, str], count: int) -> list[Sent]:
    """The first calls that sent something, the drive answering every request."""
    master, name = line
    wire = wire_on(name, plan)
    polls = {bytes.fromhex(word.poll_hex): word.can_id for word in plan.standstill}
    seen: list[Sent] = []
    while len(seen) < count:
        wire.read_positions()
        at_ns = time.monotonic_ns()
        if sent := wire.send_stop():
            behind_ns = time.monotonic_ns()
            seen.append((at_ns, taken(master, sent if seen else 2 * sent), behind_ns))
            if seen[-1][1] in polls:
                os.write(master, answer(polls[seen[-1][1]], 1000))
        time.sleep(0.0005)
    wire.close()
    return seen


def test_stops_first_then_requests_that_stop_each_in_its_silence(line: tuple[int, str]) -> None:
    """Everybody's stop at once and behind a silence, three times; then each axis by name, whose answer is its place."""
    seen = sent_by(PLAN, line, 9)
    polls = [bytes.fromhex(word.poll_hex) for word in PLAN.standstill]
    assert PLAN.polls_stop
    assert seen[0][1] == 2 * PLAN.frames[0]
    assert [frame for _, frame, _ in seen[1:STOPS_FIRST]] == list(PLAN.frames) * (STOPS_FIRST - 1)
    assert [frame for _, frame, _ in seen[STOPS_FIRST:]] == polls * 3
    assert all(later - at >= PLAN.silence_us * 1000 for (at, *_), (*_, later) in pairwise(seen[1:]))


def test_requests_that_do_not_stop_come_between_stops(line: tuple[int, str]) -> None:
    """A stop that nobody answers: positions are asked for by another command, and every round says the stop again."""
    plan = stop_plan(serial_settings(without("answer")), "a line")
    assert not plan.polls_stop
    seen = [frame for _, frame, _ in sent_by(plan, line, 12)]
    stop, polls = plan.frames[0], [bytes.fromhex(word.poll_hex) for word in plan.standstill]
    assert seen[STOPS_FIRST:] == [*polls, stop] * 3


def test_without_a_common_stop_each_is_stopped_by_name(line: tuple[int, str]) -> None:
    """Both drives' own stops, with room for an answer: 600 us, 18 characters and a silence at least."""
    plan = stop_plan(serial_settings(without("stop_all")), "a line")
    assert len(plan.frames) == 2
    assert plan.stop_rest_us == pytest.approx(600 + 18 * 11 + 300)
    seen = sent_by(plan, line, 5)
    assert [frame for _, frame, _ in seen[1:]] == [plan.frames[1], *plan.frames, plan.frames[0]][:4]
    assert all(later - at >= plan.stop_rest_us * 1000 for (at, *_), (*_, later) in pairwise(seen[1:]))


def test_a_position_across_bytes_is_refused() -> None:
    """A drive file whose position is an f32 has no place that a stranger could read: no plan without proof."""
    data = tomllib.loads(drive_data("tide"))
    field = next(one for one in data["replies"][0]["fields"] if one["name"] == "position")
    field["type"] = "f32"
    field["unit"] = "turns"
    position = data["position"] | {"travel_turns": 60.0}
    commands = {key: value for key, value in data["commands"].items() if key != "position"}
    drive = drive_file("tide", replies=data["replies"], position=position, commands=commands, samples=[])
    with pytest.raises(MisuseError, match="proves standstill"):
        stop_plan(serial_settings(drive), "a line")


def long_heron() -> Any:
    return drive_file("heron", wire={"kind": "can", "id_bits": 29, "turnaround_us": 300}, samples=[])


@pytest.mark.parametrize("drive", [None, long_heron()], ids=["11 bits", "29 bits"])
def test_positions_on_can_are_read_with_either_identifier(drive: Any) -> None:
    """The adapter's text and the kernel's frames: the axis' own position, and nobody else's."""
    given_settings = can_settings(drive)
    plan = stop_plan(given_settings, "a line")
    axes = tuple(StandstillAxis(**asdict(word)) for word in plan.standstill)
    file = given_settings.axes["y"].described
    assert file is not None
    own_id, data = DriveSide(file, 2).reply("motion", {"position": -123_456, "velocity": 7})
    flag = 0 if drive is None else EXTENDED
    assert axes[1].can_id == own_id | flag
    reader = PositionReader(axes)
    text = (
        (b"t%03X%d" if drive is None else b"T%08X%d") % (own_id, len(data))
        + data.hex().upper().encode()
        + b"\r"
    )
    other = (b"T%08X%d" if drive is None else b"t%03X%d") % (own_id, len(data)) + data.hex().encode() + b"\r"
    assert reader.feed_text(text) == [(1, -123_456)]
    assert reader.feed_text(other) == []
    assert reader.feed_can(struct.pack("=IB3x8s", own_id | flag, len(data), data)) == [(1, -123_456)]
    assert reader.feed_can(struct.pack("=IB3x8s", own_id | flag | 0x4000_0000, len(data), data)) == []


def test_replies_told_apart_by_their_length_alone() -> None:
    """A longer status word of the same identifier is no position: it never changes, and would prove standstill."""
    data = can_drive()
    data["replies"] = [
        {"name": "where", "id": {"base": 0x180}, "length": 4, "fields": [data["replies"][0]["fields"][1] | {"at": 0}]},
        {"name": "state", "id": {"base": 0x180}, "length": 8, "fields": [data["replies"][0]["fields"][0] | {"at": 0}]},
    ]  # fmt: skip
    for frames in data["commands"].values():
        frames[0]["answers"] = ["where", "state"]
    plan = stop_plan(can_settings(DriveFile.model_validate(data)), "can0")
    axis = StandstillAxis(**asdict(plan.standstill[0]))
    assert axis.position(struct.pack("<i", -5)) == -5
    assert axis.position(struct.pack("<Hi2x", 3, 0)) is None
    assert axis.mistakes(on_line=False) == []


def guard_of(plan: StopPlan, **changes: Any) -> GuardSettings:
    return GuardSettings(
        wire_kind=plan.kind, wire_channel="a line", end_frame_hex="",
        stop_frames_hex=tuple(frame.hex() for frame in plan.frames), poll_frame_hex=plan.poll_frame.hex(),
        standstill=tuple(StandstillAxis(**asdict(word)) for word in plan.standstill),
        beat_socket="b", stop_socket="s", latch_path="l", event_path="e", service_pid=1, lease_max_ms=20.0,
        beat_late_ms=20.0, envelope_um=((0, 1), (0, 1)), speed_max_um_s=(1, 1), following_max_um=(1, 1),
        stop_um_s2=(1, 1), silence_us=plan.silence_us, answer_us=plan.answer_us, stop_rest_us=plan.stop_rest_us,
        polls_stop=plan.polls_stop, **changes,
    )  # fmt: skip


def test_settings_of_described_frames_are_checked(tmp_path: Path) -> None:
    """What comes out of a plan is taken, by way of its file, too; what cannot be is refused by name."""
    good = guard_of(PLAN)
    path = tmp_path / "guard.json"
    good.dump(path)
    assert GuardSettings.load(path) == good
    changes: list[Callable[[StandstillAxis], StandstillAxis]] = [
        lambda one: replace(one, poll_hex=""),
        lambda one: replace(one, checksum="crc-99"),
        lambda one: replace(one, checksum_at=17),
        lambda one: replace(one, mask_hex="00" * 18, value_hex="00" * 18),
        lambda one: replace(one, value_hex="00"),
        lambda one: replace(one, offset_bytes=15),
        lambda one: replace(one, order="sideways"),
    ]
    for change in changes:
        bad = replace(good, standstill=(change(good.standstill[0]), good.standstill[1]))
        assert any("standstill[0]" in text for text in bad.mistakes())
    assert any("silence_us" in text for text in replace(good, silence_us=-1.0).mistakes())


@pytest.mark.realtime
@pytest.mark.parametrize("kind", ["serial", pytest.param("can", marks=pytest.mark.campaign)])
def test_a_stranger_stops_the_drives_and_proves_it(kind: str, tmp_path: Path) -> None:
    """Axes at 200 mm/s on the simulated wire; whoever commanded them is gone. The guard's wire alone stops both.

    Proof is by positions that it asks for itself; the simulated gantry's own word is the judge.
    """
    given_settings = _patient(kind)
    path = tmp_path / "twin.json"
    twin = TwinSettings(
        group=given_settings, parameters=described_twin_parameters(), state_dir=str(tmp_path / "state"),
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
        speed = round(200 * float(given_settings.axes["x"].counts_per_mm) / _unit(given_settings))
        for _ in range(30):
            begun_ns = clock.now_ns()
            group.send_tick((speed, -speed), 0)
            clock.sleep_until_ns(begun_ns + 10 * MS)
            group.poll()
        plan = stop_plan(given_settings, channel)
        axes = tuple(StandstillAxis(**asdict(word)) for word in plan.standstill)
        wire = (
            wire_on(channel, plan)
            if kind == "serial"
            else TtyWire(channel, plan.end_frame, plan.frames, plan.poll_frame, axes)
        )
        still = Standstill(axes, 60 * MS, 20.0, 5)
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


def _patient(kind: str) -> GroupSettings:
    """Drives whose own time-out is not what is looked at."""
    if kind == "can":
        return can_settings(command_timeout_ms=5000, answer_timeout_s=5.0)
    drive = drive_file("tide", timeout={"kind": "fixed", "ms": 5000})
    return serial_settings(drive, command_timeout_ms=5000, answer_timeout_s=5.0)


def _unit(given_settings: GroupSettings) -> float:
    drive = given_settings.axes["x"]
    assert drive.described is not None
    return float(DriveCodec(drive.described, 1).velocity_unit_counts_s)
