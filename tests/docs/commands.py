"""Commands that the documentation names, held against the program: verbs, verbs of verbs, options.

Looks at code spans and fenced blocks only; what is prose there (an output that names a verb) is read as far as it goes.
"""

from __future__ import annotations

import functools
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import typer
from typer.core import TyperGroup

from controller.cli.main import app
from tests.docs.examples import ROOT, fences
from tests.docs.links import prose

_SPAN = re.compile(r"`([^`\n]+)`")
_COMMAND = re.compile(r"(?:^|[\s(/])giornata ((?:--?)?[a-z].*)$")
_END = re.compile(r"\s(?:#|\||&&|;|>)|;$")
_OPTION = re.compile(r"--[a-z][a-z-]*[a-z]")


@functools.cache
def tree() -> TyperGroup:
    """The program's commands."""
    command = typer.main.get_command(app)
    assert isinstance(command, TyperGroup)
    return command


def snippets(text: str) -> Iterator[tuple[int, str]]:
    """Code spans and the lines of fenced blocks of a page, with their line numbers."""
    for fence in fences(text):
        for number, line in enumerate(fence.lines, fence.line + 1):
            yield number, line
    for number, line in enumerate(prose(text), 1):
        if line.startswith("    "):
            yield number, line
        for span in _SPAN.findall(line):
            yield number, span


def wrong(snippet: str, program: TyperGroup) -> str | None:
    """What of the ``giornata ...`` in a snippet the program does not have; None where there is none or all is there."""
    found = _COMMAND.search(snippet)
    if found is None:
        return None
    words = _END.split(found[1])[0].replace("`", "").split()
    command: Any = program
    for word in words:
        name = word.rstrip(".,:;)")
        if name.startswith("-"):
            option = name.partition("=")[0]
            if option != "--help" and option not in _options(command):
                return f"giornata {command.name if command is not program else ''} has no {option}"
        elif isinstance(command, TyperGroup) and re.fullmatch(r"[a-z][a-z-]*", name):
            inner = command.commands.get(name)
            if inner is None:
                return (
                    f"giornata has no verb {name}" if command is program else f"{command.name} has no {name}"
                )
            command = inner
        elif name == "...":
            break
    return None


def _options(command: Any) -> set[str]:
    return {name for one in command.params for name in (*one.opts, *one.secondary_opts)}


def known_options(program: TyperGroup) -> set[str]:
    """Every option of every command, of the modules in tests that people start, and of few other programs' own."""
    found = {"--help", *_options(program)}
    todo: list[Any] = [program]
    while todo:
        command = todo.pop()
        found |= _options(command)
        if isinstance(command, TyperGroup):
            todo += command.commands.values()
    for path in (*(ROOT / "tests").rglob("*.py"), *(ROOT / "drivers").rglob("*.py")):
        found.update(re.findall(r"add_argument\(\s*\"(--[a-z-]+)\"", path.read_text(encoding="utf-8")))
    return found


def unknown_options(text: str, known: set[str]) -> list[tuple[int, str]]:
    """Options that stand by themselves in code spans of a page and that nothing here has."""
    return [
        (number, option)
        for number, line in enumerate(prose(text), 1)
        for span in _SPAN.findall(line)
        if span.startswith("--")
        for option in _OPTION.findall(span)
        if option not in known
    ]


def page_of(path: Path) -> str:
    """A page's path as messages show it."""
    return str(path.relative_to(ROOT))
