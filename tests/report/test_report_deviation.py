"""Painted against planned: distances, matching, gaps."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
import shapely

from controller.config.errors import InputError
from controller.report.deviation import measure, stroke_deviations
from controller.report.painted import Painted, load_painted


def cut(painted: Painted, contact: int, share: float) -> Painted:
    """The canvas with one contact ended early."""
    counts = np.diff(painted.offsets)
    keep = np.ones(len(painted.points_mm), dtype=bool)
    begin, end = painted.offsets[contact], painted.offsets[contact + 1]
    short = int(begin + round(share * (end - begin)))
    keep[short:end] = False
    counts[contact] = short - begin
    return dataclasses.replace(
        painted,
        points_mm=painted.points_mm[keep],
        t_ns=painted.t_ns[keep],
        offsets=np.concatenate([[0], np.cumsum(counts)]),
    )


def test_painted_on_the_path_deviates_by_nothing(strokes, paint):
    """A canvas that holds the planned lines themselves is off by nothing, misses nothing and closes."""
    table = stroke_deviations(paint(strokes, (0.0, 0.0)), strokes, "moon")
    assert table["contacts"].tolist() == [1, 1, 1]
    assert table["off_max_mm"].max() < 1e-9
    assert table["missed_mm"].max() < 0.01  # the chords between painted samples cut the circle's corners
    assert table["closing_gap_mm"][1] < 1e-9
    assert np.isnan(table["closing_gap_mm"][[0, 2]]).all()


def test_a_shifted_line_is_off_by_its_shift(strokes, paint):
    """A level line painted 0.2 mm too low is off by 0.2 mm everywhere; the circle by 0.2 mm at most."""
    table = stroke_deviations(paint(strokes, (0.0, 0.2)), strokes, "moon")
    assert table["off_max_mm"][0] == pytest.approx(0.2, abs=1e-12)
    assert table["off_rms_mm"][0] == pytest.approx(0.2, abs=1e-12)
    assert table["off_max_mm"][1] == pytest.approx(0.2, abs=2e-3)
    # Over a circle the shift's normal part averages to 1 / sqrt(2) of it.
    assert table["off_rms_mm"][1] == pytest.approx(0.2 / np.sqrt(2), rel=5e-3)


def test_distances_are_shapelys(strokes, paint):
    """Every painted point's distance equals shapely's to the same planned line."""
    random = np.random.default_rng(8)
    painted = paint(strokes, (0.0, 0.0))
    painted = dataclasses.replace(
        painted, points_mm=painted.points_mm + random.normal(0, 0.15, painted.points_mm.shape)
    )
    measured = measure(painted, strokes, "moon")
    lines = [shapely.LineString(strokes.stroke_mm(index)) for index in range(3)]
    theirs = np.array(
        [
            shapely.Point(point).distance(lines[stroke])
            for point, stroke in zip(measured.points_mm, measured.stroke, strict=True)
        ]
    )
    np.testing.assert_allclose(measured.distance_mm, theirs, atol=1e-9)


def test_a_stroke_cut_short_is_missed_by_what_is_left(strokes, paint):
    """A line of 60 mm painted to its half is on its path, and misses the other 30 mm."""
    table = stroke_deviations(cut(paint(strokes, (0.0, 0.0)), 0, 0.5), strokes, "moon")
    assert table["off_max_mm"][0] < 1e-9
    assert table["missed_mm"][0] == pytest.approx(30.0, abs=0.2)


def test_an_open_loop_shows_its_gap(strokes, paint):
    """A circle of 15 mm that ends 3.6 degrees early is open by its chord, 2 R sin(1.8 degrees)."""
    table = stroke_deviations(cut(paint(strokes, (0.0, 0.0)), 1, 0.99), strokes, "moon")
    assert table["closing_gap_mm"][1] == pytest.approx(2 * 15 * np.sin(np.radians(1.8)), rel=0.1)


def test_what_was_not_painted_is_not_a_number(strokes, paint):
    """Strokes without a contact are counted as such, and no figure is made up for them."""
    painted = paint(strokes.take(np.array([1])), (0.0, 0.0))
    measured = measure(painted, strokes, "moon")
    assert measured.painted.tolist() == [False, True, False]
    assert np.isnan(measured.strokes["off_max_mm"][[0, 2]]).all()
    assert measured.strokes["contacts"].tolist() == [0, 1, 0]


def test_a_contact_that_belongs_to_no_stroke_is_stray(strokes, paint):
    """Paint far from every start is reported and spoils no stroke's figures."""
    painted = paint(strokes, (0.0, 0.0))
    far = dataclasses.replace(
        painted, points_mm=painted.points_mm + np.where(np.arange(1200) < 400, 150.0, 0.0)[:, None]
    )
    measured = measure(far, strokes, "moon")
    assert measured.stray.tolist() == [0]
    assert measured.strokes["contacts"].tolist() == [0, 1, 1]


