"""The timing log: whole blocks are read back, torn or corrupted ones are reported and left out."""

from __future__ import annotations

import json
import struct
import zlib
from collections.abc import Callable
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from controller.stream.record import TICK_DTYPE
from controller.stream.timinglog import (
    HEADER_BYTES,
    MAGIC,
    TimingLogError,
    TimingLogWriter,
    read_timing_log,
    tick_blocks,
)

BLOCKS = (3, 1, 5)


def records(first: int, count: int) -> npt.NDArray[np.void]:
    out = np.zeros(count, dtype=TICK_DTYPE)
    out["tick"] = np.arange(first, first + count)
    out["scheduled_ns"] = out["tick"] * 4_000_000
    out["velocity_units"] = np.stack([out["tick"], -out["tick"]], axis=1)
    return out


@pytest.fixture
def log(tmp_path: Path) -> Path:
    """A small log: meta and blocks of 3, 1 and 5 records."""
    path = tmp_path / "timing.gtl"
    first = 0
    with TimingLogWriter(path, {"machine": "boathouse", "run": "0001"}) as writer:
        for count in BLOCKS:
            writer.append(records(first, count))
            first += count
        writer.append(records(0, 0))
    return path


def spans(data: bytes) -> list[tuple[int, int]]:
    """Begin and end of every block, by the documented layout."""
    out, at = [], 0
    while at < len(data):
        (payload,) = struct.unpack_from("<I", data, at + 12)
        out.append((at, at + HEADER_BYTES + payload))
        at = out[-1][1]
    return out


def test_reads_back_what_was_written(log: Path) -> None:
    """Meta and records come back; an empty append writes nothing; no damage is reported."""
    meta, got, damage = read_timing_log(log)
    assert meta["machine"] == "boathouse"
    assert meta["run"] == "0001"
    assert np.array_equal(got, records(0, sum(BLOCKS)))
    assert damage == ()


def test_layout_is_as_documented(log: Path) -> None:
    """Header fields, checksums and the described record layout are those of docs/timing-log.md."""
    data = log.read_bytes()
    layout = spans(data)
    assert len(layout) == 1 + len(BLOCKS)
    for sequence, (begin, end) in enumerate(layout):
        magic, version, kind, number, size, payload_crc, head_crc = struct.unpack_from(
            "<4sHHIIII", data, begin
        )
        assert (magic, version, kind, number) == (b"GTLB", 1, 0 if sequence == 0 else 1, sequence)
        assert size == end - begin - 24
        assert payload_crc == zlib.crc32(data[begin + 24 : end])
        assert head_crc == zlib.crc32(data[begin : begin + 20])
    meta = json.loads(data[24 : layout[0][1]])
    described = np.dtype(
        [tuple(field) if len(field) == 2 else (*field[:2], tuple(field[2])) for field in meta["record"]]
    )
    assert described == TICK_DTYPE
    document = (Path(__file__).parents[2] / "docs" / "timing-log.md").read_text()
    assert all(f"`{name}`" in document for name in TICK_DTYPE.names or ())


def test_cut_at_every_byte_keeps_all_whole_blocks_and_reports_the_rest(log: Path) -> None:
    """Whatever length a crash leaves: whole blocks are read, a torn tail is reported, never trusted."""
    data = log.read_bytes()
    layout = spans(data)
    for length in range(len(data)):
        log.write_bytes(data[:length])
        whole = [index for index, (_, end) in enumerate(layout) if end <= length]
        if not whole:
            with pytest.raises(TimingLogError):
                read_timing_log(log)
            continue
        count = sum(BLOCKS[index - 1] for index in whole if index > 0)
        got = read_timing_log(log)
        assert np.array_equal(got.records, records(0, count))
        torn = length != layout[whole[-1]][1]
        assert bool(got.damage) == torn
        if torn:
            assert got.damage[-1].offset == layout[whole[-1]][1]
            assert got.damage[-1].length == length - layout[whole[-1]][1]


