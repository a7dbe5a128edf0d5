"""A wall clock that is set: ages and rates go by what truly went by, order by the journal, and it is told.

The truth of these tests is a clock of their own that nobody sets; the journal sees a wall clock and the time since
boot.
"""

from __future__ import annotations

import contextlib
import sqlite3
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from controller.config.load import load_machine
from controller.config.places import shipped
from controller.session import clockrows, pens, verbs
from controller.session.clockrows import JUMP_MS, Reading, jump_between, span_words
from controller.session.drifting import drift_now
from controller.session.journal import Journal
from controller.session.operator import SimulatedOperator
from controller.session.penrows import SumsRow
from controller.session.prepared import PreparedSwatch
from controller.session.priming import why_prime
from controller.session.rows import HomingRow
from controller.session.runner import Order
from controller.stream.spec import StreamOutcome

from .conftest import FakeRunner
from .test_pausing import Seen

HOUR, DAY, YEAR = 3_600_000, 86_400_000, 365 * 86_400_000
MACHINE = load_machine(shipped("machines/boathouse.toml"))


@dataclass
class World:
    """True time, what the wall clock is off by, and the boots."""

    true_ms: int = 1_790_000_000_000
    off_ms: int = 0
    boot: int = 1
    booted_ms: int = 1_789_999_000_000
    truth: list[int] = field(default_factory=list)

    def read(self) -> Reading:
        """Both clocks."""
        return Reading(self.true_ms + self.off_ms, f"boot-{self.boot}", self.true_ms - self.booted_ms)

    def reboot(self, off_for_ms: int = 60_000) -> None:
        """Down for a while, up again."""
        self.true_ms += off_for_ms
        self.boot, self.booted_ms = self.boot + 1, self.true_ms - 5_000


def opened(path: Path, world: World) -> Journal:
    return Journal.open(path, "boathouse", reading=world.read)


def homed(journal: Journal, x_counts: float) -> None:
    session = journal.begin_session("home")
    run = journal.begin_run(session, "homing", lambda number: Path(f"/nowhere/{number}"))
    journal.end_run(run.id, "done", "", realtime=True)
    rows = [
        HomingRow(axis, (at - 1.0, at + 1.0), at, 0.01, at, 0.0)
        for axis, at in (("x", x_counts), ("y", 0.5 * x_counts))
    ]
    journal.record_homing(session, run.id, rows, accepted=True, reason="")


@given(
    st.lists(
        st.tuples(st.integers(1, 30 * DAY), st.sampled_from([0, 0, 0, -HOUR, HOUR, -YEAR, YEAR, 1234])),
        max_size=8,
    )
)
@settings(max_examples=20, deadline=None)
def test_within_a_boot_every_age_is_exact(tmp_path_factory, steps: list[tuple[int, int]]) -> None:
    """However the clock is set: the age of every homing, in today's clock, is what truly went by; jumps below the
    threshold stay in, no more than one each."""
    world = World()
    journal = opened(tmp_path_factory.mktemp("j") / "j.sqlite", world)
    truth = []
    for went_by_ms, set_by_ms in steps:
        world.true_ms += went_by_ms
        world.off_ms += set_by_ms
        homed(journal, 1000.0)
        truth.append(world.true_ms)
    journal.note("note", "last")
    jumps, now_ms = journal.jumps, world.read().at_ms
    rows = [row for row in journal.homings() if row.axis == "x"]
    small_ms = sum(abs(set_by) for _, set_by in steps if abs(set_by) <= JUMP_MS)
    for row, true_ms in zip(rows, truth, strict=True):
        age_ms = now_ms - jumps.today_ms(row.at_ms, "homing", row.id)
        assert age_ms == pytest.approx(world.true_ms - true_ms, abs=small_ms)
    assert len(jumps.all) == sum(abs(set_by) > JUMP_MS for _, set_by in steps[1:])
    assert [event.kind for event in journal.events()].count("clock") == len(jumps.all), "each is an event"
    journal.close()


