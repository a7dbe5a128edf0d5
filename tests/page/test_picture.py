"""The picture as a browser gets it, read back by a decoder written from the format's description alone."""

from __future__ import annotations

import gzip
import json
import struct
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given
from hypothesis import strategies as st
from shapely import LineString, Point

from controller.page.picture import POINTS_MAX, STEPS, picture_of, ranges
from controller.session.prepared import Prepared, PreparedJob, PreparedPass
from controller.strokes.strokeset import StrokeKind, StrokeSet


@dataclass
class Read:
    """What was packed: canvas mm by pass and stroke; a dot is its centre and a point of its rim."""

    header: dict[str, Any]
    strokes: list[list[tuple[bool, npt.NDArray[np.float64]]]]


def read(packed: bytes) -> Read:
    """Decode."""
    raw = gzip.decompress(packed)
    (length,) = struct.unpack_from("<I", raw)
    header = json.loads(raw[4 : 4 + length])
    at = 4 + length
    out: list[list[tuple[bool, npt.NDArray[np.float64]]]] = []
    for one in header["passes"]:
        counts = struct.unpack_from(f"<{one['strokes']}I", raw, at)
        at += 4 * one["strokes"]
        columns = []
        for _ in "xy":
            steps = struct.unpack_from(f"<{one['points']}H", raw, at)
            at += (2 * one["points"] + 3) // 4 * 4
            value, values = 0, []
            for step in steps:
                value = (value + step) % 65536
                values.append(value)
            columns.append(values)
        places = np.array(columns).T * header["grid_mm"] + np.array(header["origin_mm"])
        strokes, first = [], 0
        for count in counts:
            strokes.append((count == 0, places[first : first + (count or 2)]))
            first += count or 2
        assert first == one["points"]
        out.append(strokes)
    assert at == len(raw)
    return Read(header, out)


def folder_of(folder: Path, *sets: StrokeSet, tip_mm: float = 3.0) -> Prepared:
    """A prepared folder with these strokes, a pass each, and no schedules."""
    passes = []
    for number, strokes in enumerate(sets, 1):
        name = f"teal-{number}"
        (folder / name).mkdir()
        strokes.save(folder / name / "strokes.npz")
        passes.append(
            PreparedPass(
                name=name, ink="teal", number=number, of=len(sets), turn=0, colour="#1f7a78", tip_mm=tip_mm,
                tip_end_mm=tip_mm, strokes=len(strokes), metres=1.0, pen_m=0.0, ticks=100, seconds=10.0,
                fresh_pen=True, cut_by="end", too_long=False, wet_strokes=0, wet_minutes=0.0, digest="d",
            )
        )  # fmt: skip
    record = PreparedJob(
        job="tide", job_digest="j", machine="boathouse", sources={}, inks=(), passes=tuple(passes),
        change_minutes=5.0, deferred=0, skipped=(),
    )  # fmt: skip
    (folder / "prepared.json").write_text(record.model_dump_json())
    return Prepared(folder, record)


def strokes_of(*paths: npt.NDArray[np.float64], kind: StrokeKind = StrokeKind.LINE) -> StrokeSet:
    """Strokes along these paths."""
    counts = [len(path) for path in paths]
    return StrokeSet(
        np.concatenate(paths), np.concatenate([[0], np.cumsum(counts)]).astype(np.int64),
        np.full(len(paths), kind, dtype=np.uint8), np.zeros(len(paths), dtype=np.int32), ("tide",),
    )  # fmt: skip


