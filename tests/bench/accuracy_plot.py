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


BLOCKS, REACH = 60, 0.04
"""A shape of straight sides is measured in so many blocks, each against the curve beside it by this share of its
length: where a side crosses another, the other is not meant."""

SIDES_MAX = 20


def deviations(painted_mm: Vector, curve_mm: Vector) -> tuple[Vector, Vector, Vector]:
    """Places (m, 2) along the painted stroke, their signed distance (m,) from the curve, its nearest points (m, 2)."""
    places = measure.resampled(painted_mm)
    if len(curve_mm) > SIDES_MAX:
        signed, feet = measure.nearest(places, curve_mm)
        return places, signed, feet
    sides = [measure.resampled(curve_mm[i : i + 2], 0.1) for i in range(len(curve_mm) - 1)]
    curve = np.concatenate([sides[0], *(side[1:] for side in sides[1:])])  # every corner is kept
    signed, feet = np.empty(len(places)), np.empty_like(places)
    for block in range(BLOCKS):
        first, last = (len(places) * number // BLOCKS for number in (block, block + 1))
        low, high = block / BLOCKS - REACH, (block + 1) / BLOCKS + REACH
        part = curve[max(0, int(low * len(curve))) : int(np.ceil(high * len(curve))) + 1]
        signed[first:last], feet[first:last] = measure.nearest(places[first:last], part)
    return places, signed, feet


def picture(art: Art, passes: dict[str, Pass], path: Path) -> None:
    """Shapes above, signed contour error along the stroke below; one column a shape."""
    import matplotlib as mpl

    mpl.use("Agg")
    from matplotlib import pyplot as plt

    cells = {cell.name: cell for cell in art.cells}
    shown = [name for name in SHOWN if name in cells]
    figure, axes = plt.subplots(
        3, len(shown), figsize=(5.2 * len(shown), 10.5), squeeze=False, height_ratios=(3, 1.5, 1.5),
        layout="constrained",
    )  # fmt: skip
    for column, name in enumerate(shown):
        cell = cells[name]
        times = MAGNIFIED[name]
        above, below, alone = axes[:, column]
        above.plot(*cell.curves[0].T, color="#888888", linewidth=0.8, label="artwork")
        for who, colour in COLOURS.items():
            places, signed, feet = deviations(passes[who].painted[cell.strokes[0]], cell.curves[0])
            share = np.linspace(0.0, 100.0, len(places))
            above.plot(*(feet + times * (places - feet)).T, color=colour, linewidth=1.2, label=who)
            below.plot(share, signed, color=colour, linewidth=1.0)
            if who == "ours":
                alone.plot(share, 1000.0 * signed, color=colour, linewidth=1.0)
        above.set_aspect("equal")
        above.invert_yaxis()
        above.set_title(f"{name} mm" if name.startswith("circle") else name)
        above.set_xlabel("canvas x, mm" + (f" (deviation x {times:g})" if times != 1 else ""))
        above.set_ylabel("canvas y, mm")
        for axis, words in ((below, "deviation, mm"), (alone, "ours alone, µm")):
            axis.axhline(0.0, color="#888888", linewidth=0.8)
            axis.set_ylabel(words)
            axis.grid(alpha=0.3)
        alone.set_xlabel("% of the painted length")
    axes[0, 0].legend(loc="center")
    figure.savefig(path, dpi=110)
    plt.close(figure)
