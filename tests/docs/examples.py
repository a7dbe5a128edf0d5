"""Examples in the documentation: where they stand, how they are to be run, and whether an output is as they show it.

An example is a fenced block of language ``console``. Its lines that begin with ``$ `` are typed, all others are
expected in the output, in their order: whitespace and the rules of a table count as one blank, ``...`` stands for
anything, a line that is only ``...`` for lines that are not shown. The comment in front of a block says how it is run:

    <!-- example: run -->               by itself, in order with the page's others of this kind
    <!-- example: terminal NAME -->     in a terminal of this name, whose program may live on between blocks
    <!-- example: not run: REASON -->   by nobody, and why
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).parents[2]
_FENCE = re.compile(r"^(`{3,}|~{3,})\s*([\w-]*)\s*$")
_HOW = re.compile(r"^<!-- example: (run|terminal (\w+)|not run: (\S.*\S)) -->$")
_WILD = re.compile(r"\s*\.\.\.\s*")


@dataclass(frozen=True, slots=True)
class Example:
    """One block. ``terminal`` is None unless it is run in one; ``reason`` is None unless nobody runs it."""

    page: str
    line: int
    lines: tuple[str, ...]
    terminal: str | None
    reason: str | None

    @property
    def where(self) -> str:
        """Page and line, for messages."""
        return f"{self.page}:{self.line}"


@dataclass(frozen=True, slots=True)
class Fence:
    """A fenced block of any language, with the line in front of it that is not blank."""

    line: int
    language: str
    lines: tuple[str, ...]
    before: str


def pages() -> list[Path]:
    """Every Markdown file of the project's documentation."""
    top = [ROOT / name for name in ("README.md", "DEVELOPERS.md", "CHANGELOG.md")]
    return [*top, *sorted((ROOT / "docs").rglob("*.md"))]


def fences(text: str) -> list[Fence]:
    """Every fenced block of a page. Raises ValueError for one that does not end."""
    found: list[Fence] = []
    inside: list[str] | None = None
    mark, language, begun, before, last = "", "", 0, "", ""
    for number, line in enumerate(text.splitlines(), 1):
        match = _FENCE.match(line)
        if inside is None and match:
            mark, language, begun, before, inside = match[1], match[2], number, last, []
        elif inside is not None and line.strip() == mark:
            found.append(Fence(begun, language, tuple(inside), before))
            inside = None
        elif inside is not None:
            inside.append(line)
        elif line.strip():
            last = line.strip()
    if inside is not None:
        raise ValueError(f"a fence opened in line {begun} does not end")
    return found


def examples(page: str, text: str) -> list[Example]:
    """The examples of a page. Raises ValueError for a console block that does not say how it is run."""
    found: list[Example] = []
    for fence in fences(text):
        if fence.language != "console":
            continue
        how = _HOW.match(fence.before)
        if how is None:
            raise ValueError(f"{page}:{fence.line}: no comment in front says how this example is run")
        found.append(Example(page, fence.line, fence.lines, how[2], how[3]))
    return found


def pattern_of(line: str) -> re.Pattern[str]:
    """What an expected line matches."""
    parts = [r"[\s│┃]+".join(map(re.escape, part.split())) for part in _WILD.split(line)]
    return re.compile(r"[\s\S]*?".join(parts))


def seek(line: str, output: str, begin: int) -> int | None:
    """The end of the first place at or after ``begin`` at which ``output`` shows an expected line; None without one."""
    found = pattern_of(line).search(output, begin)
    return found.end() if found else None


def missing(expected: list[str], output: str) -> str | None:
    """The first of these lines that the output does not show, in their order; None when it shows them all."""
    place = 0
    for line in expected:
        if line.strip() in ("", "..."):
            continue
        found = seek(line, output, place)
        if found is None:
            return line
        place = found
    return None


def runs(example: Example) -> list[tuple[str, list[str]]]:
    """What is typed, each with the lines that are expected after it. Raises ValueError for lines before the first."""
    found: list[tuple[str, list[str]]] = []
    for line in example.lines:
        if line.startswith("$ "):
            found.append((line[2:], []))
        elif found:
            found[-1][1].append(line)
        elif line.strip():
            raise ValueError(f"{example.where}: output before anything is typed: {line!r}")
    return found
