"""What no tick may exceed: soft limits of the head, seen from the motor's side."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.optimize import minimize_scalar

from controller.stream.prepare import Limits, command_lead_mm
from tests.stream.conftest import machine_with


def test_commands_may_lead_the_head_by_play_lag_and_belt() -> None:
    """A head that brakes with A to rest on its soft limit: the command that makes it do so, y + tau y' + the belt's
    stretch + half the play, searched for its farthest point, is within the lead; and not much nearer."""
    play_mm, lag_ms, frequency_hz = 0.8, 8.0, 10.0
    machine = machine_with(
        axes__x__play_mm=play_mm,
        axes__x__loop_lag_ms=lag_ms,
        axes__x__belt={"position_mm": [0.0, 3000.0], "frequency_hz": [14.0, frequency_hz]},
    )
    acceleration, lag_s = machine.motion.acceleration_mm_s2, lag_ms * 1e-3
    farthest = minimize_scalar(
        lambda v: v**2 / (2 * acceleration) - lag_s * v, bounds=(0.0, 700.0), method="bounded"
    )
    # Braking pulls the belt the other way; speeding up away from a limit that stands at rest stretches it outwards.
    stretch_mm = acceleration / (2 * math.pi * frequency_hz) ** 2
    expected = -farthest.fun + stretch_mm + play_mm / 2
    assert command_lead_mm(machine, "x") == pytest.approx(expected, rel=1e-6)


def test_the_largest_play_of_a_table_counts() -> None:
    """Where play is known by place, the largest makes the lead."""
    table = {"position_mm": [0.0, 1000.0], "play_mm": [0.3, 0.9]}
    base = machine_with(axes__x__play_mm=0.0)
    tabled = machine_with(axes__x__play_mm=0.0, axes__x__play_table=table)
    assert command_lead_mm(tabled, "x") - command_lead_mm(base, "x") == pytest.approx(0.45)


def test_limits_are_the_soft_limits_and_the_lead_in_quanta() -> None:
    """Both axes, the one that counts backwards as well; at most one quantum of rounding beyond."""
    machine = machine_with()
    limits = Limits.of(machine)
    for index, name in enumerate(("x", "y")):
        axis, per_mm = machine.axes[name], machine.quanta_per_mm(name)
        lead_mm = command_lead_mm(machine, name)
        ends = np.array([limits.low_quanta[index], limits.high_quanta[index]]) / per_mm
        assert np.sort(ends) == pytest.approx(
            [axis.min_mm - lead_mm, axis.max_mm + lead_mm], abs=2.5 / abs(per_mm)
        )
