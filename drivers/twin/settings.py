"""What the process of the simulated gantry is told when it starts (one JSON file)."""

from __future__ import annotations

from drivers.settings import GroupSettings, Settings
from drivers.twin.parameters import TwinParameters


class TwinSettings(Settings):
    """Start-up of ``python -m drivers.twin SETTINGS.json``.

    ``state_dir`` keeps axis positions, canvas and motion record between lives. ``parent_pid``: when that process
    is gone and the wire is quiet with the axes at rest, the simulation saves its record and ends.
    """

    group: GroupSettings
    parameters: TwinParameters
    state_dir: str
    parent_pid: int | None = None
