"""The shared ring: what is written is read once, in order; what is lost is counted; nobody waits."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from controller.stream.record import TICK_DTYPE
from controller.stream.ring import HEADER_BYTES, Ring, RingError


def write(ring: Ring, tick: int) -> None:
    ring.write(
        tick, 10 * tick, 10 * tick + 3, 10 * tick - 7, -tick, tick, 1, -1, tick * 1000, -tick * 1000,
        tick * 1000 + 1, -tick * 1000 - 1, 0x627, 0x237, tick // 5, 2, tick % 2, tick % 8,
    )  # fmt: skip


def test_every_field_comes_out_as_written(tmp_path: Path) -> None:
    """A record read by another opening of the file holds each field under its name."""
    writer = Ring.create(tmp_path / "ring", 16)
    reader = Ring.open(tmp_path / "ring")
    write(writer, 0)
    write(writer, 1)
    (_, one), lost = reader.drain()
    assert lost == 0
    assert one.dtype == TICK_DTYPE
    assert {name: one[name].tolist() for name in TICK_DTYPE.names or ()} == {
        "tick": 1, "scheduled_ns": 10, "sent_ns": 13, "feedback_ns": 3, "velocity_units": [-1, 1],
        "trim_units": [1, -1], "planned_counts": [1000, -1000], "measured_counts": [1001, -1001],
        "statusword": [0x627, 0x237], "segment": 0, "task": 2, "head": 1, "flags": 1,
    }  # fmt: skip
    reader.close()
    writer.close()


@settings(max_examples=50, deadline=None)
@given(capacity=st.integers(2, 40), bursts=st.lists(st.integers(0, 90), min_size=1, max_size=12))
def test_records_come_once_in_order_and_losses_are_counted(
    tmp_path_factory: pytest.TempPathFactory, capacity: int, bursts: list[int]
) -> None:
    """Whatever the rhythm of reading: read + lost = written, ticks are consecutive up to the newest."""
    path = tmp_path_factory.mktemp("ring") / "ring"
    writer, reader = Ring.create(path, capacity), Ring.open(path)
    tick = read = 0
    for burst in bursts:
        for _ in range(burst):
            write(writer, tick)
            tick += 1
        records, lost = reader.drain()
        read += lost
        assert np.array_equal(records["tick"], np.arange(read, read + len(records)))
        read += len(records)
        assert read == tick
        # The slot after the newest may be under the writer's hand: one record less than the capacity is safe.
        assert lost == max(0, burst - (capacity - 1))
    reader.close()
    writer.close()


def test_a_record_that_is_not_visible_yet_is_read_next_time(tmp_path: Path) -> None:
    """An index that runs ahead of its record is not believed; nothing is lost by it."""
    writer, reader = Ring.create(tmp_path / "ring", 8), Ring.open(tmp_path / "ring")
    for tick in range(3):
        write(writer, tick)
    at = HEADER_BYTES + 2 * TICK_DTYPE.itemsize
    with (tmp_path / "ring").open("r+b") as file:
        file.seek(at)
        kept = file.read(8)
        file.seek(at)
        file.write(b"\xff" * 8)
        file.flush()
        records, lost = reader.drain()
        assert records["tick"].tolist() == [0, 1]
        file.seek(at)
        file.write(kept)
    records, lost = reader.drain()
    assert records["tick"].tolist() == [2]
    assert lost == 0


@pytest.mark.parametrize("damage", ["short", "magic", "record size", "capacity"])
def test_a_file_that_is_no_ring_is_refused(tmp_path: Path, damage: str) -> None:
    """Another layout or a damaged header is named, never mapped as a ring."""
    path = tmp_path / "ring"
    Ring.create(path, 8).close()
    content = bytearray(path.read_bytes())
    match damage:
        case "short":
            content = content[:20]
        case "magic":
            content[0] ^= 1
        case "record size":
            content[8] ^= 1
        case _:
            content[16] ^= 1
    path.write_bytes(content)
    with pytest.raises(RingError, match="expected"):
        Ring.open(path)


def test_too_small_a_ring_is_refused(tmp_path: Path) -> None:
    """A ring of one record could never be read safely."""
    with pytest.raises(RingError, match="at least 2"):
        Ring.create(tmp_path / "ring", 1)
