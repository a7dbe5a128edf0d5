"""Preparing passes: within what pens and people last by their schedules, every stroke once, worn tips by pen."""

from __future__ import annotations

import itertools
import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from controller.config.errors import InputError
from controller.config.places import shipped
from controller.motion.schedule import SegmentKind
from controller.session.prepare import prepare
from controller.session.prepared import Prepared, load_prepared
from controller.strokes.strokeset import StrokeKind
from controller.strokes.times import StrokeTimes

MACHINE = shipped("machines/boathouse.toml")

SVG = '<svg xmlns="http://www.w3.org/2000/svg" width="600mm" height="400mm" viewBox="0 0 600 400">{}</svg>'
TEAL = '[[inks]]\nname = "teal"\ncolour = "#1f7a78"\ntip_mm = 4.0\n'
OCHRE = '[[inks]]\nname = "ochre"\ncolour = "#d9952b"\ntip_mm = 4.0\n'
DOTS = '[[techniques]]\nfill = "dots"\n'


def made(folder: Path, shapes: str, job: str, **options: Any) -> Prepared:
    """A job on canvas of which x and y are the drawing's plus 20 mm."""
    folder.mkdir(exist_ok=True)
    (folder / "bay.svg").write_text(SVG.format(shapes))
    (folder / "job.toml").write_text(
        f'format = 1\nname = "bay"\nartwork = "bay.svg"\norigin_mm = [20.0, 20.0]\n{job}'
    )
    return prepare(folder / "job.toml", MACHINE, folder / "out", **options)


def dots(columns: int, rows: int, radius_mm: float = 6.0, colour: str = "#1f7a78") -> str:
    return "".join(
        f'<circle id="d{x}-{y}" cx="{x * 16 + 20}" cy="{y * 16 + 20}" r="{radius_mm}" fill="{colour}"/>'
        for x in range(columns)
        for y in range(rows)
    )


def names_of(prepared: Prepared) -> list[str]:
    """Elements of all strokes of all passes."""
    found = [prepared.strokes(one.name) for one in prepared.record.passes]
    return [strokes.element_ids[element] for strokes in found for element in strokes.element]


def test_passes_keep_to_pen_and_watch(tmp_path: Path) -> None:
    """Every dot is painted once; no pass takes more metres or minutes than a pen or a person lasts; pens add up."""
    limits = TEAL + "pen_metres = 4.0\npen_minutes = 0.9\n" + DOTS + "[sitting]\nwatch_minutes = 0.6\n"
    prepared = made(tmp_path, dots(14, 10), limits)
    record = load_prepared(tmp_path / "out").record
    assert sorted(names_of(prepared)) == sorted(f"d{x}-{y}" for x in range(14) for y in range(10))
    assert [one.name for one in record.passes] == [f"teal-{n}" for n in range(1, len(record.passes) + 1)]
    assert len(record.passes) > 4
    pen_m = pen_s = 0.0
    for one in record.passes:
        strokes, schedule = prepared.strokes(one.name), prepared.schedule(one.name)
        assert one.strokes == len(strokes)
        assert one.metres == pytest.approx(strokes.lengths_mm().sum() / 1000.0)
        assert (one.ticks, one.digest) == (schedule.ticks, schedule.digest())
        assert one.seconds == pytest.approx(schedule.ticks * 0.004)
        assert one.seconds <= 0.6 * 60.0
        assert not one.too_long
        assert one.pen_m == pytest.approx(0.0 if one.fresh_pen else pen_m)
        pen_m, pen_s = (
            (0.0 if one.fresh_pen else pen_m) + one.metres,
            (0.0 if one.fresh_pen else pen_s) + one.seconds,
        )
        assert pen_m <= 4.0
        assert pen_s <= 0.9 * 60.0
    (ink,) = record.inks
    assert (ink.passes, ink.strokes) == (len(record.passes), 140)
    assert ink.pens == record.pens == sum(one.fresh_pen for one in record.passes) > 1
    assert record.pen_changes == record.pens - 1
    assert record.seconds == pytest.approx(sum(one.seconds for one in record.passes))
    assert record.breaks_minutes == pytest.approx(5.0 * (len(record.passes) - 1))


