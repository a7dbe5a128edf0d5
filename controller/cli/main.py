"""The command ``giornata``: the table of verbs and the top-level handler. No logic.

A verb is a function in ``controller/cli/<verb>.py`` with the verb's name. To add one: import its module and list
the function in ``VERBS``. Modules imported here must start fast: what is heavy (numpy, canopen, matplotlib, numba)
is imported inside the function.
"""

from __future__ import annotations

import importlib.metadata
import sys
from collections.abc import Callable, Sequence
from typing import Annotated

import typer

from controller.cli import (
    calibration,
    check,
    clear,
    commission,
    compare,
    demo,
    doctor,
    drift,
    drive,
    explain,
    home,
    identify,
    maintenance,
    marks,
    measure,
    mend,
    page,
    paint,
    pause,
    pens,
    photo,
    prepare,
    proof,
    report,
    schema,
    serve,
    sheet,
    status,
    stop,
    today,
    trace,
    trend,
)
from controller.cli.console import EXIT_CODES_HELP, PROGRAM, Exit, report_error

VERBS: tuple[Callable[..., None], ...] = (
    demo.demo,
    check.check,
    commission.commission,
    doctor.doctor,
    prepare.prepare,
    proof.proof,
    today.today,
    home.home,
    marks.marks,
    paint.paint,
    pause.pause,
    mend.mend,
    stop.stop,
    serve.serve,
    status.status,
    page.page,
    drift.drift,
    pens.pens,
    maintenance.maintenance,
    clear.clear,
    report.report,
    compare.compare,
    trend.trend,
    sheet.sheet,
    sheet.reading,
    photo.photo,
    explain.explain,
    schema.schema,
)

GROUPS: tuple[typer.Typer, ...] = (
    calibration.calibration,
    drive.drive,
    measure.measure,
    identify.identify,
    trace.trace,
)
"""Verbs that have verbs of their own."""

app = typer.Typer(
    name=PROGRAM,
    help="Paint pictures with a wall-sized gantry: artwork to proved passes, streamed under a guard.",
    epilog=EXIT_CODES_HELP,
    add_completion=True,
    pretty_exceptions_enable=False,
    rich_markup_mode="rich",
)
for verb in VERBS:
    app.command(verb.__name__.replace("_", "-"))(verb)
for group in GROUPS:
    app.add_typer(group)


def _version(asked: bool) -> None:
    if asked:
        sys.stdout.write(f"{PROGRAM} {importlib.metadata.version(PROGRAM)}\n")
        raise typer.Exit


@app.callback(invoke_without_command=True)
def _giornata(
    context: typer.Context,
    version: Annotated[  # noqa: ARG001 - answered by its callback
        bool, typer.Option("--version", callback=_version, is_eager=True, help="Print the version and exit.")
    ] = False,
) -> None:
    if context.invoked_subcommand is None:
        sys.stdout.write(context.get_help() + "\n")
        raise typer.Exit(Exit.BAD_INPUT)


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command and return its exit code; the only place where errors become words and codes."""
    arguments = list(sys.argv[1:] if arguments is None else arguments)
    options = arguments[: arguments.index("--")] if "--" in arguments else arguments
    as_json = "--json" in options
    try:
        code = app(arguments, prog_name=PROGRAM, standalone_mode=False)
    except SystemExit as ended:  # the reader of our answer has gone, as with `| head`
        return ended.code if isinstance(ended.code, int) else int(Exit.FAILED)
    except BaseException as error:  # noqa: BLE001 - the top-level handler
        return int(report_error(error, as_json=as_json))
    return code if isinstance(code, int) else int(Exit.DONE)


if __name__ == "__main__":
    sys.exit(main())
