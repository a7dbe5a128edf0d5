# ruff: noqa: D102 - the docstrings of the protocols that these classes keep hold here
"""Links with a trace: they do what the link does, and what passed is there to the last frame.

The exported logs are read back with python-can's own readers, frame by frame.
"""

from __future__ import annotations

import csv
from collections.abc import Sequence
from pathlib import Path

import can
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drivers.can.group import CanDriveGroup
from drivers.can.link import Frame
from drivers.clock import VirtualClock
from drivers.errors import LinkError
from drivers.trace import open_writer, traced
from drivers.traceexport import CAN_SUFFIXES, export
from drivers.tracefile import OUT, Piece, Trace, TraceWriter, read_trace
from tests.fakes.drive_node import FakeBus, FakeDriveNode
from tests.fakes.drive_settings import group_settings


class Refusing:
    """A link that takes nothing."""

    garbled = 3
    refusals = 7

    def send_frames(self, frames: Sequence[tuple[int, bytes]]) -> None:
        raise LinkError("wire", "a line that takes frames", "none")

    def receive(self) -> list[Frame]:
        return []

    def close(self) -> None:
        pass


class Echo:
    """A line that answers everything with itself, once."""

    def __init__(self) -> None:
        self.unread = b""
        self.dropped = self.closed = 0

    def send(self, data: bytes) -> None:
        self.unread += data

    def receive(self) -> bytes:
        came, self.unread = self.unread, b""
        return came

    def drop_unsent(self) -> None:
        self.dropped += 1

    def next_ns(self) -> int:
        return 5

    def fileno(self) -> int:
        return 9

    def close(self) -> None:
        self.closed += 1


def writer_at(path: Path, clock: VirtualClock, capacity_mib: int = 1) -> TraceWriter:
    """A trace of the settings that the fakes speak for."""
    return open_writer(
        path,
        capacity_mib,
        group_settings(),
        machine="boathouse",
        run="0001-moon",
        time_kind="virtual",
        clock=clock,
    )


def test_a_group_on_a_traced_bus_is_the_same_group(tmp_path: Path) -> None:
    """Set-up, enabling and ticks send the same frames with a trace and without; the trace holds each of them."""
    sent = []
    for is_traced in (False, True):
        clock = VirtualClock()
        bus = FakeBus([FakeDriveNode(1, 1000), FakeDriveNode(2, -500)], clock)
        link = traced(bus, writer_at(tmp_path / "ring", clock), clock) if is_traced else bus
        group = CanDriveGroup(group_settings(), link, clock)
        group.configure()
        group.enable()
        for velocity in (10, 20, -30):
            group.send_tick((velocity, -velocity), 0)
            clock.sleep_until_ns(clock.now_ns() + 4_000_000)
            group.poll()
        group.abort()
        group.close()
        sent.append(bus.sent)
    plain, through = sent
    assert through == plain
    pieces = list(read_trace(tmp_path / "ring").pieces())
    assert [(piece.can_id, piece.data) for piece in pieces if piece.is_out] == plain
    assert [piece.instant_ns for piece in pieces] == sorted(piece.instant_ns for piece in pieces)
    told = read_trace(tmp_path / "ring").description
    assert (told["machine"], told["run"], told["clock"], told["nodes"]) == (
        "boathouse", "0001-moon", "virtual", {"1": "x", "2": "y"},
    )  # fmt: skip


def test_what_a_bus_refuses_is_put_down_as_such(tmp_path: Path) -> None:
    """The error goes on to the caller; the frames are in the trace as not taken. Counts are the link's own."""
    clock = VirtualClock()
    link = traced(Refusing(), writer_at(tmp_path / "ring", clock), clock)
    with pytest.raises(LinkError, match="takes frames"):
        link.send_frames([(0x201, b"\x02\x00")])
    assert (link.garbled, link.refusals) == (3, 7)
    (piece,) = read_trace(tmp_path / "ring").pieces()
    assert (piece.is_out, piece.is_taken, piece.can_id) == (True, False, 0x201)
    link.close()


def test_a_traced_line_is_the_same_line(tmp_path: Path) -> None:
    """Bytes go both ways as they did; all else is the line's own."""
    clock, line = VirtualClock(), Echo()
    through = traced(line, writer_at(tmp_path / "ring", clock), clock)
    through.send(b"heron" * 4)
    clock.sleep_until_ns(clock.now_ns() + 1000)
    assert through.receive() == b"heron" * 4
    assert through.receive() == b""
    through.drop_unsent()
    assert (through.next_ns(), through.fileno(), line.dropped) == (5, 9, 1)
    through.close()
    pieces = list(read_trace(tmp_path / "ring").pieces())
    assert [(piece.is_out, piece.data) for piece in pieces] == [(True, b"heron" * 4), (False, b"heron" * 4)]
    assert pieces[1].instant_ns - pieces[0].instant_ns == 1000
    assert line.closed == 1


