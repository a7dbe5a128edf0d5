"""``giornata compare``: two sessions, or two machine files, side by side. No logic."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from controller.cli.console import JsonOption, StateOption, emit, out, progress, warn

MaybeMachine = Annotated[
    Path | None,
    typer.Option("--machine", "-m", metavar="FILE", help="Machine file (TOML) whose sessions A and B are."),
]
HtmlOption = Annotated[
    Path | None,
    typer.Option("--html", metavar="FILE", help="Write one self-contained page with plots as well."),
]


def compare(
    first: Annotated[
        str,
        typer.Argument(
            metavar="A", help="A session: number, last, before; FOLDER[:SESSION]; or a machine file."
        ),
    ],
    second: Annotated[str, typer.Argument(metavar="B", help="The same; differences are B less A.")],
    machine: MaybeMachine = None,
    state: StateOption = None,
    html: HtmlOption = None,
    as_json: JsonOption = False,
) -> None:
    """Compare two sessions, and say which differences are more than scatter; or two machine files, and what follows.

    `last` is the last session that painted, `before` the one before it. FOLDER is a machine's state folder.
    """
    from controller.cli.comparetables import files_tables, sessions_table
    from controller.report.comparefind import FilePlace, places
    from controller.session import verbs

    folder = state
    if folder is None and machine is not None:
        folder = verbs.state_of(machine, None).root
    a, b = places((first, second), folder)
    if isinstance(a, FilePlace) and isinstance(b, FilePlace):
        from controller.report.comparemachines import compare_machines, machines_json

        changes = compare_machines(a.path, b.path)
        if html is not None:
            from controller.report.comparepage import write_machines

            write_machines(html, changes)
        if as_json:
            emit({"ok": True, "kind": "machines", **machines_json(changes), "html": html})
            return
        for part in files_tables(changes):
            out().print(part, soft_wrap=isinstance(part, str), markup=False)
    else:
        from controller.report.comparebuild import compare_places
        from controller.report.comparewords import comparison_json, lines

        assert not isinstance(a, FilePlace)
        assert not isinstance(b, FilePlace)
        with progress(quiet=as_json) as bar:
            bar.add_task("reading both sessions", total=None)
            found = compare_places(a, b)
            if html is not None:
                from controller.report.comparepage import write_sessions

                write_sessions(html, found)
        if as_json:
            emit({"ok": True, "kind": "sessions", **comparison_json(found), "html": html})
            return
        out().print(sessions_table(found))
        for line in lines(found):
            out().print(line, soft_wrap=True, markup=False)
        for note in found.notes:
            warn(note, code="compare-left-out")
    if html is not None:
        out().print(f"html: {html}", soft_wrap=True)
