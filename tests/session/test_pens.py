"""Pens and upkeep: sums by hand-made ticks, rows kept, what a person enters, what is due."""

from __future__ import annotations

import shutil
import sqlite3
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from controller.config.errors import HaltedError, InputError, RefusedError
from controller.config.load import load_job, load_machine
from controller.config.maintenance import Maintenance
from controller.config.places import StateDir, shipped
from controller.session import maintenance, pens
from controller.session.journal import Journal
from controller.session.prepared import load_prepared
from controller.session.runsums import RunSums
from controller.session.watcher import Watcher
from controller.stream.record import TICK_DTYPE
from controller.stream.spec import StreamOutcome
from safety import latch

MACHINE = shipped("machines/boathouse.toml")


def ticks(velocity: object, head: object, enabled: bool = True) -> npt.NDArray[np.void]:
    rows = np.asarray(velocity, dtype=np.int32).reshape(-1, 2)
    out = np.zeros(len(rows), dtype=TICK_DTYPE)
    out["velocity_units"], out["head"] = rows, head
    out["statusword"] = 0x0237 if enabled else 0x0250
    return out


def test_sums_of_a_hand_made_run() -> None:
    """Ten ticks: forth, rest, back on x with one turn; the pen down twice; y moves once; hours are ticks."""
    machine = load_machine(MACHINE)
    per_mm = abs(machine.quanta_per_mm("x"))
    x = [100, 100, 0, -50, -50, 0, 0, 0, 0, 0]
    y = [0, 0, 0, 0, 0, 7, 0, 0, 0, 0]
    head = [0, 1, 1, 0, 0, 0, 1, 0, 0, 0]
    sums = RunSums(machine)
    sums.take(ticks(np.column_stack([x, y]), head))
    row = sums.row(3, None, 0.0)
    tick_s = machine.tick_ns * 1e-9
    assert row.x_mm == pytest.approx(300 / per_mm)
    assert (row.x_reversals, row.y_reversals, row.lifts) == (1, 0, 2)
    assert row.moving_s == pytest.approx(5 * tick_s)
    assert (row.down_s, row.up_s) == pytest.approx((3 * tick_s, 7 * tick_s))
    assert (row.longest_up_s, row.last_up_s) == pytest.approx((3 * tick_s, 3 * tick_s))
    assert row.powered_s == pytest.approx(10 * tick_s)


def test_trim_at_rest_is_no_motion() -> None:
    """A trim of one unit to and fro is neither a way nor a reversal; drives that are off count as off."""
    machine = load_machine(MACHINE)
    records = ticks([[1, -1], [-1, 1]] * 4, 0, enabled=False)
    records["trim_units"] = records["velocity_units"]
    sums = RunSums(machine)
    sums.take(records)
    row = sums.row(1, None, 0.0)
    assert (row.x_mm, row.x_reversals, row.moving_s, row.powered_s) == (0.0, 0, 0.0, 0.0)


@given(data=st.data())
@settings(deadline=None, max_examples=60)
def test_sums_do_not_depend_on_how_records_come(data: st.DataObject) -> None:
    """Whatever the batches, the sums are those of all records at once."""
    count = data.draw(st.integers(1, 40))
    velocity = data.draw(st.lists(st.integers(-2, 2), min_size=2 * count, max_size=2 * count))
    head = data.draw(st.lists(st.integers(0, 1), min_size=count, max_size=count))
    cuts = sorted(data.draw(st.lists(st.integers(0, count), max_size=5)))
    records = ticks(velocity, head)
    machine = load_machine(MACHINE)
    whole, pieces = RunSums(machine), RunSums(machine)
    whole.take(records)
    for first, last in zip([0, *cuts], [*cuts, count], strict=True):
        pieces.take(records[first:last])
    assert pieces.row(1, None, 0.0) == whole.row(1, None, 0.0)


async def test_a_pass_writes_down_its_pen_and_what_it_painted(bench, three) -> None:
    """A fresh pen before the first pass; three lines of 50 mm; the run has its sums and names the pen."""
    await bench.service().home()
    await bench.service().paint(three, ["teal-1"])
    (use,) = pens.uses(bench.journal)
    assert (use.pen.ink, use.pen.pass_name, use.is_last) == ("teal", "teal-1", True)
    assert use.metres == pytest.approx(0.150)
    assert [row.pen for row in bench.journal.pens.sums()][-1] == use.pen.id


