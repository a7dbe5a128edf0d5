"""Drift in sessions: what the homings say, which jumps forbid painting, what a look does, what traps allow."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import numpy as np
import pytest

from controller.config.errors import InputError, RefusedError
from controller.config.load import load_machine
from controller.config.places import shipped
from controller.register.drift import DAY_S, Finding
from controller.session import looking
from controller.session.drifting import JobDrift, drift_json, drift_now, judge_drift, refuse_jumps
from controller.session.journal import Journal
from controller.session.rows import HomingRow, LookRow, MapRow, MarkMeasured
from controller.session.watcher import Watcher

BOATHOUSE = shipped("machines/boathouse.toml")
MACHINE = load_machine(BOATHOUSE)
BEGIN_MS = 1_790_000_000_000
DAY_MS = round(1000 * DAY_S)


def rows(places_mm, *, every_ms: int = DAY_MS // 2, accepted: bool = True, begin: int = 0) -> list[HomingRow]:
    """Homings of both axes: ``places_mm`` (m, 2) of the switches, scattered by nothing that is not in them."""
    found: list[HomingRow] = []
    last: dict[str, float] = {}
    for place, both in enumerate(np.asarray(places_mm, dtype=float)):
        for column, (axis, mm) in enumerate(zip("xy", both, strict=True)):
            drive = MACHINE.axes[axis].drive
            counts = drive.direction * mm * float(drive.counts_per_mm)
            found.append(
                HomingRow(
                    axis, (counts, counts + 1.0, counts, counts + 1.0), counts, 0.05, counts,
                    mm - last[axis] if axis in last else None, accepted=accepted, session=begin + place + 1,
                    run=begin + place + 1, at_ms=BEGIN_MS + (begin + place) * every_ms,
                    id=2 * (begin + place) + column + 1,
                )
            )  # fmt: skip
            last[axis] = mm
    return found


def scattered(count: int = 40, seed: int = 5, sigma: float = 0.02):
    """Places of both switches that only scatter."""
    return 15.0 + np.random.default_rng(seed).normal(0.0, sigma, (count, 2))


def judged(places_mm, looks=(), job=None):
    """What is said of these places."""
    found = judge_drift(rows(places_mm), looks, MACHINE.axes, job)
    assert found is not None
    return found


def test_scatter_is_one_quiet_sentence() -> None:
    """Forty homings of a sound machine: steady, nothing refuses, one line for both axes."""
    found = judged(scattered())
    assert {one.finding for one in found.axes.values()} == {Finding.STEADY}
    refuse_jumps(found)
    (said,) = found.short
    assert said.startswith("steady over 40 homings, scatter x 0.0")
    assert found.axes["x"].scatter_mm == pytest.approx(np.std(scattered()[:, 0], ddof=2), rel=0.1)


def test_slow_sag_is_named_with_what_the_traps_allow_and_does_not_refuse() -> None:
    """0.07 mm a day on y for twenty days: slow drift, its rate, and 1.4 mm of the 3.0 mm that the traps allow."""
    places = scattered()
    places[:, 1] += 0.07 * np.arange(40) / 2.0
    found = judged(places, job=JobDrift("low-tide", 3.0, BEGIN_MS + 1))
    assert found.axes["y"].finding is Finding.DRIFT
    assert found.axes["x"].finding is Finding.STEADY
    assert found.axes["y"].rate_mm_day == pytest.approx(0.07, abs=0.004)
    refuse_jumps(found)
    (said,) = [line for line in found.lines if "traps" in line]
    assert said.startswith(
        "low-tide: drift 1.4 mm of the 3.0 mm that the traps allow; at this rate the rest lasts 2"
    )
    assert found.allowance is not None
    assert found.allowance.used_mm == pytest.approx(0.07 * 19.5, abs=0.05)


def test_slipped_pulley_and_jumped_tooth_refuse_by_name_until_looked_at() -> None:
    """0.6 mm is a step with the pulley to look at; 3.0 mm (a pitch) accepted bit by bit is a tooth jump."""
    for size, finding, word in ((0.6, Finding.STEP, "pulley"), (3.03, Finding.TOOTH_JUMP, "teeth")):
        places = scattered()
        places[25:, 0] += size
        homings = [dataclasses.replace(one, difference_mm=0.0) for one in rows(places)]
        found = judge_drift(homings, (), MACHINE.axes, None)
        assert found is not None
        ((axis, event),) = found.open_jumps
        assert (axis, event.finding, event.row) == ("x", finding, 25)
        with pytest.raises(RefusedError, match=rf"axis x: jumped.*{word}.*--looked"):
            refuse_jumps(found)
        before, after = (
            judge_drift(
                homings, [LookRow(1, BEGIN_MS, 2 * place + 2, "belt", "set", "Ada")], MACHINE.axes, None
            )
            for place in (24, 25)
        )
        assert before is not None
        assert after is not None
        assert before.open_jumps == found.open_jumps
        assert after.open_jumps == ()
        refuse_jumps(after)
        assert "axis x: Ada looked on" in " ".join(after.lines)
        assert word in " ".join(before.lines).replace("jumped teeth", "").replace("a pulley has", "")
        assert "tight" not in " ".join(after.lines)


def test_jump_at_the_last_homing_asks_for_another_homing() -> None:
    """One homing alone cannot tell a jump from a bad touch: homing again is the remedy, and tells."""
    places = scattered()
    places[-1, 1] += 0.5
    found = judged(places)
    with pytest.raises(RefusedError, match="giornata home"):
        refuse_jumps(found)
    back = judged(np.vstack([places, scattered(2, seed=9)]))
    assert back.axes["y"].finding is Finding.APART
    refuse_jumps(back)


@pytest.mark.parametrize(("cause", "used"), [("belt", 0.0), ("switch", 0.7), ("unknown", 0.7)])
def test_what_had_moved_decides_what_the_traps_bear(cause, used: float) -> None:
    """Homing makes up for a belt that slipped; a switch that moved is in every pass since."""
    places = scattered(sigma=0.01)
    places[20:, 0] += 0.7
    look = LookRow(1, BEGIN_MS, 60, cause, "set", "Ada")
    found = judged(places, (look,), JobDrift("low-tide", 3.0, BEGIN_MS))
    assert found.allowance is not None
    assert found.allowance.used_mm == pytest.approx(used, abs=0.02)


def test_only_what_lies_since_the_jobs_begin_counts() -> None:
    """A jump before the first pass, or before marks were measured, uses nothing of the job's traps."""
    places = scattered(sigma=0.01)
    places[20:, 0] += 0.7
    for since, used in ((10, 0.7), (19, 0.7), (20, 0.0), (30, 0.0)):
        since_ms = BEGIN_MS + since * (DAY_MS // 2) + 60_000
        found = judged(places, (), JobDrift("low-tide", 3.0, since_ms))
        assert found.allowance is not None
        assert found.allowance.used_mm == pytest.approx(used, abs=0.02)


def test_straight_after_marks_no_drift_is_claimed() -> None:
    """Marks that are measured now are what later homings are compared with: until one follows, no figure is given.

    The same after the first pass, and after a map was withdrawn; from the next homing on, the figure says since when.
    """
    places = scattered(sigma=0.01)
    places[20:, 0] += 0.7
    words = (("marks", "its marks were measured"), ("first pass", "its first pass began"),
             ("withdrawn", "its register map was withdrawn"))  # fmt: skip
    for since, told in words:
        last_ms = BEGIN_MS + 39 * (DAY_MS // 2) + 60_000
        at_once = judged(places, (), JobDrift("low-tide", 3.0, last_ms, since))
        assert at_once.compared == 1
        (said,) = [line for line in at_once.lines if "traps" in line]
        assert said == (
            f"low-tide: drift counts since {told}, and no homing has followed that could show any; "
            "the traps allow 3.0 mm"
        )
        later = judged(places, (), JobDrift("low-tide", 3.0, last_ms - DAY_MS // 2, since))
        assert later.compared == 2
        (said,) = [line for line in later.lines if "traps" in line]
        assert "drift 0.0 mm of the 3.0 mm that the traps allow" in said
        assert (f", since {told}" in said) is (since != "first pass")
    assert drift_json(at_once)["traps"]["compared"] == 1
    assert drift_json(at_once)["traps"]["since"] == "withdrawn"


def test_a_job_counts_from_its_map_before_its_first_pass() -> None:
    """Measured marks go before the first pass, a withdrawn map too; without passes and maps nothing counts."""
    measured = MapRow(
        1, "tide", 3, 50, ((1.0, 0.0, 0.0), (0.0, 1.0, 0.0)), (MarkMeasured("A", (0.0, 0.0), (0.1, 0.0)),), (), "Ada"
    )  # fmt: skip
    withdrawn = dataclasses.replace(measured, id=2, marks=())
    assert JobDrift.of("tide", 3.0, [], []).since_ms is None
    assert JobDrift.of("tide", 3.0, [7, 9], []) == JobDrift("tide", 3.0, 7, "first pass")
    assert JobDrift.of("tide", 3.0, [7, 9], [(50, measured)]) == JobDrift("tide", 3.0, 50, "marks")
    both = [(50, measured), (60, withdrawn)]
    assert JobDrift.of("tide", 3.0, [7, 9], both) == JobDrift("tide", 3.0, 60, "withdrawn")


def test_accepted_other_place_begins_a_history_anew() -> None:
    """After a homing far from the last that a person accepted, only what follows is compared; and that is said."""
    places = scattered()
    places[30:] += 41.0
    found = judged(places, (), JobDrift("low-tide", 3.0, BEGIN_MS))
    assert (found.axes["x"].homings, found.earlier) == (10, 30)
    assert found.axes["x"].finding is Finding.STEADY
    assert not found.whole
    assert "what was painted before that cannot be compared" in " ".join(found.lines)


@pytest.mark.parametrize(("x_mm", "y_mm", "goes_on"), [(3.0, 0.0, True), (0.0, -6.05, True), (2.5, 0.0, False),
                                                       (3.0, 3.0, False), (15.0, 0.0, False)])  # fmt: skip
def test_accepted_jump_of_whole_teeth_stays_in_its_history(x_mm: float, y_mm: float, goes_on: bool) -> None:
    """One axis off by a few belt pitches (3 mm) is the same counter and a named jump; any other place begins anew."""
    places = scattered(20)
    places[15:] += [x_mm, y_mm]
    found = judged(places)
    assert (found.axes["x"].homings, found.earlier) == ((20, 0) if goes_on else (5, 15))
    named = [(axis, event.finding, event.row) for axis, event in found.open_jumps]
    assert named == ([("x" if x_mm else "y", Finding.TOOTH_JUMP, 15)] if goes_on else [])


def test_refused_homings_and_halves_are_passed_over() -> None:
    """A refused homing and one with one axis only are no homings of the history."""
    good = rows(scattered(8))
    refused = rows(scattered(1) + 30.0, accepted=False, begin=8)
    half = rows(scattered(1), begin=9)[:1]
    found = judge_drift([*good, *refused, *half], (), MACHINE.axes, None)
    assert found is not None
    assert found.axes["x"].homings == 8
    assert judge_drift(refused, (), MACHINE.axes, None) is None


def test_json_says_the_same_in_plain_numbers() -> None:
    """Numbers of the judgement, unknown ones null: a program that reads strict JSON can read it."""
    import json

    few = drift_json(judged(scattered(2)))
    assert few["axes"]["x"]["rate_mm_day"] is None
    places = scattered()
    places[25:, 0] += 0.6
    found = drift_json(judged(places, (), JobDrift("low-tide", 3.0, BEGIN_MS)))
    json.dumps([few, found], allow_nan=False)
    assert found["refuses"] == [{"axis": "x", "finding": "sudden step", "confirmed": True}]
    assert found["axes"]["x"]["events"][0]["size_mm"] == pytest.approx(0.6, abs=0.03)
    assert found["traps"]["allowed_mm"] == 3.0
    assert len(found["homings"]) == 40


class _Listener(Watcher):
    """Keeps what it is told of drift."""

    def __init__(self) -> None:
        self.said: list[tuple[str, ...]] = []

    def drifted(self, drift) -> None:
        """Keep it."""
        self.said.append(drift.short)


def _write(bench, places_mm) -> None:
    """Put homings half a day apart into the bench's journal."""
    wanted = rows(places_mm)
    db = bench.journal._db
    for x, y in zip(wanted[::2], wanted[1::2], strict=True):
        session = bench.journal.begin_session("home")
        bench.journal.record_homing(session, None, [x, y], accepted=True, reason="")
        db.execute("UPDATE homings SET at_ms = ? WHERE session = ?", (x.at_ms, session))
    last = places_mm[-1]
    bench.runner.offsets = {
        axis: MACHINE.axes[axis].drive.direction * mm * float(MACHINE.axes[axis].drive.counts_per_mm)
        for axis, mm in zip("xy", last, strict=True)
    }


async def test_every_homing_is_followed_by_its_charts(bench) -> None:
    """The watcher hears of them after each homing, the service keeps them."""
    _write(bench, scattered(10))
    watcher = _Listener()
    service = bench.service(watcher)
    for count in (11, 12):
        await service.home()
        assert f"steady over {count} homings" in watcher.said[-1][0]
    assert service.drift is not None
    assert service.drift.axes["x"].homings == 12


async def test_painting_waits_for_a_look(bench, three) -> None:
    """After a slip of 0.5 mm painting is refused before anything opens; looked at, it paints; words agree."""
    places = scattered(20)
    places[12:, 0] += 0.5
    _write(bench, places)
    with pytest.raises(RefusedError, match="axis x: jumped by"):
        await bench.service().paint(three, ["teal-1"])
    assert bench.runner.calls == []
    root = bench.state.root
    with pytest.raises(InputError, match="what you found"):
        looking.look(BOATHOUSE, root, cause="belt", reason="  ", person="Ada")
    looking.look(BOATHOUSE, root, cause="belt", reason="pulley screw\ntightened", person="Ada")
    (result,) = await bench.service().paint(three, ["teal-1"])
    assert result.state == "finished"
    found = looking.drift(BOATHOUSE, root)
    assert found is not None
    assert "Ada looked on" in " ".join(found.lines)
    assert "pulley screw tightened (belt or pulley" in " ".join(found.lines)
    with pytest.raises(RefusedError, match="no jump waits"):
        looking.look(BOATHOUSE, root, cause="belt", reason="again", person="Ada")


async def test_jump_found_by_the_homing_before_a_pass_stops_that_pass(bench, three) -> None:
    """The pen is in, homing shows a jump: nothing is streamed after it."""
    places = scattered(20)
    _write(bench, places)
    drive = MACHINE.axes["y"].drive
    bench.runner.offsets["y"] += drive.direction * 0.5 * float(drive.counts_per_mm)
    with pytest.raises(RefusedError, match=r"axis y: jumped.*one homing alone"):
        await bench.service().paint(three, ["teal-1"])
    assert len(bench.runner.orders) == 1
    assert bench.journal.passes() == []
    await bench.service().home()
    with pytest.raises(RefusedError, match="--looked"):
        await bench.service().paint(three, ["teal-1"])


def test_job_painted_last_is_the_one_asked_of(tmp_path: Path, three) -> None:
    """Traps come from the folder that its pass was prepared in; when that is gone nothing is said of traps."""
    record = three.record.model_copy(update={"traps_mm": 2.5})
    folder = tmp_path / "prepared"
    folder.mkdir()
    (folder / "prepared.json").write_text(record.model_dump_json())
    journal = Journal.open(tmp_path / "j.sqlite", "boathouse")
    session = journal.begin_session("paint")
    journal.record_homing(session, None, rows(scattered(1)), accepted=True, reason="")
    journal.begin_pass(
        session, job="three", job_digest="", name="teal-1", ink="teal", ink_index=0, schedule_digest="d",
        folder=folder / "teal-1", strokes=3,
    )  # fmt: skip
    found = drift_now(journal, MACHINE)
    assert found is not None
    assert found.job is not None
    assert (found.job.name, found.job.traps_mm) == ("three", 2.5)
    (folder / "prepared.json").unlink()
    gone = drift_now(journal, MACHINE)
    assert gone is not None
    assert gone.allowance is None
    journal.close()
