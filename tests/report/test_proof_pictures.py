"""Pictures of a proof: PNG as Pillow reads it, areas in pixels against closed forms, SVG as svgelements reads it."""

from __future__ import annotations

import math
from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import pytest
import svgelements
from hypothesis import given
from hypothesis import strategies as st
from PIL import Image

from controller.report.proofpaint import PassPaint, constant, pass_paint
from controller.report.proofpicture import agreed_colour, draw_pictures, rgb
from controller.report.proofpng import PngWriter
from controller.report.proofraster import Frame
from controller.report.proofsvg import OPACITY, VERTICES_MAX, _data, _number, pass_groups, picture_svg
from controller.report.proofwanted import Wanted
from controller.strokes.build import dot_strokes
from controller.strokes.paths import make_paths, strokes_of
from controller.strokes.strokeset import StrokeKind, StrokeSet
from controller.strokes.wear import WearCurve

CANVAS, TEAL, OCHRE = "#faf6ed", "#1f7a78", "#d9952b"


def stroke(*points: tuple[float, float]) -> StrokeSet:
    """One line."""
    return strokes_of([make_paths([np.array(points, dtype=float)])], [0], ("wave",))


def dots(centre_mm: np.ndarray, diameter_mm: float, tip_mm: float = 5.0) -> StrokeSet:
    """Equal dots."""
    element = np.zeros(len(centre_mm), dtype=np.int32)
    diameters = np.full(len(centre_mm), diameter_mm)
    return dot_strokes(centre_mm, diameters, element, ("wave",), tip_mm, 0.8, 0.02)


def wanted_of(*paints: PassPaint) -> tuple[Wanted, ...]:
    """Just what is painted by lines, by ink."""
    return tuple(Wanted((), np.empty((0, 2)), np.empty(0), one.stretches) for one in paints)


def draw(folder: Path, frame: Frame, *paints: PassPaint, wanted: tuple[Wanted, ...] | None = None) -> list:
    """Raster areas by ink; files in the folder."""
    (folder / "passes").mkdir()
    names = [one.name for one in paints]
    done: list[float] = []
    wishes = wanted_of(*paints) if wanted is None else wanted
    found = draw_pictures(frame, CANVAS, paints, wishes, folder, names, done.append)
    assert done[-1] == 1.0
    assert done == sorted(done)
    assert len(found.passes) == len(paints)
    return list(found.raster)


def pixels(path: Path) -> np.ndarray:
    """(rows, columns, 3)."""
    with Image.open(path) as picture:
        return np.asarray(picture.convert("RGB"))


def test_png_is_read_as_it_was_written(tmp_path: Path) -> None:
    """True colour and palette, written in bands, are to Pillow the pixels that they were, at their true size."""
    random = np.random.default_rng(1)
    colours = random.integers(0, 256, (37, 53, 3), dtype=np.uint8)
    entries = random.integers(0, 7, (37, 53), dtype=np.uint8)
    palette = random.integers(0, 256, (7, 3), dtype=np.uint8)
    with PngWriter(tmp_path / "a.png", 53, 37, 4.0) as file:
        for low in range(0, 37, 10):
            file.write(colours[low : low + 10])
    with PngWriter(tmp_path / "b.png", 53, 37, 4.0, palette) as file:
        file.write(entries)
    with Image.open(tmp_path / "a.png") as picture:
        assert picture.mode == "RGB"
        assert picture.info["dpi"] == pytest.approx((101.6, 101.6))
        assert (np.asarray(picture) == colours).all()
    assert (pixels(tmp_path / "b.png") == palette[entries]).all()


def test_a_png_with_rows_missing_or_too_wide_is_no_png(tmp_path: Path) -> None:
    """Too few rows at the end, or a row of another width, raise."""
    with (
        pytest.raises(ValueError, match="expected 5 rows, got 4"),
        PngWriter(tmp_path / "a.png", 3, 5, 1.0) as file,
    ):
        file.write(np.zeros((4, 3, 3), dtype=np.uint8))
    with (
        pytest.raises(ValueError, match="rows of 3 pixels"),
        PngWriter(tmp_path / "b.png", 3, 5, 1.0) as file,
    ):
        file.write(np.zeros((5, 4, 3), dtype=np.uint8))


