"""What scenes of one machine and one job begin with: where files lie, the shipped machine with changes, teal waves.

Owns files and nothing that runs.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Final

from controller.config.places import StateDir, shipped

JOB: Final = """format = 1
name = "waves"
artwork = "waves.svg"
origin_mm = [20.0, 20.0]
[[inks]]
name = "teal"
group = "waves"
colour = "#1f7a78"
tip_mm = 4.0
"""
NEAR_EDITS: Final = {
    "touches = 4": "touches = 2",
    "back_off_mm = 2.5": "back_off_mm = 1.0",
    "start_mm = 300.0": "start_mm = 40.0",
    "start_mm = 220.0": "start_mm = 40.0",
    "park_mm = [120.0, 120.0]": "park_mm = [40.0, 40.0]",
}
"""The switches are near and soon touched: homing is no part of what is tested."""


class Files:
    """Where the files of a scene lie, in ``folder``."""

    folder: Path

    @property
    def machine(self) -> Path:
        """The machine file."""
        return self.folder / "boathouse.toml"

    @property
    def job(self) -> Path:
        """The job file."""
        return self.folder / "job.toml"

    @property
    def state(self) -> StateDir:
        """The state folder."""
        return StateDir(self.folder / "s")


def edited(edits: Mapping[str, str] = NEAR_EDITS) -> str:
    """The shipped machine file with ``edits``, each of which must find its words."""
    text = shipped("machines/boathouse.toml").read_text()
    for old, new in edits.items():
        assert old in text, old
        text = text.replace(old, new)
    return text


def write_scene(folder: Path, svg: str, job: str = JOB, edits: Mapping[str, str] = NEAR_EDITS) -> None:
    """The shipped machine with ``edits``, a job and its drawing, as ``Files`` says."""
    (folder / "boathouse.toml").write_text(edited(edits))
    (folder / "job.toml").write_text(job)
    (folder / "waves.svg").write_text(svg)
