"""Plots of an identification: what was measured, what was fitted, and what is left, in one picture each.

Takes fits, returns PNG bytes. Owns no figure that is not also in the answer.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from controller.calibrate.identify import LoopFit
from controller.calibrate.identify_ring import Ring
from controller.report.figures import BLUE, GREY, ORANGE, VERMILLION, dress, new_figure, png

PARTS_SHOWN = 2
"""One way there and one back; the others are the same, and their residuals are drawn with them."""

Vector = npt.NDArray[np.float64]


def loop_plot(fit: LoopFit, axis: str) -> bytes:
    """Speed, following error measured and fitted, and the residual of every part."""
    figure = new_figure(7.6)
    speed, following, residual = figure.subplots(3, sharex=True, height_ratios=(1.0, 1.7, 1.1))
    for number in range(int(fit.part.max()) + 1):
        mine = fit.part == number
        time_s = fit.time_s[mine]
        colour = BLUE if number % 2 == 0 else ORANGE
        if number < PARTS_SHOWN:
            way = "there" if number == 0 else "back"
            speed.plot(time_s, fit.speed_mm_s[mine], color=colour, linewidth=1.4, label=way)
            following.plot(
                time_s, fit.following_mm[mine], color=colour, linestyle="none", marker=".", markersize=3.0,
                label=f"measured, {way}",
            )  # fmt: skip
            following.plot(
                time_s, fit.fitted_mm[mine], color=VERMILLION, linewidth=0.9, label="fitted" if number == 0 else None
            )  # fmt: skip
        residual.plot(time_s, 1000.0 * fit.residual_mm[mine], color=colour, linewidth=0.8, alpha=0.8)
    for axes in (speed, following, residual):
        axes.axhline(0.0, color=GREY, linewidth=0.8, zorder=1)
    dress(
        speed,
        f"Axis {axis}: lag {fit.lag_ms:.2f} ± {fit.lag_half_ms:.2f} ms, dead time {fit.dead_ms:.2f} ± "
        f"{fit.dead_half_ms:.2f} ms, together {fit.sum_ms:.2f} ± {fit.sum_half_ms:.2f} ms",
        "",
        "commanded, mm/s",
    )
    dress(following, "", "", "following error, mm")
    words = f"left over in all {len(fit.parts_ms)} parts: {1000.0 * fit.residual_rms_mm:.1f} µm rms"
    dress(residual, words, "seconds from the begin of each part", "residual, µm")
    for axes in (speed, following):
        axes.legend(loc="upper right", fontsize=8, frameon=False, ncols=3)
        low, high = axes.get_ylim()
        axes.set_ylim(low, high + 0.22 * (high - low))
    return png(figure)


def ring_plot(ring: Ring, title: str, unit: str) -> bytes:
    """Samples of a ring-down, the fitted swing, and what is left. Raises ValueError for a ring-down without samples."""
    if ring.time_s is None or ring.value is None or ring.fitted is None:
        raise ValueError("expected a ring-down with samples, got one read off a line")
    figure = new_figure(5.6)
    above, below = figure.subplots(2, sharex=True, height_ratios=(2.0, 1.0))
    time_s = ring.time_s - ring.time_s[0]
    middle = float(np.mean(ring.value))
    above.plot(
        time_s,
        ring.value - middle,
        color=BLUE,
        linestyle="none",
        marker=".",
        markersize=3.5,
        label="measured",
    )
    above.plot(time_s, ring.fitted - middle, color=VERMILLION, linewidth=1.0, label="fitted")
    below.plot(time_s, ring.value - ring.fitted, color=BLUE, linewidth=0.9)
    for axes in (above, below):
        axes.axhline(0.0, color=GREY, linewidth=0.8, zorder=1)
    dress(
        above,
        f"{title}: {ring.frequency_hz:.2f} ± {ring.frequency_half_hz:.2f} Hz, damping {ring.damping:.3f} ± "
        f"{ring.damping_half:.3f}",
        "",
        unit,
    )
    above.legend(loc="upper right", fontsize=8.5, frameon=False)
    dress(below, f"left over: {100.0 * (1.0 - ring.explained):.1f} % of the variance", "seconds", unit)
    return png(figure)


def quiet_plot(time_s: Vector, value_mm: Vector, title: str) -> bytes:
    """What the motor did at rest where no swing was found in it, µm."""
    figure = new_figure(3.2)
    axes = figure.subplots()
    axes.plot(time_s - time_s[0], 1000.0 * (value_mm - float(np.mean(value_mm))), color=BLUE, linewidth=0.9)
    axes.axhline(0.0, color=GREY, linewidth=0.8, zorder=1)
    dress(axes, title, "seconds after the stop", "motor, read less expected, µm")
    return png(figure)
