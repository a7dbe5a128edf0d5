"""The trace's file: what was put down comes back, the oldest gives way, and no file makes the reader fail otherwise."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.tracefile import (
    HEAD_BYTES,
    NOT_TAKEN,
    OUT,
    SLOT_BYTES,
    Piece,
    TraceError,
    TraceWriter,
    keep,
    parse_trace,
    read_trace,
)

FRAMES = st.lists(
    st.tuples(
        st.integers(0, 2**63),
        st.sampled_from([0, OUT, OUT | NOT_TAKEN]),
        st.integers(0, 0x7FF),
        st.binary(max_size=8),
    ),
    max_size=40,
)


def put(path: Path, capacity: int, frames: list[tuple[int, int, int, bytes]]) -> TraceWriter:
    """A ring with these frames, still open."""
    writer = TraceWriter.create(path, capacity, {"run": "0001-moon"})
    for frame in frames:
        writer.frame(*frame)
        writer.count()
    return writer


def as_pieces(frames: list[tuple[int, int, int, bytes]]) -> list[Piece]:
    """What a reader must make of them."""
    return [
        Piece(instant, bool(flags & OUT), False, not flags & NOT_TAKEN, can_id, data)
        for instant, flags, can_id, data in frames
    ]


@given(FRAMES, st.integers(2, 12))
def test_the_latest_frames_come_back_in_order(
    tmp_path_factory: pytest.TempPathFactory, frames: list[tuple[int, int, int, bytes]], capacity: int
) -> None:
    """A ring holds the latest frames that fit, and says how many it no longer has: read while written, closed, kept."""
    path = tmp_path_factory.mktemp("ring") / "ring"
    writer = put(path, capacity, frames)
    wanted = as_pieces(frames)[-capacity:]
    trace = read_trace(path)
    assert (list(trace.pieces()), trace.overwritten, trace.torn) == (
        wanted,
        max(0, len(frames) - capacity),
        0,
    )
    writer.close()
    kept = path.with_name("kept.gtr")
    assert keep(path, kept)
    assert not path.exists()
    trace = read_trace(kept)
    assert (list(trace.pieces()), trace.overwritten, trace.torn) == (
        wanted,
        max(0, len(frames) - capacity),
        0,
    )
    assert trace.description == {"run": "0001-moon"}
    assert kept.stat().st_size <= HEAD_BYTES + 32 + len(wanted) * SLOT_BYTES


@given(st.lists(st.binary(min_size=1, max_size=300), max_size=12), st.booleans())
def test_runs_of_bytes_come_back_whole(
    tmp_path_factory: pytest.TempPathFactory, runs: list[bytes], is_out: bool
) -> None:
    """Serial bytes of any length are one piece again."""
    path = tmp_path_factory.mktemp("ring") / "ring"
    writer = TraceWriter.create(path, 2000, {})
    for number, data in enumerate(runs):
        writer.run_of_bytes(number, OUT if is_out else 0, data)
    writer.close()
    assert list(read_trace(path).pieces()) == [
        Piece(number, is_out, True, True, 0, data) for number, data in enumerate(runs)
    ]


def test_what_is_not_counted_is_not_shown(tmp_path: Path) -> None:
    """A writer that dies between putting down and counting leaves what it had counted."""
    writer = put(tmp_path / "ring", 8, [(1, OUT, 0x201, b"\x0f")])
    writer.frame(2, OUT, 0x202, b"")
    assert [piece.can_id for piece in read_trace(tmp_path / "ring").pieces()] == [0x201]


def test_a_torn_slot_is_left_out_and_counted(tmp_path: Path) -> None:
    """A slot whose number is not its place's (half overwritten) is never shown; the others are."""
    path = tmp_path / "ring"
    put(path, 8, [(number, 0, number, b"") for number in range(5)]).close()
    raw = bytearray(path.read_bytes())
    slots_at = len(raw) - 8 * SLOT_BYTES
    raw[slots_at + 2 * SLOT_BYTES + 12] ^= 0xFF
    trace = parse_trace(bytes(raw))
    assert [piece.can_id for piece in trace.pieces()] == [0, 1, 3, 4]
    assert trace.torn == 1


@given(st.integers(0, 600), st.integers(0, 20))
def test_a_cut_file_gives_what_is_whole(
    tmp_path_factory: pytest.TempPathFactory, length: int, count: int
) -> None:
    """However a file is cut off: an error of ours, or the slots that are there; with the torn ones they are all."""
    path = tmp_path_factory.mktemp("ring") / "ring"
    put(path, 10, [(number, 0, number, b"ab") for number in range(count)]).close()
    raw = path.read_bytes()
    try:
        trace = parse_trace(raw[:length])
    except TraceError:
        assert length < len(raw) - 10 * SLOT_BYTES
        return
    shown = [piece.can_id for piece in trace.pieces()]
    assert shown == sorted(set(shown))
    assert len(shown) + trace.torn == min(count, 10)


@given(st.binary(max_size=400), st.binary(max_size=64))
def test_no_file_makes_the_reader_fail_otherwise(noise: bytes, head: bytes) -> None:
    """Any bytes, and any bytes under a good magic: a TraceError or a trace, nothing else."""
    for raw in (noise, b"GIOTRAC1" + SLOT_BYTES.to_bytes(8, "little") + head + noise):
        try:
            trace = parse_trace(raw)
        except TraceError:
            continue
        assert len(list(trace.pieces())) <= len(raw) // SLOT_BYTES
        assert trace.torn >= 0


def test_a_closed_trace_takes_nothing_and_says_nothing(tmp_path: Path) -> None:
    """A stop that is said after the trace has been closed is not held up by it."""
    writer = put(tmp_path / "ring", 4, [])
    writer.close()
    writer.close()
    writer.frame(1, OUT, 0x201, b"")
    writer.run_of_bytes(1, OUT, b"0123456789")
    writer.count()
    assert list(read_trace(tmp_path / "ring").pieces()) == []


def test_keeping_what_is_not_there(tmp_path: Path) -> None:
    """No ring, or a file that is none: nothing is kept and nothing is left lying."""
    assert not keep(tmp_path / "ring", tmp_path / "kept")
    (tmp_path / "ring").write_bytes(b"moon")
    assert not keep(tmp_path / "ring", tmp_path / "kept")
    assert list(tmp_path.iterdir()) == []
