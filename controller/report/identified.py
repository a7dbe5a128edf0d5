"""A driven identification evaluated and written down: values, plots, one JSON file.

Owns the files' names and which parts of a test are fitted how. The fits are ``controller/calibrate``'s; whether a value
is taken into the machine file is not asked here.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt

from controller.calibrate.identify import LoopFit, expected_mm, loop_of, refuse_poor
from controller.calibrate.identify_ring import Ring, belt_measured, ring_of_samples
from controller.calibrate.values import Measured, PoorFit
from controller.config.places import StateDir
from controller.motion.geometry import GeometryMap
from controller.motion.probesteps import StepsTest
from controller.report.files import into, write_whole
from controller.report.identifyplots import loop_plot, quiet_plot, ring_plot
from controller.session.identify import DrivenTest, read_driven, samples_of

SETTLED_LAGS, SETTLED_MIN_S = 8.0, 0.1
"""After so many stated lags and dead times, and after so long, the motor's own settling is over."""

FLOOR_STEPS = 5.0
"""A swing of the motor below so many encoder counts is none."""

Vector = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Identified:
    """What came of it. ``poor``: why no value is taken; then ``measured`` is empty, and the plots show why."""

    driven: DrivenTest
    measured: tuple[Measured, ...]
    poor: PoorFit | None
    fit: LoopFit | None
    answer: Path
    plots: tuple[Path, ...]

    @property
    def notes(self) -> tuple[str, ...]:
        """What is left out or doubtful."""
        alike = self.fit is not None and self.fit.whiteness > 0.5
        words = "neighbouring residuals are alike: the half widths allow for it" if alike else ""
        return (*self.driven.notes, *([words] if words else []))


def evaluate(
    driven: DrivenTest,
) -> tuple[tuple[Measured, ...], PoorFit | None, LoopFit | None, dict[str, bytes]]:
    """Values, or why none is taken; the loop's fit of a staircase; plots as PNG by name."""
    measured: tuple[Measured, ...] = ()
    fit: LoopFit | None = None
    poor: PoorFit | None = None
    pictures: dict[str, bytes] = {}
    axis = driven.test.axis
    try:
        if isinstance(driven.test, StepsTest):
            fit = loop_of(samples_of(driven, frozenset({"there", "back"})), _step_mm(driven))
            pictures[f"steps-{axis}.png"] = loop_plot(fit, axis)
            refuse_poor(fit)
            measured = fit.measured(axis)
        else:
            measured = (belt_measured(axis, _rings(driven, pictures)),)
    except PoorFit as found:
        poor = found
    return measured, poor, fit, pictures


def build_identification(state_dir: Path, session_id: int, folder: Path | None = None) -> Identified:
    """Evaluate a session's identification, write its files into ``folder`` (``reports/NNNN`` when None).

    Raises InputError when the session drove none to its end or the folder cannot be written. A poor fit raises nothing:
    it is in the answer, with its plots.
    """
    driven = read_driven(StateDir(state_dir), session_id)
    measured, poor, fit, pictures = evaluate(driven)
    place = folder if folder is not None else StateDir(state_dir).reports / f"{session_id:04d}"
    answer = place / f"{driven.test.kind}-{driven.test.axis}.json"
    with into(place):
        for name, content in pictures.items():
            write_whole(place / name, content)
        said = {"session": session_id, **words_of(measured, poor)}
        write_whole(answer, json.dumps(said, indent=1) + "\n")
    return Identified(driven, measured, poor, fit, answer, tuple(place / name for name in pictures))


def words_of(measured: tuple[Measured, ...], poor: PoorFit | None) -> Mapping[str, object]:
    """Values or refusal as JSON knows them."""
    return {
        "measured": [
            {
                "field": one.field, "value": one.plain(), "unit": one.unit, "half_width": one.half_width,
                "method": one.method, "n": one.n, "note": one.note,
            }
            for one in measured
        ],
        "refused": None if poor is None else {"what": poor.what, "expected": poor.expected, "got": poor.got},
    }  # fmt: skip


def _step_mm(driven: DrivenTest) -> float:
    return 1.0 / float(driven.machine.axes[driven.test.axis].drive.counts_per_mm)


def _rings(driven: DrivenTest, pictures: dict[str, bytes]) -> list[tuple[float, Ring]]:
    """Ring-downs in the motor's own readings, by place in axis mm. Raises PoorFit at the first place without one."""
    test = driven.test
    assert not isinstance(test, StepsTest)
    axis = driven.machine.axes[test.axis]
    settled_s = max(SETTLED_LAGS * (axis.loop_lag_ms + axis.latency_ms) * 1e-3, SETTLED_MIN_S)
    geometry = GeometryMap.of(driven.machine)
    found = []
    for number, part in enumerate(samples_of(driven, frozenset({"ring"}))):
        along = test.places_mm[number]
        at = np.full(2, test.across_mm)
        at[driven.index] = along
        place = float(geometry.to_axes(at)[driven.index])
        later = part.reading_s - part.reading_s[0] >= settled_s
        expected = expected_mm(part, axis.loop_lag_ms * 1e-3, axis.latency_ms * 1e-3)
        time_s, value = part.reading_s[later], (part.reading_mm - expected)[later]
        title = f"Axis {test.axis} at {place:.0f} mm, the motor after braking"
        try:
            ring = ring_of_samples(time_s, value, FLOOR_STEPS * _step_mm(driven))
        except PoorFit:
            if len(time_s):
                pictures[f"brake-{test.axis}-{number}.png"] = quiet_plot(time_s, value, f"{title}: no swing")
            raise
        pictures[f"brake-{test.axis}-{number}.png"] = ring_plot(ring, title, "mm")
        found.append((place, ring))
    return found
