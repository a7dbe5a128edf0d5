"""Heads on a port of their own: the order that raises the pen, on a line that fails, is slow, or wants silence."""

from __future__ import annotations

from collections.abc import Callable
from typing import cast

import pytest

from drivers.clock import VirtualClock
from drivers.errors import LinkError
from drivers.head import HEAD_DOWN, HeadPlace
from drivers.heads.described import DescribedPortHead
from drivers.heads.group import HeadedGroup
from drivers.heads.polled import PolledHead
from drivers.heads.settings import DescribedHead, SerialHead
from drivers.heads.text import TextHead
from drivers.interface import AxisFeedback, DriveGroup, DriveState, GroupFeedback
from drivers.line.port import FAR_NS
from tests.stream.heads import LINES, TIMES, heads

MS = 1_000_000
UP_LINE = b"\nLIFT UP\n"


class Line:
    """A line at so many bits a second (10 a character) that keeps what has left whole, and when each frame began."""

    def __init__(self, clock: VirtualClock, bitrate_bit_s: int = 115_200) -> None:
        self.clock = clock
        self.character_ns = 10_000_000_000 // bitrate_bit_s
        self.left: list[tuple[int, int, bytes]] = []
        self.refusals = 0
        self.closings = 0
        self.heard = b""

    def send(self, data: bytes) -> None:
        """Behind what has not left yet."""
        if self.refusals:
            self.refusals -= 1
            raise LinkError("wire lift", "bytes taken at once", "0 bytes taken")
        begin_ns = max(self.clock.now_ns(), self.left[-1][1] if self.left else 0)
        self.left.append((begin_ns, begin_ns + len(data) * self.character_ns, data))

    def receive(self) -> bytes:
        """Nothing but what a test lets the head say."""
        heard, self.heard = self.heard, b""
        return heard

    def drop_unsent(self) -> None:
        """The characters that have not left are gone."""
        now_ns = self.clock.now_ns()
        kept = [
            (begin, min(end, now_ns), data[: max(0, now_ns - begin) // self.character_ns])
            for begin, end, data in self.left
        ]
        self.left = [one for one in kept if one[2]]

    def next_ns(self) -> int:
        """Nothing ever comes."""
        return FAR_NS

    def fileno(self) -> int:
        """None."""
        return -1

    def close(self) -> None:
        """A port that was unplugged."""
        self.closings += 1
        raise OSError(5, "Input/output error")


def text_head(line: Line, bitrate_bit_s: int = 115_200) -> TextHead:
    settings = SerialHead.model_validate(LINES | TIMES | {"bitrate_bit_s": bitrate_bit_s})
    return TextHead(settings, line, line.clock)


def described_head(line: Line) -> DescribedPortHead:
    settings = heads()["described"]
    assert isinstance(settings, DescribedHead)
    return DescribedPortHead(settings, line, line.clock)


@pytest.mark.parametrize("make", [text_head, described_head])
def test_the_pen_is_told_to_rise_on_a_line_that_failed_before(make: Callable[[Line], PolledHead]) -> None:
    """One frame that a full line did not take makes the head lost; the order to rise is tried all the same."""
    line = Line(VirtualClock())
    head = make(line)
    line.refusals = 1
    head.command(HEAD_DOWN)
    assert head.read().trouble
    assert head.raise_now()
    assert len(line.left) == 1
    line.refusals = 1
    line.clock.sleep_until_ns(line.clock.now_ns() + 20 * MS)
    assert not head.raise_now()
    assert head.read().trouble  # it stays lost


def test_saying_it_again_does_not_cut_the_order_on_a_slow_line() -> None:
    """At 9600 bit/s the order takes 9.4 ms, and a stop is said every 4 ms: it must come whole."""
    line = Line(VirtualClock(), 9600)
    head = text_head(line, 9600)
    for _ in range(5):
        assert head.raise_now()
        line.clock.sleep_until_ns(line.clock.now_ns() + 4 * MS)
    whole = [data for _, end_ns, data in line.left if data == UP_LINE and end_ns <= line.clock.now_ns()]
    assert whole


def test_an_order_down_in_between_is_overruled_at_once() -> None:
    """What is still leaving is no reason to wait once the head was told to go down behind it."""
    line = Line(VirtualClock(), 9600)
    head = text_head(line, 9600)
    head.raise_now()
    head.command(HEAD_DOWN)
    assert head.raise_now()
    assert [data for _, _, data in line.left][-1] == UP_LINE


def test_behind_the_order_to_rise_a_described_head_has_its_silence() -> None:
    """200 us between frames, as the file says: a question glued to the order would spoil it."""
    line = Line(VirtualClock())
    head = described_head(line)
    assert head.raise_now()
    order_end_ns = line.left[0][1]
    while len(line.left) < 2:
        head.poll()
        line.clock.sleep_until_ns(line.clock.now_ns() + 10_000)
    assert line.left[1][0] - order_end_ns >= 200_000


def test_spaces_around_a_line_are_none_of_it() -> None:
    """Neither in what the head says nor in what the machine file expects it to say."""
    answers = [{"text": " UP ", "means": "up"}, {"text": "DOWN", "means": "down"}]
    line = Line(VirtualClock())
    settings = SerialHead.model_validate(LINES | TIMES | {"answers": answers, "accepted": "OK "})
    head = TextHead(settings, line, line.clock)
    line.heard = b" OK\nUP \n"
    head.poll()
    assert head.read().place is HeadPlace.UP
    assert not head.garbled


class Drives:
    """Drives in operation; notes what was done to them."""

    def __init__(self) -> None:
        self.feedback = GroupFeedback([AxisFeedback(state=DriveState.OPERATION_ENABLED) for _ in "xy"])
        self.done: list[str] = []

    def abort(self) -> None:
        """Stop."""
        self.done.append("abort")

    def close(self) -> None:
        """Let go."""
        self.done.append("close")


def test_a_head_that_fails_at_its_end_does_not_keep_the_drives() -> None:
    """Drives in operation are stopped before the pen is told anything, and their wire is given back in any case."""
    line, drives = Line(VirtualClock()), Drives()
    head = text_head(line)
    group = HeadedGroup(cast("DriveGroup", drives), head)
    group.close()
    group.close()
    assert drives.done == ["abort", "close"]
    assert line.closings == 1
    assert line.left[0][2] == UP_LINE
