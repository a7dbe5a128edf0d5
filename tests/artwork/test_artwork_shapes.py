"""Every element of SVG that is painted comes out where SVG puts it."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from controller.artwork.model import Artwork

Read = Callable[..., Artwork]


def length_mm(points: np.ndarray) -> float:
    return float(np.hypot(*np.diff(points, axis=0).T).sum())


def test_line_and_polyline_keep_their_points(read_k: Read) -> None:
    """Straight elements come out with exactly their own vertices, open."""
    shapes = read_k('<line x1="1" y1="2" x2="4" y2="6"/><polyline points="0,0 10,0,10 -5"/>').inks["k"]
    np.testing.assert_array_equal(shapes.outline_mm(0), [[1, 2], [4, 6]])
    np.testing.assert_array_equal(shapes.outline_mm(1), [[0, 0], [10, 0], [10, -5]])
    assert not shapes.closed.any()


def test_polygon_closes(read_k: Read) -> None:
    """A polygon ends on the very point where it starts."""
    shapes = read_k('<polygon points="0 0 10 0 10 10"/>').inks["k"]
    np.testing.assert_array_equal(shapes.outline_mm(0), [[0, 0], [10, 0], [10, 10], [0, 0]])
    assert shapes.closed.all()


def test_rect_is_drawn_clockwise_from_its_corner(read_k: Read) -> None:
    """SVG 2, 9.2: a rectangle starts at its top left corner and goes right first."""
    shapes = read_k('<rect x="1" y="2" width="30" height="20"/>').inks["k"]
    np.testing.assert_array_equal(shapes.outline_mm(0), [[1, 2], [31, 2], [31, 22], [1, 22], [1, 2]])


@pytest.mark.parametrize(
    ("radii", "rx", "ry"),
    [
        ('rx="5"', 5, 5),
        ('ry="4"', 4, 4),
        ('rx="6" ry="3"', 6, 3),
        ('rx="90" ry="3"', 15, 3),
        ('rx="5" ry="90"', 5, 10),
        ('rx="auto" ry="4"', 4, 4),
    ],
)
def test_rounded_rect(read_k: Read, radii: str, rx: float, ry: float) -> None:
    """One radius stands for both, and radii stop at half a side (SVG 2, 9.2). Length from Ramanujan's formula."""
    shapes = read_k(f'<rect width="30" height="20" {radii}/>', tolerance_mm=1e-5).inks["k"]
    h = ((rx - ry) / (rx + ry)) ** 2
    ellipse = np.pi * (rx + ry) * (1 + 3 * h / (10 + np.sqrt(4 - 3 * h)))
    expected = 2 * (30 - 2 * rx) + 2 * (20 - 2 * ry) + ellipse
    assert length_mm(shapes.outline_mm(0)) == pytest.approx(expected, rel=2e-5)
    low, high = shapes.points_mm.min(axis=0), shapes.points_mm.max(axis=0)
    np.testing.assert_allclose([*low, *high], [0, 0, 30, 20], atol=1e-9)


def test_circle_outline(read_k: Read) -> None:
    """An unfilled circle is a closed outline of its circumference (closed form 2 pi r)."""
    shapes = read_k('<circle cx="50" cy="40" r="30"/>', tolerance_mm=1e-5).inks["k"]
    assert shapes.closed.all()
    assert shapes.dots == 0
    assert length_mm(shapes.outline_mm(0)) == pytest.approx(2 * np.pi * 30, rel=1e-6)
    np.testing.assert_allclose(np.hypot(*(shapes.points_mm - [50, 40]).T), 30, atol=1e-9)


def test_filled_circles_are_dots(read_k: Read) -> None:
    """A filled circle is a centre and a diameter, nothing else; so is an ellipse that its transform makes round."""
    artwork = read_k(
        '<circle cx="5" cy="6" r="4"/>'
        '<ellipse cx="10" cy="20" rx="3" ry="3"/>'
        '<ellipse cx="1" cy="1" rx="3" ry="6" transform="translate(50 50) rotate(30) scale(2 1)"/>',
        look='fill="black"',
    )
    shapes = artwork.inks["k"]
    assert shapes.outlines == 0
    np.testing.assert_allclose(shapes.dot_diameter_mm, [8, 6, 12])
    turn = np.radians(30)
    last = [50 + 2 * np.cos(turn) - np.sin(turn), 50 + 2 * np.sin(turn) + np.cos(turn)]
    np.testing.assert_allclose(shapes.dot_centre_mm, [[5, 6], [10, 20], last])
    assert artwork.skipped == ()


