"""``giornata mend``: passes that paint again what faded, or close gaps of a shifted ink. No logic."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from controller.cli.console import JobArgument, JsonOption, StateOption, emit, err, out, warn
from controller.cli.options import MachineOption
from controller.cli.stages import stages

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from rich.table import Table

    from controller.report.mended import Made
    from controller.session.mends import Mend


def mend(
    job: JobArgument,
    machine: MachineOption,
    dry_minutes: Annotated[
        float | None,
        typer.Option(
            "--dry-minutes",
            metavar="N",
            help="The pen has been dry for about so long: what it painted since then, pauses not counted.",
            show_default=False,
        ),
    ] = None,
    region: Annotated[
        list[str] | None,
        typer.Option(
            "--region",
            metavar="X0,Y0,X1,Y1",
            help="Only within this rectangle, canvas mm; may be given again.",
        ),
    ] = None,
    overlay: Annotated[
        list[Path] | None,
        typer.Option(
            "--overlay",
            metavar="SVG",
            help="Only within the filled shapes of this drawing, which lies where the job's artwork lies.",
        ),
    ] = None,
    shift: Annotated[
        list[str] | None,
        typer.Option(
            "--shift",
            metavar="X,Y:DX,DY",
            help="Touch-up: at this place the ink lies so far off, canvas mm; one place or more.",
        ),
    ] = None,
    shifts: Annotated[
        Path | None,
        typer.Option("--shifts", metavar="CSV", help="Touch-up: lines of x, y, dx, dy in canvas mm."),
    ] = None,
    ink: Annotated[
        list[str] | None,
        typer.Option(
            "--ink",
            metavar="NAME",
            help="These inks; if not given, the ink painted last, or all that a region holds.",
        ),
    ] = None,
    remove: Annotated[
        str | None, typer.Option("--remove", metavar="NAME", help="Remove a mend that was not painted.")
    ] = None,
    state: StateOption = None,
    as_json: JsonOption = False,
) -> None:
    """Make a pass that paints again what faded, or that paints just the gaps of an ink that lies off. Nothing moves.

    Without an option the job's mends are listed. giornata paint JOB --pass NAME paints one.
    """
    import shlex

    from controller.report import mended
    from controller.session import mends, verbs

    place = verbs.state_of(machine, state)
    asked = mended.Asked(
        job, machine, place, tuple(ink or ()), dry_minutes, tuple(region or ()), tuple(overlay or ()),
        tuple(shift or ()), shifts, verbs.person_name(),
    )  # fmt: skip
    name = asked.check()
    if remove is not None:
        mends.forget(place, name, remove)
    if not asked.wants_a_mend:
        known, stand = mends.mends_of(place, name), mends.pass_states(place, name)
        if as_json:
            emit({"ok": True, "mends": [mended.mend_json(one, set(stand)) for one in known]})
            return
        if known:
            out().print(_mends(known, stand))
        else:
            out().print("no mends")
        return
    with stages("mending", quiet=as_json) as show:
        made = mended.make(asked, show)
    if as_json:
        emit({"ok": True, "mends": [mended.made_json(one) for one in made]})
        return
    for one in made:
        for line in one.notes:
            warn(line, code="mend-note")
        if one.mend is None:
            err().print(f"{one.ink}: {one.nothing}", soft_wrap=True)
            continue
        out().print(f"{one.name}: {one.title}", soft_wrap=True)
        out().print(_made(one))
        for line in one.lines:
            out().print(line, soft_wrap=True)
        out().print(f"picture: {one.mend.picture}", soft_wrap=True)
        command = ["giornata", "paint", str(job), "--machine", str(machine)]
        command += [] if state is None else ["--state", str(state)]
        command += [word for name in one.mend.passes for word in ("--pass", name)]
        out().print(f"{shlex.join(command)} paints it", markup=False, soft_wrap=True)


def _made(made: Made) -> Table:
    """What a mend paints, by the pass or gap that it comes from."""
    from rich.text import Text

    from controller.cli.tables import plain_table

    table = plain_table("")
    for name in made.columns[:1]:
        table.add_column(name, no_wrap=True)
    for name in made.columns[1:]:
        table.add_column(name, justify="right", no_wrap=True)
    for row in made.rows:
        table.add_row(*(Text(cell) for cell in row))
    return table


def _mends(known: Sequence[Mend], stand: Mapping[str, str]) -> Table:
    from rich.text import Text

    from controller.cli.tables import plain_table

    table = plain_table("mends")
    table.add_column("pass", no_wrap=True)
    for name in ("strokes", "metres", "minutes"):
        table.add_column(name, justify="right", no_wrap=True)
    table.add_column("", no_wrap=True)
    table.add_column("why")
    for one in known:
        for part in one.prepared.record.passes:
            table.add_row(
                part.name,
                str(part.strokes),
                f"{part.metres:.2f}",
                f"{part.seconds / 60.0:.1f}",
                stand.get(part.name, "waits"),
                Text(str(one.about.get("why", ""))),
            )
    return table
