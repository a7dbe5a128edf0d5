"""The mirror of the drives under any frames: never healthy by accident."""

from __future__ import annotations

import struct

from hypothesis import given
from hypothesis import strategies as st

from drivers.can.link import Frame
from drivers.can.mirror import GroupMirror
from drivers.interface import DriveState

NODES = (1, 2)
OUR_IDS = [base + node for base in (0x80, 0x180, 0x280, 0x580, 0x700) for node in NODES]
ANY_FRAME = st.builds(Frame, st.integers(0, 0x7FF), st.binary(max_size=8), st.integers(1, 1 << 40))
NEAR_FRAME = st.builds(Frame, st.sampled_from(OUR_IDS), st.binary(max_size=8), st.integers(1, 1 << 40))
STATUS = st.builds(
    lambda node, word, position: Frame(0x180 + node, struct.pack("<Hi", word, position), 1),
    st.sampled_from(NODES),
    st.sampled_from([0x0237, 0x0218, 0x0250, 0x0233]),
    st.integers(-(1 << 31), (1 << 31) - 1),
)


def new_mirror(is_trusted: bool = True) -> GroupMirror:
    mirror = GroupMirror(NODES, lambda can_id, data: None)
    if is_trusted:
        mirror.trust_all(0)
    return mirror


@given(st.lists(st.one_of(ANY_FRAME, NEAR_FRAME, STATUS), max_size=60))
def test_nothing_is_healthy_before_it_is_configured(frames: list[Frame]) -> None:
    """Whatever comes, a drive that we have not set up is UNKNOWN."""
    mirror = new_mirror(is_trusted=False)
    mirror.take(frames)
    assert {axis.state for axis in mirror.feedback.axes} == {DriveState.UNKNOWN}


@given(st.lists(st.one_of(ANY_FRAME, NEAR_FRAME, STATUS), max_size=60))
def test_enabled_only_with_every_word_in_favour(frames: list[Frame]) -> None:
    """An axis reads enabled only if its last whole TPDO1 says 27h under 6Fh and nothing speaks against it.

    Against it: an emergency that was not taken back, a boot-up or a heartbeat of another state than operational.
    """
    mirror = new_mirror()
    mirror.take(frames)
    for node, axis in zip(NODES, mirror.feedback.axes, strict=True):
        words = [f for f in frames if f.can_id == 0x180 + node and len(f.data) == 6]
        heartbeats = [f.data[0] & 0x7F for f in frames if f.can_id == 0x700 + node and len(f.data) == 1]
        emergencies = [f.data[:2] for f in frames if f.can_id == 0x80 + node and len(f.data) == 8]
        if axis.state is DriveState.OPERATION_ENABLED:
            assert words[-1].data[0] & 0x6F == 0x27
            assert not emergencies or emergencies[-1] == b"\0\0"
            assert all(state == 5 for state in heartbeats)
            assert axis.received_ns == words[-1].received_ns


@given(
    st.lists(st.integers(-(1 << 31) + 1, (1 << 31) - 1), max_size=60),
    st.integers(-(1 << 31), (1 << 31) - 1),
)
def test_unwrapping_is_exact(steps: list[int], start: int) -> None:
    """Any row of steps shorter than half the counter's span adds up exactly."""
    mirror = new_mirror()
    position = start
    for step in [0, *steps]:
        position += step
        raw = (position + (1 << 31)) % (1 << 32) - (1 << 31)
        mirror.take([Frame(0x181, struct.pack("<Hi", 0x0237, raw), 1)])
        assert mirror.feedback.axes[0].position_counts == position


@given(st.lists(st.sampled_from([0x181, 0x182, 0x281, 0x282]), max_size=80))
def test_a_round_counts_only_when_complete(ids: list[int]) -> None:
    """The count of rounds is never more than any one word has come, and whole rounds in order all count."""
    mirror = new_mirror()
    mirror.take(Frame(can_id, bytes(6 if can_id < 0x200 else 8), 1) for can_id in ids)
    assert mirror.feedback.sequence <= min(ids.count(can_id) for can_id in (0x181, 0x182, 0x281, 0x282))
    before = mirror.feedback.sequence
    for _ in range(5):
        mirror.take(
            Frame(can_id, bytes(6 if can_id < 0x200 else 8), 1) for can_id in (0x181, 0x182, 0x281, 0x282)
        )
    assert 4 <= mirror.feedback.sequence - before <= 5


def words(*ids: int) -> list[Frame]:
    return [Frame(can_id, bytes(6 if can_id < 0x200 else 8), 1) for can_id in ids]


def test_a_lost_word_costs_its_own_round_only() -> None:
    """After a SYNC the words of the round before it complete nothing; a word that comes twice begins anew."""
    mirror = new_mirror()
    mirror.take(words(0x182, 0x281, 0x282))
    mirror.begin_round()
    mirror.take(words(0x181))
    assert mirror.feedback.sequence == 0
    mirror.take(words(0x182, 0x281, 0x282))
    assert mirror.feedback.sequence == 1
    mirror.take(words(0x181, 0x281, 0x181, 0x182, 0x282))
    assert mirror.feedback.sequence == 1
    mirror.take(words(0x281))
    assert mirror.feedback.sequence == 2


def test_feedback_is_refreshed_in_place() -> None:
    """The same objects are reused: a loop may keep them."""
    mirror = new_mirror()
    kept = mirror.feedback.axes[0]
    mirror.take(
        [Frame(0x181, struct.pack("<Hi", 0x0237, 77), 5), Frame(0x281, struct.pack("<Ii", 1 << 17, -9), 5)]
    )
    assert mirror.feedback.axes[0] is kept
    assert (kept.position_counts, kept.velocity_units, kept.inputs, kept.received_ns) == (77, -9, 1 << 17, 5)
    assert (kept.statusword, kept.state) == (0x0237, DriveState.OPERATION_ENABLED)