async def test_a_begun_pass_goes_on_with_its_pen(bench, three) -> None:
    """Stopped after one stroke: the person is asked for the pen in use with its metres, and no second pen is counted.
    Painted again from the start, a fresh one is."""
    await bench.service().home()
    bench.runner.strokes, bench.runner.pass_end = 1, StreamOutcome(end="stopped")
    with pytest.raises(Exception, match="stopped"):
        await bench.service().paint(three, ["teal-1"])
    bench.runner.strokes, bench.runner.pass_end = 3, StreamOutcome(end="done")
    await bench.service().paint(three, ["teal-1"])
    said = [text for text in bench.operator.asked if " pen teal " in text]
    assert [text.split()[0] for text in said] == ["fresh", "same"]
    assert len(bench.journal.pens.pens()) == 1
    assert pens.uses(bench.journal)[0].metres == pytest.approx(0.150)
    await bench.service().paint(three, ["teal-1"], again=True)
    assert len(bench.journal.pens.pens()) == 2


async def test_a_disk_that_refuses_sums_does_not_stop_the_session(bench, three, monkeypatch) -> None:
    """The pass is finished all the same; the person is told."""
    notes: list[str] = []
    service = bench.service()
    service.watcher.note = notes.append  # type: ignore[method-assign]
    await service.home()

    def refuse(*_: object) -> None:
        raise sqlite3.OperationalError("disk full")

    monkeypatch.setattr("controller.session.penrows.PenRows.add_sums", refuse)
    (result,) = await service.paint(three, ["teal-1"])
    assert result.state == "finished"
    assert any("disk full" in note for note in notes)


@pytest.mark.parametrize("left", [0, 100, 1000])
async def test_strokes_that_cannot_be_read_do_not_hide_how_a_run_ended(
    bench, three, tmp_path, left: int
) -> None:
    """A file of strokes that was cut short while the pass ran: the halt comes through, and what is missing is told."""
    folder = tmp_path / "job"
    shutil.copytree(three.folder, folder)
    prepared = load_prepared(folder)
    path = prepared.pass_folder("teal-1") / "strokes.npz"

    def halt() -> None:
        path.write_bytes(path.read_bytes()[:left])
        latch.write(bench.state.latch, latch.Latch("lease-out", "the lease ended", standstill="proved"))

    told: list[str] = []

    class Told(Watcher):
        def note(self, text: str) -> None:
            told.append(text)

    service = bench.service(Told())
    await service.home()
    bench.runner.during = halt
    bench.runner.pass_end = StreamOutcome(end="halted", reason="the lease ended")
    with pytest.raises(HaltedError):
        await service.paint(prepared, ["teal-1"], homed_now=True)
    assert any("the sums of run" in line and "strokes.npz" in line for line in told)


def test_stock_counts_down_from_the_last_count(tmp_path: Path) -> None:
    """Counted 4, two put in: 2 left. Counted anew: that counts. Of an ink that nobody counted nothing is said."""
    state = StateDir.open(tmp_path, "m")
    enter = lambda **what: pens.enter("m", state, "p", **{"stock": {}, "fresh": (), "widths": {}, **what})  # noqa: E731
    enter(fresh=("teal",))
    enter(stock={"teal": 4})
    enter(fresh=("teal", "teal", "ochre"))
    with _closing(state) as journal:
        assert pens.left(journal) == {"teal": 2}
    enter(stock={"teal": 9})
    with _closing(state) as journal:
        assert pens.left(journal) == {"teal": 9}
    with pytest.raises(InputError, match="0 to 10000 pens"):
        enter(stock={"teal": -1})
    with pytest.raises(RefusedError, match="no black pen"):
        enter(widths={"black": 2.5})


def _closing(state: StateDir):  # type: ignore[no-untyped-def]
    import contextlib

    return contextlib.closing(Journal.read(state.journal))


WORN = """
[[inks]]
name = "teal"
group = "water"
colour = "#1f7a78"
tip_mm = 4.0
tip = "felt"
[tips.felt]
metres = [0.0, 100.0]
width_mm = [4.0, 5.0]
"""