@given(st.integers(0, 10 * DAY), st.integers(-YEAR, YEAR), st.integers(5_000, DAY))
def test_over_a_boot_only_a_clock_gone_back_shows(off_for_ms: int, set_by_ms: int, up_ms: int) -> None:
    """A clock ahead may be a computer that was off for long: nothing is made up."""
    before = Reading(1_790_000_000_000, "a", 7 * DAY)
    after = Reading(before.at_ms + off_for_ms + up_ms + set_by_ms, "b", up_ms)
    found = jump_between(before, after)
    assert found <= 0
    assert found >= min(set_by_ms + off_for_ms, 0)
    if set_by_ms >= 0:
        assert found == 0
    if set_by_ms + off_for_ms < -JUMP_MS:
        assert found == set_by_ms + off_for_ms


def test_a_drift_of_the_belt_is_the_same_whatever_the_clock_does(tmp_path: Path) -> None:
    """20 homings, one a day, 0.02 mm a day: the rate is found as well when the clock goes back by a year after the
    tenth, ahead by an hour later. Without the correction the days would be wrong by far."""
    per_mm = 1000.0 * abs(MACHINE.axes["x"].drive.counts_per_turn) / (MACHINE.axes["x"].drive.belt_pitch_mm
             * MACHINE.axes["x"].drive.pulley_teeth * 1000.0)  # fmt: skip
    rng = np.random.default_rng(3)
    noise = rng.normal(0.0, 0.01, 20)
    rates = []
    for is_set in (False, True):
        world = World()
        path = tmp_path / f"{is_set}.sqlite"
        with contextlib.closing(opened(path, world)) as journal:
            for day in range(20):
                world.true_ms += DAY
                if is_set:
                    world.off_ms += {10: -YEAR, 15: HOUR}.get(day, 0)
                homed(journal, per_mm * (0.02 * day + noise[day]))
            drift = drift_now(journal, MACHINE)
            assert drift is not None
            rates.append((drift.axes["x"].rate_mm_day, drift.axes["x"].finding))
    assert rates[1][0] == pytest.approx(rates[0][0], rel=1e-6)
    assert rates[1][1] == rates[0][1]
    assert rates[0][0] == pytest.approx(0.02, abs=0.004)


def _sums(run: int, pen: int) -> SumsRow:
    return SumsRow(run, pen, 100, 1.0, 1.0, 1.0, 1.0, 0.5, 0.5, 1, 1.0, 1.0, 0, 0, 1.0)


SWATCH = PreparedSwatch(
    origin_mm=(0.0, 0.0),
    size_mm=(200.0, 100.0),
    prime_mm=100.0,
    prime_after_s=180.0,
    tip_mm=4.0,
    speeds_mm_s={},
)


class _Record:
    swatch = SWATCH


class _Prepared:
    record = _Record()


class _Part:
    ink, name, fresh_pen = "teal", "teal-1", False


@pytest.mark.parametrize(
    ("waited_s", "set_by_ms", "boots", "wanted"),
    [
        (30, 0, False, ""),
        (200, 0, False, "its tip was up for 200 s"),
        (200, -HOUR, False, "its tip was up for 200 s"),
        (200, -YEAR, False, "its tip was up for 200 s"),
        (30, HOUR, False, ""),
        (30, YEAR, False, ""),
        (
            30,
            -HOUR,
            True,
            "the computer's clock was set back since its tip went up, nobody knows how long ago",
        ),
    ],
)
def test_a_pen_is_primed_by_the_time_that_truly_went_by(
    tmp_path: Path, waited_s: int, set_by_ms: int, boots: bool, wanted: str
) -> None:
    """A tip dries by true time, whatever the clock was set to meanwhile; when nobody can know, the pen is primed."""
    world = World()
    journal = opened(tmp_path / "j.sqlite", world)
    session = journal.begin_session("paint")
    pen = journal.pens.add_pen("teal", session=session, pass_name="teal-1", person="p")
    run = journal.begin_run(session, "teal-1", lambda number: Path(f"/nowhere/{number}"))
    world.true_ms += 10_000
    journal.end_run(run.id, "done", "", realtime=True)
    journal.pens.add_sums(_sums(run.id, pen))
    # The tip had left half a second before the run's end.
    world.true_ms += 1000 * waited_s - 500
    world.off_ms += set_by_ms
    if boots:
        world.reboot(0)
    journal.begin_session("paint")
    assert why_prime(journal, _Prepared(), _Part()) == wanted  # type: ignore[arg-type]
    (use,) = pens.uses(journal)
    assert use.up_is_known is not boots
    journal.close()


