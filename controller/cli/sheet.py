"""``giornata sheet`` and ``giornata reading``: a sheet as a job, and what a person read from it. No logic."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from controller.cli.console import Exit, JsonOption, emit, err, explained_by, out
from controller.cli.options import MachineOption

if TYPE_CHECKING:
    from controller.calibrate.values import Measured

OutOption = Annotated[
    Path | None,
    typer.Option("--out", metavar="DIR", help="Folder to write to; sheet-NAME here if not given."),
]
MinutesOption = Annotated[
    list[float] | None,
    typer.Option("--minutes", metavar="MIN", help="dry: a wait; once for each line.", min=0.0),
]
MetresOption = Annotated[
    list[float] | None,
    typer.Option("--metres", metavar="M", help="wear: metres between two ladders; once for each."),
]


def sheet(
    name: Annotated[
        str,
        typer.Argument(
            metavar="NAME",
            help="play, square, lengths, circles, waves, pen, tip, dots, wear, dry, marks or register.",
        ),
    ],
    machine: MachineOption,
    folder: OutOption = None,
    tip_mm: Annotated[
        float | None,
        typer.Option("--tip-mm", metavar="MM", help="Width of the pen's line; 1 mm if not given."),
    ] = None,
    places: Annotated[
        int | None,
        typer.Option("--places", metavar="N", help="play, waves: places on each axis.", min=1, max=20),
    ] = None,
    most: Annotated[
        float | None,
        typer.Option("--most", metavar="MM", help="play: the largest that can be read.", min=0.2, max=6.0),
    ] = None,
    step: Annotated[
        float | None,
        typer.Option(
            "--step",
            metavar="MM",
            help="play: by how much facing teeth part; 0.05 if not given, 0.02 for a second comb.",
            min=0.01,
            max=0.1,
        ),
    ] = None,
    every: Annotated[
        float | None, typer.Option("--every", metavar="MM", help="lengths: from tick to tick.", min=40.0)
    ] = None,
    read_to: Annotated[
        float | None,
        typer.Option(
            "--read-to",
            metavar="MM",
            help="lengths, square: how far a reading of the tape may be off; 0.25 if not given, 0.1 with a glass.",
            min=0.02,
            max=2.0,
        ),
    ] = None,
    minutes: MinutesOption = None,
    metres: MetresOption = None,
    as_json: JsonOption = False,
) -> None:
    """Write a calibration sheet as a job that is painted like any other, with a page that tells how it is read."""
    from controller.calibrate.sheets.catalogue import make_sheet
    from controller.calibrate.sheets.write import write_sheet
    from controller.config.load import load_machine

    given: dict[str, Any] = {
        "places": places,
        "most_mm": most,
        "step_mm": step,
        "every_mm": every,
        "resolution_mm": read_to,
        "minutes": tuple(minutes) if minutes else None,
        "metres": tuple(metres) if metres else None,
    }
    options = {key: value for key, value in given.items() if value is not None}
    made = make_sheet(name, load_machine(machine), tip_mm, **options)
    files = write_sheet(made, folder if folder is not None else Path(f"sheet-{name}"))
    if as_json:
        emit({"ok": True, "sheet": name, "job": files.job, "page": files.page, "record": files.record,
              "questions": len(made.record.questions)})  # fmt: skip
        return
    out().print(f"job: {files.job}", soft_wrap=True)
    out().print(f"how it is read: {files.page}", soft_wrap=True)


def reading(
    name: Annotated[
        str, typer.Argument(metavar="NAME", help="The sheet that was painted, or sag for a wire or a level.")
    ],
    folder: Annotated[
        Path | None,
        typer.Option("--dir", metavar="DIR", help="Where giornata sheet wrote it; sheet-NAME if not given."),
    ] = None,
    answers: Annotated[
        Path | None,
        typer.Option("--answers", metavar="FILE", help="TOML with the readings by key, instead of asking."),
    ] = None,
    repeats: Annotated[
        int, typer.Option("--repeats", metavar="N", help="So often everything is asked for.", min=1, max=50)
    ] = 1,
    as_json: JsonOption = False,
) -> None:
    """Ask for what was read from a sheet and say which values follow. Nothing is saved: commission does that."""
    from controller.calibrate.readings import answers_from, ask, measured_from
    from controller.calibrate.readings_frame import ask_sag, sag_from
    from controller.calibrate.sheets.write import read_record
    from controller.calibrate.values import PoorFit
    from controller.config.errors import InputError, Mistake
    from controller.config.load import read_toml

    def line(words: str) -> str:
        err().print(words, end="", markup=False, soft_wrap=True)
        return input()

    def tell(words: str) -> None:
        err().print(words, markup=False, soft_wrap=True)

    try:
        if name == "sag":
            found = sag_from(read_toml(answers), answers) if answers is not None else ask_sag(line, tell)
        else:
            record = read_record(folder if folder is not None else Path(f"sheet-{name}"))
            if record.sheet != name:
                raise InputError([Mistake(Path("reading"), "NAME", record.sheet, name, code="sheet-record")])
            given = (
                answers_from(record, read_toml(answers), answers)
                if answers is not None
                else ask(record, line, tell, repeats)
            )
            found = measured_from(record, given)
    except EOFError:
        raise InputError(
            [
                Mistake(
                    Path("reading"),
                    "answers",
                    "one for every question",
                    "the end of input",
                    code="reading-answers",
                )
            ]
        ) from None
    except PoorFit as error:
        if as_json:
            emit({"ok": False, "exit": int(Exit.FAILED), "what": error.what, "expected": error.expected,
                  "got": error.got, "code": error.code})  # fmt: skip
        tell(f"no value follows: {error}")
        explained_by(error.code)
        raise typer.Exit(Exit.FAILED) from None
    if as_json:
        emit({"ok": True, "sheet": name, "measured": [_row(one) for one in found]})
        return
    for one in found:
        for words in _words(one):
            out().print(words, markup=False, soft_wrap=True)


def _row(one: Measured) -> dict[str, Any]:
    return {"field": one.field, "value": one.plain(), "unit": one.unit, "half_width": one.half_width,
            "method": one.method, "n": one.n, "note": one.note}  # fmt: skip


def _words(one: Measured) -> list[str]:
    value = one.plain()
    sure = f" +- {one.half_width:.3g} {one.unit}" if one.half_width is not None else f" {one.unit}"
    if isinstance(value, dict):
        rows = [f"  {name} = {part}" for name, part in value.items()]
        return [f"{one.field}{sure}", *rows, *([f"  {one.note}"] if one.note else [])]
    return [f"{one.field} = {value}{sure}", *([f"  {one.note}"] if one.note else [])]
