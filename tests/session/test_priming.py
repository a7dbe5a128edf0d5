"""Priming on the swatch: when, where, until it is used up. The service is the real one, the runner answers as told."""

from __future__ import annotations

import contextlib
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from controller.config.errors import InputError, RefusedError
from controller.config.places import shipped
from controller.motion.schedule import Schedule, SegmentKind
from controller.session import pens
from controller.session.journal import Journal
from controller.session.operator import SimulatedOperator
from controller.session.prepare import prepare
from controller.session.prepared import Prepared, PreparedPass, PreparedSwatch
from controller.session.priming import Swatch, why_prime
from controller.session.priming import homing_s as homing_of
from controller.session.runner import Order
from controller.stream.spec import ScheduleTask, StreamOutcome
from tests.session.conftest import JOB, SVG

MACHINE = shipped("machines/boathouse.toml")
SWATCH = (
    "[swatch]\norigin_mm = [300.0, 20.0]\nsize_mm = [140.0, 40.0]\nprime_mm = 100.0\nprime_after_s = 60.0\n"
)

MOON = '<g id="moon"><path d="M 10 10 L 60 10" fill="none" stroke="#d9952b"/></g>'
OCHRE = '[[inks]]\nname = "ochre"\ngroup = "moon"\ncolour = "#d9952b"\ntip_mm = 4.0\n'


def prepared_with(folder: Path, swatch: str) -> Prepared:
    (folder / "three.svg").write_text(SVG)
    (folder / "job.toml").write_text(JOB + swatch)
    return prepare(folder / "job.toml", MACHINE, folder / "out")


def primed(bench) -> list[str]:
    return [run.what for run in bench.journal.runs() if run.what.startswith("prime")]


@given(
    width=st.floats(30, 400),
    height=st.floats(10, 300),
    prime_mm=st.floats(10, 600),
    tip_mm=st.floats(0.5, 12),
)
@settings(deadline=None, max_examples=80)
def test_places_lie_in_the_swatch_and_apart(
    width: float, height: float, prime_mm: float, tip_mm: float
) -> None:
    """As wide as the tip, no zigzag leaves the area or touches another's; each is as long as was asked for."""
    swatch = Swatch(
        PreparedSwatch(
            origin_mm=(10.0, 20.0), size_mm=(width, height), prime_mm=prime_mm, prime_after_s=1.0, tip_mm=tip_mm,
            speeds_mm_s={},
        )
    )  # fmt: skip
    some = [*range(min(swatch.places, 12)), swatch.places - 1] if swatch.places else []
    lines = [shapely.LineString(swatch.zigzag_mm(place)) for place in dict.fromkeys(some)]
    area = shapely.box(10.0, 20.0, 10.0 + width, 20.0 + height)
    for number, line in enumerate(lines):
        assert line.length >= prime_mm - 1e-6
        assert shapely.covers(shapely.buffer(area, 1e-6), shapely.buffer(line, tip_mm / 2.0))
        for other in lines[number + 1 :]:
            assert line.distance(other) > tip_mm


async def test_a_fresh_pen_is_primed_and_one_in_use_is_not(bench, tmp_path: Path) -> None:
    """Before the first pass a zigzag at the first place, pen down as long as asked, from and back to the park place.
    Painted again with the pen just used there is none; with a fresh one at the next place."""
    prepared = prepared_with(tmp_path, SWATCH)
    await bench.service().home()
    await bench.service().paint(prepared, ["teal-1"])
    assert primed(bench) == ["prime-teal"]
    task = next(order for order in bench.runner.orders if order.run.what == "prime-teal").tasks[0]
    assert isinstance(task, ScheduleTask)
    schedule = Schedule.load(Path(task.folder))
    strokes = schedule.segments[schedule.segments["kind"] == SegmentKind.STROKE]
    assert float(strokes["length_mm"].sum()) == pytest.approx(
        124.0, abs=8.0
    )  # two rows of 60 mm and 6 mm between
    assert schedule.boundaries_quanta()[-1].tolist() == list(schedule.start_quanta)
    assert prepared.record.swatch is not None
    swatch = Swatch(prepared.record.swatch)
    assert swatch.used(bench.journal) == 1
    await bench.service().paint(prepared, ["teal-1"], again=True)
    assert swatch.used(bench.journal) == 2
    events = [event.text for event in bench.journal.events() if event.kind == "prime"]
    assert [text.split(", ")[1][:7] for text in events] == ["place 1", "place 2"]


