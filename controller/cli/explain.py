"""``giornata explain``: what a message means and what to do about it, from the catalogue of remedies."""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING, Annotated

import typer

from controller.cli.console import JsonOption, emit, out

if TYPE_CHECKING:
    from controller.config.remedies import Remedy


def explain(
    code: Annotated[
        str | None,
        typer.Argument(metavar="[CODE]", help="The code at the end of a message; all if not given."),
    ] = None,
    markdown: Annotated[
        bool, typer.Option("--markdown", help="All entries as one page, as docs/messages.md has them.")
    ] = False,
    as_json: JsonOption = False,
) -> None:
    """Say what a message means, what usually causes it and what to do; needs neither machine nor network."""
    from controller.config import remedies

    if markdown:
        sys.stdout.write(remedies.markdown())
        return
    if code is None:
        _list(as_json=as_json)
        return
    entry = remedies.remedy_of(code)
    if as_json:
        emit({"ok": True, **remedies.entry_json(entry)})
        return
    _say(entry)


def _say(entry: Remedy) -> None:
    from rich.padding import Padding
    from rich.text import Text

    from controller.config.remedies import CAUTIONS

    console = out()

    def block(text: str, style: str = "", indent: int = 2) -> None:
        console.print(Padding(Text(text, style), (0, 0, 0, indent)))

    def numbered(lines: tuple[str, ...], marks: list[str]) -> None:
        for mark, line in zip(marks, lines, strict=True):
            width = console.width - 2
            rows = Text(line).wrap(console, width - len(mark))
            for row, part in enumerate(rows):
                part.rstrip()
                lead = mark if row == 0 else " " * len(mark)
                console.print(Text("  ") + Text(lead) + part)

    console.print(Text(entry.code, "bold"))
    block(entry.says, "italic")
    console.print()
    block(entry.means, indent=0)
    console.print(Text("\nUsual causes", "bold"))
    numbered(entry.causes, ["- "] * len(entry.causes))
    for name in entry.cautions:
        console.print(Text("\nCaution", "bold red"))
        block(CAUTIONS[name])
    console.print(Text("\nWhat to do", "bold"))
    numbered(entry.steps, [f"{number}. " for number in range(1, len(entry.steps) + 1)])
    if entry.read:
        console.print(Text("\nMore: ", "bold") + Text(", ".join(f"docs/{page}" for page in entry.read)))


def _list(*, as_json: bool) -> None:
    from rich.table import Table
    from rich.text import Text

    from controller.config.remedies import catalogue

    found = catalogue()
    if as_json:
        groups = [
            {
                "group": group,
                "title": title,
                "codes": [
                    {"code": one.code, "says": one.says}
                    for one in found.entries.values()
                    if one.group == group
                ],
            }
            for group, title in found.titles.items()
        ]
        emit({"ok": True, "count": len(found.entries), "groups": groups})
        return
    console = out()
    for group, title in found.titles.items():
        table = Table(
            title=Text(title), title_justify="left", show_header=False, box=None, padding=(0, 2, 0, 2)
        )
        table.add_column(no_wrap=True)
        table.add_column(overflow="ellipsis", no_wrap=True)
        for one in found.entries.values():
            if one.group == group:
                table.add_row(Text(one.code, "bold"), Text(one.says, "dim"))
        console.print(table)
        console.print()
    console.print(f"{len(found.entries)} entries; giornata explain CODE prints one")
