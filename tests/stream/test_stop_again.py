"""After an abort with nobody else left to stop: the stop is said again, for a bounded time, until the axes stand."""

from __future__ import annotations

from pathlib import Path

from controller.stream.loop import rest_counts
from controller.stream.spec import MoveTask
from controller.stream.stopagain import STOP_AGAIN_NS, keep_stopping
from drivers.errors import LinkError

from .conftest import Rig

MS = 1_000_000


class Losing:
    """A rig whose wire loses the first ``lost`` stops after a halt in motion."""

    def __init__(self, folder: Path, lost: int) -> None:
        self.rig = Rig(folder)
        self.stops: list[int] = []
        abort = self.rig.group.abort

        def maybe() -> None:
            self.stops.append(self.rig.clock.now_ns())
            if len(self.stops) > lost:
                abort()
            self.rig.group._sample()

        self.rig.group.abort = maybe  # type: ignore[method-assign]

        def before(tick: int) -> None:
            self.rig.beats.gone = tick >= 120

        self.rig.group.before_send = before
        assert self.rig.run(MoveTask(target_mm=(1500.0, 900.0))).end == "halted"
        assert len(self.stops) == 1

    def go_on(self) -> bool:
        """What the streamer's process does next."""
        machine = self.rig.machine
        return keep_stopping(self.rig.group, self.rig.clock, machine.tick_ns, rest_counts(machine))


def test_a_lost_stop_is_said_again_until_the_axes_stand(tmp_path: Path) -> None:
    """Three stops lost: the fourth is heard, standstill is seen, and then it is quiet, well before the time is over."""
    losing = Losing(tmp_path, 3)
    assert losing.go_on()
    assert losing.stops[-1] - losing.stops[0] < STOP_AGAIN_NS
    gaps = [after - before for before, after in zip(losing.stops[1:], losing.stops[2:], strict=False)]
    assert set(gaps) == {4 * MS}
    assert all(abs(motor.speed) < 540.0 for motor in losing.rig.group.motors)


def test_it_gives_up_after_its_time(tmp_path: Path) -> None:
    """Axes that go on moving: the stop is said every tick for 200 ms, and no standstill is claimed."""
    losing = Losing(tmp_path, 10_000)
    assert not losing.go_on()
    assert STOP_AGAIN_NS - 8 * MS <= losing.stops[-1] - losing.stops[1] <= STOP_AGAIN_NS
    assert len(losing.stops) == 1 + STOP_AGAIN_NS // (4 * MS)


def test_a_silent_or_broken_wire_is_no_standstill(tmp_path: Path) -> None:
    """Without answers nothing is proved: it speaks on for the whole time and raises nothing."""
    for is_broken in (False, True):
        losing = Losing(tmp_path, 1)
        losing.rig.group.silent = True
        if is_broken:

            def poll() -> None:
                raise LinkError("wire", "a line to read", "a closed line")

            losing.rig.group.poll = poll  # type: ignore[method-assign]
        assert not losing.go_on()
        assert len(losing.stops) == 1 + STOP_AGAIN_NS // (4 * MS)


def test_axes_at_rest_hear_it_at_least_once_more(rig: Rig) -> None:
    """Even where all stands already the stop is said again: what was seen may be older than what comes."""
    rig.beats.disarm = lambda *_a, **_k: False  # type: ignore[method-assign]
    assert rig.run(MoveTask(target_mm=(200.0, 200.0))).end == "halted"
    before = rig.group.calls.count("abort")
    keep_stopping(rig.group, rig.clock, rig.machine.tick_ns, rest_counts(rig.machine))
    assert rig.group.calls.count("abort") > before
