"""A job by colours and techniques, from drawing to painted canvas, in virtual time.

What should be covered is worked out here from the drawing's own numbers with shapely; what was covered is what the
simulated gantry's tip touched, widened by the tip.
"""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from shapely.geometry import LineString, MultiLineString, Point, Polygon, box

from controller.config.places import shipped
from controller.report.painted import Painted, load_painted
from controller.session import verbs

from .conftest import Bench

ORIGIN = (20.0, 20.0)
TRAP_MM = 1.0
TIPS = {"ochre": 3.0, "brick": 4.0, "black": 2.5}
TOLERANCE_MM = 0.5

WALL = Polygon(
    [(20, 60), (130, 60), (130, 125), (20, 125)], [[(45, 75), (105, 75), (105, 112), (45, 112)]]
).union(box(62, 85, 88, 102))
"""The boathouse's wall with a window and, in the window, a shutter: an island."""
NECK = [(135, 22), (150, 50), (150, 90), (121, 108)]
"""The heron's bar: neck, body and a leg that stands before the wall."""
BAR = LineString(NECK).buffer(7.0, cap_style="flat", join_style="round", quad_segs=64)
JETTY = [(132.0, 72.0), (195.0, 72.0)]
"""A beam of the jetty, 9 mm wide, behind the heron: a band that is cut in two."""
MOON = Point(45, 30).buffer(22.0, quad_segs=64)
PITCH_MM, DOT_MM = 11.0, 8.0

LETTERS = {
    "L": [[(0, 0), (0, 20), (12, 20)]],
    "O": [[(3, 3), (12, 3), (12, 17), (3, 17), (3, 3)]],
    "W": [[(0, 0), (5, 20), (9, 6), (13, 20), (18, 0)]],
    "T": [[(0, 0), (16, 0)], [(8, 0), (8, 20)]],
    "I": [[(4, 0), (4, 20)]],
    "D": [[(2, 1), (9, 3), (13, 10), (9, 17), (2, 19), (2, 1)]],
    "E": [[(12, 0), (0, 0), (0, 20), (12, 20)], [(0, 10), (10, 10)]],
}
ADVANCE = {"L": 17, "O": 18, "W": 26, "T": 20, "I": 12, "D": 20, "E": 16}


def _letters() -> dict[str, Polygon]:
    """LOW TIDE as outlines that are filled: letters 6 mm thick from their middle lines."""
    found, x = {}, 26.0
    for place, letter in enumerate("LOW TIDE"):
        if letter == " ":
            x += 8.0
            continue
        lines = [[(x + a, 142.0 + b) for a, b in line] for line in LETTERS[letter]]
        thick = MultiLineString(lines).buffer(3.0, cap_style="flat", join_style="bevel")
        found[f"letter-{place}-{letter}"] = shapely.simplify(thick, 1e-9)
        x += ADVANCE[letter]
    return found


def _path(area: Polygon) -> str:
    rings = [ring for part in shapely.get_parts(area) for ring in (part.exterior, *part.interiors)]
    return " ".join(
        "M " + " L ".join(f"{x:.6f} {y:.6f}" for x, y in ring.coords[:-1]) + " Z" for ring in rings
    )


def _svg() -> str:
    letters = "".join(f'<path id="{name}" d="{_path(area)}"/>' for name, area in _letters().items())
    neck = " ".join(f"{x},{y}" for x, y in NECK)
    jetty = " ".join(f"{x},{y}" for x, y in JETTY)
    return f"""<svg xmlns="http://www.w3.org/2000/svg" width="200mm" height="180mm" viewBox="0 0 200 180">
<g id="sky"><circle id="moon" cx="45" cy="30" r="22" fill="#d9952b"/></g>
<path id="wall" d="{_path(WALL)}" fill="#8a3b2a" fill-rule="evenodd"/>
<polyline id="jetty" points="{jetty}" fill="none" stroke="#8a3b2a" stroke-width="9"/>
<polyline id="heron" points="{neck}" fill="none" stroke="#1d1f24" stroke-width="14" stroke-linejoin="round"/>
<g id="words" fill="#1d1f24" fill-rule="evenodd">{letters}</g>
</svg>
"""


JOB = f"""format = 1
name = "boathouse-wall"
artwork = "wall.svg"
origin_mm = [{ORIGIN[0]}, {ORIGIN[1]}]
order = "light-to-dark"
[[inks]]
name = "black"
colour = "#1d1f24"
tip_mm = {TIPS["black"]}
[[inks]]
name = "brick"
colour = "#8a3b2a"
tip_mm = {TIPS["brick"]}
[[inks]]
name = "ochre"
colour = "#d9952b"
tip_mm = {TIPS["ochre"]}
[[techniques]]
layer = "sky"
fill = "screen"
pitch_mm = {PITCH_MM}
diameter_mm = {DOT_MM}
[[techniques]]
fill = "flat"
stroke = "band"
[traps]
width_mm = {TRAP_MM}
"""


def _on_canvas(area: shapely.Geometry) -> shapely.Geometry:
    return shapely.transform(area, lambda points: points + np.array(ORIGIN))