def test_passes_are_cut_anew_by_what_schedules_take(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Where the model of times says too little by a third, passes keep to the watch all the same."""
    of = StrokeTimes.of.__func__  # type: ignore[attr-defined]

    def hopeful(cls: Any, strokes: Any, ink: Any, machine: Any, pace: float = 1.0) -> StrokeTimes:
        found: StrokeTimes = of(cls, strokes, ink, machine, 0.66 * pace)
        return found

    job = TEAL + DOTS + "[sitting]\nwatch_minutes = 0.5\n"
    honest = made(tmp_path / "a", dots(10, 8), job).record
    monkeypatch.setattr(StrokeTimes, "of", classmethod(hopeful))
    prepared = made(tmp_path / "b", dots(10, 8), job)
    assert max(one.seconds for one in prepared.record.passes) <= 0.5 * 60.0
    assert sorted(names_of(prepared)) == sorted(f"d{x}-{y}" for x in range(10) for y in range(8))
    assert abs(len(prepared.record.passes) - len(honest.passes)) <= 1


def test_a_stroke_that_is_too_long_is_a_pass_and_said(tmp_path: Path) -> None:
    """Nothing can be cut within a stroke: it is a pass by itself, marked."""
    lines = "".join(
        f'<path id="l{y}" d="M 20 {y * 20 + 20} H {500 if y == 2 else 80}" fill="none" stroke="#1f7a78"/>'
        for y in range(5)
    )
    prepared = made(tmp_path, lines, TEAL + "pen_metres = 0.2\n" + DOTS)
    marked = [(one.strokes, one.too_long) for one in prepared.record.passes]
    assert marked.count((1, True)) == 1
    assert sum(strokes for strokes, _ in marked) == 5
    (long,) = [one for one in prepared.record.passes if one.too_long]
    assert long.metres == pytest.approx(0.48)


WEAR = 'tip = "round"\npen_metres = 4.0\n[tips.round]\nmetres = [0, 10]\nwidth_mm = [4.0, 5.0]\n'


def test_wear_begins_anew_with_each_pen(tmp_path: Path) -> None:
    """Dots are as wide as drawn with every pen: the tip's width goes by the metres since that pen was put in.

    Between two measurements the width rises evenly (any monotone cubic through two points is a line): numpy's interp.
    """
    prepared = made(tmp_path, dots(16, 12, 6.5), TEAL + WEAR + DOTS)
    passes = prepared.record.passes
    assert sum(one.fresh_pen for one in passes) >= 3
    painted_m, off = 0.0, []
    for one in passes:
        painted_m = 0.0 if one.fresh_pen else painted_m
        assert one.tip_mm == pytest.approx(np.interp(painted_m, [0, 10], [4, 5]), abs=1e-9)
        strokes = prepared.strokes(one.name)
        for index, length_mm in enumerate(strokes.lengths_mm().tolist()):
            width = np.interp(painted_m, [0.0, 10.0], [4.0, 5.0])
            x, y = (
                16.0 * int(part) + 40.0 for part in strokes.element_ids[strokes.element[index]][1:].split("-")
            )
            ring_mm = np.hypot(*(strokes.stroke_mm(index) - (x, y)).T).max()
            off.append(2.0 * ring_mm + width - 13.0)
            painted_m += length_mm / 1000.0
        assert one.tip_end_mm == pytest.approx(np.interp(painted_m, [0, 10], [4, 5]), abs=1e-9)
        assert painted_m <= 4.0
    assert len(off) == 192
    assert np.abs(off).max() < 0.025  # half a step of widths, half of what is left unsettled, the flattening
    assert prepared.record.skipped == ()


AGAIN = '[[techniques]]\nlayer = "moon"\nfill = "dots"\nagain = "enlarge"\nenlarge_mm = 3.0\n'


def test_dots_are_made_wider_in_a_later_pass(tmp_path: Path) -> None:
    """The layer's dots are painted as drawn, then, in a pass after all first ones, 3 mm wider along their rims only."""
    shapes = f'<g id="moon">{dots(5, 3)}</g>' + dots(5, 3).replace('id="d', 'id="s').replace('cx="', 'cx="3')
    prepared = made(tmp_path, shapes, TEAL + AGAIN)
    first, again = prepared.record.passes
    assert (first.turn, again.turn, first.strokes, again.strokes) == (0, 1, 30, 15)
    assert not again.fresh_pen
    assert again.pen_m == pytest.approx(first.metres)
    strokes = prepared.strokes("teal-2")
    assert {strokes.element_ids[one] for one in strokes.element} == {
        f"d{x}-{y}" for x in range(5) for y in range(3)
    }
    for index in range(len(strokes)):
        x, y = (
            16.0 * int(part) + 40.0 for part in strokes.element_ids[strokes.element[index]][1:].split("-")
        )
        radius = np.hypot(*(strokes.stroke_mm(index) - (x, y)).T)
        assert radius.max() + 2.0 == pytest.approx(7.5, abs=0.03)
        assert radius.min() - 2.0 < 6.0  # nothing bare between the new rim and what is there
        assert radius.min() - 2.0 > 2.0  # and no more than that


def test_dots_are_strengthened_in_a_later_pass(tmp_path: Path) -> None:
    """The same strokes once more; with drying, not before they are dry."""
    job = (
        TEAL
        + "dry_minutes = 2.0\n"
        + AGAIN.replace("enlarge_mm = 3.0\n", "").replace("enlarge", "strengthen")
    )
    prepared = made(tmp_path, f'<g id="moon">{dots(6, 3)}</g>', job)
    first, again = (prepared.strokes(one.name) for one in prepared.record.passes)
    assert prepared.record.passes[1].turn == 1

    def rows(strokes: Any) -> list[bytes]:
        return sorted(strokes.stroke_mm(index).tobytes() for index in range(len(strokes)))

    assert rows(first) == rows(again)
    assert np.all(first.kind == StrokeKind.DOT)
    assert prepared.record.passes[1].wet_strokes == 0  # 5 minutes lie between passes
    soon = made(
        tmp_path / "soon", f'<g id="moon">{dots(6, 3)}</g>', job + "[sitting]\nchange_minutes = 0.0\n"
    )
    later = soon.record.passes[1]
    assert later.wet_strokes > 0
    assert 1.0 < later.wet_minutes < 2.0


def test_wet_paint_by_the_schedules(tmp_path: Path) -> None:
    """A line across another that was painted shortly before is told, with the minutes that lack by both schedules."""
    shapes = (
        '<path id="mast" d="M 100 20 V 120" fill="none" stroke="#d9952b"/>'
        '<path id="boom" d="M 60 70 H 160" fill="none" stroke="#1f7a78"/>'
        '<path id="far" d="M 300 300 H 360" fill="none" stroke="#1f7a78"/>'
    )
    job = OCHRE + "dry_minutes = 30.0\n" + TEAL + "[sitting]\nchange_minutes = 4.0\n"
    prepared = made(tmp_path, shapes, 'unmatched = "skip"\n' + job)
    ochre, far, teal = prepared.record.passes  # the boom is put off, and still wet
    assert (teal.wet_strokes, ochre.wet_strokes, far.wet_strokes) == (1, 0, 0)
    ends_s = begins_s = 0.0
    for name, element in (("ochre-1", "mast"), ("teal-2", "boom")):
        strokes, table = prepared.strokes(name), prepared.schedule(name).segments
        (row,) = [i for i in range(len(strokes)) if strokes.element_ids[strokes.element[i]] == element]
        (segment,) = table[(table["stroke"] == row) & (table["kind"] == SegmentKind.STROKE)]
        if name == "ochre-1":
            ends_s = (int(segment["first_tick"]) + int(segment["ticks"])) * 0.004
        else:
            begins_s = ochre.seconds + far.seconds + 8.0 * 60.0 + int(segment["first_tick"]) * 0.004
    assert teal.wet_minutes == pytest.approx(30.0 - (begins_s - ends_s) / 60.0, abs=1e-6)


def test_folder_of_an_earlier_format(tmp_path: Path) -> None:
    """What an earlier version prepared is refused with one line that says what to do."""
    prepared = made(tmp_path, dots(2, 2), TEAL + DOTS)
    text = json.loads((prepared.folder / "prepared.json").read_text())
    (prepared.folder / "prepared.json").write_text(json.dumps({**text, "format": 1}))
    with pytest.raises(
        InputError, match=r"prepared\.json: format: expected 2: prepare the job again.*, got 1"
    ):
        load_prepared(prepared.folder)


def test_passes_are_chosen_by_name(tmp_path: Path) -> None:
    """By ink, by pass, by both, each once and in painting order; an unknown name says the known ones."""
    shapes = dots(4, 2) + dots(4, 2, colour="#d9952b").replace('cy="', 'cy="1').replace('id="d', 'id="s')
    prepared = made(tmp_path, shapes, TEAL + "pen_metres = 0.15\n" + OCHRE + DOTS)
    every = [one.name for one in prepared.record.passes]
    assert len(every) > 3
    assert [one.name for one in prepared.chosen((), ())] == every
    assert [one.name for one in prepared.chosen(("ochre",), ("teal-2", "teal-2"))] == ["teal-2", "ochre-1"]
    assert [one.name for one in prepared.chosen(("teal",), ())] == [n for n in every if n.startswith("teal")]
    with pytest.raises(InputError, match=r"teal-1, teal-2.*teal-9"):
        prepared.chosen((), ("teal-9",))
    with pytest.raises(InputError, match=r"one of teal, ochre, got 'teal-1'"):
        prepared.chosen(("teal-1",), ())
    assert len(prepared.ink_strokes("teal")) == 8


def test_no_travel_is_dearer_than_as_drawn(tmp_path: Path) -> None:
    """Passes of a wearing tip go short ways, too: with the pen up no longer than a row-by-row painter would."""
    prepared = made(tmp_path, dots(12, 8, 6.5), TEAL + WEAR + DOTS)
    up_mm = 0.0
    for one in prepared.record.passes:
        strokes = prepared.strokes(one.name)
        begins, ends = strokes.points_mm[strokes.offsets[:-1]], strokes.points_mm[strokes.offsets[1:] - 1]
        up_mm += float(sum(np.hypot(*(b - a)) for a, b in itertools.pairwise([ends[0], *begins[1:]])))
    assert up_mm < 16.0 * 96 * 1.1
