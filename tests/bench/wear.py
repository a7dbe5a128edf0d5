"""Equal dots from a tip that wears: what they measure with and without its table; figures for docs/techniques.md.

python -m tests.bench.wear             prints the table
python -m tests.bench.wear docs        draws docs/wear.png too

A drawing of 3249 circles of 6 mm goes the whole way from SVG to strokes, once with the tip's table in the job and once
without. What each dot measures is found from its stroke alone: the area that a tip of the true width at every
millimetre covers (shapely), as the diameter of a disc of that area, and its extent in 36 directions. The tip's true
width is a law; the job's table is that law measured at seven places to a hundredth of a millimetre.
"""

from __future__ import annotations

import sys
import tempfile
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt
import shapely

from controller.artwork.read import read_drawing
from controller.config.load import load_job, load_machine
from controller.config.places import shipped
from controller.strokes.passes import JobPasses, Watch
from controller.strokes.strokeset import StrokeSet
from controller.strokes.works import build_works

Floats = npt.NDArray[np.float64]

DIAMETER_MM, PITCH_MM, SIDE = 6.0, 11.0, 57
LIFE_M = 120.0
MEASURED_M = (0.0, 20.0, 40.0, 60.0, 80.0, 100.0, 120.0)
ROWS_M = (0.0, 20.0, 40.0, 60.0, 80.0, 100.0, 119.0)


def true_width_mm(metres: npt.ArrayLike) -> Floats:
    """0.8 mm when new, 1.3 mm after 120 m, widening ever more slowly."""
    share: Floats = -np.expm1(-np.asarray(metres, dtype=np.float64) / 80.0) / -np.expm1(-LIFE_M / 80.0)
    return 0.8 + 0.5 * share


def drawing_and_job(folder: Path, *, table: bool) -> Path:
    """Write both; the job's path."""
    dots = "".join(
        f'<circle cx="{PITCH_MM * (1 + column)}" cy="{PITCH_MM * (1 + row)}" r="{DIAMETER_MM / 2}"/>'
        for row in range(SIDE)
        for column in range(SIDE)
    )
    side = PITCH_MM * (SIDE + 1)
    (folder / "foam.svg").write_text(
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{side}mm" height="{side}mm" viewBox="0 0 {side} {side}">'
        f'<g id="foam" fill="#1f7a78">{dots}</g></svg>'
    )
    widths = [round(float(width), 2) for width in true_width_mm(MEASURED_M)]
    wear = f"[tips.felt]\nmetres = {list(MEASURED_M)}\nwidth_mm = {widths}\n" if table else ""
    (folder / "job.toml").write_text(
        'format = 1\nname = "foam"\nartwork = "foam.svg"\norigin_mm = [0.0, 0.0]\nunmatched = "refuse"\n'
        '[[inks]]\nname = "teal"\ncolour = "#1f7a78"\ntip_mm = 0.8\n'
        + ('tip = "felt"\n' if table else "")
        + wear
    )
    return folder / "job.toml"


def painted_order(*, table: bool) -> StrokeSet:
    """The strokes of all dots as they follow one another, by one pen."""
    with tempfile.TemporaryDirectory() as folder:
        path = drawing_and_job(Path(folder), table=table)
        job, machine = load_job(path), load_machine(shipped("machines/reference-twin.toml"))
        built = build_works(read_drawing(job, path), job, path, JobPasses(job, machine, Watch(1e6, 0.0)))
    strokes = built.strokes["teal"]
    (whole,) = built.passes.passes
    assert whole.pen_m == 0.0
    return strokes.take(whole.strokes)


@dataclass(frozen=True, slots=True)
class Painted:
    """One dot: metres painted before it, the tip's width at its beginning; diameters in mm, by area and by extent."""

    metres: float
    tip_mm: float
    diameter_mm: float
    least_mm: float
    most_mm: float


def measured(strokes: StrokeSet, index: int, metres: float) -> Painted:
    """Measure the dot of a stroke that the tip begins after ``metres``."""
    points = strokes.stroke_mm(index)
    legs = np.hypot(*np.diff(points, axis=0).T)
    along = metres + np.concatenate([[0.0], np.cumsum(legs)]) / 1000.0
    width = true_width_mm((along[1:] + along[:-1]) / 2.0)
    lines = shapely.linestrings(np.stack([points[:-1], points[1:]], axis=1))
    dot = shapely.union_all(shapely.buffer(lines, width / 2.0, quad_segs=64))
    edge = shapely.get_coordinates(dot)
    angle = np.arange(36) * np.pi / 36
    extent = np.ptp(edge @ np.stack([np.cos(angle), np.sin(angle)]), axis=0)
    return Painted(
        metres,
        float(true_width_mm(metres)),
        2.0 * float(np.sqrt(dot.area / np.pi)),
        float(extent.min()),
        float(extent.max()),
    )


def life(*, table: bool, every: int = 20) -> list[Painted]:
    """Every so-manieth dot of the first 120 m, from the first to the last."""
    strokes = painted_order(table=table)
    before = np.concatenate([[0.0], np.cumsum(strokes.lengths_mm())]) / 1000.0
    last = int(np.searchsorted(before, LIFE_M)) - 2
    chosen = np.unique([*range(0, min(last, len(strokes) - 1), every), min(last, len(strokes) - 1)])
    return [measured(strokes, index, float(before[index])) for index in chosen]


def rows(mended: list[Painted], plain: list[Painted]) -> list[tuple[float, float, float, float]]:
    """Metres, the tip, a dot with the table and without, at the dots nearest to ROWS_M."""
    found = []
    for at in ROWS_M:
        one = min(mended, key=lambda dot: abs(dot.metres - at))
        other = min(plain, key=lambda dot: abs(dot.metres - at))
        found.append((one.metres, one.tip_mm, one.diameter_mm, other.diameter_mm))
    return found


def spread_mm(dots: list[Painted]) -> float:
    """From the smallest diameter to the largest."""
    diameters = [dot.diameter_mm for dot in dots]
    return max(diameters) - min(diameters)


def text(mended: list[Painted], plain: list[Painted]) -> str:
    """The table as it stands in the document."""
    lines = ["| metres | tip mm | painted mm | without mm |", "|---|---|---|---|"]
    lines += [f"| {a:.0f} | {b:.3f} | {c:.3f} | {d:.3f} |" for a, b, c, d in rows(mended, plain)]
    lines += ["", f"Spread {spread_mm(mended):.3f} mm with, {spread_mm(plain):.3f} mm without."]
    return "\n".join(lines)


def draw(folder: Path, mended: list[Painted], plain: list[Painted]) -> None:
    """Diameters by metres."""
    import matplotlib as mpl

    mpl.use("Agg")
    import matplotlib.pyplot as plt

    figure, axis = plt.subplots(figsize=(7, 3.6), layout="constrained")
    for dots, label, colour in ((plain, "one path for all", "C1"), (mended, "paths follow the tip", "C0")):
        axis.plot([dot.metres for dot in dots], [dot.diameter_mm for dot in dots], label=label, color=colour)
    axis.set_xlabel("painted with this tip, m")
    axis.set_ylabel(f"diameter of a dot of {DIAMETER_MM:.0f} mm, mm")
    axis.set_title(f"A tip that widens from {true_width_mm(0.0):.2f} to {true_width_mm(LIFE_M):.2f} mm")
    axis.legend()
    figure.savefig(folder / "wear.png", dpi=90)
    plt.close(figure)


if __name__ == "__main__":
    with_table, without = life(table=True), life(table=False)
    print(text(with_table, without))
    if len(sys.argv) > 1:
        draw(Path(sys.argv[1]), with_table, without)