@settings(max_examples=150, deadline=None)
@given(where=st.floats(0.0, 1.0, exclude_max=True), flip=st.integers(1, 255))
def test_any_changed_byte_is_found_and_costs_only_its_block(
    tmp_path_factory: pytest.TempPathFactory, where: float, flip: int
) -> None:
    """One changed byte anywhere: that block is reported and left out, the others are read."""
    path = tmp_path_factory.mktemp("log") / "timing.gtl"
    with TimingLogWriter(path, {}) as writer:
        writer.append(records(0, 3))
        writer.append(records(3, 4))
    data = bytearray(path.read_bytes())
    layout = spans(bytes(data))
    at = int(where * len(data))
    data[at] ^= flip
    path.write_bytes(data)
    hit = next(index for index, (begin, end) in enumerate(layout) if begin <= at < end)
    if hit == 0:
        with pytest.raises(TimingLogError):
            read_timing_log(path)
        return
    got = read_timing_log(path)
    assert np.array_equal(got.records, records(3, 4) if hit == 1 else records(0, 3))
    assert got.damage


def test_a_lost_stretch_in_the_middle_is_reported_and_the_rest_is_read(log: Path) -> None:
    """Bytes missing in the middle: later whole blocks are found again by their headers."""
    data = log.read_bytes()
    (_, _), (begin, end), *_ = spans(data)
    for missing in (1, 30, end - begin - 1):
        log.write_bytes(data[: begin + 1] + data[begin + 1 + missing :])
        got = read_timing_log(log)
        assert got.records["tick"].tolist() == list(range(3, 9))
        assert got.damage
    # A whole block gone: nothing is torn, but the sequence has a gap.
    log.write_bytes(data[:begin] + data[end:])
    got = read_timing_log(log)
    assert got.records["tick"].tolist() == list(range(3, 9))
    assert "blocks are missing" in got.damage[0].what


def test_bytes_of_the_log_that_look_like_a_header_do_not_mislead(tmp_path: Path) -> None:
    """The magic inside records is no header: only a checksum makes one."""
    path = tmp_path / "timing.gtl"
    tricky = records(0, 4)
    tricky["scheduled_ns"] = int.from_bytes(MAGIC * 2, "little")
    with TimingLogWriter(path, {}) as writer:
        writer.append(tricky)
        writer.append(records(4, 2))
    data = bytearray(path.read_bytes())
    begin, _ = spans(bytes(data))[1]
    data[begin] ^= 1
    path.write_bytes(data)
    got = read_timing_log(path)
    assert got.records["tick"].tolist() == [4, 5]


def test_refuses_to_overwrite_a_log_and_foreign_records(log: Path) -> None:
    """A log is never written over; only records of the tick layout are taken."""
    with pytest.raises(FileExistsError):
        TimingLogWriter(log, {})
    with TimingLogWriter(log.with_name("other.gtl"), {}) as writer, pytest.raises(TypeError):
        writer.append(np.zeros(3, dtype=np.dtype([("a", "i4")])))


def test_a_file_of_something_else_is_no_log(tmp_path: Path) -> None:
    """Random bytes and an empty file are refused with the file's name."""
    for content in (b"", b"hello" * 100):
        path = tmp_path / "x"
        path.write_bytes(content)
        with pytest.raises(TimingLogError, match=str(path)):
            read_timing_log(path)


@given(at=st.integers(0, 10_000), value=st.integers(0, 255), cut=st.integers(0, 10_000))
def test_blocks_are_what_the_whole_has(
    tmp_path_factory: pytest.TempPathFactory, at: int, value: int, cut: int
) -> None:
    """Damaged or not: block by block come the same records as at once, or the same refusal."""
    path = tmp_path_factory.mktemp("b") / "timing.gtl"
    with TimingLogWriter(path, {"machine": "boathouse"}) as writer:
        for first in range(0, 90, 9):
            writer.append(records(first, 9))
    data = bytearray(path.read_bytes())
    data[at % len(data)] = value
    del data[len(data) - cut % len(data) :]
    path.write_bytes(data)

    def outcome(read: Callable[[], npt.NDArray[np.void]]) -> bytes | str:
        try:
            return read().tobytes()
        except TimingLogError as error:
            return str(error)

    at_once = outcome(lambda: read_timing_log(path).records)
    assert outcome(lambda: np.concatenate([np.empty(0, TICK_DTYPE), *tick_blocks(path)])) == at_once
