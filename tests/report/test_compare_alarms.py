"""How often a comparison calls a difference where there is none, and whether it sees one that is there. A campaign.

Lateness is made up as a busy computer makes it: log-normal, with a scale that wanders by an autoregression, which stays
for 0.2, 2 or 10 s at ticks of 4 ms. `python -m tests.report.test_compare_alarms` prints the figures of docs/compare.md.
"""

from __future__ import annotations

import sys

import numpy as np
import numpy.typing as npt
import pytest
from scipy import signal

from controller.report.compare import LATE_FLOOR_US, QUANTILES
from controller.report.comparestats import ALPHA, believed, cut, piece_differences, piece_length

STEP = 50
"""Ticks for which the scale stays as it is."""

Values = npt.NDArray[np.float32]


def wandering(n: int, phi: float, random: np.random.Generator) -> Values:
    """(n,) latenesses, us; the logarithm of their scale is an autoregression by ``phi`` from one STEP to the next."""
    noise = random.normal(0.0, 1.0, n // STEP + 1)
    noise[0] /= np.sqrt(1.0 - phi**2)
    level = signal.lfilter([np.sqrt(1.0 - phi**2)], [1.0, -phi], noise)
    scale = np.exp(0.3 * np.repeat(level, STEP)[:n])
    return (60.0 * scale * random.lognormal(0.0, 0.4, n)).astype(np.float32)


def chances(a: Values, b: Values) -> list[float]:
    """Of p50, p99, p99.9 and root mean square, as ``compare`` judges them."""
    length = piece_length(len(a), len(b))
    sides = [
        [
            *np.quantile(one.astype(np.float64), QUANTILES),
            float(np.sqrt(np.mean(one.astype(np.float64) ** 2))),
        ]
        for one in (a, b)
    ]
    sizes = [float(second - first) for first, second in zip(*sides, strict=True)]
    pieces = [cut(one, length, LATE_FLOOR_US) for one in (a, b)]
    return [one.chance for one in piece_differences(*pieces, LATE_FLOOR_US, QUANTILES, sizes, 300)]


def alarms(n: int, phi: float, trials: int) -> tuple[float, float, float]:
    """Shares of trials: called although nothing differs; too few to tell; called where all is a fifth later."""
    random = np.random.default_rng(5)
    called = few = seen = 0
    for _ in range(trials):
        a, b = wandering(n, phi, random), wandering(n, phi, random)
        same = chances(a, b)
        called += any(believed(same))
        few += bool(np.isnan(same[0]))
        seen += any(believed(chances(a, b * np.float32(1.2))))
    return called / trials, few / trials, seen / trials


@pytest.mark.campaign
@pytest.mark.parametrize("phi", [0.0, 0.9, 0.98])
def test_false_calls_are_as_rare_as_said(phi):
    """At most ALPHA of comparisons in which nothing differs call anything, however long lateness hangs together (100
    trials: up to ten are no contradiction to one in twenty at 1.2 %, by the binomial)."""
    called, _few, _seen = alarms(60_000, phi, 100)
    assert called <= 2 * ALPHA


def main() -> None:
    """Print the table."""
    for phi in (0.0, 0.9, 0.98):
        for n, trials in ((20_000, 100), (60_000, 100), (300_000, 40)):
            called, few, seen = alarms(n, phi, trials)
            seconds = 0.004 * STEP / (1.0 - phi)
            sys.stdout.write(f"| {seconds:g} | {n} | {trials} | {called:.2f} | {few:.2f} | {seen:.2f} |\n")
            sys.stdout.flush()


if __name__ == "__main__":
    main()