def test_a_measured_width_scales_the_whole_wear_table(tmp_path: Path) -> None:
    """4.4 mm where the table says 4.0 for a new tip: all of the table and the new tip are 10 % wider.
    A width far off what the job expects is a slip."""
    job_path = tmp_path / "job.toml"
    job_path.write_text(f'format = 1\nname = "a"\nartwork = "a.svg"\norigin_mm = [0.0, 0.0]\n{WORN}')
    job = load_job(job_path)
    state = StateDir.open(tmp_path / "s", "m")
    pens.enter("m", state, "p", stock={}, fresh=("teal",), widths={"teal": 4.4})
    with _closing(state) as journal:
        factors = pens.width_factors(journal, job)
    assert factors == pytest.approx({"teal": 1.1})
    measured = pens.with_measured_tips(job, factors)
    (ink,) = measured.inks
    assert ink.tip_mm == pytest.approx(4.4)
    assert ink.tip is not None
    assert measured.tips[ink.tip].width_mm == pytest.approx((4.4, 5.5))
    assert pens.with_measured_tips(job, {}) is job
    pens.enter("m", state, "p", stock={}, fresh=(), widths={"teal": 44.0})
    with _closing(state) as journal, pytest.raises(InputError, match=r"near 4\.00 mm"):
        pens.width_factors(journal, job)


async def test_what_is_due_is_told_until_somebody_has_inspected_it(bench, three) -> None:
    """An interval that is over is due; after an inspection it counts from there, in all it goes on."""
    await bench.service().home()

    class Moving(type(bench.runner)):  # type: ignore[misc]
        async def run(self, order):  # type: ignore[no-untyped-def]
            order.on_records(ticks([[1000, 0]] * 100 + [[-1000, 0]] * 100, [0, 1] * 100))
            return await super().run(order)

    bench.runner = Moving(**vars(bench.runner))
    await bench.service().paint(three, ["teal-1"])
    machine = load_machine(MACHINE)
    way_m = 2 * 2 * 100 * 1000 / abs(machine.quanta_per_mm("x")) / 1000.0  # in homing and pass alike
    limits = Maintenance(belt_metres=way_m / 1.05, pen_lifts=1e6)
    machine = machine.model_copy(update={"maintenance": limits})
    found = maintenance.upkeep(bench.journal, machine, bench.state)
    by_part = {one.part: one for one in found.counters}
    assert by_part["belt-x"].total == pytest.approx(way_m)
    assert {part: one.state for part, one in by_part.items() if one.state} == {"belt-x": "due"}
    assert "inspect belt of x" in found.reminders[0]
    # A run's pen is down at its end: 99 lifts in each.
    assert by_part["head"].total == 2 * 99
    maintenance.inspect("boathouse", bench.state, ["belt-x"], "teeth  fine", "ann")
    again = maintenance.upkeep(bench.journal, machine, bench.state)
    assert again.reminders == ()
    belt = again.counters[0]
    assert (belt.since, belt.total) == pytest.approx((0.0, way_m))
    assert belt.inspected is not None
    assert (belt.inspected.note, belt.inspected.person) == ("teeth fine", "ann")
    with pytest.raises(InputError, match="one of belt-x"):
        maintenance.inspect("boathouse", bench.state, ["wings"], "", "ann")


def test_a_journal_of_version_4_is_read_as_it_is(tmp_path: Path) -> None:
    """A reader finds no pens in it; a session brings it up to date."""
    path = tmp_path / "j"
    Journal.open(path, "m").close()
    db = sqlite3.connect(path)
    for table in ("pens", "pen_stock", "tip_widths", "run_sums", "inspections", "clock", "clock_jumps"):
        db.execute(f"DROP TABLE {table}")  # (constants)
    db.execute("PRAGMA user_version=4")
    db.commit()
    db.close()
    journal = Journal.read(path)
    assert (journal.pens.pens(), journal.pens.sums(), pens.left(journal)) == ([], [], {})
    journal.close()
    journal = Journal.open(path, "m")
    journal.pens.add_pen("teal", session=None, pass_name="", person="p")
    assert [row.ink for row in journal.pens.pens()] == ["teal"]
    journal.close()
