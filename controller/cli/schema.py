"""``giornata schema``: JSON Schemas of the file formats, for editors. No logic."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from controller.cli.console import Exit, JsonOption, emit, out


def schema(
    write: Annotated[bool, typer.Option("--write", help="Write the schemas anew.")] = False,
    check: Annotated[bool, typer.Option("--check", help="Exit with 1 when a schema file is stale.")] = False,
    folder: Annotated[
        Path | None,
        typer.Option("--folder", metavar="DIR", help="Where the schemas lie; the shipped ones if not given."),
    ] = None,
    as_json: JsonOption = False,
) -> None:
    """Write or check the JSON Schemas of machine and job files, which editors read."""
    from controller.config import schemas
    from controller.config.places import shipped_root

    if write == check:
        raise typer.BadParameter("expected one of --write and --check")
    place = folder if folder is not None else shipped_root() / "schemas"
    paths = schemas.write(place) if write else schemas.stale(place)
    if as_json:
        emit({"ok": write or not paths, "written" if write else "stale": [str(path) for path in paths]})
    else:
        for path in paths:
            out().print(
                f"{path}: {'written' if write else 'stale; run giornata schema --write'}", soft_wrap=True
            )
    if check and paths:
        raise typer.Exit(Exit.FAILED)
