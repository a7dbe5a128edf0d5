"""What every command shares: exit codes, where words go, the shape of JSON, progress bars, the one error handler.

Owns how the command line speaks. Knows no verb. Answers go to standard output; warnings, progress and errors go
to standard error, so that an answer can be piped. With ``--json`` standard output holds exactly one JSON object,
also when the command fails: ``{"ok": false, "exit": 2, "error": {"kind": ..., "message": ..., ...}}``.
"""

from __future__ import annotations

import json
import os
import sys
import traceback
from collections import Counter
from collections.abc import Iterable, Mapping
from enum import IntEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from controller.config.errors import HaltedError, InputError, RefusedError, code_of
from drivers.errors import DriverError

if TYPE_CHECKING:
    from rich.console import Console
    from rich.progress import Progress

    from controller.artwork.model import Skipped
    from controller.session.prepared import SkippedElement

PROGRAM = "giornata"
TRACEBACK_VARIABLE = "GIORNATA_TRACEBACK"


class Exit(IntEnum):
    """Exit codes of every command."""

    DONE = 0
    """What was asked has been done."""
    FAILED = 1
    """It could not be done, or the program itself is at fault; also ``schema --check`` on stale files, and
    ``doctor`` where something must be mended."""
    BAD_INPUT = 2
    """A file, an option or an argument cannot be used. Nothing moved."""
    REFUSED = 3
    """The machine's state forbids it (latched, not homed, busy). Nothing moved."""
    HALTED = 4
    """A stop latched while the command ran, standstill proved or not; a person has to look and to clear it."""
    DRIVE = 5
    """The wire or a drive does not answer, or reports a fault."""
    INTERRUPTED = 130
    """Ctrl-C, after a controlled stop."""


EXIT_CODES_HELP = (
    "Exit codes: 0 done, 1 failed, 2 bad input, 3 refused by the machine's state, 4 halted (a stop latched), "
    "5 wire or drive error, 130 interrupted. A message ends with a code: giornata explain CODE says what to do."
)

JsonOption = Annotated[bool, typer.Option("--json", help="Answer with one JSON object on standard output.")]
JobArgument = Annotated[Path, typer.Argument(metavar="JOB", help="Job file (TOML).")]
StateOption = Annotated[
    Path | None,
    typer.Option(
        "--state", metavar="DIR", help="Folder of the machine's state; a folder of your account if not given."
    ),
]


def out() -> Console:
    """Rich console on standard output: tables and answers for people."""
    from rich.console import Console

    return Console(file=sys.stdout, highlight=False)


def err() -> Console:
    """Rich console on standard error: warnings, progress, errors."""
    from rich.console import Console

    return Console(file=sys.stderr, highlight=False)


def emit(answer: Mapping[str, Any]) -> None:
    """Print the command's one JSON object. Paths become strings; NaN and infinity are refused."""
    sys.stdout.write(json.dumps(answer, indent=2, default=_plain, allow_nan=False, ensure_ascii=False) + "\n")
    sys.stdout.flush()


def warn(message: str, *, code: str) -> None:
    """Print one warning on standard error, with the code that ``giornata explain`` takes; the command goes on."""
    from rich.text import Text

    err().print(Text.assemble(("warning: ", "bold yellow"), message, (f" [{code}]", "dim")), soft_wrap=True)


_LEFT_OUT_CODES = {
    "text": "artwork-text",
    "image": "artwork-image",
    "clip-path": "artwork-clip",
    "fill": "artwork-fill",
    "stroke colour": "artwork-fill",
    "ink": "artwork-no-ink",
}
"""Entries for what is left out most often; the rest share one."""

_SKIPPED_AS = {"left out": "not painted", "changed": "painted otherwise", "unseen": "not seen"}


EXPLAINED = 4
"""So many sorts of mistakes are named with the command that explains them; --json names all."""

SKIPPED_SHOWN = 8
"""So many of what is skipped are shown of a sort; the rest are counted."""


def skipped_code(kind: str, what: str) -> str:
    """The catalogue's entry for something of the artwork that is not painted as it is there."""
    if kind == "left out":
        return _LEFT_OUT_CODES.get(what, "artwork-left-out")
    return "artwork-changed" if kind == "changed" else "artwork-unseen"


def warn_of_skipped(skipped: Iterable[SkippedElement | Skipped]) -> None:
    """One warning for each thing in the artwork that is not painted as it is there; many of a sort are counted."""
    counts: Counter[tuple[str, str]] = Counter()
    for one in skipped:
        sort = (_SKIPPED_AS[one.kind], one.what)
        counts[sort] += 1
        if counts[sort] <= SKIPPED_SHOWN:
            warn(
                f"{sort[0]}: {one.element_id} ({one.what}): {one.why}", code=skipped_code(one.kind, one.what)
            )
    for (done, what), count in counts.items():
        if count > SKIPPED_SHOWN:
            warn(
                f"{done}: {count - SKIPPED_SHOWN} more ({what}); --json lists all",
                code="artwork-more-skipped",
            )


