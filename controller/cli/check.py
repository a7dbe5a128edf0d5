"""``giornata check``: the derived numbers of machine and job files, or every mistake in them. No logic."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from controller.cli.console import JsonOption, emit, out


def check(
    files: Annotated[
        list[Path], typer.Argument(metavar="FILE...", help="Machine and job files, in any order.")
    ],
    as_json: JsonOption = False,
) -> None:
    """Check machine and job files and print their derived numbers."""
    from controller.config.load import job_from, kind_of, machine_from, read_toml

    for path in files:
        data = read_toml(path)
        if kind_of(data, path) == "machine":
            machine_from(data, path)
        else:
            job_from(data, path)
    if as_json:
        emit({"ok": True})
    else:
        out().print("no mistakes found")
