"""What all plots share: size, colours, type, and PNG bytes. Knows no data.

The colours are those of Okabe and Ito (2008), told apart with every common kind of colour vision; where two
series could still be confused, marker or line style differs as well.
"""

from __future__ import annotations

from io import BytesIO
from typing import TYPE_CHECKING

from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure

if TYPE_CHECKING:
    from matplotlib.axes import Axes

BLUE, ORANGE, GREEN, VERMILLION = "#0072B2", "#E69F00", "#009E73", "#D55E00"
PURPLE, SKY, GREY, BLACK = "#CC79A7", "#56B4E9", "#8A8A8A", "#222222"
CANVAS = "#FAF6ED"

DPI = 130
WIDTH_IN = 8.6


def new_figure(height_in: float, width_in: float = WIDTH_IN) -> Figure:
    """An empty figure that lays itself out."""
    figure = Figure(figsize=(width_in, height_in), dpi=DPI, layout="constrained", facecolor="white")
    FigureCanvasAgg(figure)
    return figure


def dress(axes: Axes, title: str, x_label: str, y_label: str) -> None:
    """Title, labels with units, quiet grid."""
    axes.set_title(title, loc="left", fontsize=11, color=BLACK, pad=8)
    axes.set_xlabel(x_label, fontsize=9.5)
    axes.set_ylabel(y_label, fontsize=9.5)
    axes.tick_params(labelsize=9)
    axes.grid(visible=True, which="major", color="#E3E3E3", linewidth=0.7)
    axes.set_axisbelow(True)
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)
    for side in ("left", "bottom"):
        axes.spines[side].set_color("#9A9A9A")


def png(figure: Figure) -> bytes:
    """The figure as PNG."""
    stream = BytesIO()
    figure.savefig(stream, format="png", dpi=DPI, metadata={"Software": None})
    return stream.getvalue()