def test_a_disc_has_its_area_in_pixels(tmp_path: Path) -> None:
    """A spiral dot of 40 mm at 5 pixels a millimetre: 5^2 pi 20^2 pixels, a thousandth more or less."""
    paint = pass_paint("teal-1", 0, TEAL, dots(np.array([[50.3, 49.6]]), 40.0), constant(5.0))
    wanted = (Wanted((), np.array([[50.3, 49.6]]), np.array([40.0]), paint.stretches),)
    (raster,) = draw(tmp_path, Frame((0.0, 0.0, 100.0, 100.0), 5.0), paint, wanted=wanted)
    seen = pixels(tmp_path / "picture.png").astype(float)
    share = (seen[..., 0] - rgb(CANVAS)[0]) / (float(rgb(TEAL)[0]) - float(rgb(CANVAS)[0]))
    true = math.pi * 400.0
    assert share.sum() / 25.0 == pytest.approx(true, rel=0.002)
    assert raster.painted_mm2 == pytest.approx(true, rel=0.001)
    assert raster.wanted_mm2 == pytest.approx(true, rel=0.001)
    rows, columns = np.nonzero(share > 0.5)
    assert columns.mean() / 5.0 + 0.1 == pytest.approx(50.3, abs=0.02)
    assert rows.mean() / 5.0 + 0.1 == pytest.approx(49.6, abs=0.02)


def test_later_passes_lie_on_top_and_earlier_ones_are_grey(tmp_path: Path) -> None:
    """Two lines that cross: the later ink is seen at the crossing; its own picture shows the earlier one in grey."""
    level = pass_paint("teal-1", 0, TEAL, stroke((20.0, 50.0), (80.0, 50.0)), constant(10.0))
    plumb = pass_paint("ochre-1", 1, OCHRE, stroke((50.0, 20.0), (50.0, 80.0)), constant(10.0))
    draw(tmp_path, Frame((0.0, 0.0, 100.0, 100.0), 4.0), level, plumb)
    seen = pixels(tmp_path / "picture.png")
    assert seen.shape == (400, 400, 3)
    assert (seen[200, 200] == rgb(OCHRE)).all()
    assert (seen[200, 100] == rgb(TEAL)).all()
    assert (seen[20, 20] == rgb(CANVAS)).all()
    alone = pixels(tmp_path / "passes" / "ochre-1.png")
    assert (alone[200, 200] == rgb(OCHRE)).all()
    assert (alone[120, 200] == rgb(OCHRE)).all()
    assert (alone[20, 20] == rgb(CANVAS)).all()
    grey = alone[200, 100].astype(int)
    assert (grey < rgb(CANVAS)).all()
    assert grey.min() > 180
    first = pixels(tmp_path / "passes" / "teal-1.png")
    assert (first[200, 200] == rgb(TEAL)).all()
    assert (first[120, 200] == rgb(CANVAS)).all()
    # Every row across the level line is wholly of the ink but at its edges.
    column = first[:, 200]
    assert (column == rgb(TEAL)).all(axis=1).sum() == pytest.approx(40, abs=2)


def test_differences_show_what_is_bare_and_what_lies_beside(tmp_path: Path) -> None:
    """A wanted line is painted 12 mm too far to the left: its right end is bare, at its left paint lies beside it."""
    painted = pass_paint("teal-1", 0, TEAL, stroke((18.0, 50.0), (68.0, 50.0)), constant(10.0))
    wanted = pass_paint("teal-1", 0, TEAL, stroke((30.0, 50.0), (80.0, 50.0)), constant(10.0))
    (raster,) = draw(tmp_path, Frame((0.0, 0.0, 100.0, 100.0), 4.0), painted, wanted=wanted_of(wanted))
    seen = pixels(tmp_path / "differences.png")
    assert (seen[200, 200] == rgb(agreed_colour(CANVAS))).all()
    assert (seen[200, 320] == rgb("#e6007e")).all()
    assert (seen[200, 60] == rgb("#0072b2")).all()
    assert raster.share == pytest.approx((38.0 * 10.0 + 25.0 * math.pi) / (500.0 + 25.0 * math.pi), abs=0.005)


