"""Commands that act at once, one axis a frame after the other: a skew that the planner knows is none on the canvas."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from controller.stream.spec import HomingTask, ScheduleTask

from . import test_virtual_gantry
from .conftest import machine_with, wave_schedule

COUNTS_UM = 5.4


@pytest.mark.parametrize(
    ("latencies_ms", "off_um"),
    [((0.115, 0.230), (0.0, 0.0)), ((0.115, 1.230), (0.0, 50.0))],
    ids=["as stated", "y taken for a millisecond later"],
)
def test_readings_fit_the_plan_when_the_skew_is_told(
    latencies_ms: tuple[float, float],
    off_um: tuple[float, float],
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """The simulated bus of 1 Mbit/s takes 115 us a frame; with the latencies that follow, readings fit to a count.

    What is told wrongly shows on that axis alone: speed x time wrong, far above a count.
    """
    x_ms, y_ms = latencies_ms
    machine = machine_with(wire__pdo="immediate", axes__x__latency_ms=x_ms, axes__y__latency_ms=y_ms)
    monkeypatch.setattr(test_virtual_gantry, "MACHINE", machine)
    wave_schedule(machine).save(tmp_path / "schedule")
    world = test_virtual_gantry.World(tmp_path)
    outcome = world.run(HomingTask(), ScheduleTask(folder=str(tmp_path / "schedule")))
    assert outcome.end == "done", outcome.reason
    records = world.ring.drain().records
    fresh = records[(records["segment"] >= 0) & (records["flags"] & 1 == 1)]
    errors_um = np.abs(fresh["measured_counts"] - fresh["planned_counts"]).max(axis=0) / COUNTS_UM
    for error, off in zip(errors_um, off_um, strict=True):
        assert error <= 1.01 / COUNTS_UM if off == 0.0 else error > off