async def test_a_pen_that_waited_is_primed_again(bench, tmp_path: Path, monkeypatch) -> None:
    """The pen in use: primed when its tip was up for longer than the job says, not before; a fresh one in any case."""
    prepared = prepared_with(tmp_path, SWATCH)
    bench.journal.pens.add_pen("teal", session=None, pass_name="", person="p")
    (pen,) = bench.journal.pens.pens()
    part = prepared.part("teal-1").model_copy(update={"fresh_pen": False})
    now_ms = bench.journal.pens.now_ms()
    monkeypatch.setattr("controller.session.penrows.PenRows.now_ms", lambda _rows: now_ms)
    for waited_s, wanted in ((30, ""), (90, "its tip was up for 90 s")):
        use = pens.PenUse(pen, 1.0, 1.0, 1.0, 1.0, now_ms - 1000 * waited_s, None, True)
        monkeypatch.setattr(pens, "uses", lambda _journal, use=use: [use])
        assert why_prime(bench.journal, prepared, part) == wanted
        assert why_prime(bench.journal, prepared, prepared.part("teal-1")) == "it is fresh"


async def test_a_used_up_swatch_is_named_and_refused_until_it_is_clean(bench, tmp_path: Path) -> None:
    """One place only: the second fresh pen is refused before anything is painted; a clean sheet frees it."""
    prepared = prepared_with(tmp_path, SWATCH.replace("140.0, 40.0", "70.0, 15.0"))
    await bench.service().home()
    await bench.service().paint(prepared, ["teal-1"])
    before = len(bench.journal.runs())
    with pytest.raises(RefusedError) as refused:
        await bench.service().paint(prepared, ["teal-1"], again=True)
    assert (
        "swatch at 300,20 of 70 x 15 mm of three is used up: 1 place in all, 0 primings left"
        in refused.value.reason
    )
    assert "the teal pen of teal-1" in refused.value.reason
    assert "--clean-swatch" in refused.value.remedy
    assert "another place" in refused.value.remedy
    assert len(bench.journal.runs()) == before, "nothing has moved for it"
    assert len(bench.operator.asked) == 1, "and nobody was asked for a pen"
    pens.clean_swatch("boathouse", bench.state, "p")
    (result,) = await bench.service().paint(prepared, ["teal-1"], again=True)
    assert result.state == "finished"
    assert len(primed(bench)) == 2


class Slow(SimulatedOperator):
    """Says yes, after so many seconds by the clock that is given."""

    def __init__(self, clock: list[int], takes_s: float) -> None:
        super().__init__()
        self._clock, self._takes_s = clock, takes_s

    async def load_pen(self, part: PreparedPass, number: int, count: int) -> bool:
        """Yes, later."""
        self._clock[0] += round(1000.0 * self._takes_s)
        return await super().load_pen(part, number, count)


def same_pen(prepared: Prepared) -> Prepared:
    """The same job, its pass to be painted with the pen that is in use."""
    parts = tuple(one.model_copy(update={"fresh_pen": False}) for one in prepared.record.passes)
    return replace(prepared, record=prepared.record.model_copy(update={"passes": parts}))