def test_a_place_that_another_ink_covers_is_not_bare(tmp_path: Path) -> None:
    """Bare is where some ink is wanted and no ink at all is painted."""
    teal = pass_paint("teal-1", 0, TEAL, stroke((20.0, 50.0), (50.0, 50.0)), constant(10.0))
    ochre = pass_paint("ochre-1", 1, OCHRE, stroke((50.0, 50.0), (80.0, 50.0)), constant(10.0))
    wish = pass_paint("teal-1", 0, TEAL, stroke((20.0, 50.0), (60.0, 50.0)), constant(10.0))
    frame = Frame((0.0, 0.0, 100.0, 100.0), 4.0)
    draw(tmp_path, frame, teal, ochre, wanted=wanted_of(wish, ochre))
    seen = pixels(tmp_path / "differences.png")
    assert (seen[200, 240] == rgb(agreed_colour(CANVAS))).all()
    assert not (seen == rgb("#e6007e")).all(axis=2).any()


def test_a_picture_in_bands_is_the_picture(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Bands of a few rows give the file that one band gives, but for the grey of a few pixels at edges."""
    centre = np.random.default_rng(5).uniform(10.0, 90.0, (30, 2))
    paint = pass_paint("teal-1", 0, TEAL, dots(centre, 12.0), constant(5.0))
    frame = Frame((0.0, 0.0, 100.0, 100.0), 3.0)
    for name, size in (("one", 2_000_000), ("many", 6_000)):
        monkeypatch.setattr("controller.report.proofraster.BAND_PIXELS", size)
        (tmp_path / name).mkdir()
        draw(tmp_path / name, frame, paint)
    assert len(list(frame.bands())) == 15
    one, many = (pixels(tmp_path / name / "picture.png").astype(int) for name in ("one", "many"))
    other = (np.abs(one - many) > 3).any(axis=2)
    edge = (one != rgb(CANVAS)).any(axis=2) & (one != rgb(TEAL)).any(axis=2)
    assert not (other & ~edge).any()
    assert np.abs(one - many).max() < 64
    assert other.sum() < 0.2 * edge.sum()


@given(st.integers(-(10**7), 10**7))
def test_numbers_are_short_and_true(units: int) -> None:
    """A number in hundredths reads back as itself and has no digit too many."""
    word = _number(units)
    assert float(word) == pytest.approx(units / 100.0, abs=1e-9)
    assert len(word) <= len(f"{units / 100.0:.2f}")


@given(
    st.lists(st.tuples(st.floats(-3000, 3000), st.floats(-3000, 3000)), min_size=2, max_size=40, unique=True)
)
def test_path_data_reads_back(points: list[tuple[float, float]]) -> None:
    """svgelements finds the vertices within half a hundredth, however long the path: roundings do not add up."""
    path = svgelements.Path(_data(np.array(points)))
    read = [path[0].end, *(one.end for one in path[1:])]
    kept = np.round(np.array(points) * 100.0)
    moved = np.concatenate([[True], (np.diff(kept, axis=0) != 0).any(axis=1)])
    expected = kept[moved] / 100.0
    found = np.array([[one.x, one.y] for one in read])
    if len(expected) == 1:
        expected = np.vstack([expected, expected])
    assert np.abs(found - expected).max() < 1e-6


def svg(*paints: PassPaint) -> tuple[str, ElementTree.Element]:
    """The file's text and tree."""
    text = "".join(picture_svg((0.0, 0.0, 3000.0, 1900.0), CANVAS, pass_groups(paints), "low tide & moon"))
    return text, ElementTree.fromstring(text)


NAMESPACE = "{http://www.w3.org/2000/svg}"


def test_svg_is_at_true_scale_in_painting_order() -> None:
    """Size in mm, one user unit a millimetre, a group a pass in its colour, the tip's width by wear."""
    level = stroke((20.0, 50.0), (5020.0, 50.0))
    x = np.linspace(20.0, 5020.0, 101)
    level = strokes_of([make_paths([np.column_stack([x, np.full(101, 50.0)])])], [0], ("wave",))
    curve = WearCurve((0.0, 20.0), (4.0, 6.0))
    first = pass_paint("teal-1", 0, TEAL, level, curve.quantised_mm)
    second = pass_paint("ochre-1", 1, OCHRE, stroke((50.0, 20.0), (50.0, 80.0)), constant(10.0))
    text, root = svg(first, second)
    assert root.get("width") == "3000.00mm"
    assert root.get("viewBox") == "0.00 0.00 3000.00 1900.00"
    groups = root.findall(f"{NAMESPACE}g")
    assert [one.get("id") for one in groups] == ["pass-teal-1", "pass-ochre-1"]
    assert [one.get("color") for one in groups] == [TEAL, OCHRE]
    assert f"stroke-opacity:{OPACITY}" in text
    widths = [float(one.get("stroke-width", "nan")) for one in groups[0].findall(f"{NAMESPACE}g")]
    assert widths == sorted(widths)
    assert widths[0] == pytest.approx(4.0, abs=0.02)
    assert widths[-1] == pytest.approx(4.5, abs=0.02)
    reach = 20.0
    for part, width in zip(groups[0].findall(f"{NAMESPACE}g"), widths, strict=True):
        (path,) = part
        read = svgelements.Path(path.get("d"))
        assert read[0].end.x == pytest.approx(reach, abs=0.011)
        reach = read[-1].end.x
        middle_m = ((read[0].end.x + reach) / 2.0 - 20.0) / 1000.0
        assert width == pytest.approx(4.0 + 0.1 * middle_m, abs=0.011)
    assert reach == pytest.approx(5020.0, abs=0.011)


def test_12000_spiral_dots_are_circles_in_a_small_file() -> None:
    """Each dot is one circle of its radius in its place; the file stays below a megabyte."""
    centre = np.random.default_rng(2).uniform((10.0, 10.0), (2990.0, 1890.0), (12_000, 2))
    paint = pass_paint("teal-1", 0, TEAL, dots(centre, 12.0), constant(5.0))
    text, root = svg(paint)
    circles = root.findall(f".//{NAMESPACE}circle")
    assert len(circles) == 12_000
    found = np.array([[float(one.get(name, "nan")) for name in ("cx", "cy", "r")] for one in circles])
    assert found[:, 2] == pytest.approx(6.0, abs=0.005)
    assert np.abs(found[:, :2] - centre).max() < 0.015
    assert len(text) < 1_000_000


def test_dots_that_are_no_discs_are_drawn_once_and_placed() -> None:
    """A ring that makes a dot wider, in 200 places: one path and 200 uses of it."""
    angle = np.linspace(0.0, 2.0 * np.pi, 73)
    ring = 9.0 * np.column_stack([np.cos(angle), np.sin(angle)])
    ring[-1] = ring[0]
    places = np.random.default_rng(2).uniform(20.0, 900.0, (200, 2))
    made = strokes_of([make_paths([ring + place for place in places])], [0], ("glow",))
    kinds = np.full(len(made), StrokeKind.DOT, dtype=np.uint8)
    strokes = StrokeSet(made.points_mm, made.offsets, kinds, made.element, made.element_ids)
    paint = pass_paint("teal-2", 0, TEAL, strokes, constant(2.0))
    assert len(paint.dots) == 1
    _, root = svg(paint)
    uses = root.findall(f".//{NAMESPACE}use")
    (path,) = root.findall(f".//{NAMESPACE}defs/{NAMESPACE}path")
    assert len(uses) == 200
    assert float(path.get("stroke-width", "nan")) == 2.0
    assert not root.findall(f".//{NAMESPACE}circle")
    read = svgelements.Path(path.get("d"))
    places_found = np.array([[float(one.get(name, "nan")) for name in ("x", "y")] for one in uses])
    # The ring begins 9 mm to the right of its centre.
    begin = places_found + np.array([read[0].end.x, read[0].end.y]) - np.array([9.0, 0.0])
    assert np.abs(begin - places).max() < 0.02


def test_a_file_with_too_much_detail_is_thinned(monkeypatch: pytest.MonkeyPatch) -> None:
    """Beyond the bound on vertices, lines are thinned to a coarser tolerance and still end where they end."""
    x = np.linspace(0.0, 2000.0, 40_001)
    wavy = np.column_stack([x, 100.0 + 30.0 * np.sin(x / 20.0) + 0.03 * np.sin(x * 3.0)])
    paint = pass_paint("teal-1", 0, TEAL, strokes_of([make_paths([wavy])], [0], ("wave",)), constant(4.0))
    assert VERTICES_MAX > 100_000
    fine, _ = svg(paint)
    monkeypatch.setattr("controller.report.proofsvg.VERTICES_MAX", 200)
    coarse, root = svg(paint)
    assert len(coarse) < len(fine) / 2
    (path,) = root.findall(f".//{NAMESPACE}g/{NAMESPACE}g/{NAMESPACE}path")
    read = svgelements.Path(path.get("d"))
    assert read[-1].end.x == pytest.approx(2000.0, abs=0.01)
    assert len(read) <= 201
