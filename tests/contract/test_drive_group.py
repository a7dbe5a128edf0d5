"""The promises of drivers/interface.py, held by every group of drives."""

from __future__ import annotations

import pytest

from drivers.errors import DriverError, FaultError, LinkError, MisuseError
from drivers.head import HasHead, HeadPlace
from drivers.interface import DriveGroup, DriveState


def speeds(bench) -> tuple[int, int]:
    return bench.speed_units, -bench.speed_units // 2


def test_it_is_a_drive_group(bench) -> None:
    """It has the whole interface, and its feedback is in the order of its axes."""
    assert isinstance(bench.group, DriveGroup)
    assert bench.group.axes == tuple(bench.settings.axes)
    assert len(bench.group.feedback.axes) == len(bench.group.axes)


def test_never_healthy_by_default(bench) -> None:
    """Before anything was heard every axis is UNKNOWN and of no known age; configured is not enabled."""
    group = bench.group
    assert [axis.state for axis in group.feedback.axes] == [DriveState.UNKNOWN] * 2
    assert [axis.received_ns for axis in group.feedback.axes] == [0, 0]
    assert group.feedback.sequence == 0
    assert not bench.inner.is_enabled
    assert bench.inner.feedback_age_ns(bench.clock.now_ns()) > 10**15
    group.configure()
    group.poll()
    assert not bench.inner.is_enabled


def test_the_order_of_calls_is_kept(bench) -> None:
    """No enabling before configuring, no tick before enabling: MisuseError."""
    with pytest.raises(MisuseError):
        bench.group.enable()
    with pytest.raises(MisuseError):
        bench.group.send_tick((0, 0), 0)
    bench.group.configure()
    with pytest.raises(MisuseError):
        bench.group.send_tick((0, 0), 0)


def test_enabled_means_every_drive_says_so(bench) -> None:
    """After ``enable`` each axis' own statusword says OPERATION ENABLED (6Fh: 27h) and nothing moves."""
    group = bench.ready()
    assert bench.inner.is_enabled
    assert all(axis.statusword & 0x6F == 0x27 for axis in group.feedback.axes)
    before = bench.positions()
    bench.run((0, 0), 10)
    assert bench.positions() == before


def test_feedback_is_fresh_and_counted(bench) -> None:
    """Every tick brings one complete round; its age is known, and grows when nothing comes any more."""
    group = bench.ready()

    def rounds() -> int:
        bench.run((0, 0), 3)
        sequence = group.feedback.sequence
        bench.run((0, 0), 25)
        return group.feedback.sequence - sequence

    if bench.slack_share == 0:
        assert rounds() == 25
    else:
        # A process of its own may be kept waiting by the computer, once; not eight times in turn.
        counted = next(one for one in (rounds() for _ in range(8)) if one >= 20)
        assert counted <= 26
    assert bench.inner.feedback_age_ns(bench.clock.now_ns()) <= 3 * bench.tick_ns + 10**9 * bench.slack_share
    stale_ns = bench.clock.now_ns() + 5 * bench.tick_ns
    assert bench.inner.feedback_age_ns(stale_ns) >= 5 * bench.tick_ns


def test_units_are_exact(bench) -> None:
    """A velocity of v units for n ticks moves each axis by v times the unit times the time, sign kept."""
    bench.ready()
    velocities = speeds(bench)
    bench.run(velocities, bench.lag_ticks)
    before, begun_ns = bench.positions(), bench.clock.now_ns()
    bench.run(velocities, 50)
    elapsed_s = (bench.clock.now_ns() - begun_ns) * 1e-9
    for start, end, velocity, drive in zip(
        before, bench.positions(), velocities, bench.settings.axes.values(), strict=True
    ):
        expected = velocity * drive.velocity_unit_counts_s * elapsed_s
        assert abs(end - start - expected) <= bench.slack_counts + bench.slack_share * abs(expected)
    for axis, velocity in zip(bench.group.feedback.axes, velocities, strict=True):
        assert abs(axis.velocity_units - velocity) <= 2 + 0.1 * bench.slack_share * abs(velocity)
    bench.run((0, 0), bench.lag_ticks)


def test_the_head_follows_its_output(bench) -> None:
    """Output bit 0 closes the head's lower switch, and opens it again."""
    group = bench.ready()
    head = bench.settings.head
    ticks = 60
    if isinstance(group, HasHead):
        for outputs, expected in ((1, HeadPlace.DOWN), (0, HeadPlace.UP)):
            bench.run((0, 0), ticks, outputs)
            assert group.head.read().place is expected
        return
    place = group.feedback.axes[group.axes.index(head.axis)]
    for outputs, closed, opened in ((1, head.down_input_bit, head.up_input_bit),
                                    (0, head.up_input_bit, head.down_input_bit)):  # fmt: skip
        bench.run((0, 0), ticks, outputs)
        assert place.inputs >> closed & 1
        assert not place.inputs >> opened & 1


