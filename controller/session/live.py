"""What is known of a run while it runs: how late its ticks left, and where the motors say that the head is.

Owns a tally of fixed size, whatever the run's length. It sees the records that the service has taken from the ring;
the timing log holds all of them, and the report's figures come from there.
"""

from __future__ import annotations

from typing import Any, Final

import numpy as np
import numpy.typing as npt

from controller.config.machine import AXES, Machine
from controller.motion.geometry import GeometryMap
from controller.session.rows import Matrix

BIN_RATIO: Final = 1.05
LATEST_US: Final = 1e7
_EDGES_US: Final = np.geomspace(1.0, LATEST_US, 1 + int(np.ceil(np.log(LATEST_US) / np.log(BIN_RATIO))))


class LatenessTally:
    """Lateness by classes whose bounds lie 5 % apart, from 1 us to 10 s; the largest one is kept exactly."""

    def __init__(self) -> None:
        self._counts = np.zeros(len(_EDGES_US) + 1, dtype=np.int64)
        self.ticks = 0
        self.max_us = 0.0

    def add(self, late_us: npt.NDArray[np.float64]) -> None:
        """Count these, in microseconds; early ones count in the lowest class."""
        if len(late_us) == 0:
            return
        self._counts += np.bincount(
            np.searchsorted(_EDGES_US, late_us, side="left"), minlength=len(self._counts)
        )
        largest = float(late_us.max())
        self.max_us = largest if self.ticks == 0 else max(self.max_us, largest)
        self.ticks += len(late_us)

    def percentile_us(self, percent: float) -> float:
        """A bound that so many per cent (0 to 100) do not pass: nearest rank, up to 5 % above; 0 without ticks."""
        if self.ticks == 0:
            return 0.0
        rank = max(1, int(np.ceil(self.ticks * percent / 100.0)))
        place = int(np.searchsorted(np.cumsum(self._counts), rank))
        bound = float(_EDGES_US[min(place, len(_EDGES_US) - 1)])
        return min(bound, self.max_us) if self.max_us > 0.0 else 0.0


class Live:
    """The present run. ``begin`` with each, ``take`` its records."""

    def __init__(self, machine: Machine) -> None:
        self._machine = machine
        self._scale = np.array(
            [
                machine.axes[name].drive.direction * float(machine.axes[name].drive.counts_per_mm)
                for name in AXES
            ]
        )
        self._offsets: npt.NDArray[np.float64] | None = None
        self._counts: npt.NDArray[np.int64] | None = None
        self._geometry: GeometryMap | None = None
        self._tally = LatenessTally()

    def lies(self, register_map: Matrix | None) -> None:
        """How the canvas lies: the map that passes are painted under from here on."""
        self._geometry = GeometryMap.of(self._machine, register_map)

    def begin(self, offset_counts: tuple[float, float] | None) -> None:
        """A run begins; ``offset_counts`` of its homing, None while homing."""
        self._offsets = None if offset_counts is None else np.array(offset_counts, dtype=float)
        self._counts = None
        self._tally = LatenessTally()

    def take(self, records: npt.NDArray[np.void]) -> None:
        """Records of TICK_DTYPE, in order."""
        late_ns = records["sent_ns"] - records["scheduled_ns"]
        self._tally.add(late_ns.astype(np.float64) * 1e-3)
        if (known := records["feedback_ns"] > 0).any():
            self._counts = np.array(records["measured_counts"][known][-1], dtype=np.int64)

    def position_mm(self) -> tuple[float, float] | None:
        """Canvas mm by the motors' last word, play and belt left out; None while it is not known."""
        if self._offsets is None or self._counts is None:
            return None
        if self._geometry is None:
            self._geometry = GeometryMap.of(self._machine)
        motor_mm = (self._counts - self._offsets) / self._scale
        x_mm, y_mm = np.asarray(self._geometry.to_canvas(motor_mm[None, :]))[0]
        return float(x_mm), float(y_mm)

    def fields(self) -> dict[str, Any]:
        """For status and progress: ``position_mm`` and ``timing`` of the present run."""
        place = self.position_mm()
        tally = self._tally
        return {
            "position_mm": None if place is None else [round(place[0], 2), round(place[1], 2)],
            "timing": {
                "ticks": tally.ticks,
                "tick_ms": self._machine.tick_ns / 1e6,
                "p50_us": round(tally.percentile_us(50.0), 1),
                "p99_us": round(tally.percentile_us(99.0), 1),
                "max_us": round(tally.max_us, 1),
            },
        }
