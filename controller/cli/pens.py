"""``giornata pens``: which pen is in, what each has painted, how many are left; and what a person enters. No logic."""

from __future__ import annotations

from dataclasses import asdict
from typing import TYPE_CHECKING, Annotated

import typer

from controller.cli.console import JsonOption, StateOption, emit, out, warn
from controller.cli.options import MachineOption
from controller.config.counting import counted

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from rich.table import Table

    from controller.session.pens import PenUse


def pens(
    machine: MachineOption,
    stock: Annotated[
        list[str] | None,
        typer.Option("--stock", metavar="INK=N", help="So many unused pens of an ink lie ready, counted."),
    ] = None,
    fresh: Annotated[
        list[str] | None,
        typer.Option("--fresh", metavar="INK", help="You have put in a fresh pen of this ink by hand."),
    ] = None,
    width: Annotated[
        list[str] | None,
        typer.Option(
            "--width",
            metavar="INK=MM",
            help="The line of the ink's pen measured on the canvas; giornata prepare goes by it from then on.",
        ),
    ] = None,
    clean_swatch: Annotated[
        bool,
        typer.Option("--clean-swatch", help="The swatch is clean again: a fresh sheet, all its places free."),
    ] = False,
    rows: Annotated[int, typer.Option("--rows", min=1, help="So many pens are listed, the last ones.")] = 20,
    state: StateOption = None,
    as_json: JsonOption = False,
) -> None:
    """Show pens: metres and minutes painted, time that the tip was up in air, pens left by ink. Nothing moves."""
    import contextlib

    from controller.cli.tables import plain_table
    from controller.config.load import load_machine
    from controller.session import pens as account
    from controller.session import verbs
    from controller.session.journal import Journal

    settings, place = load_machine(machine), verbs.state_of(machine, state)
    if clean_swatch:
        account.clean_swatch(settings.name, place, verbs.person_name())
    if stock or fresh or width:
        whole, real = "--stock INK=N", "--width INK=MM"
        account.enter(
            settings.name,
            place,
            verbs.person_name(),
            stock={ink: account.whole(text, whole) for ink, text in account.pairs(stock, whole)},
            fresh=tuple(fresh or ()),
            widths={ink: account.number(text, real) for ink, text in account.pairs(width, real)},
        )
    if not place.journal.exists():
        if as_json:
            emit({"ok": True, "pens": [], "left": {}})
        else:
            out().print("no pen has been put in yet")
        return
    with contextlib.closing(Journal.read(place.journal, settings.name)) as journal:
        used, left, jumps = account.uses(journal), account.left(journal), journal.jumps.all
    if as_json:
        emit(
            {
                "ok": True,
                "pens": [asdict(one) for one in used],
                "left": left,
                "clock": [one.words for one in jumps],
            }
        )
        return
    out().print(_pens(used[-rows:], settings.name))
    if jumps:
        warn(
            f"{jumps[-1].words}: `put in` is by the clock of that time, `up since` by today's",
            code="pens-clock-set",
        )
    if left:
        table = plain_table("unused pens")
        table.add_column("ink", no_wrap=True)
        table.add_column("left", justify="right", no_wrap=True)
        for ink, count in left.items():
            table.add_row(ink, str(max(count, 0)))
        out().print(table)
    for ink, count in left.items():
        if count < 0:
            warn(
                f"{counted(-count, f'more {ink} pen was', f'more {ink} pens were')} put in than had been counted: "
                f"count anew with --stock {ink}=N",
                code="pens-miscounted",
            )
        elif count <= account.FEW:
            warn(f"{counted(count, f'unused {ink} pen')} left", code="pens-few")


def _pens(used: Sequence[PenUse], name: str) -> Table:
    from rich.text import Text

    from controller.cli.tables import day_of, plain_table

    table = plain_table(f"pens of {name}: metres, minutes down and up, longest up in s; UTC")
    table.add_column("pen", justify="right", no_wrap=True)
    table.add_column("ink", no_wrap=True)
    table.add_column("put in", no_wrap=True)
    for column in ("metres", "down", "up", "longest"):
        table.add_column(column, justify="right", no_wrap=True)
    table.add_column("up since", no_wrap=True)
    table.add_column("mm", justify="right", no_wrap=True)
    for one in used:
        table.add_row(
            str(one.pen.id),
            Text(one.pen.ink, style="bold" if one.is_last else ""),
            day_of(one.pen.at_ms)[5:],
            f"{one.metres:.2f}",
            f"{one.down_s / 60.0:.1f}",
            f"{one.up_s / 60.0:.1f}",
            f"{one.longest_up_s:.0f}",
            _up_since(one, day_of),
            "-" if one.width_mm is None else f"{one.width_mm:.2f}",
        )
    return table


def _up_since(one: PenUse, day_of: Callable[[int], str]) -> str:
    if one.up_since_ms is None or not one.is_last:
        return "-"
    return day_of(one.up_since_ms)[5:] if one.up_is_known else "unknown"
