"""Plots of a driven test: circles with their deviation magnified, deviations along an axis, a line's sideways error.

Takes evaluated figures, returns PNG bytes. Owns no figure that is not also in the table.
"""

from __future__ import annotations

from math import floor, log10
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from controller.motion.probe import AxisTest, CircleTest, LineTest
from controller.register.circular import least_squares_circle
from controller.register.positioning import off_line
from controller.report.figures import BLACK, BLUE, GREY, ORANGE, dress, new_figure, png
from controller.report.probed import SOURCES
from controller.report.probefigures import AxisSource, CircleSource, LineSource

if TYPE_CHECKING:
    from matplotlib.axes import Axes

Vector = npt.NDArray[np.float64]

BAND = 0.32
"""The largest deviation is drawn as this share of the circle's radius, at most."""

SPAN_MIN_MM = 0.004

LABELS_RAD = -3 * np.pi / 8
"""Where the rings are labelled: steep, so that the labels stand above each other."""

WAYS = (("clockwise", BLUE, "-"), ("anticlockwise", ORANGE, (0, (5, 2))))


def round_up(value: float) -> float:
    """The next of 1, 2, 5 times a power of ten."""
    if not value > 0.0:
        return 1e-3
    power = 10.0 ** floor(log10(value))
    return float(next(step * power for step in (1.0, 2.0, 5.0, 10.0) if step * power >= value * (1 - 1e-9)))


def magnification(largest_mm: float, radius_mm: float) -> tuple[float, float]:
    """Step of the rings in mm, and how many times the deviation is magnified against the radius as drawn."""
    step_mm = round_up(max(largest_mm, 1e-6) / 3.0)
    return step_mm, BAND * radius_mm / (3.0 * step_mm)


def circle_plot(one: CircleSource, test: CircleTest) -> bytes:
    """Both ways round about their common least-squares centre, deviation magnified; as seen facing the wall."""
    centre = _centre_of(one)
    deviations = [
        np.hypot(*(points - centre).T) - test.radius_mm for points in (one.clockwise_mm, one.anticlockwise_mm)
    ]
    largest = max(float(np.abs(values).max()) for values in deviations)
    step_mm, times = magnification(largest, test.radius_mm)
    figure = new_figure(6.25, 6.6)
    axes = figure.subplots()
    round_ = np.linspace(0, 2 * np.pi, 721)
    for ring in range(-3, 4):
        radius = 1.0 + BAND * ring / 3.0
        axes.plot(
            radius * np.cos(round_), radius * np.sin(round_), color=BLACK if ring == 0 else "#DADADA",
            linewidth=1.2 if ring == 0 else 0.7, zorder=1,
        )  # fmt: skip
        axes.text(
            radius * np.cos(LABELS_RAD), radius * np.sin(LABELS_RAD), f"{ring * step_mm:+.3g}" if ring else "0",
            fontsize=7.5, color="#555555", ha="center", va="center", zorder=2,
            bbox={"facecolor": "white", "edgecolor": "none", "pad": 0.5, "alpha": 0.85},
        )  # fmt: skip
    for angle, label in ((0.0, "0°, +x"), (0.5, "90°, +y (down)"), (1.0, "180°"), (1.5, "270°")):
        x, y = np.cos(angle * np.pi), np.sin(angle * np.pi)
        axes.plot([0.15 * x, 1.36 * x], [0.15 * y, 1.36 * y], color="#C8C8C8", linewidth=0.7, zorder=0)
        ha = "left" if x > 0.5 else "right" if x < -0.5 else "center"
        va = "center" if abs(x) > 0.5 else "top" if y > 0 else "bottom"
        axes.text(1.4 * x, 1.4 * y, label, fontsize=8.5, color="#555555", ha=ha, va=va)
    for points, values, (name, colour, style) in zip(
        (one.clockwise_mm, one.anticlockwise_mm), deviations, WAYS, strict=True
    ):
        away = points - centre
        angle_rad = np.arctan2(away[:, 1], away[:, 0])
        radius_drawn = 1.0 + BAND * values / (3.0 * step_mm)
        axes.plot(
            radius_drawn * np.cos(angle_rad), radius_drawn * np.sin(angle_rad), color=colour, linestyle=style,
            linewidth=1.5, label=name, zorder=3,
        )  # fmt: skip
    axes.plot([0], [0], marker="+", color=GREY)
    axes.set_aspect("equal")
    axes.set_xlim(-1.75, 1.75)
    axes.set_ylim(1.52, -1.52)  # y down, as on the wall
    axes.axis("off")
    many = f"{times:,.0f}".replace(",", "\u2009")
    axes.set_title(
        f"{SOURCES[one.source]}\nradius {test.radius_mm:g} mm, {test.speed_mm_s:g} mm/s; deviation {many} x magnified, "
        f"a ring is {step_mm:g} mm",
        loc="left",
        fontsize=10.5,
        color=BLACK,
    )
    axes.legend(loc="center", fontsize=9, frameon=False, bbox_to_anchor=(0.5, 0.44))
    return png(figure)


