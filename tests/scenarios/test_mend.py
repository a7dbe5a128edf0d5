"""Faded strokes and touch-up, from painting in virtual time to a mend that is painted as any pass."""

from __future__ import annotations

import asyncio
import contextlib
import json
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from controller.config.errors import InputError, RefusedError
from controller.config.load import load_machine
from controller.config.machine import AXES
from controller.report.deviation import stroke_deviations
from controller.report.mended import Asked, Made, make
from controller.report.painted import load_painted
from controller.session import mends, verbs
from controller.session.faded import BACK_MM
from controller.session.journal import Journal
from controller.session.operator import SimulatedOperator
from controller.session.service import Service, StoppedError
from controller.session.virtualrunner import VirtualRunner
from controller.session.watcher import Watcher
from controller.stream.timinglog import read_timing_log

TICK_S = 0.004


def asked(bench, **what: object) -> Asked:
    return Asked(bench.job, bench.machine, bench.state, person="test", **what)  # type: ignore[arg-type]


def made(bench, **what: object) -> tuple[Made, ...]:
    return make(asked(bench, **what), lambda *_: None)


def paint_mend(bench, name: str, watcher: Watcher | None = None) -> verbs.Done:
    prepared = mends.asked_for(
        bench.job, bench.machine, bench.state, [name], None, (watcher or Watcher()).note
    )
    assert prepared is not None
    return asyncio.run(
        verbs.paint(
            prepared, bench.machine, bench.root, SimulatedOperator(), watcher or Watcher(), passes=[name],
            runner_of=VirtualRunner, signals=False,
        )
    )  # fmt: skip


def streamed(bench, name: str) -> np.ndarray:
    """Records of the schedule of a pass' last run, travel home included."""
    with contextlib.closing(Journal.read(bench.state.journal)) as journal:
        row = next(one for one in reversed(journal.passes()) if one.name == name)
        run = [one for one in journal.runs() if one.pass_id == row.id][-1]
    records = read_timing_log(run.folder / "timing.gtl").records
    return records[records["segment"] >= 0]


def test_what_a_dry_pen_painted_is_painted_again(bench) -> None:
    """The pass ran T seconds; dry for the last part of them: just the strokes under the pen since then, the one under
    way from a place that the machine had not reached yet by then, and at most the stated way earlier."""
    bench.home()
    bench.paint(inks=["ochre"])
    records = streamed(bench, "ochre-1")
    prepared = bench.prepared()
    segments = np.array(prepared.schedule("ochre-1").segments)
    down = np.flatnonzero(records["head"] == 1)
    # In the middle of the third stroke but one that is painted.
    number = np.unique(segments["stroke"][records["segment"][down]])[-3]
    of_stroke = down[segments["stroke"][records["segment"][down]] == number]
    cut = int(of_stroke[len(of_stroke) * 2 // 3])
    (one,) = made(bench, dry_minutes=(len(records) - cut) * TICK_S / 60.0)
    assert one.mend is not None
    assert (one.mend.name, one.ink) == ("ochre-mend-1", "ochre")
    (of_pass,) = one.figures["passes"]
    assert of_pass["strokes"] == list(range(number, prepared.part("ochre-1").strokes))
    # Where the motors were at that tick, by the drives' own counts.
    machine = load_machine(bench.machine)
    with contextlib.closing(Journal.read(bench.state.journal)) as journal:
        offsets = [journal.last_homing(axis).offset_counts for axis in AXES]
    drives = [machine.axes[axis].drive for axis in AXES]
    per_mm = np.array([drive.direction * float(drive.counts_per_mm) for drive in drives])
    at_mm = (records["measured_counts"][cut] - offsets) / per_mm - machine.canvas.origin_mm
    strokes = one.mend.prepared.strokes("ochre-mend-1")
    begins = strokes.stroke_mm(0)[0]
    line = prepared.strokes("ochre-1").stroke_mm(int(number))
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(line, axis=0).T))])
    fine = np.linspace(0.0, along[-1], 20_000)
    way = np.column_stack([np.interp(fine, along, line[:, axis]) for axis in (0, 1)])
    reached = fine[np.hypot(*(way - at_mm).T).argmin()]
    begun = of_pass["from_mm"][0]
    assert np.hypot(*(way - begins).T).min() < 0.01
    assert reached - BACK_MM - 4.0 <= begun <= max(reached - BACK_MM + 4.0, 0.0)
    assert of_pass["from_mm"][1:] == [0.0] * (len(of_pass["from_mm"]) - 1)
    # It is painted as any pass, and the canvas has those strokes twice, the rest once.
    done = paint_mend(bench, "ochre-mend-1")
    assert [(row.name, row.state) for row in done.passes] == [("ochre-mend-1", "finished")]
    painted = load_painted(bench.state.twin / "canvas.npz")
    found = stroke_deviations(painted, prepared.strokes("ochre-1"), "ochre")
    assert found["contacts"].tolist() == [1] * int(number) + [2] * (len(found) - int(number))
    assert found["off_max_mm"].max() < 0.5
    with Image.open(one.mend.picture) as picture:
        assert picture.width > 500
    # And once begun it cannot be taken away.
    with pytest.raises(RefusedError, match="ochre-mend-1 has been painted"):
        mends.forget(bench.state, "small-tide", "ochre-mend-1")


