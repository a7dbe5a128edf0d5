"""Preparing jobs with techniques: jobs without stay as they are, reports arrive, worn tips paint as wide as drawn."""

from __future__ import annotations

import hashlib
from pathlib import Path

import numpy as np
import pytest
import shapely

from controller.artwork.read import read_artwork
from controller.config.errors import InputError
from controller.config.load import load_job, load_machine
from controller.config.places import shipped
from controller.session.prepare import prepare
from controller.session.prepared import Prepared, load_prepared
from controller.strokes.build import build_strokes
from controller.strokes.strokeset import StrokeKind, StrokeSet
from controller.strokes.works import is_as_drawn

MACHINE = shipped("machines/boathouse.toml")

LOW_TIDE = {
    "ochre": (13, "902a3e6618cf2b7c"),
    "teal": (24, "fcb814b3d0c1435c"),
    "black": (23, "418b20ffdce1ad8c"),
}
"""Strokes of the shipped job in the drawing's order: number, and digest of vertices to a nanometre, offsets, kinds and
elements. A job without techniques must not change by what techniques do."""


def _digest(strokes: StrokeSet) -> str:
    found = hashlib.sha256()
    for array in (np.round(strokes.points_mm, 6) + 0.0, strokes.offsets, strokes.kind, strokes.element):
        found.update(np.ascontiguousarray(array).tobytes())
    return found.hexdigest()[:16]


def _sorted_rows(strokes: StrokeSet) -> list[tuple[str, int, bytes]]:
    """Strokes without order or direction, and closed ones without their beginning."""
    rows = []
    for index in range(len(strokes)):
        points = strokes.stroke_mm(index)
        if strokes.kind[index] == StrokeKind.LOOP:
            points = points[:-1]
        ordered = points[np.lexsort(points.T)]
        name = strokes.element_ids[strokes.element[index]]
        rows.append((name, int(strokes.kind[index]), ordered.tobytes()))
    return sorted(rows)


def test_shipped_job_has_the_same_strokes(tmp_path: Path) -> None:
    """The low-tide job, which has no techniques, is prepared from the very strokes that are drawn."""
    path = shipped("jobs/low-tide/job.toml")
    job = load_job(path)
    assert is_as_drawn(job)
    artwork = read_artwork(job, path)
    prepared = prepare(path, MACHINE, tmp_path / "out")
    for ink in job.inks:
        drawn = build_strokes(artwork.inks[ink.name], ink)
        assert (len(drawn), _digest(drawn)) == LOW_TIDE[ink.name]
        assert _sorted_rows(prepared.ink_strokes(ink.name)) == _sorted_rows(drawn)


def _made(folder: Path, shapes: str, job: str) -> tuple[Path, Path, Path]:
    (folder / "bay.svg").write_text(
        '<svg xmlns="http://www.w3.org/2000/svg" width="300mm" height="200mm" viewBox="0 0 300 200">'
        f"{shapes}</svg>"
    )
    (folder / "job.toml").write_text(
        f'format = 1\nname = "bay"\nartwork = "bay.svg"\norigin_mm = [20.0, 20.0]\n{job}'
    )
    return folder / "job.toml", MACHINE, folder / "out"


TEAL = '[[inks]]\nname = "teal"\ncolour = "#1f7a78"\ntip_mm = 4.0\n'
OCHRE = '[[inks]]\nname = "ochre"\ncolour = "#d9952b"\ntip_mm = 4.0\n'
FLAT = '[[techniques]]\nfill = "flat"\nstroke = "band"\n'
WAVES = '<path id="waves" d="M 20 100 H 120 V 140 H 20 Z" fill="#1f7a78"/>'


def _skipped(prepared: Prepared) -> list[tuple[str, str, str]]:
    return [(one.element_id, one.what, one.kind) for one in prepared.record.skipped]


