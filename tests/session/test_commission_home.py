"""Homing on a machine whose belts nobody knows: slower on consent, written down, and never without."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from controller.calibrate.values import Measured
from controller.config.load import load_machine
from controller.session import calibrationkeep
from controller.session.calibrationhistory import history
from controller.session.commissionbench import Bench
from controller.session.commissionhome import calm_homing
from controller.session.commissionmoves import homing, homing_for
from controller.session.looking import drift
from controller.session.watcher import Watcher
from controller.stream.spec import HomingTask, StreamOutcome

from .commissioned import Wired
from .test_commission_moves import Site

SWUNG_MM = 0.5
"""Spread of the touches at the file's slow speed; it falls with the square of it, as way and time to settle both do."""


@dataclass
class _Swinging(Wired):
    """A head that swings less, the slower it is homed, by a motor that is late; only axis x.

    From homing number ``slips_at`` on its place is another by ``slip_mm``.
    """

    def __init__(self, machine: Path, state: Any, first_mm_s: float, late_s: float) -> None:
        super().__init__(machine, state)
        self.first_mm_s = first_mm_s
        self.late_s = late_s
        self.homings = 0
        self.slips_at, self.slip_mm = 0, 0.0

    async def run(self, order: Any) -> StreamOutcome:
        """As told."""
        outcome = await super().run(order)
        if not isinstance(order.tasks[0], HomingTask):
            return outcome
        axis = load_machine(self.machine).axes["x"]
        share = axis.homing.slow_mm_s / self.first_mm_s
        late = self.late_s * axis.homing.slow_mm_s * float(axis.drive.counts_per_mm)
        self.homings += 1
        if self.slips_at and self.homings >= self.slips_at:
            late += self.slip_mm * float(axis.drive.counts_per_mm)
        spread = {"x": SWUNG_MM * share**2, "y": 0.01}
        return outcome.model_copy(
            update={
                "homing": tuple(
                    one.model_copy(
                        update={
                            "spread_mm": spread[one.axis],
                            "mean_counts": one.mean_counts + (late if one.axis == "x" else 0.0),
                        }
                    )
                    for one in outcome.homing
                )
            }
        )


def _site(folder: Path, late_s: float = 0.0) -> Site:
    site = Site(folder)
    slow = load_machine(site.path).axes["x"].homing.slow_mm_s
    site.runner = _Swinging(site.path, site.state, slow, late_s)
    return site


async def test_a_head_that_swings_is_homed_slower_on_consent(tmp_path: Path) -> None:
    """0.5 mm of spread where 0.15 mm are accepted: two halvings leave 0.031 mm, below a third of it; the file says so,
    for that axis alone, travel is done once, and the rest goes on."""
    site = _site(tmp_path)
    slow = load_machine(site.path).axes["x"].homing.slow_mm_s
    result = await site.go()
    assert result.stopped_at == ""
    axes = load_machine(site.path).axes
    assert axes["x"].homing.slow_mm_s == slow / 4.0
    assert axes["y"].homing.slow_mm_s == slow
    assert site.person.keys.count("home slower") == 2
    assert [row.step for row in result.done].count("travel") == 1
    changed = [one.field for one in history(site.path, site.state.root).writes]
    assert changed == ["axes.x.homing.slow_mm_s"] * 2


@pytest.mark.parametrize("left_alone", [True, False])
async def test_a_place_that_moves_with_the_speed_is_no_slipped_belt(tmp_path: Path, left_alone: bool) -> None:
    """A motor late by 0.1 s, homed slower: the place moves by that times the difference of the speeds, which is
    named a jump. With the person's word it counts as looked at, and painting is open; without it, it is not."""
    site = _site(tmp_path, late_s=0.1)
    site.person.replies["homing moved"] = left_alone
    assert (await site.go()).stopped_at == ""
    assert "homing moved" in site.person.keys
    found = drift(site.path, site.state.root)
    assert found is not None
    assert bool(found.open_jumps) is not left_alone


