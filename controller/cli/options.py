"""Options that several verbs share. No logic."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Annotated

import typer

WORKERS = min(os.cpu_count() or 1, 2)
"""So many processes plan schedules; more would take more memory than they save time."""

MachineOption = Annotated[
    Path, typer.Option("--machine", "-m", metavar="FILE", help="Machine file (TOML).", show_default=False)
]
YesOption = Annotated[
    bool, typer.Option("--yes", "-y", help="Ask nothing: the pens are in and everybody is clear.")
]
VirtualOption = Annotated[
    bool,
    typer.Option("--virtual", help="On the simulated gantry in virtual time: as fast as this computer can."),
]