def test_each_stroke_names_its_shape(tmp_path: Path) -> None:
    """Strokes of flats, bands, lines and dots carry the ids of the shapes that they lie in."""
    shapes = (
        WAVES
        + '<path id="isle" d="M 150 100 H 190 V 140 H 150 Z" fill="#1f7a78"/>'
        + '<path id="bar" d="M 20 30 H 100" fill="none" stroke="#1f7a78" stroke-width="10"/>'
        + '<g id="sky"><circle id="moon" cx="200" cy="40" r="8" fill="#1f7a78"/>'
        + '<path id="ray" d="M 220 40 H 260" fill="none" stroke="#1f7a78"/></g>'
    )
    prepared = prepare(*_made(tmp_path, shapes, TEAL + '[[techniques]]\nlayer = "sky"\n' + FLAT))
    strokes = prepared.ink_strokes("teal")
    boxes = {
        "waves": (20, 100, 120, 140), "isle": (150, 100, 190, 140), "bar": (20, 25, 100, 35),
        "moon": (192, 32, 208, 48), "ray": (220, 40, 260, 40),
    }  # fmt: skip
    assert {strokes.element_ids[one] for one in strokes.element} == set(boxes) == set(strokes.element_ids)
    for index in range(len(strokes)):
        left, top, right, bottom = boxes[strokes.element_ids[strokes.element[index]]]
        points = strokes.stroke_mm(index) - 20.0
        assert np.all((points >= (left - 0.01, top - 0.01)) & (points <= (right + 0.01, bottom + 0.01)))
    dots = strokes.kind == StrokeKind.DOT
    assert [strokes.element_ids[one] for one in strokes.element[dots]] == ["moon"]


def test_what_is_too_narrow_is_told(tmp_path: Path) -> None:
    """A band and a part narrower than the tip, painted as wide as the tip, are in the prepared job's list."""
    shapes = (
        '<path id="dumbbell" d="M 20 20 H 50 V 34 H 80 V 20 H 110 V 50 H 80 V 36 H 50 V 50 H 20 Z" fill="#1f7a78"/>'
        '<path id="hair" d="M 20 80 H 100" fill="none" stroke="#1f7a78" stroke-width="1"/>'
        '<path id="drop" d="M 150 80 h 2 v 2 h -2 Z" fill="#1f7a78"/>'
    )
    made = prepare(*_made(tmp_path, shapes, TEAL + FLAT))
    assert load_prepared(tmp_path / "out").record == made.record
    assert sorted(_skipped(made)) == [
        ("drop", "speck", "left out"), ("dumbbell", "neck", "changed"), ("hair", "line", "changed"),
    ]  # fmt: skip
    assert "2.00 mm wide" in next(one.why for one in made.record.skipped if one.what == "neck")


def test_what_no_ink_paints(tmp_path: Path) -> None:
    """A colour without an ink and a text refuse the job; with unmatched = "skip" both are listed and left out."""
    shapes = WAVES + '<text id="sign">LOW TIDE</text><circle id="sun" cx="40" cy="40" r="9" fill="#d9952b"/>'
    files = _made(tmp_path, shapes, TEAL + FLAT)
    with pytest.raises(InputError) as refused:
        prepare(*files)
    assert {"sign", "#d9952b"} <= {
        word for one in refused.value.mistakes for word in one.where.replace("(", " ").split()
    }
    assert not files[2].exists()
    prepared = prepare(*_made(tmp_path, shapes, 'unmatched = "skip"\n' + TEAL + FLAT))
    assert sorted(_skipped(prepared)) == [("sign", "text", "left out"), ("sun", "ink", "left out")]


def test_trap_that_will_be_seen_is_told(tmp_path: Path) -> None:
    """A lighter ink that is painted after the darker one it grows over is a warning; in the other order it is none."""
    shapes = WAVES + '<path id="beach" d="M 120 100 H 200 V 140 H 120 Z" fill="#d9952b"/>'
    traps = "[traps]\nwidth_mm = 2.0\n"
    wrong = prepare(*_made(tmp_path, shapes, TEAL + OCHRE + FLAT + traps))
    assert _skipped(wrong) == [("ink ochre", "trap", "changed")]
    right = prepare(*_made(tmp_path, shapes, 'order = "light-to-dark"\n' + TEAL + OCHRE + FLAT + traps))
    assert _skipped(right) == []
    assert [ink.name for ink in right.record.inks] == ["ochre", "teal"]
    low = right.ink_strokes("ochre").points_mm[:, 0].min()
    assert low == pytest.approx(20.0 + 120.0 - 2.0 + 4.0 / 2.0, abs=0.01)