def test_order_of_painting_does_not_matter(strokes, paint):
    """Contacts are matched by shape: painted in another order, each stroke has the same figures."""
    straight = stroke_deviations(paint(strokes), strokes, "moon")
    turned = stroke_deviations(paint(strokes.take(np.array([2, 0, 1]))), strokes, "moon")
    for name in ("off_max_mm", "missed_mm"):
        np.testing.assert_allclose(turned[name], straight[name], atol=1e-6)


def test_other_inks_and_other_times_are_not_counted(strokes, paint):
    """Only contacts of the ink that began within the window count."""
    painted = paint(strokes, t0_ns=1_000)
    assert stroke_deviations(painted, strokes, "teal")["contacts"].sum() == 0
    end = int(painted.t_ns[painted.offsets[1]])
    assert stroke_deviations(painted, strokes, "moon", (0, end - 1))["contacts"].tolist() == [1, 0, 0]


def test_a_stroke_painted_twice_counts_twice(strokes, paint):
    """Two contacts of one stroke: counted, and the farther one decides."""
    both = strokes.take(np.array([0, 0]))
    painted = paint(both, (0.0, 0.0))
    points = painted.points_mm.copy()
    points[400:, 1] += 0.3
    table = stroke_deviations(dataclasses.replace(painted, points_mm=points), strokes, "moon")
    assert table["contacts"].tolist() == [2, 0, 0]
    assert table["off_max_mm"][0] == pytest.approx(0.3)


def test_canvas_file_round_trip(strokes, paint, save, tmp_path):
    """What was written is read back, array for array."""
    painted = paint(strokes)
    save(painted, tmp_path / "canvas.npz")
    again = load_painted(tmp_path / "canvas.npz")
    np.testing.assert_array_equal(again.points_mm, painted.points_mm)
    np.testing.assert_array_equal(again.offsets, painted.offsets)
    assert again.ink_names == ("moon",)
    assert again.size_mm == (300.0, 200.0)


@pytest.mark.parametrize(
    "spoil",
    [
        lambda painted: dataclasses.replace(painted, offsets=painted.offsets[:-1]),
        lambda painted: dataclasses.replace(painted, offsets=painted.offsets + 1),
        lambda painted: dataclasses.replace(painted, t_ns=painted.t_ns[1:]),
        lambda painted: dataclasses.replace(painted, ink=painted.ink + 7),
    ],
)
def test_canvas_whose_arrays_disagree_is_refused(strokes, paint, save, tmp_path, spoil):
    """A canvas file that contradicts itself is one clear message, not an index error."""
    save(spoil(paint(strokes)), tmp_path / "canvas.npz")
    with pytest.raises(InputError, match="arrays that agree"):
        load_painted(tmp_path / "canvas.npz")


@pytest.mark.parametrize("content", [b"", b"no archive", b"PK\x03\x04 cut short"])
def test_canvas_that_is_no_archive_is_refused(tmp_path, content):
    """Rubbish is refused by name."""
    (tmp_path / "canvas.npz").write_bytes(content)
    with pytest.raises(InputError, match=r"canvas\.npz"):
        load_painted(tmp_path / "canvas.npz")
