"""``giornata demo``: a whole session on the simulated gantry, from the drawing to the report. No logic."""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from controller.cli.console import JsonOption, emit, err, out, warn_of_skipped
from controller.cli.options import VirtualOption

if TYPE_CHECKING:
    from controller.session.figures import PassFigures


def demo(
    folder: Annotated[Path, typer.Option("--dir", metavar="DIR", help="Where everything is written.")] = Path(
        "build/demo"
    ),
    wire: Annotated[
        str,
        typer.Option("--wire", metavar="WIRE", help="can, modbus, described-can or described-serial."),
    ] = "can",
    virtual: VirtualOption = False,
    as_json: JsonOption = False,
) -> None:
    """Paint the tide mural on the simulated gantry in real time: check, prepare, home, paint, report."""
    from controller.cli.sitting import runner_for, until_stopped
    from controller.cli.watching import TerminalWatcher
    from controller.session import verbs
    from controller.session.demonstration import demonstrate

    console = err()
    with TerminalWatcher(console, quiet=as_json) as watcher:
        with until_stopped(as_json=as_json):
            shown = demonstrate(folder, runner_for(virtual), watcher, wire)
        watcher.note("writing the report")
        from controller.report.build import build_report

        files = build_report(shown.state.root, shown.session, shown.state.reports / f"{shown.session:04d}")
    paths = verbs.paths_of(files)
    if as_json:
        emit(
            {
                "ok": True,
                "session": shown.session,
                "wire": wire,
                "clock": shown.clock,
                "realtime": shown.realtime,
                "seconds": round(shown.seconds, 2),
                "passes": [asdict(one) for one in shown.figures],
                "skipped": [one.model_dump() for one in shown.skipped],
                "state": shown.state.root,
                "canvas": shown.canvas_picture,
                "mqtt": asdict(shown.told),
                "report": paths,
            }
        )
        return
    _print_passes(shown.figures, virtual)
    warn_of_skipped(shown.skipped)
    if not virtual:
        got = "with real-time rights" if shown.realtime else "without real-time rights (not permitted here)"
        out().print(f"{shown.seconds:.1f} s on the wire, streamed {got}")
    for line in shown.told.lines:
        out().print(line, soft_wrap=True)
    lines: dict[str, Any] = {"painted canvas": shown.canvas_picture, **paths}
    for name, path in lines.items():
        out().print(f"{name.replace('_', ' ')}: {path}", soft_wrap=True)


def _print_passes(figures: tuple[PassFigures, ...], virtual: bool) -> None:
    from controller.cli.tables import passes_table

    out().print(passes_table(figures))
    if virtual:
        out().print("virtual time: nothing can be late here, so timing errors are zero by construction")