def test_flat_beyond_the_canvas_is_refused_by_its_shape(tmp_path: Path) -> None:
    """An area off the canvas is refused with the id of its shape."""
    width_mm = load_machine(MACHINE).canvas.size_mm[0]
    far = f'<path id="jetty" d="M 200 20 H {width_mm + 10.0} V 60 H 200 Z" fill="#1f7a78"/>'
    job = _made(tmp_path, "", TEAL + FLAT)
    (tmp_path / "bay.svg").write_text(
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{width_mm + 50}mm" height="200mm" '
        f'viewBox="0 0 {width_mm + 50} 200">{WAVES}{far}</svg>'
    )
    with pytest.raises(InputError, match="jetty"):
        prepare(*job)


def test_screens_of_drawing_and_job(tmp_path: Path) -> None:
    """A pattern's dots lie where the drawing has them, a technique's on the canvas' lattice; cut ones are cut along."""
    shapes = (
        '<defs><pattern id="p" width="10" height="10" patternUnits="userSpaceOnUse">'
        '<circle cx="5" cy="5" r="3.2" fill="#1f7a78"/></pattern></defs>'
        '<rect id="foam" x="20" y="100" width="100" height="40" fill="url(#p)"/>'
        '<g id="sky"><rect id="haze" x="147" y="27" width="46" height="26" fill="#1f7a78"/></g>'
    )
    fine = TEAL.replace("4.0", "2.0")
    screen = '[[techniques]]\nlayer = "sky"\nfill = "screen"\npitch_mm = 10.0\ndiameter_mm = 6.0\n'
    prepared = prepare(*_made(tmp_path, shapes, fine + screen + 'borders = "clipped"\n'))
    strokes = prepared.ink_strokes("teal")
    names = np.array(strokes.element_ids)[strokes.element]
    dots = strokes.kind == StrokeKind.DOT
    bounds = np.array([
        [*strokes.stroke_mm(one).min(axis=0), *strokes.stroke_mm(one).max(axis=0)] for one in range(len(strokes))
    ])  # fmt: skip
    middle = np.round((bounds[:, :2] + bounds[:, 2:]) / 2.0, 1)
    foam = {(45.0 + 10.0 * i, 125.0 + 10.0 * j) for i in range(10) for j in range(4)}
    assert sorted(map(tuple, middle[dots & (names == "foam")].tolist())) == sorted(foam)
    # Haze lies on the canvas from 167 to 213 and from 47 to 73: whole dots of 6 mm fit from 170 to 210, 50 to 70.
    haze = {(170.0 + 10.0 * i, 50.0 + 10.0 * j) for i in range(5) for j in range(3)}
    assert sorted(map(tuple, middle[dots & (names == "haze")].tolist())) == sorted(haze)
    assert len(strokes) == len(foam) + len(haze)
    shapes = shapes.replace('x="147"', 'x="149"')  # the first column reaches 2 mm beyond the edge
    cut = prepare(*_made(tmp_path, shapes, fine + screen + 'borders = "clipped"\n')).ink_strokes("teal")
    names = np.array(cut.element_ids)[cut.element]
    dots = cut.kind == StrokeKind.DOT
    assert np.count_nonzero(dots & (names == "haze")) == 12
    assert np.count_nonzero(~dots & (names == "haze")) >= 3
    assert cut.points_mm[np.repeat(~dots, np.diff(cut.offsets)), 0].min() >= 169.0 + 1.0 - 0.03


def test_hatch_runs_at_its_angle(tmp_path: Path) -> None:
    """Hatching lies at the angle that the technique says, from x towards y."""
    hatch = '[[techniques]]\nfill = "flat"\nstyle = "hatch"\nhatch_angle_deg = 30.0\n'
    strokes = prepare(*_made(tmp_path, WAVES, TEAL + hatch)).ink_strokes("teal")
    steps = np.diff(strokes.points_mm, axis=0)[
        np.setdiff1d(np.arange(len(strokes.points_mm) - 1), strokes.offsets[1:-1] - 1)
    ]
    way = np.hypot(*steps.T)
    angle = np.degrees(np.arctan2(steps[:, 1], steps[:, 0])) % 180.0
    at = np.abs(angle - 30.0) < 1e-6
    edge = 2.0 * (100.0 - 4.0 + 40.0 - 4.0)
    assert way[at].sum() > 0.8 * (way.sum() - edge)