@pytest.mark.campaign
def test_more_minutes_than_the_ink_took_take_all_of_it(bench) -> None:
    """All strokes, with a word about it; another ink painted since then is left alone unless it is asked for."""
    bench.home()
    bench.paint()
    (teal,) = made(bench, dry_minutes=600.0)
    assert teal.ink == "teal"
    assert teal.figures["strokes"] == bench.prepared().part("teal-1").strokes
    assert "everything is taken" in teal.notes[-1]
    (ochre,) = made(bench, dry_minutes=600.0, inks=("ochre",))
    assert ochre.figures["metres"] == pytest.approx(bench.prepared().part("ochre-1").metres)


def test_pauses_are_not_counted(bench, seen) -> None:
    """A pass that was stopped and went on: its minutes run through both runs, and the homing between counts as none."""
    services: list[Service] = []
    seen.at_strokes, seen.on_strokes = 3, lambda: services[0].stop("pause", "test")
    bench.home()
    with pytest.raises(StoppedError):
        bench.paint(seen, meanwhile=services.append, inks=["ochre"])
    first = len(streamed(bench, "ochre-1"))
    bench.paint(inks=["ochre"])
    second = len(streamed(bench, "ochre-1"))
    everything = (first + second) * TICK_S / 60.0
    (one,) = made(bench, dry_minutes=everything * 0.999)
    assert one.figures["strokes"] == bench.prepared().part("ochre-1").strokes
    (late,) = made(bench, dry_minutes=second * TICK_S / 60.0)
    with contextlib.closing(Journal.read(bench.state.journal)) as journal:
        row = journal.passes()[0]
        runs = [run.id for run in journal.runs() if run.pass_id == row.id]
        of_second = [stroke for stroke, run, _ in journal.stroke_rows(row.id) if run == runs[-1]]
    assert late.figures["passes"][0]["strokes"] == of_second


def test_a_region_takes_what_runs_through_it_in_every_ink(bench) -> None:
    """A rectangle around a stretch of the ochre line at y = 80 of the canvas: 30 mm of it and nothing else."""
    bench.home()
    bench.paint()
    (one,) = made(bench, boxes=("50,78,80,82",))
    assert one.ink == "ochre"
    assert one.figures["metres"] == pytest.approx(0.030, abs=0.002)
    with pytest.raises(RefusedError, match="nothing has been painted in this region"):
        made(bench, boxes=("500,500,600,600",))
    both = made(bench, boxes=("0,0,300,200",))
    assert [found.ink for found in both] == ["ochre", "teal"]


@pytest.mark.campaign
def test_an_overlay_lies_where_the_artwork_lies(bench) -> None:
    """The same stretch, drawn as a rectangle in an SVG of the artwork's own sheet."""
    bench.home()
    bench.paint()
    drawn = bench.root.parent / "over.svg"
    drawn.write_text(
        '<svg xmlns="http://www.w3.org/2000/svg" width="200mm" height="120mm" viewBox="0 0 200 120">'
        '<rect x="30" y="58" width="30" height="4" fill="#ff0000"/></svg>'
    )
    (one,) = made(bench, overlays=(drawn,))
    assert one.figures["metres"] == pytest.approx(0.030, abs=0.002)
    assert one.mend is not None
    x0, y0, x1, y1 = one.mend.prepared.strokes(one.name).bounds_mm()
    assert (x0, x1, y0, y1) == pytest.approx((50, 80, 80, 80), abs=1.0)


def test_strokes_that_are_not_kept_any_more_are_not_made_up(bench) -> None:
    """Artwork changed and prepared anew since: refused with the reason, for minutes and regions alike."""
    bench.home()
    bench.paint(inks=["ochre"])
    drawing = bench.job.with_name("small.svg")
    drawing.write_text(drawing.read_text().replace("M 20 95 L 60 95", "M 20 95 L 70 95"))
    bench.prepared()
    with pytest.raises(RefusedError, match="ochre-1 was painted from are not kept any more"):
        made(bench, dry_minutes=1.0)