def test_circle_made_oval_is_no_dot(read_k: Read) -> None:
    """A filled circle that a transform makes oval is a filled shape like any other: reported, not painted as a dot."""
    artwork = read_k('<circle id="egg" cx="9" cy="9" r="4" transform="scale(2 1)"/>', look='fill="black"')
    assert artwork.inks["k"].dots == 0
    assert [(s.element_id, s.why) for s in artwork.skipped] == [("egg", "not painted as drawn")]


def test_closed_path_without_z_is_closed(read_k: Read) -> None:
    """A path that comes back to its start is closed, with z or without."""
    shapes = read_k('<path d="M0 0L10 0 10 10 0 0"/><path d="M0 0L10 0 10 10z"/>').inks["k"]
    np.testing.assert_array_equal(shapes.outline_mm(0), shapes.outline_mm(1))
    assert shapes.closed.all()


def test_several_outlines_in_a_path(read_k: Read) -> None:
    """A letter with a counter is one element and two outlines; after z the next one begins where the last did."""
    shapes = read_k('<path d="M10,10h10v10zM0 0l5 5m1 1l2 2z l0 5"/>').inks["k"]
    assert shapes.outlines == 4
    assert shapes.closed.tolist() == [True, False, True, False]
    np.testing.assert_array_equal(shapes.outline_mm(3), [[6, 6], [6, 11]])
    assert shapes.outline_element.tolist() == [0, 0, 0, 0]


def test_no_two_neighbours_are_equal(read_k: Read) -> None:
    """Repeated points, lines of no length and closings onto the start leave no repeated vertex behind."""
    shapes = read_k('<path d="M0 0l0 0 5 0 0 0 0 5 0 0-5-5z"/><polyline points="1 1 1 1 2 2 2 2"/>').inks["k"]
    for index in range(shapes.outlines):
        assert np.hypot(*np.diff(shapes.outline_mm(index), axis=0).T).min() > 0
    assert np.diff(shapes.offsets).tolist() == [4, 2]


def test_nested_transforms_apply_inside_out(read_k: Read) -> None:
    """The innermost transform acts first; within one attribute the last function acts first (SVG 1.1, 7.5)."""
    shapes = read_k(
        '<g transform="translate(10 0) scale(2)"><g transform="rotate(90)">'
        '<line x2="3" y2="0" x1="1" transform="translate(1,1)"/></g></g>'
    ).inks["k"]
    np.testing.assert_allclose(shapes.outline_mm(0), [[8, 4], [8, 8]], atol=1e-12)


def test_inks_in_the_jobs_order(read_svg: Read) -> None:
    """Inks come in the job's order, whatever the drawing's; the innermost ink group counts; elements keep their ids."""
    artwork = read_svg(
        '<svg width="10mm" height="10mm"><g id="b" stroke="red"><line id="one" x2="1"/><g id="a">'
        '<line x2="2"/></g><g><line x2="3"/></g></g></svg>',
        inks=("a", "b"),
    )
    assert list(artwork.inks) == ["a", "b"]
    assert artwork.inks["a"].element_ids == ("a/line[1]",)
    assert artwork.inks["b"].element_ids == ("one", "b/g[2]/line[1]")


@pytest.mark.parametrize(
    ("length", "mm"),
    [
        ("96", 25.4),
        ("96px", 25.4),
        ("1in", 25.4),
        ("72pt", 25.4),
        ("6pc", 25.4),
        ("2.54cm", 25.4),
        ("25.4mm", 25.4),
        ("101.6Q", 25.4),
        ("50%", 60.0),
        ("1e1mm", 10.0),
    ],
)
def test_units(read_svg: Read, length: str, mm: float) -> None:
    """Lengths as CSS Values 3, 6.2 fixes them: 1 in = 96 px = 72 pt = 6 pc = 2.54 cm = 101.6 Q; % of the width."""
    artwork = read_svg(
        f'<svg width="120mm" height="50mm"><g id="k" stroke="red"><line x1="0" x2="{length}"/></g></svg>'
    )
    np.testing.assert_allclose(artwork.inks["k"].outline_mm(0), [[0, 0], [mm, 0]])
    assert artwork.size_mm == pytest.approx((120, 50))


