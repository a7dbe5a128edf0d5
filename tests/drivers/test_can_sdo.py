# ruff: noqa: D102
"""Reading and writing objects over a wire that answers anything."""

from __future__ import annotations

import struct
from collections.abc import Callable

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.can.link import Frame
from drivers.can.sdo import Entry, ObjectAccess
from drivers.clock import VirtualClock
from drivers.errors import DriverError, FaultError

MODE = Entry(0x6060, 0, "b", "mode of operation")
NAMED = struct.pack("<HB", MODE.index, MODE.subindex)
RANDOM = st.binary(max_size=8)
PLAUSIBLE = st.builds(
    lambda command, rest: bytes([command]) + NAMED + rest,
    st.integers(0, 255),
    st.binary(min_size=4, max_size=4),
)
ANSWERS = st.lists(st.one_of(RANDOM, PLAUSIBLE), max_size=12)


class Answering:
    """A CanLink that answers each request with the next of the given data."""

    garbled = 0

    def __init__(self, answers: list[bytes]) -> None:
        self.answers = list(answers)
        self.arrived: list[Frame] = []

    def send_frames(self, frames) -> None:
        for _ in frames:
            if self.answers:
                self.arrived.append(Frame(0x581, self.answers.pop(0), 1))

    def receive(self) -> list[Frame]:
        arrived, self.arrived = self.arrived, []
        return arrived

    def close(self) -> None: ...


def result(call: Callable[[], int | None]) -> int | DriverError | None:
    try:
        return call()
    except DriverError as error:
        return error


def access(answers: list[bytes]) -> ObjectAccess:
    return ObjectAccess(Answering(answers), VirtualClock(), {1: "axis x (node 1)"}, 0.05)


@given(ANSWERS)
def test_any_answers_to_a_read_give_a_value_or_a_driver_error(answers: list[bytes]) -> None:
    """Whatever a node answers, a read ends with a value of the object's type or an error of this layer."""
    outcome = result(lambda: access(answers).read(1, MODE))
    assert (isinstance(outcome, int) and -128 <= outcome <= 127) or "axis x (node 1)" in str(outcome)


@given(ANSWERS)
def test_any_answers_to_a_write_are_survived(answers: list[bytes]) -> None:
    """The same for a write that is read back: it holds, or an error of this layer says that it does not."""
    outcome = result(lambda: access(answers).hold(1, MODE, 9))
    assert outcome is None or "axis x (node 1)" in str(outcome)


def test_a_segmented_answer_is_read() -> None:
    """A server may answer a short object in segments (CiA 301: 41h with the size, then a last segment 0Dh)."""
    answers = [
        bytes([0x41]) + NAMED + struct.pack("<I", 1),
        bytes([0x0D, 0x09]) + bytes(6),
    ]
    assert access(answers).read(1, MODE) == 9


def test_answers_for_other_objects_are_passed_over() -> None:
    """An answer that names another object is somebody else's: ours is waited for."""
    other = bytes.fromhex("4F 61 60 00 03 00 00 00")
    link = Answering([])
    ours = bytes([0x4F]) + NAMED + bytes([9, 0, 0, 0])
    link.send_frames = lambda frames: link.arrived.extend([Frame(0x581, other, 1), Frame(0x581, ours, 1)])
    assert ObjectAccess(link, VirtualClock(), {1: "axis x (node 1)"}, 0.05).read(1, MODE) == 9


def test_a_value_that_does_not_hold_shows_both() -> None:
    """Expected and got stand in the error in decimal and hex."""
    answers = [bytes([0x60]) + NAMED + bytes(4), bytes([0x4F]) + NAMED + bytes([3, 0, 0, 0])]
    with pytest.raises(FaultError) as caught:
        access(answers).hold(1, MODE, 9)
    assert caught.value.expected == "6060h:00 mode of operation = 9 (9h)"
    assert caught.value.got == "3 (3h)"