def test_lines_stay_where_they_are(tmp_path: Path) -> None:
    """What was left out of a curve lies within half a grid step and the bow of one spacing; ends and corners are kept.

    A chord of length c of a circle of radius r bows by c^2 / 8r (handbook formula, to first order).
    """
    turn = np.linspace(0.0, 2.0 * np.pi, 5000)
    circle = 400.0 * np.column_stack([np.cos(turn), np.sin(turn)]) + 500.0
    corner = np.array([[0.0, 0.0], [700.0, 3.0], [700.0, 900.0]])
    wave = np.column_stack([np.linspace(0, 1000, 3000), 30 * np.sin(np.linspace(0, 40, 3000)) + 700])
    picture = picture_of(folder_of(tmp_path, strokes_of(circle, corner, wave)))
    got = read(picture.packed)
    grid = got.header["grid_mm"]
    assert got.header["job"] == "tide"
    assert got.header["passes"][0]["colour"] == "#1f7a78"
    for path, (is_dot, sent) in zip((circle, corner, wave), got.strokes[0], strict=True):
        assert not is_dot
        line = LineString(sent)
        far = max(line.distance(Point(one)) for one in path[:: max(1, len(path) // 400)])
        assert far < 0.75 * grid + (5.0 * grid) ** 2 / (8.0 * 25.0)
        assert np.hypot(*(sent[[0, -1]] - path[[0, -1]]).T).max() < 0.75 * grid
    assert len(got.strokes[0][1][1]) < 450
    assert any(np.hypot(*(one - corner[1])) < 0.75 * grid for one in got.strokes[0][1][1])


def test_dots_are_a_centre_and_a_rim(tmp_path: Path) -> None:
    """A dot painted as a spiral of radius r, or touched in one place, comes as its centre and that radius."""
    turn = np.linspace(0.0, 20.0 * np.pi, 400)
    spiral = np.column_stack([np.cos(turn), np.sin(turn)]) * np.linspace(0.0, 6.0, 400)[:, None]
    touch = np.array([[0.0, 0.0], [0.05, 0.0]])
    dots = [spiral + np.array([100.0, 50.0]), touch + 10.0, spiral + np.array([900.0, 400.0])]
    picture = picture_of(folder_of(tmp_path, strokes_of(*dots, kind=StrokeKind.DOT)))
    got = read(picture.packed)
    grid = got.header["grid_mm"]
    for (is_dot, sent), centre, radius in zip(
        got.strokes[0], ([100.0, 50.0], [10.025, 10.0], [900.0, 400.0]), (5.95, 0.025, 5.95), strict=True
    ):
        assert is_dot
        # A spiral reaches its full radius on one side only.
        assert np.abs(sent[0] - centre).max() < 0.3 + grid
        assert sent[1][1] == sent[0][1]
        assert sent[1][0] - sent[0][0] == pytest.approx(radius, abs=0.2 + grid)


def test_a_large_picture_is_small(tmp_path: Path) -> None:
    """A quarter of 15 000 strokes and 12 000 dots on a wall of 4 m by 2.5 m: a quarter of a megabyte at most, and no
    more points than the bound. The whole: ``python -m tests.page.weight``."""
    rng = np.random.default_rng(20261126)
    turn = np.linspace(0.0, 2.0 * np.pi, 60)
    ring = np.column_stack([np.cos(turn), np.sin(turn)]) * 5.0
    dots = [ring + place for place in rng.uniform([0, 0], [4000, 2500], (3000, 2))]
    along = np.linspace(0.0, 1.0, 40)
    waves = [
        place + np.column_stack([120.0 * along, 8.0 * np.sin(6.0 * along)])
        for place in rng.uniform([0, 0], [3800, 2480], (3750, 2))
    ]
    prepared = folder_of(tmp_path, strokes_of(*dots, kind=StrokeKind.DOT), strokes_of(*waves))
    picture = picture_of(prepared)
    assert len(picture.packed) < 250_000
    assert picture.points <= POINTS_MAX
    raw = gzip.decompress(picture.packed)
    (length,) = struct.unpack_from("<I", raw)
    assert max(json.loads(raw[4 : 4 + length])["size"]) == pytest.approx(STEPS, abs=1)


def test_more_points_than_the_bound_are_taken_further_apart(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Ends and corners stay, so that every stroke is there."""
    monkeypatch.setattr("controller.page.picture.POINTS_MAX", 100)
    turn = np.linspace(0.0, 12.0, 4000)
    spiral = np.column_stack([np.cos(turn), np.sin(turn)]) * (40.0 * turn)[:, None]
    picture = picture_of(folder_of(tmp_path, strokes_of(spiral, spiral + 300.0)))
    assert picture.points <= 100
    assert [len(sent) >= 2 for _, sent in read(picture.packed).strokes[0]] == [True, True]


@pytest.mark.parametrize("dots", [False, True], ids=["zigzags", "dots"])
def test_more_strokes_than_points_are_read_once_and_come_as_ends(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, dots: bool
) -> None:
    """Where the bound cannot be met every stroke is there with two points, and no file is read a second time."""
    monkeypatch.setattr("controller.page.picture.POINTS_MAX", 50)
    zigzag = np.array([[0.0, 0.0], [30.0, 20.0], [0.0, 40.0], [30.0, 60.0]])
    kind = StrokeKind.DOT if dots else StrokeKind.LINE
    prepared = folder_of(tmp_path, *(strokes_of(*(zigzag + at for at in range(30)), kind=kind),) * 2)
    loads: list[Path] = []
    load = StrokeSet.load

    def counting(path: Path) -> StrokeSet:
        loads.append(path)
        return load(path)

    monkeypatch.setattr(StrokeSet, "load", counting)
    picture = picture_of(prepared)
    assert len(loads) == len(set(loads)) == 2
    assert picture.points == 2 * 60
    got = read(picture.packed)
    assert [(is_dot, len(sent)) for part in got.strokes for is_dot, sent in part] == [(dots, 2)] * 60


def test_corners_go_before_curves_do(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A fill of nothing but corners has more of them than may be sent: what is sent keeps within the bound, and lies as
    near to the path as so many points can."""
    monkeypatch.setattr("controller.page.picture.POINTS_MAX", 1000)
    rows = np.arange(4000)
    zigzag = np.column_stack([np.where(rows % 2, 2.0, 0.0) + 500.0, 0.25 * rows])
    picture = picture_of(folder_of(tmp_path, strokes_of(zigzag)))
    assert 300 < picture.points <= 1000
    ((_, sent),) = read(picture.packed).strokes[0]
    assert np.diff(sent[:, 1]).max() < 10.0


def test_same_strokes_have_the_same_key(tmp_path: Path) -> None:
    """The key follows from the contents: a browser keeps a picture, and another one has another key."""
    one, two, three = (tmp_path / name for name in "abc")
    for folder in (one, two, three):
        folder.mkdir()
    path = np.array([[0.0, 0.0], [10.0, 5.0]])
    keys = [
        picture_of(folder_of(one, strokes_of(path))).key,
        picture_of(folder_of(two, strokes_of(path))).key,
        picture_of(folder_of(three, strokes_of(path, path + 20.0))).key,
    ]
    assert keys[0] == keys[1] != keys[2]


def test_nothing_to_paint(tmp_path: Path) -> None:
    """A pass without strokes is no error."""
    empty = StrokeSet(
        np.zeros((0, 2)),
        np.zeros(1, dtype=np.int64),
        np.zeros(0, dtype=np.uint8),
        np.zeros(0, dtype=np.int32),
        (),
    )
    assert read(picture_of(folder_of(tmp_path, empty)).packed).strokes == [[]]


@given(st.sets(st.integers(0, 400)))
def test_ranges_hold_exactly_the_numbers(numbers: set[int]) -> None:
    """Runs are in order, apart from each other, and spell out the same numbers."""
    runs = ranges(sorted(numbers))
    assert {first + step for first, count in runs for step in range(count)} == numbers
    assert sum(count for _, count in runs) == len(numbers)
    assert all(one[0] + one[1] < two[0] for one, two in pairwise(runs))