@pytest.mark.parametrize(
    ("velocities", "outputs"),
    [((1,), 0), ((1, 2, 3), 0), ((1 << 31, 0), 0), ((0, -(1 << 31) - 1), 0), ((0, 0), 2)],
    ids=["too few", "too many", "too large", "too small", "no such output"],
)
def test_misuse_sends_nothing(bench, velocities: tuple[int, ...], outputs: int) -> None:
    """A wrong count, a value beyond 32 bits, an unknown output: MisuseError, and nothing moves."""
    group = bench.ready()
    before = bench.positions()
    with pytest.raises(MisuseError):
        group.send_tick(velocities, outputs)
    bench.run((0, 0), 5)
    assert bench.positions() == before


def test_nothing_moves_after_abort(bench) -> None:
    """``abort`` in full motion: later ticks are MisuseError, the axes come to rest and stay there."""
    group = bench.ready()
    bench.run(speeds(bench), bench.lag_ticks)
    group.abort()
    for _ in range(5):
        with pytest.raises(MisuseError):
            group.send_tick(speeds(bench), 0)
    with pytest.raises(MisuseError):
        group.enable()
    for _ in range(30):
        bench.wait()
        group.abort()
    bench.wait()
    at_rest = bench.positions()
    for _ in range(10):
        bench.wait()
        group.abort()
    bench.wait()
    assert bench.positions() == at_rest
    assert not bench.inner.is_enabled


def test_abort_at_any_time(bench) -> None:
    """``abort`` before anything else, twice, and after ``close`` never raises."""
    bench.group.abort()
    bench.group.abort()
    bench.group.close()
    bench.group.abort()


def test_abort_over_a_broken_wire(bench) -> None:
    """``abort`` never raises though nothing passes any more; the feedback grows old and does not renew itself."""
    group = bench.ready()
    bench.run((0, 0), 3)
    bench.break_wire()
    sequence = group.feedback.sequence
    group.abort()
    try:
        bench.wait(3)
    except LinkError:
        pass
    else:
        assert group.feedback.sequence <= sequence + 1
    assert bench.inner.feedback_age_ns(bench.clock.now_ns()) >= 2 * bench.tick_ns
    group.close()


def test_a_wire_that_is_gone_leaves_nothing_healthy(bench) -> None:
    """Reading a wire that has gone is a LinkError; from then on every axis is UNKNOWN and nothing can be commanded."""
    if bench.end_wire is None:
        pytest.skip("this wire cannot be taken away here")
    group = bench.ready()
    bench.run((0, 0), 3)
    bench.end_wire()
    with pytest.raises(LinkError):
        bench.wait(3)
    assert [axis.state for axis in group.feedback.axes] == [DriveState.UNKNOWN] * len(group.axes)
    assert not bench.inner.is_enabled
    with pytest.raises(DriverError):
        group.send_tick((0, 0), 0)
    group.abort()
    group.close()


def test_disable_and_enable_again(bench) -> None:
    """``disable`` out of motion brings every axis to rest and out of operation; ``enable`` works again."""
    group = bench.ready()
    bench.run(speeds(bench), bench.lag_ticks)
    group.disable()
    assert [axis.state for axis in group.feedback.axes] == [DriveState.SWITCH_ON_DISABLED] * 2
    with pytest.raises(MisuseError):
        group.send_tick((0, 0), 0)
    bench.wait(60)
    at_rest = bench.positions()
    group.enable()
    bench.run((0, 0), 3)
    assert max(abs(a - b) for a, b in zip(at_rest, bench.positions(), strict=True)) <= bench.slack_counts
    assert bench.inner.is_enabled


def test_clear_fault_never_enables(bench) -> None:
    """``clear_fault`` with or without a fault leaves every axis out of operation, and says what it acknowledged."""
    group = bench.ready()
    bench.run((0, 0), 3)
    assert group.clear_fault() == ()
    assert not bench.inner.is_enabled
    with pytest.raises(MisuseError):
        group.send_tick((0, 0), 0)


def test_close_ends_it(bench) -> None:
    """``close`` twice is fine; reading afterwards is a LinkError and commanding a MisuseError."""
    group = bench.ready()
    group.close()
    group.close()
    with pytest.raises(LinkError):
        group.poll()
    with pytest.raises(MisuseError):
        group.send_tick((0, 0), 0)


def test_errors_say_what_was_expected(bench) -> None:
    """Every error of the layer carries where, what was expected and what came."""
    with pytest.raises(DriverError) as caught:
        bench.group.send_tick((0, 0), 0)
    assert caught.value.where
    assert caught.value.expected
    assert caught.value.got
    assert not isinstance(caught.value, FaultError)
