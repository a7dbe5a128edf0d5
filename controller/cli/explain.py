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
    from rich.text import Text

    from controller.config.remedies import CAUTIONS

    console = out()

    def block(text: str, lead: str = "", style: str = "") -> None:
        """Wrapped to the terminal, every row as far in as the lead of the first one."""
        for row, part in enumerate(Text(text, style).wrap(console, max(20, console.width - len(lead)))):
            part.rstrip()
            console.print(Text(lead if row == 0 else " " * len(lead)) + part, soft_wrap=True)

    def heading(text: str, style: str = "bold") -> None:
        console.print()
        console.print(Text(text, style))

    console.print(Text(entry.code, "bold"))
    block(entry.says, "  ", "italic")
    console.print()
    block(entry.means)
    heading("Usual causes")
    for cause in entry.causes:
        block(cause, "  - ")
    for name in entry.cautions:
        heading(f"Caution: {CAUTIONS[name].title}", "bold red")
        block(CAUTIONS[name].text, "  ")
    heading("What to do")
    for number, step in enumerate(entry.steps, 1):
        block(step, f"  {number}. ")
    heading("More")
    for page in entry.read:
        block(f"docs/{page}", "  ")


def _list(*, as_json: bool) -> None:
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
    widest = max(map(len, found.entries))
    for group, title in found.titles.items():
        console.print(Text(title, "bold"))
        for one in found.entries.values():
            if one.group == group:
                line = Text(f"  {one.code:<{widest}}  ") + Text(one.says, "dim")
                if console.is_terminal:
                    line.truncate(console.width, overflow="ellipsis")
                console.print(line, soft_wrap=True)
        console.print()
    console.print(f"{len(found.entries)} entries; giornata explain CODE prints one")