def explained_by(code: str) -> None:
    """Say on standard error which command explains what has just been said."""
    from rich.text import Text

    err().print(Text(f"  {PROGRAM} explain {code}", "dim"), soft_wrap=True)


def progress(*, quiet: bool = False) -> Progress:
    """A progress bar on standard error with elapsed and remaining time; silent when ``quiet`` or not a terminal.

    Use as a context manager: ``with progress(quiet=as_json) as bar: task = bar.add_task("...", total=n)``.
    """
    from rich.progress import BarColumn, Progress, TaskProgressColumn, TextColumn, TimeElapsedColumn
    from rich.progress import TimeRemainingColumn as Remaining

    console = err()
    return Progress(
        TextColumn("{task.description}"),
        BarColumn(),
        TaskProgressColumn(),
        TimeElapsedColumn(),
        Remaining(),
        console=console,
        transient=True,
        disable=quiet or not console.is_terminal,
    )


def report_error(error: BaseException, *, as_json: bool) -> Exit:
    """Say on standard error what went wrong (and as JSON on standard output), and return the exit code."""
    exit_code, kind, lines, detail = _sort(error)
    codes = error.codes if isinstance(error, InputError) and error.codes else (_code(error),)
    message = "\n".join(lines)
    if as_json:
        emit(
            {
                "ok": False,
                "exit": int(exit_code),
                "error": {"kind": kind, "code": codes[0], "message": str(error) or message, **detail},
            }
        )
    from rich.text import Text

    console = err()
    console.print(Text.assemble((f"{PROGRAM}: ", "bold red"), lines[0]), soft_wrap=True)
    for line in lines[1:]:
        console.print(Text(f"  {line}"), soft_wrap=True)
    for code in codes[:EXPLAINED]:
        explained_by(code)
    if exit_code is Exit.FAILED and os.environ.get(TRACEBACK_VARIABLE):
        traceback.print_exception(error, file=sys.stderr)
    return exit_code


def _code(error: BaseException) -> str:
    """The catalogue's entry for an error that ends a command."""
    if isinstance(error, typer.Abort):
        return "interrupted"
    return "usage" if isinstance(error, typer.TyperException) else code_of(error)


def _sort(error: BaseException) -> tuple[Exit, str, list[str], dict[str, Any]]:
    """Exit code, kind, lines for people and extra JSON fields of one error."""
    match error:
        case InputError():
            mistakes = [
                {
                    "file": str(one.file),
                    "where": one.where,
                    "expected": one.expected,
                    "got": one.got,
                    "code": one.code,
                }
                for one in error.mistakes
            ]
            return Exit.BAD_INPUT, "input", _mistake_lines(error), {"mistakes": mistakes}
        case RefusedError():
            lines = [error.reason, error.remedy]
            return Exit.REFUSED, "refused", lines, {"reason": error.reason, "remedy": error.remedy}
        case HaltedError():
            lines = [f"halted: {error.reason}", error.remedy]
            return Exit.HALTED, "halted", lines, {"reason": error.reason, "remedy": error.remedy}
        case DriverError():
            detail = {"where": error.where, "expected": error.expected, "got": error.got}
            kind = type(error).__name__.removesuffix("Error").lower()
            exit_code = Exit.FAILED if kind == "misuse" else Exit.DRIVE
            return exit_code, kind, [str(error)], detail
        case typer.TyperException():
            lines = [error.format_message()]
            context = getattr(error, "ctx", None)
            if context is not None:
                lines.append(f"see {context.command_path} --help")
            return Exit.BAD_INPUT, "usage", lines, {}
        case KeyboardInterrupt() | typer.Abort():
            return Exit.INTERRUPTED, "interrupted", ["interrupted"], {}
        case OSError():
            return Exit.FAILED, "system", [str(error)], {}
        case _:
            frames = traceback.extract_tb(error.__traceback__)
            place = f" ({Path(frames[-1].filename).name}, line {frames[-1].lineno})" if frames else ""
            return (
                Exit.FAILED,
                "internal",
                [
                    f"a fault in the program itself: {type(error).__name__}: {error}{place}",
                    f"set {TRACEBACK_VARIABLE}=1 to see where, and please report it",
                ],
                {},
            )


def _mistake_lines(error: InputError) -> list[str]:
    files = list(dict.fromkeys(one.file for one in error.mistakes))
    if len(error.mistakes) == 1:
        return [str(error.mistakes[0])]
    if len(files) == 1:
        lines = [f"{files[0]}: {len(error.mistakes)} mistakes"]
        lines += [f"{one.where}: expected {one.expected}, got {one.got}" for one in error.mistakes]
        return lines
    return [
        f"{len(error.mistakes)} mistakes in {len(files)} files",
        *(str(one) for one in error.mistakes),
    ]


def _plain(value: object) -> object:
    if isinstance(value, Path):
        return str(value)
    if isinstance(value, tuple | set | frozenset):
        return list(value)
    item = getattr(value, "item", None)  # numpy scalars, without importing numpy
    if callable(item):
        return item()
    raise TypeError(f"{type(value).__name__} has no JSON form")