def _moon_dots() -> shapely.Geometry:
    """The dots of a square lattice through the canvas' own origin whose centres lie in the moon."""
    grid = PITCH_MM * np.stack(np.meshgrid(np.arange(40), np.arange(40)), axis=-1).reshape(-1, 2)
    inside = np.hypot(*(grid - np.array([45.0, 30.0]) - np.array(ORIGIN)).T) <= 22.0
    return shapely.union_all(shapely.buffer(shapely.points(grid[inside]), DOT_MM / 2.0, quad_segs=64))


def _wanted() -> dict[str, shapely.Geometry]:
    """By ink, what is to be seen of it, canvas mm."""
    black = shapely.union_all([BAR, *_letters().values()])
    brick = shapely.union(WALL, LineString(JETTY).buffer(4.5, cap_style="flat"))
    return {
        "ochre": _moon_dots(),
        "brick": _on_canvas(shapely.difference(brick, black)),
        "black": _on_canvas(black),
    }


def _touched(painted: Painted, ink: str) -> shapely.Geometry:
    """What the tip covered of the canvas, with an ink."""
    contacts = [painted.points_mm[painted.offsets[row] : painted.offsets[row + 1]] for row in painted.of(ink)]
    lines = [shapely.LineString(points) for points in contacts if len(points) > 1]
    return shapely.union_all(shapely.buffer(lines, TIPS[ink] / 2.0, quad_segs=32))


@pytest.fixture(scope="module")
def wall(tmp_path_factory: pytest.TempPathFactory) -> tuple[Bench, verbs.Done]:
    """The job painted whole, once."""
    root = tmp_path_factory.mktemp("wall")
    (root / "wall.svg").write_text(_svg())
    (root / "job.toml").write_text(JOB)
    bench = Bench(shipped("machines/boathouse.toml"), root / "job.toml", root / "s")
    return bench, bench.paint(home_first=True)


def test_inks_from_light_to_dark(wall: tuple[Bench, verbs.Done]) -> None:
    """The inks are painted by lightness, whatever the file lists first."""
    bench, _ = wall
    assert [ink.name for ink in bench.prepared().record.inks] == ["ochre", "brick", "black"]


def _reach(ink: str) -> shapely.Geometry:
    """What of an ink's area a round tip can reach: the area's opening by the tip."""
    radius = TIPS[ink] / 2.0
    return shapely.buffer(shapely.buffer(_wanted()[ink], -radius, quad_segs=32), radius, quad_segs=32)


def test_picture_is_covered(wall: tuple[Bench, verbs.Done]) -> None:
    """At least 99 % of what tips can reach carries its ink; they can reach nearly all."""
    bench, _ = wall
    painted = load_painted(bench.state.twin / "canvas.npz")
    wanted = sum(_wanted()[ink].area for ink in TIPS)
    reach = sum(_reach(ink).area for ink in TIPS)
    covered = sum(shapely.intersection(_reach(ink), _touched(painted, ink)).area for ink in TIPS)
    assert reach > 0.99 * wanted
    assert covered >= 0.99 * reach


@pytest.mark.parametrize("ink", list(TIPS))
def test_each_ink_is_covered(wall: tuple[Bench, verbs.Done], ink: str) -> None:
    """Of each ink 99.5 % is covered but for 0.05 mm along the edge, where small dots show how the machine strays."""
    bench, _ = wall
    inner = shapely.buffer(_reach(ink), -0.05)
    touched = _touched(load_painted(bench.state.twin / "canvas.npz"), ink)
    assert shapely.intersection(inner, touched).area >= 0.995 * inner.area


@pytest.mark.parametrize("ink", list(TIPS))
def test_nothing_is_painted_beyond(wall: tuple[Bench, verbs.Done], ink: str) -> None:
    """No ink lies farther beyond its area than the machine strays, but for the trap of the wall under the heron."""
    bench, _ = wall
    allowed = shapely.buffer(_wanted()[ink], TOLERANCE_MM)
    if ink == "brick":
        trap = shapely.buffer(_wanted()["brick"], TRAP_MM + TOLERANCE_MM)
        heron = shapely.buffer(_wanted()["black"], TOLERANCE_MM)
        allowed = shapely.union(allowed, shapely.intersection(trap, heron))
    touched = _touched(load_painted(bench.state.twin / "canvas.npz"), ink)
    assert shapely.difference(touched, allowed).area < 1e-3 * touched.area


def test_wall_goes_under_the_heron(wall: tuple[Bench, verbs.Done]) -> None:
    """The trap is there: along the heron's edge the wall's ink reaches a good part of the width below it."""
    bench, _ = wall
    touched = _touched(load_painted(bench.state.twin / "canvas.npz"), "brick")
    black = _wanted()["black"]
    strip = shapely.intersection(shapely.buffer(_wanted()["brick"], TRAP_MM), black)
    assert strip.area > 20.0
    assert shapely.intersection(strip, touched).area > 0.8 * strip.area
    deep = shapely.buffer(black, -(TRAP_MM + TOLERANCE_MM))
    assert shapely.intersection(deep, touched).area < 1.0


def test_pen_came_down_once_a_stroke(wall: tuple[Bench, verbs.Done]) -> None:
    """As many contacts as strokes."""
    bench, _ = wall
    painted = load_painted(bench.state.twin / "canvas.npz")
    assert painted.contacts == sum(ink.strokes for ink in bench.prepared().record.inks)
