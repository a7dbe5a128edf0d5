"""``giornata calibration``: the history of what was measured, compared, drawn, written and taken back. No logic."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from controller.cli.console import JsonOption, StateOption, emit, out
from controller.cli.options import MachineOption

if TYPE_CHECKING:
    from controller.session.calibrationkeep import Written
    from controller.session.calibrationrows import CalibrationRow

calibration = typer.Typer(
    name="calibration",
    help="What was measured on this machine, when and by whom; into the machine file and out of it. Nothing moves.",
    no_args_is_help=True,
)

FieldArgument = Annotated[str, typer.Argument(metavar="FIELD", help="A field, such as axes.x.play_mm.")]


@calibration.command("list")
def list_(machine: MachineOption, state: StateOption = None, as_json: JsonOption = False) -> None:
    """Every measured value, oldest first, and every change of the machine file."""
    from rich.table import Column, Table
    from rich.text import Text

    from controller.session.calibrationhistory import history
    from controller.session.calibrationkeep import words_of
    from controller.session.drifting import day

    seen = history(machine, state)
    if as_json:
        emit({"ok": True, "calibrations": [_json(row) for row in seen.rows],
              "writes": [_write_json(row) for row in seen.writes]})  # fmt: skip
        return
    table = Table(
        "id", Column("on", no_wrap=True), Column("field", no_wrap=True), "value", "method", "by", box=None
    )
    for row in seen.rows:
        one = row.measured
        table.add_row(str(row.id), day(row.at_ms).split()[0], one.field, Text(_brief(row)), one.method,
                      Text(row.person))  # fmt: skip
    out().print(table)
    for write in seen.writes:
        what = "taken back" if write.reverts else "written"
        change = f"{write.field} {words_of(write.before)} -> {words_of(write.after)}"
        out().print(Text(f"{day(write.at_ms)} {what} by {write.person}: {change}"), soft_wrap=True)


@calibration.command("show")
def show(
    machine: MachineOption,
    number: Annotated[int, typer.Argument(metavar="ID", help="Its number in the list.")],
    state: StateOption = None,
    as_json: JsonOption = False,
) -> None:
    """One measured value, whole."""
    from rich.text import Text

    from controller.session.calibrationhistory import one_of

    row = one_of(machine, state, number)
    if as_json:
        emit({"ok": True, "calibration": _json(row)})
        return
    for name, value in _json(row).items():
        out().print(Text(f"{name}: {value}"), soft_wrap=True)


@calibration.command("diff")
def diff(
    machine: MachineOption,
    first: Annotated[int, typer.Argument(metavar="ID")],
    second: Annotated[int, typer.Argument(metavar="ID")],
    state: StateOption = None,
    as_json: JsonOption = False,
) -> None:
    """Two measurements of one field: by how much they differ, and whether that is more than both intervals allow."""
    from rich.text import Text

    from controller.session.calibrationhistory import one_of
    from controller.session.calibrationkeep import difference

    found = difference(one_of(machine, state, first), one_of(machine, state, second))
    if as_json:
        emit({"ok": True, "field": found.field, "earlier": _json(found.earlier), "later": _json(found.later),
              "by": found.by, "real": found.real})  # fmt: skip
        return
    by = "not of the same places" if found.by is None else ", ".join(f"{one:+.6g}" for one in found.by)
    real = {
        None: "no interval to judge it by",
        True: "more than both intervals allow",
        False: "within both intervals",
    }
    for row in (found.earlier, found.later):
        out().print(Text(f"{row.id}: {found.field} = {_value(row)} {row.measured.unit}"), soft_wrap=True)
    out().print(Text(f"difference {by} {found.later.measured.unit}: {real[found.real]}"), soft_wrap=True)


@calibration.command("plot")
def plot(
    machine: MachineOption,
    field: FieldArgument,
    png: Annotated[Path, typer.Option("--png", metavar="FILE", help="Where the picture goes.")],
    state: StateOption = None,
) -> None:
    """A field over time, with its intervals and what was written into the machine file."""
    from controller.report.calibrationplot import calibration_png
    from controller.session.calibrationhistory import of_field

    png.write_bytes(calibration_png(of_field(machine, state, field), field))


@calibration.command("write")
def write(
    machine: MachineOption,
    numbers: Annotated[list[int], typer.Argument(metavar="ID...")],
    state: StateOption = None,
    as_json: JsonOption = False,
) -> None:
    """Put measured values into the machine file; comments stay, the file as it was is kept."""
    from controller.session import calibrationkeep, verbs

    _told(calibrationkeep.write(machine, state, numbers, verbs.person_name()), as_json)


@calibration.command("revert")
def revert(
    machine: MachineOption, field: FieldArgument, state: StateOption = None, as_json: JsonOption = False
) -> None:
    """Take back what was last written of a field: the machine file says again what it said before."""
    from controller.session import calibrationkeep, verbs

    _told(calibrationkeep.revert(machine, state, field, verbs.person_name()), as_json)


def _told(written: Written, as_json: bool) -> None:
    from rich.text import Text

    if as_json:
        emit({"ok": True, "file": written.file, "kept": written.kept, "lines": list(written.lines)})
        return
    for line in written.lines:
        out().print(Text(line), soft_wrap=True)
    out().print(Text(f"the file as it was: {written.kept}"), soft_wrap=True)


def _brief(row: CalibrationRow) -> str:
    one, value = row.measured, row.measured.plain()
    if isinstance(value, dict):
        told = f"table of {max((len(part) for part in value.values() if isinstance(part, list)), default=1)}"
    else:
        told = f"{value:.6g}" if isinstance(value, float) else _value(row)
    sure = "" if one.half_width is None else f" ± {one.half_width:.3g}"
    return f"{told}{sure} {one.unit}".rstrip()


def _value(row: CalibrationRow) -> str:
    from controller.config.tomlkeep import toml_of

    return toml_of(row.measured.plain())


def _json(row: CalibrationRow) -> dict[str, Any]:
    one = row.measured
    return {
        "id": row.id, "at_ms": row.at_ms, "session": row.session, "field": one.field, "value": one.plain(),
        "unit": one.unit, "half_width": one.half_width, "method": one.method, "n": one.n, "note": one.note,
        "person": row.person, "machine_digest": row.machine_digest,
    }  # fmt: skip


def _write_json(row: Any) -> dict[str, Any]:
    import json
    from dataclasses import asdict

    return {**asdict(row), "before": json.loads(row.before), "after": json.loads(row.after)}