WEAR = 'tip = "round"\n[tips.round]\nmetres = [0, 20]\nwidth_mm = [4.0, 5.5]\n'


def _dots(folder: Path, job: str) -> tuple[StrokeSet, tuple[str, ...]]:
    shapes = "".join(
        f'<circle id="d{x}-{y}" cx="{x * 16 + 20}" cy="{y * 16 + 20}" r="6.5" fill="#1f7a78"/>'
        for x in range(16)
        for y in range(10)
    )
    prepared = prepare(*_made(folder, shapes, job))
    return prepared.ink_strokes("teal"), tuple(one.what for one in prepared.record.skipped)


def test_worn_tip_paints_dots_as_drawn(tmp_path: Path) -> None:
    """Every dot, widened by the tip as it is after the metres painted before it, is as wide as drawn.

    Between two measurements the width rises evenly (any monotone cubic through two points is a line): numpy's interp.
    Without the tip's table the last dots would be half a millimetre too wide.
    """
    strokes, told = _dots(tmp_path, TEAL + WEAR)
    assert len(strokes) == 160
    assert told == ()
    assert np.all(strokes.kind == StrokeKind.DOT)
    lengths = strokes.lengths_mm()
    before_m = (np.cumsum(lengths) - lengths) / 1000.0
    width = np.interp(before_m, [0.0, 20.0], [4.0, 5.5])
    off, without = [], []
    for index in range(len(strokes)):
        name = strokes.element_ids[strokes.element[index]]
        x, y = (16.0 * int(part) + 40.0 for part in name[1:].split("-"))
        ring_mm = np.hypot(*(strokes.stroke_mm(index) - (x, y)).T).max()
        off.append(2.0 * ring_mm + width[index] - 13.0)
        without.append(13.0 - 4.0 + width[index] - 13.0)
    assert np.abs(off).max() < 0.03
    assert max(without) > 0.4


def test_wear_beyond_the_table_is_told(tmp_path: Path) -> None:
    """A tip that paints farther than it was measured to is a warning with both figures."""
    _, told = _dots(tmp_path, TEAL + WEAR.replace("[0, 20]", "[0, 3]").replace("5.5", "4.1"))
    assert told == ("wear",)


def test_worn_flat_is_covered(tmp_path: Path) -> None:
    """Every stretch of a flat, widened by the tip as it is by then, together cover it; with less way than a new tip.

    The tip wears by 1.5 mm in 120 m; the flat takes about a tenth of that.
    """
    shapes = '<path id="sea" d="M 10 10 H 260 V 170 H 10 Z" fill="#1f7a78"/>'
    wear = WEAR.replace("[0, 20]", "[0, 120]")
    worn = prepare(*_made(tmp_path, shapes, TEAL + wear + FLAT)).ink_strokes("teal")
    plain = prepare(*_made(tmp_path, shapes, TEAL + FLAT)).ink_strokes("teal")
    assert 0.9 < worn.lengths_mm().sum() / plain.lengths_mm().sum() < 0.995
    assert worn.bounds_mm() == pytest.approx(plain.bounds_mm(), abs=0.02)
    begun_m, swept = 0.0, []
    for index in range(len(worn)):
        points = worn.stroke_mm(index)
        way_m = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(points, axis=0).T))]) / 1000.0
        width = np.interp(begun_m + way_m[:-1], [0.0, 120.0], [4.0, 5.5])
        ends = np.stack([points[:-1], points[1:]], axis=1)
        swept.append(shapely.buffer(shapely.linestrings(ends), width / 2.0, quad_segs=16))
        begun_m += float(way_m[-1])
    sea = shapely.box(30.0, 30.0, 280.0, 190.0)
    reach = shapely.buffer(shapely.buffer(sea, -2.0), 2.0, quad_segs=32)
    bare = shapely.difference(reach, shapely.union_all(np.concatenate(swept)))
    assert bare.area < 1e-3 * reach.area
