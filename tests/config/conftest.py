"""Machine and job files to spoil."""

from __future__ import annotations

import copy
import tomllib
from pathlib import Path
from typing import Any

import pytest

from controller.config.places import shipped

JOB_TEXT = """
format = 1
name = "evening"
artwork = "evening.svg"
origin_mm = [100.0, 80.0]

[[inks]]
name = "moon"
group = "ink-moon"
colour = "#f4e9c1"
tip_mm = 3.0

[[inks]]
name = "sea"
group = "ink-sea"
colour = "#204060"
tip_mm = 1.5
spiral_step_mm = 1.2
"""

_MACHINE = tomllib.loads(shipped("machines/boathouse.toml").read_text(encoding="utf-8"))
_JOB = tomllib.loads(JOB_TEXT)


@pytest.fixture
def machine_data() -> dict[str, Any]:
    """A good machine file, parsed; a fresh copy for every test."""
    return copy.deepcopy(_MACHINE)


@pytest.fixture
def job_data() -> dict[str, Any]:
    """A good job file, parsed; a fresh copy for every test."""
    return copy.deepcopy(_JOB)


@pytest.fixture
def job_file(tmp_path: Path) -> Path:
    """A good job file on disk, its artwork beside it."""
    path = tmp_path / "job.toml"
    path.write_text(JOB_TEXT, encoding="utf-8")
    (tmp_path / "evening.svg").write_text('<svg xmlns="http://www.w3.org/2000/svg"/>', encoding="utf-8")
    return path