def trace_of(pieces: Sequence[Piece], path: Path, carries: str = "frames") -> Trace:
    """A trace that holds these pieces."""
    told = {
        "wire": {"kind": "can", "carries": carries},
        "instant_ns": 0,
        "wall_ns": 1_700_000_000_000_000_000,
    }
    writer = TraceWriter.create(path, 4096, told)
    for piece in pieces:
        flags = OUT if piece.is_out else 0
        if piece.is_serial:
            writer.run_of_bytes(piece.instant_ns, flags, piece.data)
        else:
            writer.frame(piece.instant_ns, flags, piece.can_id, piece.data)
    writer.close()
    return read_trace(path)


MESSAGES = st.lists(
    st.builds(
        lambda gap_us, is_out, can_id, data: (gap_us * 1000, Piece(0, is_out, False, True, can_id, data)),
        st.integers(10, 200_000),
        st.booleans(),
        st.one_of(
            st.integers(0, 0x7FF), st.integers(0, 0x1FFF_FFFF).map(lambda number: number | 0x8000_0000)
        ),
        st.binary(max_size=8),
    ),
    min_size=1,
    max_size=20,
)


@pytest.mark.parametrize("suffix", CAN_SUFFIXES)
@settings(max_examples=15)
@given(gaps=MESSAGES)
def test_python_can_reads_back_what_was_exported(
    tmp_path_factory: pytest.TempPathFactory, suffix: str, gaps: list[tuple[int, Piece]]
) -> None:
    """Each format's own reader finds every frame: identifier, data, intervals to the format's grain, and direction."""
    folder, at_ns, pieces = tmp_path_factory.mktemp("log"), 0, []
    for gap_ns, piece in gaps:
        at_ns += gap_ns
        pieces.append(piece._replace(instant_ns=at_ns))
    path = folder / f"moon{suffix}"
    assert export(trace_of(pieces, folder / "ring"), path) == len(pieces)
    with can.LogReader(path) as reader:
        read = [message for message in reader if not message.is_error_frame]
    assert [(one.arbitration_id, bytes(one.data), one.is_extended_id) for one in read] == [
        (piece.can_id & 0x1FFF_FFFF, piece.data, piece.can_id > 0x7FF) for piece in pieces
    ]
    if suffix != ".csv":  # that format keeps no direction
        assert [one.is_rx for one in read] == [not piece.is_out for piece in pieces]
    grain_s = 0.0011 if suffix == ".trc" else 3e-6
    for one, piece in zip(read, pieces, strict=True):
        interval_s = one.timestamp - read[0].timestamp
        assert abs(interval_s - (piece.instant_ns - pieces[0].instant_ns) * 1e-9) <= grain_s
    if suffix in (".log", ".csv"):
        assert abs(read[0].timestamp - (1.7e9 + pieces[0].instant_ns * 1e-9)) < 1e-5


def test_frames_that_never_left_are_not_exported(tmp_path: Path) -> None:
    """A log of the bus holds what was on the bus."""
    clock = VirtualClock()
    link = traced(Refusing(), writer_at(tmp_path / "ring", clock), clock)
    with pytest.raises(LinkError):
        link.send_frames([(0x201, b"")])
    link.close()
    assert export(read_trace(tmp_path / "ring"), tmp_path / "moon.log") == 0


def test_a_serial_line_is_exported_as_a_table(tmp_path: Path) -> None:
    """Bytes in hexadecimal, the instant on the wall's clock to the nanosecond, the direction; no format of frames."""
    pieces = [
        Piece(7, True, True, True, 0, b"\x01\x03"),
        Piece(1_000_000_009, False, True, True, 0, b"\x01" * 20),
    ]
    trace = trace_of(pieces, tmp_path / "ring", "bytes")
    assert export(trace, tmp_path / "moon.csv") == 2
    with (tmp_path / "moon.csv").open(newline="") as file:
        rows = list(csv.DictReader(file))
    assert rows[0] == {"timestamp": "1700000000.000000007", "direction": "out", "taken": "1", "bytes": "0103"}
    assert (rows[1]["timestamp"], bytes.fromhex(rows[1]["bytes"])) == ("1700000001.000000009", b"\x01" * 20)
    with pytest.raises(ValueError, match="log"):
        export(trace, tmp_path / "moon.log")