async def _slipped(site: Site, at: int) -> bool:
    """All homings of a bring-up with a slip at homing ``at``: has the person been asked about the speed?"""
    site.runner.slips_at, site.runner.slip_mm = at, 0.3  # type: ignore[attr-defined]
    site.person.asked.clear()
    bench = Bench(site.path, site.state.root, site.person, Watcher(), lambda *_: site.runner, signals=False)
    await homing(bench)
    found = drift(site.path, site.state.root)
    assert found is not None
    asked = "homing moved" in site.person.keys
    assert bool(found.open_jumps) is not asked, "else there was nothing to be asked about"
    return asked


async def test_a_slip_long_after_homing_was_made_slower_is_no_matter_of_speed(tmp_path: Path) -> None:
    """The row of an earlier bring-up stands in the journal for good: a belt that slips later is not put down to it."""
    site = _site(tmp_path)
    assert (await site.go()).stopped_at == ""
    assert not await _slipped(site, site.runner.homings + 1)  # type: ignore[attr-defined]


@pytest.mark.parametrize(("later", "back", "asked"), [(1, False, True), (3, False, False), (1, True, False)])
async def test_only_the_first_slower_homing_may_move_by_the_speed(
    tmp_path: Path, later: int, back: bool, asked: bool
) -> None:
    """In this bring-up, written and standing: the first homing after it; not the third, and not after a revert."""
    site = _site(tmp_path)
    bench = Bench(site.path, site.state.root, site.person, Watcher(), lambda *_: site.runner, signals=False)
    await calm_homing(bench)
    runner = site.runner
    assert isinstance(runner, _Swinging)
    with bench.journal() as journal:
        session = journal.homings()[-1].session
        value = load_machine(site.path).axes["x"].homing.slow_mm_s / 2.0
        row = calibrationkeep.keep(
            journal, site.path, [Measured("axes.x.homing.slow_mm_s", value, "mm/s", None, "travel", 1, "")],
            person="Ada", session=session,
        )[0]  # fmt: skip
    calibrationkeep.write(site.path, site.state.root, [row.id], "Ada")
    if back:
        calibrationkeep.revert(site.path, site.state.root, "axes.x.homing.slow_mm_s", "Ada")
    assert await _slipped(site, runner.homings + later) is asked


async def test_without_consent_homing_is_refused_as_ever(tmp_path: Path) -> None:
    """A no: travel fails with homing's own words, and the file is as it was."""
    site = _site(tmp_path)
    site.person.replies["home slower"] = False
    before = site.path.read_bytes()
    result = await site.go()
    assert result.stopped_at == "travel"
    assert "touches spread over 0.500 mm" in result.why
    assert site.path.read_bytes() == before


async def test_a_ladder_on_a_file_without_lag_asks_for_it(tmp_path: Path) -> None:
    """2.5 mm of 4 mm used at the first rungs and no lag in the file: no low acceleration is taken from that."""
    site = Site(tmp_path, following_mm=25.0)
    text = site.path.read_text()
    head, twin = text.split("[twin]")
    site.path.write_text(head.replace("loop_lag_ms = 8.0", "loop_lag_ms = 0.0") + "[twin]" + twin)
    result = await site.go()
    assert result.stopped_at == "following"
    assert "states no lag" in result.why
    fields = {row.measured.field for row in history(site.path, site.state.root).rows}
    assert "motion.acceleration_mm_s2" not in fields


async def test_a_lower_acceleration_takes_the_fast_homing_speed_with_it(tmp_path: Path) -> None:
    """Half the acceleration: the speed that brakes on the same way, v^2 = 2 a s, is lower by the root of two."""
    site = Site(tmp_path, following_mm=3.0)
    site.person.replies["write"] = False
    await site.go()
    latest = {row.measured.field: row.measured.value for row in history(site.path, site.state.root).rows}
    machine = load_machine(site.path)
    assert latest["motion.acceleration_mm_s2"] == machine.motion.acceleration_mm_s2 / 2.0
    for axis in ("x", "y"):
        fast = machine.axes[axis].homing.fast_mm_s
        assert latest[f"axes.{axis}.homing.fast_mm_s"] == pytest.approx(fast / 2.0**0.5, abs=0.051)
    assert homing_for(machine, machine.motion.acceleration_mm_s2) == []