@pytest.mark.parametrize(
    ("waited_s", "takes_s", "homing_s", "asked", "why"),
    [
        (90.0, 0.0, 0.0, 0, "its tip was up for 90 s"),
        (30.0, 40.0, 0.0, 1, "its tip was up for 70 s"),
        (30.0, 10.0, 25.0, 1, "its tip will have been up for 65 s or more by the time the machine has homed"),
        (45.0, 0.0, 25.0, 0, "its tip will have been up for 70 s or more by the time the machine has homed"),
        (30.0, 10.0, 5.0, 1, ""),
    ],
)
async def test_a_tip_that_will_be_too_old_is_refused_before_anything_moves(
    bench, tmp_path: Path, monkeypatch, waited_s: float, takes_s: float, homing_s: float, asked: int, why: str
) -> None:
    """With no place left: a tip that was up too long, that dries while a person is asked, or while the machine homes.

    How long homing takes is what the shortest of the last ones took; a longer or a refused one does not count.
    """
    prepared = same_pen(prepared_with(tmp_path, SWATCH.replace("140.0, 40.0", "70.0, 15.0")))
    clock = [1_790_000_000_000]
    journal = Journal.open(tmp_path / "day.sqlite", "boathouse", now_ms=lambda: clock[0])
    bench.journal, streamed = journal, bench.runner.run

    async def run_of(order: Order) -> StreamOutcome:
        clock[0] += round(1000.0 * homing_s) if order.run.what == "homing" else 0
        return await streamed(order)

    bench.runner.run = run_of
    await bench.service().home()
    assert prepared.record.swatch is not None
    journal.note("prime", f"{Swatch(prepared.record.swatch).key}, place 1 of 1: teal, teal-1", 1)
    for took_s, end in ((homing_s + 60.0, "done"), (0.0, "failed")):
        run = journal.begin_run(1, "homing", lambda number: tmp_path / f"{number:04d}-homing", pass_id=None)
        clock[0] += round(1000.0 * took_s)
        journal.end_run(run.id, end, "", realtime=True)
    assert homing_of(journal) == homing_s
    journal.pens.add_pen("teal", session=None, pass_name="", person="p")
    (pen,) = journal.pens.pens()
    use = pens.PenUse(pen, 1.0, 1.0, 1.0, 1.0, clock[0] - round(1000.0 * waited_s), None, True)
    monkeypatch.setattr(pens, "uses", lambda _journal: [use])
    bench.operator = Slow(clock, takes_s)
    before = len(journal.runs())
    if not why:
        await bench.service().paint(prepared, ["teal-1"])
        assert len(journal.runs()) > before
    else:
        with pytest.raises(RefusedError) as refused:
            await bench.service().paint(prepared, ["teal-1"])
        assert f"has to be primed ({why}) and the swatch" in refused.value.reason
        assert len(journal.runs()) == before, "nothing has moved for it"
    assert len(bench.operator.asked) == asked
    journal.close()


async def test_too_few_places_for_all_passes_are_told_before_the_first(bench, tmp_path: Path) -> None:
    """Two inks, one place: said before the first pass, which is painted; the second is refused before it moves."""
    (tmp_path / "three.svg").write_text(SVG.replace("</svg>", MOON + "</svg>"))
    (tmp_path / "job.toml").write_text(JOB + OCHRE + SWATCH.replace("140.0, 40.0", "70.0, 15.0"))
    prepared = prepare(tmp_path / "job.toml", MACHINE, tmp_path / "out")
    notes: list[str] = []
    service = bench.service()
    service.watcher.note = notes.append
    await service.home()
    with pytest.raises(RefusedError, match="the ochre pen of ochre-1 has to be primed"):
        await service.paint(prepared, ["teal-1", "ochre-1"])
    assert any("has 1 priming left and 2 are wanted" in note for note in notes)
    assert [row.state for row in bench.journal.passes()] == ["finished"]
    assert bench.journal.runs()[-1].what == "teal-1"


async def test_without_a_swatch_nothing_is_primed(bench, three) -> None:
    """A job that names none is painted as ever."""
    await bench.service().home()
    await bench.service().paint(three, ["teal-1"])
    assert primed(bench) == []


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("[300.0, 20.0]", "[40.0, 50.0]", "an area clear of the picture"),
        ("[300.0, 20.0]", "[99000.0, 20.0]", "an area on the canvas"),
        ("[140.0, 40.0]", "[140.0, 4.0]", "room for 100 mm of zigzag"),
    ],
)
def test_a_swatch_that_cannot_be_is_bad_input(tmp_path: Path, old: str, new: str, words: str) -> None:
    """In the picture, off the canvas, too small: each is named before anything is prepared."""
    with pytest.raises(InputError, match=words):
        prepared_with(tmp_path, SWATCH.replace(old, new))


async def test_places_outlive_the_session(bench, tmp_path: Path) -> None:
    """Which places are used is in the journal, not in a process."""
    prepared = prepared_with(tmp_path, SWATCH)
    await bench.service().home()
    await bench.service().paint(prepared, ["teal-1"])
    assert prepared.record.swatch is not None
    with contextlib.closing(Journal.read(bench.state.journal)) as journal:
        assert Swatch(prepared.record.swatch).used(journal) == 1
    assert np.isfinite(Swatch(prepared.record.swatch).zigzag_mm(1)).all()