def test_setting_is_told_in_plain_words(tmp_path: Path) -> None:
    """Back by an hour: an event with how much; over a boot at least so much."""
    world = World()
    path = tmp_path / "j.sqlite"
    journal = opened(path, world)
    journal.note("note", "one")
    world.true_ms += 60_000
    world.off_ms -= HOUR
    journal.note("note", "two")
    world.off_ms -= YEAR
    world.reboot()
    journal.note("note", "three")
    told = [event.text for event in journal.events() if event.kind == "clock"]
    assert told == [
        "the computer's clock was set back by 1 h 0 min",
        "the computer's clock was set back by at least 364 d 23 h",
    ]
    journal.close()


@pytest.mark.parametrize(
    ("ms", "words"), [(1_400, "1 s"), (61_000, "1 min 1 s"), (HOUR, "1 h 0 min"), (DAY + HOUR, "1 d 1 h")]
)
def test_spans(ms: int, words: str) -> None:
    """Two units at most."""
    assert span_words(ms) == words


def test_a_journal_of_version_5_has_no_settings_until_a_session_opens_it(tmp_path: Path) -> None:
    """A reader finds none; a session adds the tables and goes on from there."""
    path = tmp_path / "j"
    Journal.open(path, "m").close()
    db = sqlite3.connect(path)
    db.executescript("DROP TABLE clock; DROP TABLE clock_jumps; PRAGMA user_version=5")
    db.close()
    journal = Journal.read(path)
    assert journal.jumps.all == ()
    journal.close()
    world = World()
    journal = Journal.open(path, "m", reading=world.read)
    journal.note("note", "one")
    world.off_ms -= HOUR
    journal.note("note", "two")
    assert [jump.jump_ms for jump in journal.jumps.all] == [-HOUR]
    journal.close()


@pytest.mark.parametrize(
    "where", ["while a session runs", "between sessions", "between, found by another writer"]
)
async def test_every_setting_is_told_once_by_the_next_session(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, where: str
) -> None:
    """Wherever it came, and whoever wrote to the journal first afterwards."""
    world, machine = World(), shipped("machines/boathouse.toml")
    monkeypatch.setattr(clockrows, "reading", world.read)

    class Setting(FakeRunner):
        async def run(self, order: Order) -> StreamOutcome:
            world.off_ms -= HOUR
            return await super().run(order)

    async def home(runner: FakeRunner) -> list[str]:
        seen = Seen()
        await verbs.home(
            machine, tmp_path, SimulatedOperator(), seen, signals=False, runner_of=lambda *_: runner
        )
        return [note for note in seen.notes if "clock" in note]

    assert await home(Setting() if where == "while a session runs" else FakeRunner()) == []
    if where != "while a session runs":
        world.off_ms -= HOUR
    if "another" in where:
        with contextlib.closing(Journal.open(tmp_path / "journal.sqlite", "boathouse")) as journal:
            journal.note("note", "of another command")
    told = await home(FakeRunner())
    assert told == ["the computer's clock was set back by 1 h 0 min; ages and drift are reckoned without it"]
    assert await home(FakeRunner()) == []
