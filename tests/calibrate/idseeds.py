"""``python -m tests.calibrate.idseeds [N]``: random gantries identified; errors by parameter, in virtual time.

Lag and dead time from the staircase, frequency and damping from drawn lines read with a ruler and a loupe. Says how far
each is from the truth, how often the interval holds it, and what was refused.
"""

from __future__ import annotations

import sys
from collections import Counter
from dataclasses import dataclass, field

import numpy as np

from controller.calibrate.values import PoorFit
from tests.calibrate.idtwins import AXES_BOTH, brisk, drawn, identified, rung

COLUMNS = ("lag ms", "dead time ms", "sum ms", "frequency Hz", "damping")


@dataclass
class Tally:
    """Of one parameter: errors, relative errors, and how often the truth lay within the half width."""

    errors: list[float] = field(default_factory=list)
    shares: list[float] = field(default_factory=list)
    held: list[bool] = field(default_factory=list)
    halves: list[float] = field(default_factory=list)

    def add(self, found: float, half: float, true: float) -> None:
        """One case."""
        self.errors.append(found - true)
        self.shares.append((found - true) / true)
        self.held.append(abs(found - true) <= half)
        self.halves.append(half)

    def words(self) -> str:
        """One line of figures."""
        if not self.errors:
            return "none"
        error, share = np.abs(self.errors), 100.0 * np.abs(self.shares)
        return (
            f"n {len(error):3d}  median {np.median(error):.3f} ({np.median(share):.1f} %)  95 % "
            f"{np.quantile(error, 0.95):.3f} ({np.quantile(share, 0.95):.1f} %)  largest {error.max():.3f} "
            f"({share.max():.1f} %)  mean half width {np.mean(self.halves):.3f}  holds {100 * np.mean(self.held):.0f} %"
        )


def tally(seeds: int) -> tuple[dict[str, Tally], Counter[str], list[float]]:
    """By parameter; refusals by what was refused; true frequencies of the lines that could not be read."""
    found = {name: Tally() for name in COLUMNS}
    refused: Counter[str] = Counter()
    unread: list[float] = []
    for seed in range(seeds):
        machine, truth = drawn(seed)
        fits = {}
        for axis in AXES_BOTH:
            true = truth[axis]
            try:
                fit = fits[axis] = identified(machine, axis)
            except PoorFit as poor:
                refused[poor.what] += 1
                continue
            found["lag ms"].add(fit.lag_ms, fit.lag_half_ms, true.lag_ms)
            found["dead time ms"].add(fit.dead_ms, fit.dead_half_ms, true.latency_ms)
            found["sum ms"].add(fit.sum_ms, fit.sum_half_ms, true.lag_ms + true.latency_ms)
        if len(fits) < len(AXES_BOTH):
            continue
        rings = rung(brisk(machine, fits, {axis: truth[axis].play_mm for axis in AXES_BOTH}))
        for axis in AXES_BOTH:
            true = truth[axis]
            ring = rings.get(axis)
            if ring is None:
                refused["ring-down line"] += 1
                unread.append(true.frequency_hz)
            else:
                found["frequency Hz"].add(ring.frequency_hz, ring.frequency_half_hz, true.frequency_hz)
                found["damping"].add(ring.damping, ring.damping_half, true.damping)
    return found, refused, unread


def main() -> int:
    """Print the table."""
    seeds = int(sys.argv[1]) if len(sys.argv) > 1 else 30
    found, refused, unread = tally(seeds)
    for name, one in found.items():
        print(f"{name:14s} {one.words()}")
    print("refused:", dict(refused))
    if unread:
        print("not readable, true Hz:", " ".join(f"{hz:.1f}" for hz in sorted(unread)))
    return 0


if __name__ == "__main__":
    sys.exit(main())
