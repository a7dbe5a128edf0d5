"""A whole session over a Modbus line in virtual time: homed, painted, every reading where it was expected."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from controller.cli.main import main
from controller.config.places import shipped
from controller.stream.timinglog import read_timing_log
from tests.scenarios.conftest import SMALL_JOB, SMALL_SVG

COUNTS_PER_MM = 5400
ACCELERATION_MM_S2 = 2000
Y_ACTS_S = 3.371e-3


def test_a_picture_over_modbus(tmp_path: Path) -> None:
    """Home and paint with the shipped machine. Readings differ from the expected ones by rounding and a t^2 / 2.

    The bound: y is read 3.371 ms behind the tick and reckoned back with its speed, at up to 2 m/s^2: 11.4 um, and two
    counts of rounding.
    """
    (tmp_path / "small.svg").write_text(SMALL_SVG)
    (tmp_path / "job.toml").write_text(SMALL_JOB)
    machine = str(shipped("machines/boathouse-modbus.toml"))
    common = ["--machine", machine, "--state", str(tmp_path / "state")]
    assert main(["home", *common, "--virtual", "--yes"]) == 0
    assert main(["prepare", str(tmp_path / "job.toml"), *common]) == 0
    assert main(["paint", str(tmp_path / "job.toml"), *common, "--ink", "teal", "--virtual", "--yes"]) == 0
    logs = [read_timing_log(path).records for path in sorted((tmp_path / "state/runs").glob("*/timing.gtl"))]
    records = np.concatenate([log for log in logs if (log["segment"] >= 0).any()])
    painting = records[(records["segment"] >= 0) & (records["flags"] & 1 == 1)]
    assert len(painting) > 100
    error_mm = np.abs(painting["planned_counts"] - painting["measured_counts"]) / COUNTS_PER_MM
    assert error_mm[:, 0].max() <= ACCELERATION_MM_S2 * 0.731e-3**2 / 2 + 2 / COUNTS_PER_MM
    assert error_mm[:, 1].max() <= ACCELERATION_MM_S2 * Y_ACTS_S**2 / 2 + 2 / COUNTS_PER_MM
