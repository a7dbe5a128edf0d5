"""The accuracy picture: true curve, hand-made timing and ours, with the deviation magnified. Owns the drawing only."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from tests.bench import accuracy_measure as measure
from tests.bench.accuracy_art import Art

if TYPE_CHECKING:
    from tests.bench.accuracy import Pass

SHOWN = ("circle r 3", "circle r 300", "star")
MAGNIFIED = {"circle r 3": 1.0, "circle r 300": 20.0, "star": 5.0}
COLOURS = {"naive": "#d9952b", "ours": "#1f7a78"}

Vector = npt.NDArray[np.float64]


def magnified(painted_mm: Vector, curve_mm: Vector, times: float) -> Vector:
    """The painted places with their offset from the nearest point of the curve multiplied."""
    places = measure.resampled(painted_mm)
    _, foot = measure.nearest(places, curve_mm)
    moved: Vector = foot + times * (places - foot)
    return moved


def picture(art: Art, passes: dict[str, Pass], path: Path) -> None:
    """Shapes above, signed contour error along the stroke below; one column a shape."""
    import matplotlib as mpl

    mpl.use("Agg")
    from matplotlib import pyplot as plt

    cells = {cell.name: cell for cell in art.cells}
    shown = [name for name in SHOWN if name in cells]
    figure, axes = plt.subplots(
        2,
        len(shown),
        figsize=(5.2 * len(shown), 8.4),
        squeeze=False,
        height_ratios=(3, 2),
        layout="constrained",
    )
    for column, name in enumerate(shown):
        cell = cells[name]
        times = MAGNIFIED[name]
        above, below = axes[0, column], axes[1, column]
        above.plot(*cell.curves[0].T, color="#888888", linewidth=0.8, label="artwork")
        for who, colour in COLOURS.items():
            painted = passes[who].painted[cell.strokes[0]]
            above.plot(*magnified(painted, cell.curves[0], times).T, color=colour, linewidth=1.2, label=who)
            places = measure.resampled(painted)
            share = np.linspace(0.0, 100.0, len(places))
            below.plot(
                share,
                measure.signed_distances(places, cell.curves[0]),
                color=colour,
                linewidth=1.0,
                label=who,
            )
        above.set_aspect("equal")
        above.invert_yaxis()
        above.set_title(f"{name} mm" if name.startswith("circle") else name)
        above.set_xlabel("canvas x, mm" + (f" (deviation x {times:g})" if times != 1 else ""))
        above.set_ylabel("canvas y, mm")
        below.axhline(0.0, color="#888888", linewidth=0.8)
        below.set_xlabel("% of the painted length")
        below.set_ylabel("deviation, mm")
        below.grid(alpha=0.3)
    axes[0, 0].legend(loc="center")
    figure.savefig(path, dpi=110)
    plt.close(figure)