@pytest.mark.parametrize(
    ("aspect", "expected"),
    [
        # A 2:1 viewport of 200 x 100 mm, a square box of 10: the image of (0, 0) and of (10, 10).
        ("", [[50, 0], [150, 100]]),
        ("xMidYMid", [[50, 0], [150, 100]]),
        ("xMinYMin meet", [[0, 0], [100, 100]]),
        ("xMaxYMax meet", [[100, 0], [200, 100]]),
        ("none", [[0, 0], [200, 100]]),
        ("xMidYMid slice", [[0, -50], [200, 150]]),
        ("xMinYMax slice", [[0, -100], [200, 100]]),
        ("xMaxYMin slice", [[0, 0], [200, 200]]),
        ("  xMidYMid \t slice ", [[0, -50], [200, 150]]),
    ],
)
def test_view_box_and_aspect(read_svg: Read, aspect: str, expected: list[list[float]]) -> None:
    """viewBox and preserveAspectRatio as SVG 2, 8.2 works them out, for the root and for a nested svg alike."""
    attribute = f'preserveAspectRatio="{aspect}"' if aspect else ""
    line = '<line x1="-5" y1="-5" x2="5" y2="5"/>'
    box = f'viewBox="-5 -5 10 10" {attribute}'
    root = read_svg(f'<svg width="200mm" height="100mm" {box}><g id="k" stroke="red">{line}</g></svg>').inks[
        "k"
    ]
    nested = read_svg(
        '<svg width="300mm" height="300mm" viewBox="0 0 300 300"><g id="k" stroke="red">'
        f'<svg width="200" height="100" {box}>{line}</svg></g></svg>'
    ).inks["k"]
    np.testing.assert_allclose(root.outline_mm(0), expected, atol=1e-9)
    np.testing.assert_allclose(nested.outline_mm(0), expected, atol=1e-9)


@pytest.mark.parametrize("unit_mm", [1e-9, 1e-4, 1e5])
def test_view_box_in_any_unit(read_svg: Read, unit_mm: float) -> None:
    """Whatever a user unit is, from a picometre to 100 m, the box fills the viewport (SVG 2, 8.2)."""
    wide, high = 200 / unit_mm, 100 / unit_mm
    shapes = read_svg(
        f'<svg width="200mm" height="100mm" viewBox="{-wide / 2!r} 0 {wide!r} {high!r}">'
        f'<g id="k" stroke="red"><line x1="{-wide / 2!r}" x2="{wide / 2!r}" y2="{high!r}"/></g></svg>'
    ).inks["k"]
    np.testing.assert_allclose(shapes.outline_mm(0), [[0, 0], [200, 100]], atol=1e-9)


@pytest.mark.parametrize(
    ("root", "size"),
    [
        ('width="100mm" viewBox="0 0 50 20"', (100, 40)),
        ('height="40mm" viewBox="0 0 50 20"', (100, 40)),
        ('viewBox="0 0 96 192"', (25.4, 50.8)),
        ('width="100%" height="100%" viewBox="0 0 96 192"', (25.4, 50.8)),
    ],
)
def test_size_from_view_box(read_svg: Read, root: str, size: tuple[float, float]) -> None:
    """What width and height leave open follows from the viewBox: its shape, or px where neither is given."""
    assert read_svg(f'<svg {root}><g id="k"/></svg>').size_mm == pytest.approx(size)


def test_origin_moves_everything(read_svg: Read, tmp_path) -> None:
    """The job's origin is where the drawing's top left corner lies on the canvas."""
    from controller.artwork.read import read_artwork
    from controller.config.job import Ink, Job

    read_svg(
        '<svg width="9mm" height="9mm" viewBox="0 0 9 9"><g id="k"><circle r="1"/><line x2="3"/></g></svg>'
    )
    job = Job(
        format=1,
        name="small",
        artwork="small.svg",
        origin_mm=(70.0, 80.0),
        inks=(Ink(name="k", group="k", colour="#000000", tip_mm=1.0),),
    )
    shapes = read_artwork(job, tmp_path / "job.toml").inks["k"]
    np.testing.assert_allclose(shapes.dot_centre_mm, [[70, 80]])
    np.testing.assert_allclose(shapes.outline_mm(0), [[70, 80], [73, 80]])
