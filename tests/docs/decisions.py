"""The index of decision records, made of their titles: ``python -m tests.docs.decisions --write``. Owns that page."""

from __future__ import annotations

import re
import sys
from pathlib import Path

FOLDER = Path(__file__).parents[2] / "docs" / "decisions"
INDEX = FOLDER / "index.md"
HEAD = """# Decisions

Why things are as they are: a record for each large choice, with what was not taken and why.

| | |
|---|---|
"""
TAIL = """
This list is made of the records' titles: `.venv/bin/python -m tests.docs.decisions --write`.
"""
_TITLE = re.compile(r"^# (\d{4}):? (.+)$")


def titles(folder: Path) -> list[tuple[str, str, str]]:
    """Number, title and file name of each record. Raises ValueError for one whose first line is no such title."""
    found = []
    for path in sorted(folder.glob("[0-9]*.md")):
        first = path.read_text(encoding="utf-8").partition("\n")[0]
        match = _TITLE.match(first)
        if match is None or not path.name.startswith(match[1]):
            raise ValueError(
                f"{path.name}: expected '# {path.name[:4]} Title' in the first line, got {first!r}"
            )
        found.append((match[1], match[2], path.name))
    return found


def page(folder: Path) -> str:
    """The whole index."""
    rows = [f"| {number} | [{title}]({name}) |\n" for number, title, name in titles(folder)]
    return HEAD + "".join(rows) + TAIL


def main() -> int:
    """Write the index, or say whether the one that is there is stale."""
    made = page(FOLDER)
    if "--write" in sys.argv[1:]:
        INDEX.write_text(made, encoding="utf-8")
        return 0
    fresh = INDEX.is_file() and INDEX.read_text(encoding="utf-8") == made
    sys.stdout.write("as the records are\n" if fresh else "stale: python -m tests.docs.decisions --write\n")
    return 0 if fresh else 1


if __name__ == "__main__":
    sys.exit(main())
