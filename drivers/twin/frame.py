"""Where a head at given axis places truly is in the plane of the canvas: length errors, squareness, sag, drift.

Owns the true geometry, written from its own parameters and apart from what a planner believes. Knows no time of day:
the age of the gantry is an argument.

true x = u + s v, true y = v + sag(u), with u, v = axis mm (1 + drift) + length error, s the squareness; then the
canvas' origin is taken off, its turn taken back and the frame's drift added.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from drivers.twin.parameters import TwinParameters

Floats = npt.NDArray[np.float64]
NS_PER_H = 3.6e12


class Frame:
    """The true geometry; ``names`` are the axes along x and along y."""

    def __init__(self, parameters: TwinParameters, names: tuple[str, ...]) -> None:
        axes = [parameters.axes[name] for name in names]
        self._origin = np.array(parameters.canvas_origin_mm, dtype=np.float64)
        turn = np.radians(parameters.canvas_turn_deg)
        self._back = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
        self._turned = parameters.canvas_turn_deg != 0.0
        self._errors = [axis.length_error for axis in axes]
        self._growth_per_h = np.array([axis.length_drift_ppm_h for axis in axes]) * 1e-6
        self._slope = parameters.squareness_mm_m * 1e-3
        self._sag = parameters.sag
        self._drift_mm_h = np.array(parameters.frame_drift_mm_h, dtype=np.float64)
        self.drifts = bool(self._growth_per_h.any() or self._drift_mm_h.any())
        self.is_ideal = not (
            self.drifts or self._slope or self._sag is not None or any(e is not None for e in self._errors)
        )

    def true_mm(self, axis_mm: Floats, age_ns: npt.ArrayLike = 0) -> Floats:
        """Axis places (n, 2) to true mm (n, 2); ``age_ns`` () or (n,): time since power-on."""
        if self.is_ideal:
            return axis_mm
        age_h = np.asarray(age_ns, dtype=np.float64) / NS_PER_H
        along = [axis_mm[:, k] * (1.0 + self._growth_per_h[k] * age_h) for k in range(2)]
        for k, error in enumerate(self._errors):
            if error is not None:
                along[k] = along[k] + np.interp(axis_mm[:, k], error.position_mm, error.error_mm)
        x = along[0] + self._slope * along[1]
        y = along[1]
        if self._sag is not None:
            y = y + np.interp(along[0], self._sag.position_mm, self._sag.drop_mm)
        true: Floats = np.stack((x, y), axis=1)
        return true

    def canvas_mm(self, axis_mm: Floats, age_ns: npt.ArrayLike = 0) -> Floats:
        """Axis places (n, 2) to canvas mm (n, 2)."""
        place: Floats = self.true_mm(axis_mm, age_ns) - self._origin
        if self._turned:
            place = place @ self._back  # rows times R: each place turned by R transposed
        if self._drift_mm_h.any():
            age_h = np.atleast_1d(np.asarray(age_ns, dtype=np.float64)) / NS_PER_H
            place = place + age_h[:, None] * self._drift_mm_h
        return place
