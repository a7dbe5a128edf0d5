"""What fills cost and look like: times of large flats, bands, screens and dots; the figure of docs/techniques.md.

python -m tests.bench.fills            prints the times
python -m tests.bench.fills docs       draws docs/fills.png too
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import shapely

from controller.artwork.model import BUTT, MITER
from controller.strokes.band import band_area, band_paths
from controller.strokes.build import dot_strokes, dot_widths_mm
from controller.strokes.flat import flat_paths
from controller.strokes.paths import Paths
from controller.strokes.screen import lattice, screen_dots
from controller.strokes.wear import WearCurve

LIFE = WearCurve((0.0, 40.0, 90.0, 120.0), (0.8, 0.95, 1.15, 1.3))
TIP_MM = 4.0


def timed(what: str, run: Callable[[], Any]) -> Any:
    """Run and print the time that it took."""
    begin = time.perf_counter()
    result = run()
    print(f"{what:52s} {time.perf_counter() - begin:7.2f} s", end="")
    return result


def wave() -> shapely.Geometry:
    """A wavy area of about 2.8 m by 0.9 m with sixteen round holes, 4000 vertices along its edge."""
    angle = np.linspace(0, 2 * np.pi, 4000, endpoint=False)
    reach = 1400 + 60 * np.sin(23 * angle) + 20 * np.sin(97 * angle)
    edge = shapely.Polygon(np.column_stack([1500 + reach * np.cos(angle), 500 + reach / 3 * np.sin(angle)]))
    holes = [shapely.Point(x, y).buffer(35, quad_segs=32) for x in range(400, 2700, 300) for y in (350, 600)]
    return edge.difference(shapely.union_all(holes))


def times() -> None:
    """Large areas, a long band, a screen and 12 000 dots."""
    wall = shapely.box(0, 0, 3000, 1000)
    sea = wave()
    for name, area in (("3 m x 1 m", wall), ("wavy, 16 holes", sea)):
        for style in ("contour", "hatch"):
            paths = timed(
                f"flat {name}, tip {TIP_MM:.0f} mm, {style}",
                lambda area=area, style=style: flat_paths(area, TIP_MM, style=style, angle_deg=30.0),
            )
            print(f"  {len(paths):4d} strokes, {paths.lengths_mm().sum() / 1000:6.1f} m")
    along = np.linspace(0, 2900, 2000)
    line = np.column_stack([along, 500 + 80 * np.sin(along / 70)])
    paths = timed("band 20 mm, 3.7 m long", lambda: band_paths(line, 20.0, BUTT, MITER, 4.0, TIP_MM))
    print(f"  {len(paths):4d} strokes, {paths.lengths_mm().sum() / 1000:6.1f} m")
    dots = timed("screen, pitch 8 mm", lambda: screen_dots(sea, lattice("hexagonal", 8.0, 15.0), 5.0))
    print(f"  {len(dots.diameter_mm)} dots")
    count = 12_000
    size = np.random.default_rng(3).choice([3.0, 4.0, 5.0, 6.0], count)
    width = timed("widths of a worn tip for 12 000 dots", lambda: dot_widths_mm(size, LIFE, 0.8, 0.02))
    print(f"  {len(np.unique(width))} widths")
    centre = np.random.default_rng(4).uniform(0, 3000, (count, 2))
    strokes = timed(
        "strokes of 12 000 dots",
        lambda: dot_strokes(centre, size, np.zeros(count, np.int32), ("e",), width, 0.8, 0.02),
    )
    print(f"  {len(strokes.points_mm)} vertices")


def letter() -> shapely.Geometry:
    """An R of straight lines."""
    outer = shapely.union(
        shapely.Polygon([(0, 0), (0, 60), (12, 60), (12, 36), (22, 36), (34, 60), (48, 60), (34, 34)]),
        shapely.Polygon([(0, 0), (0, 36), (28, 36), (40, 26), (42, 14), (36, 4), (26, 0)]),
    )
    return outer.difference(shapely.Polygon([(12, 10), (12, 27), (25, 27), (30, 22), (30, 14), (25, 10)]))


def samples() -> list[tuple[str, shapely.Geometry, Paths]]:
    """Areas with their paths: titles, areas, paths."""
    moon = shapely.Point(0, 0).buffer(35, quad_segs=64)
    moon = moon.difference(shapely.Point(14, -4).buffer(30, quad_segs=64))
    neck = shapely.union_all(
        [
            shapely.Point(-25, 0).buffer(18, quad_segs=32),
            shapely.Point(25, 3).buffer(15, quad_segs=32),
            shapely.box(-25, -1.2, 25, 1.2),
        ]
    )
    isle = (
        shapely.Point(0, 0).buffer(32, quad_segs=64).difference(shapely.Point(8, 5).buffer(10, quad_segs=32))
    )
    turn = np.linspace(0, 2 * np.pi, 10, endpoint=False) - np.pi / 2
    reach = np.where(np.arange(10) % 2 == 0, 40.0, 16.0)
    star = shapely.Polygon(np.column_stack([reach * np.cos(turn), reach * np.sin(turn)]))
    line = np.array([[0.0, 0.0], [55.0, 0.0], [55.0, 40.0], [10.0, 60.0]])
    return [
        ("rings, a letter", letter(), flat_paths(letter(), TIP_MM)),
        ("rings, a crescent", moon, flat_paths(moon, TIP_MM)),
        ("rings, a star", star, flat_paths(star, TIP_MM)),
        ("rings, a neck of 2.4 mm", neck, flat_paths(neck, TIP_MM)),
        ("hatch, an island", isle, flat_paths(isle, TIP_MM, style="hatch", angle_deg=30.0)),
        ("band of 14 mm", band_area(line, 14.0), band_paths(line, 14.0, BUTT, MITER, 4.0, TIP_MM)),
    ]


def draw(folder: Path) -> None:
    """The figure."""
    import matplotlib as mpl

    mpl.use("Agg")
    import matplotlib.pyplot as plt
    from matplotlib.patches import PathPatch
    from matplotlib.path import Path as Outline

    figure, axes = plt.subplots(2, 3, figsize=(13, 9), layout="constrained")
    for axis, (title, area, paths) in zip(axes.flat, samples(), strict=True):
        for index in range(len(paths)):
            points = paths.path_mm(index)
            paint = shapely.LineString(points).buffer(TIP_MM / 2)
            rings = [shapely.get_coordinates(ring) for ring in (paint.exterior, *paint.interiors)]
            outline = Outline.make_compound_path(*[Outline(ring, closed=True) for ring in rings])
            axis.add_patch(PathPatch(outline, facecolor=f"C{index}", alpha=0.25, edgecolor="none"))
            axis.plot(*points.T, color=f"C{index}", linewidth=0.9)
            axis.plot(*points[0], "o", color="black", markersize=4)
            axis.plot(*points[-1], "s", color=f"C{index}", markersize=4)
        for part in shapely.get_parts(area):
            for ring in (part.exterior, *part.interiors):
                axis.plot(*shapely.get_coordinates(ring).T, color="black", linewidth=0.6)
        axis.set_title(f"{title}: {len(paths)} stroke{'s' if len(paths) > 1 else ''}")
        axis.set_aspect("equal")
        axis.invert_yaxis()
        axis.set_axis_off()
    figure.savefig(folder / "fills.png", dpi=80)
    plt.close(figure)


if __name__ == "__main__":
    if len(sys.argv) > 1:
        draw(Path(sys.argv[1]))
    times()