def _centre_of(one: CircleSource) -> Vector:
    """About it the shape shows; how far it is off its place is a figure of its own."""
    return least_squares_circle(np.concatenate([one.clockwise_mm, one.anticlockwise_mm])).centre_mm


def unrolled_plot(circles: tuple[CircleSource, ...], test: CircleTest) -> bytes:
    """Radial deviation from the nominal radius about the common least-squares centre, over the angle, by source."""
    figure = new_figure(1.0 + 2.1 * len(circles))
    panels = np.atleast_1d(figure.subplots(len(circles), sharex=True))
    for axes, one in zip(panels, circles, strict=True):
        centre = _centre_of(one)
        for points, (name, colour, style) in zip((one.clockwise_mm, one.anticlockwise_mm), WAYS, strict=True):
            away = points - centre
            angle = np.degrees(np.mod(np.arctan2(away[:, 1], away[:, 0]), 2 * np.pi))
            order = np.argsort(angle)
            axes.plot(
                angle[order], (np.hypot(*away.T) - test.radius_mm)[order], color=colour, linestyle=style,
                linewidth=1.3, label=name,
            )  # fmt: skip
        axes.axhline(0.0, color=GREY, linewidth=0.8, zorder=1)
        dress(axes, SOURCES[one.source], "", "deviation, mm")
        _at_least(axes)
        axes.set_xlim(0, 360)
        axes.set_xticks(range(0, 361, 45))
    panels[-1].set_xlabel("angle from x towards y, degrees", fontsize=9.5)
    _legend_above(panels[0])
    return png(figure)


def axis_plot(sources: tuple[AxisSource, ...], test: AxisTest) -> bytes:
    """Mean deviation of every target from both sides with two standard uncertainties, one panel a source."""
    figure = new_figure(1.0 + 2.3 * len(sources))
    panels = np.atleast_1d(figure.subplots(len(sources), sharex=True))
    for axes, one in zip(panels, sources, strict=True):
        found = one.figures
        for mean, spread, (colour, marker, name) in (
            (found.mean_up_mm, found.s_up_mm, (BLUE, "^", "approached upwards (+)")),
            (found.mean_down_mm, found.s_down_mm, (ORANGE, "v", "approached downwards (\u2212)")),
        ):
            axes.errorbar(
                found.targets_mm, mean, yerr=2 * spread, color=colour, marker=marker, markersize=5, linewidth=1.2,
                capsize=3, label=f"{name}, ± 2 s",
            )  # fmt: skip
        axes.axhline(0.0, color=GREY, linewidth=0.8, zorder=1)
        dress(axes, SOURCES[one.source], "", "deviation, mm")
        _at_least(axes)
    panels[-1].set_xlabel(f"target along {test.axis}, canvas mm", fontsize=9.5)
    _legend_above(panels[0])
    return png(figure)


def line_plot(sources: tuple[LineSource, ...], test: LineTest) -> bytes:
    """Sideways distance from the nominal line over the way, one panel a source."""
    figure = new_figure(1.0 + 2.1 * len(sources))
    panels = np.atleast_1d(figure.subplots(len(sources), sharex=True))
    for axes, one in zip(panels, sources, strict=True):
        for points, (_, colour, style), name in zip(
            (one.there_mm, one.back_mm), WAYS, ("there", "back"), strict=True
        ):
            along, side = off_line(points, test.start_mm, test.end_mm)
            axes.plot(along, side, color=colour, linestyle=style, linewidth=1.3, label=name)
        axes.axhline(0.0, color=GREY, linewidth=0.8, zorder=1)
        dress(axes, SOURCES[one.source], "", "to the right, mm")
        _at_least(axes)
    panels[-1].set_xlabel("along the line, mm", fontsize=9.5)
    _legend_above(panels[0])
    return png(figure)


def _at_least(axes: Axes) -> None:
    """A scale never finer than is of any use: what is far below a micrometre shall look like nothing."""
    low, high = axes.get_ylim()
    if high - low < SPAN_MIN_MM:
        middle = 0.5 * (low + high)
        axes.set_ylim(middle - 0.5 * SPAN_MIN_MM, middle + 0.5 * SPAN_MIN_MM)


def _legend_above(axes: Axes) -> None:
    """In the top right corner over the first panel, beside its title."""
    axes.legend(loc="lower right", bbox_to_anchor=(1.0, 1.0), ncols=2, fontsize=8.5, frameon=False)
