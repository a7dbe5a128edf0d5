"""Bytes on the wire against published layouts and against python-can's own code."""

from __future__ import annotations

import os
import pty
import struct
import tty

import can
import pytest
from can.interfaces.slcan import slcanBus
from can.interfaces.socketcan.socketcan import build_can_frame, dissect_can_frame

from drivers.can import frames, slcan
from drivers.registry import stop_plan
from tests.fakes.drive_settings import group_settings


def test_expedited_write_bytes() -> None:
    """CiA 301's expedited download: 2Bh for two bytes, 2Fh for one, 23h for four, index and value little-endian.

    The heartbeat example (1017h = 1000 ms to node 2) is the one that introductions to CANopen print; from
    memory, and the layout is checked against the `canopen` library in the neighbouring file.
    """
    assert frames.expedited_write(2, 0x1017, 0, 1000, 2) == (0x602, bytes.fromhex("2B 17 10 00 E8 03 00 00"))
    assert frames.expedited_write(5, 0x6060, 0, 9, 1) == (0x605, bytes.fromhex("2F 60 60 00 09 00 00 00"))
    assert frames.expedited_write(1, 0x60FF, 0, -2, 4) == (0x601, bytes.fromhex("23 FF 60 00 FE FF FF FF"))


def test_stop_frames_are_the_quick_stop() -> None:
    """Controlword 0002h (quick stop: mask 86h, value 02h, IEC 61800-7-201) reaches each node by both ways."""
    sent = frames.stop_frames((1, 2))
    assert sent == [
        (0x201, bytes.fromhex("0200 00000000")),
        (0x202, bytes.fromhex("0200 00000000")),
        (0x080, b""),
        (0x601, bytes.fromhex("2B 40 60 00 02 00 00 00")),
        (0x602, bytes.fromhex("2B 40 60 00 02 00 00 00")),
    ]
    for _, data in sent[:2]:
        (word,) = struct.unpack_from("<H", data)
        assert word & 0x86 == 0x02


def test_socketcan_frames_are_python_cans() -> None:
    """``struct can_frame`` is packed as python-can's socketcan backend packs it, and it reads ours back.

    Byte 7 (``len8_dlc`` of linux/can.h) differs: python-can repeats the length there, ours stays 0, "unused".
    """
    for can_id, data in [*frames.stop_frames((1, 2)), frames.SYNC_FRAME, (0x7FF, bytes(range(8)))]:
        ours = frames.socketcan_frame(can_id, data)
        message = can.Message(arbitration_id=can_id, data=data, is_extended_id=False)
        theirs = build_can_frame(message)
        assert ours[:7] + ours[8:] == theirs[:7] + theirs[8:]
        got_id, got_length, got_flags, got_data = dissect_can_frame(ours)
        assert (got_id, got_length, got_flags, got_data) == (can_id, len(data), 0, data)


def test_stop_plan_for_socketcan_can_be_parsed() -> None:
    """Each frame of the plan is one 16-byte classical CAN frame."""
    plan = stop_plan(group_settings("socketcan", "can0"), "can0")
    assert all(len(frame) == 16 for frame in (*plan.frames, plan.poll_frame))
    assert plan.end_frame == b""


MESSAGES = [
    can.Message(arbitration_id=0x201, data=b"\x0f\x00\x01\x02\x03\xff", is_extended_id=False),
    can.Message(arbitration_id=0x080, data=b"", is_extended_id=False),
    can.Message(arbitration_id=0x7FF, data=bytes(range(8)), is_extended_id=False),
    can.Message(arbitration_id=0x1ABCDEF0, data=b"\x55", is_extended_id=True),
    can.Message(arbitration_id=0x123, dlc=4, is_remote_frame=True, is_extended_id=False),
    can.Message(arbitration_id=0x12345, dlc=0, is_remote_frame=True, is_extended_id=True),
]


def our_form(message: can.Message) -> tuple[int, bytes]:
    can_id = message.arbitration_id
    can_id |= slcan.EXTENDED_FLAG if message.is_extended_id else 0
    can_id |= slcan.REMOTE_FLAG if message.is_remote_frame else 0
    return can_id, bytes(message.dlc) if message.is_remote_frame else bytes(message.data)


@pytest.fixture
def line():
    """python-can's serial CAN backend on one end of a pseudo-terminal, a descriptor on the other."""
    master, slave = pty.openpty()
    tty.setraw(slave)
    bus = slcanBus(os.ttyname(slave), bitrate=1_000_000, sleep_after_open=0)
    # What it says on opening comes in several pieces: all before the line of a marker of ours.
    bus.send(can.Message(arbitration_id=0x001, data=b"\x5a", is_extended_id=False), timeout=1)
    seen = b""
    while not seen.endswith(b"t00115A\r"):
        seen += os.read(master, 4096)
    yield bus, master
    bus.shutdown()
    os.close(master)
    os.close(slave)


def test_lines_are_python_cans(line) -> None:
    """python-can writes the lines that we write, and our parser reads them back as the same frames."""
    bus, master = line
    for message in MESSAGES:
        bus.send(message, timeout=1)
        theirs = os.read(master, 4096)
        assert theirs == slcan.encode_frames([our_form(message)])
        (frame,) = slcan.ChunkParser().feed(theirs)
        assert (frame.can_id, frame.data) == our_form(message)


def test_python_can_reads_our_lines(line) -> None:
    """What we write in one batch, python-can reads as the same messages in the same order."""
    bus, master = line
    os.write(master, slcan.encode_frames(our_form(message) for message in MESSAGES))
    for message in MESSAGES:
        got = bus.recv(1)
        assert got is not None
        assert got.equals(message, timestamp_delta=None)