def test_a_mend_outlives_another_machine_file(bench) -> None:
    """A slower machine: the mend's ticks are planned anew, its strokes stay to the last bit."""
    bench.home()
    bench.paint(inks=["ochre"])
    (one,) = made(bench, dry_minutes=600.0)
    assert one.mend is not None
    before = one.mend.prepared
    text = bench.machine.read_text()
    assert "paint_speed_mm_s = " in text
    bench.machine.write_text(text.replace("paint_speed_mm_s = 2", "paint_speed_mm_s = 1", 1))
    notes: list[str] = []
    after = mends.asked_for(bench.job, bench.machine, bench.state, [one.name], None, notes.append)
    assert after is not None
    assert "machine file has changed" in notes[0]
    assert after.part(one.name).ticks > before.part(one.name).ticks
    assert after.stale() == []
    assert np.array_equal(after.strokes(one.name).points_mm, before.strokes(one.name).points_mm)


def test_a_mend_and_other_passes_are_painted_one_by_one(bench) -> None:
    """Names of both together are bad input; names of the job's own are none of ours."""
    bench.home()
    bench.paint(inks=["ochre"])
    (one,) = made(bench, dry_minutes=600.0)
    known = (bench.job, bench.machine, bench.state)
    assert mends.asked_for(*known, ["teal-1"], None, print) is None
    with pytest.raises(InputError, match="passes of one mend"):
        mends.asked_for(*known, ["teal-1", one.name], None, print)
    mends.forget(bench.state, "small-tide", one.name)
    assert mends.mends_of(bench.state, "small-tide") == ()


FLAT_SVG = """<svg xmlns="http://www.w3.org/2000/svg" width="200mm" height="120mm" viewBox="0 0 200 120">
<g id="moon"><rect x="10" y="20" width="60" height="60" fill="#d9952b"/></g>
<g id="water"><rect x="70" y="20" width="60" height="60" fill="#1f7a78"/></g></svg>
"""


def test_a_touch_up_from_a_table_of_shifts(bench, tmp_path: Path) -> None:
    """Ochre lies 1.2 mm to the left of where it should: 60 * 1.2 mm2 of canvas, closed by a pass that is painted."""
    bench.job.with_name("small.svg").write_text(FLAT_SVG)
    text = bench.job.read_text().replace("tip_mm = 4.0", "tip_mm = 3.0")
    bench.job.write_text(text + '[[techniques]]\nfill = "flat"\n')
    table = tmp_path / "shifts.csv"
    table.write_text("x_mm,y_mm,dx_mm,dy_mm\n30,40,-1.2,0\n90,100,-1.2,0.0\n\n30,100,-1.2,0\n")
    (one,) = made(bench, shifts_file=table, inks=("ochre",))
    assert one.mend is not None
    assert one.name == "ochre-touch-1"
    assert one.figures["before_mm2"] == pytest.approx(72.0, rel=5e-3)
    assert one.figures["after_mm2"] < 2.0
    assert one.figures["on_others_mm2"] < 2.0
    about = json.loads(one.mend.prepared.folder.with_name("ochre-touch-1.json").read_text())
    assert about["person"] == "test"
    bench.home()
    done = paint_mend(bench, one.name)
    assert [(row.name, row.state) for row in done.passes] == [("ochre-touch-1", "finished")]
    (none,) = made(bench, shifts=("50,50:+1.2,0",), inks=("ochre",))
    assert none.mend is None
    assert "no canvas shows" in none.nothing


@pytest.mark.parametrize(
    ("what", "words"),
    [
        ({"shifts": ("50,50:1",), "inks": ("ochre",)}, "X,Y:DX,DY"),
        ({"shifts": ("50,50:1,0",)}, "--ink NAME once"),
        ({"shifts": ("50,50:1,0",), "inks": ("ochre",), "dry_minutes": 4.0}, "either measured shifts"),
        ({"shifts": ("50,50:99,0",), "inks": ("ochre",)}, "shifts up to 50 mm"),
        ({"shifts": ("50,50:1,0",), "inks": ("ochre",)}, "a job with techniques"),
        ({"dry_minutes": float("nan")}, "minutes above 0"),
        ({"boxes": ("1,2,3",)}, "X0,Y0,X1,Y1"),
        ({"inks": ("red",), "dry_minutes": 1.0}, "one of ochre, teal"),
    ],
)
def test_what_cannot_be_is_bad_input(bench, what: dict[str, object], words: str) -> None:
    """Each mistake of the person is named with what was expected."""
    with pytest.raises(InputError, match=words):
        made(bench, **what)
