"""The head's switches and the judgement of its answers."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from drivers.head import HEAD_DOWN, HEAD_UP, HeadFeedback, HeadPlace, HeadVerdict, HeadWatch, place
from tests.fakes.drive_settings import drive_output, group_settings

HEAD = drive_output(group_settings())
UP, DOWN, BETWEEN, BOTH = 1 << 17, 1 << 16, 0, 3 << 16
MS = 1_000_000


def word(inputs: int, at_ns: int) -> HeadFeedback:
    """What the head's drive says at an instant."""
    return HeadFeedback(place(HEAD, inputs), received_ns=at_ns)


def watch(outputs: int, *seen: tuple[int, int]) -> list[HeadVerdict]:
    """Verdicts for (instant in ms, inputs) after ``outputs`` left at 0."""
    follower = HeadWatch(HEAD)
    follower.command(outputs, 0)
    return [follower.observe(word(inputs, at_ms * MS), at_ms * MS) for at_ms, inputs in seen]


def test_places() -> None:
    """Each pair of switches has one meaning; other bits of 60FDh do not matter."""
    for others in (0, 0b111, 1 << 31):
        assert place(HEAD, UP | others) is HeadPlace.UP
        assert place(HEAD, DOWN | others) is HeadPlace.DOWN
        assert place(HEAD, BETWEEN | others) is HeadPlace.BETWEEN
        assert place(HEAD, BOTH | others) is HeadPlace.CONTRADICTORY


def test_a_head_that_answers() -> None:
    """Moving, there, settled: settled only after the settling time (120 ms down)."""
    got = watch(HEAD_DOWN, (4, UP), (30, BETWEEN), (60, DOWN), (119, DOWN), (120, DOWN), (5000, DOWN))
    moving, answered, settled = HeadVerdict.MOVING, HeadVerdict.ANSWERED, HeadVerdict.SETTLED
    assert got == [moving, moving, answered, answered, settled, settled]


def test_a_slow_head_is_overdue_then_settled() -> None:
    """Past the settling time without an answer it is overdue; a later answer still counts."""
    got = watch(HEAD_UP, (79, BETWEEN), (80, BETWEEN), (200, UP))
    assert got == [HeadVerdict.MOVING, HeadVerdict.OVERDUE, HeadVerdict.SETTLED]


def test_a_head_that_never_answers_is_lost() -> None:
    """Past the time-out (1000 ms) it is lost, and stays so until the next command."""
    got = watch(HEAD_DOWN, (999, UP), (1000, UP), (1001, DOWN))
    assert got == [HeadVerdict.OVERDUE, HeadVerdict.LOST, HeadVerdict.LOST]


def test_a_head_that_leaves_again_is_lost() -> None:
    """A head that was there and is no longer is lost: the pen lifted by itself in a stroke."""
    assert watch(HEAD_DOWN, (60, DOWN), (200, DOWN), (300, BETWEEN))[-1] is HeadVerdict.LOST


def test_contradictory_switches_are_lost() -> None:
    """Both switches closed prove a broken switch."""
    assert watch(HEAD_DOWN, (10, BOTH)) == [HeadVerdict.LOST]


def test_idle_before_any_command() -> None:
    """Without a command nothing is claimed."""
    assert HeadWatch(HEAD).observe(word(DOWN, 5), 5) is HeadVerdict.IDLE


def test_a_repeated_command_does_not_restart_the_watch() -> None:
    """The same outputs in every tick keep the first instant; other outputs begin anew, also after LOST."""
    follower = HeadWatch(HEAD)
    for at_ms in range(0, 1004, 4):
        follower.command(HEAD_DOWN, at_ms * MS)
        follower.observe(word(UP, at_ms * MS), at_ms * MS)
    assert follower.verdict is HeadVerdict.LOST
    follower.command(HEAD_UP, 1004 * MS)
    assert follower.observe(word(UP, 1010 * MS), 1010 * MS) is HeadVerdict.ANSWERED
    assert (follower.answered_ns, follower.commanded_ns) == (1010 * MS, 1004 * MS)


@given(
    st.sampled_from([HEAD_UP, HEAD_DOWN]),
    st.lists(st.tuples(st.integers(0, 100), st.sampled_from([UP, DOWN, BETWEEN, BOTH])), max_size=40),
)
def test_settled_only_where_the_switches_say_so(outputs: int, steps: list[tuple[int, int]]) -> None:
    """Whatever the inputs do, SETTLED and ANSWERED mean that the right switch alone is closed now."""
    follower = HeadWatch(HEAD)
    follower.command(outputs, 0)
    now_ns = 0
    for wait_ms, inputs in steps:
        now_ns += wait_ms * MS
        if follower.observe(word(inputs, now_ns), now_ns) in (HeadVerdict.SETTLED, HeadVerdict.ANSWERED):
            assert inputs == (DOWN if outputs else UP)
