"""The manual page giornata(1): says what the program says, in the order of man-pages(7), and groff has no complaint."""

from __future__ import annotations

import re
import shutil
import subprocess
from datetime import date
from pathlib import Path

import pytest

from controller.cli import manpage
from controller.cli.console import Exit
from controller.cli.main import GROUPS, VERBS

PAGE = Path(__file__).parents[2] / "docs" / "man" / "giornata.1"
ORDER = (
    "NAME", "SYNOPSIS", "CONFIGURATION", "DESCRIPTION", "COMMANDS", "OPTIONS", "EXIT STATUS", "RETURN VALUE", "ERRORS",
    "ENVIRONMENT", "FILES", "VERSIONS", "ATTRIBUTES", "STANDARDS", "HISTORY", "NOTES", "CAVEATS", "BUGS", "EXAMPLES",
    "AUTHORS", "REPORTING BUGS", "COPYRIGHT", "SEE ALSO",
)  # fmt: skip
"""Sections in the order of man-pages(7), Linux man-pages 6; COMMANDS, which it does not name, before OPTIONS."""


def test_the_packaged_page_is_fresh() -> None:
    """``make man`` writes it; a page that says something else than the program does not pass."""
    text = PAGE.read_text(encoding="utf-8")
    assert manpage.is_fresh(text), "run make man"
    assert not manpage.is_fresh(text.replace("gantry", "plough", 1))
    assert not manpage.is_fresh("")


def test_its_date_is_that_of_its_last_change(tmp_path: Path) -> None:
    """Written anew on a later day it stays as it is, byte for byte; once it was stale it has the new day."""
    path = tmp_path / "man" / "giornata.1"
    assert manpage.write(path, date(2026, 1, 2))
    first = path.read_bytes()
    assert not manpage.write(path, date(2027, 1, 2))
    assert path.read_bytes() == first
    path.write_bytes(first.replace(b"gantry", b"plough"))
    assert manpage.write(path, date(2027, 1, 2))
    assert manpage.date_of(path.read_text()) == date(2027, 1, 2)


def test_sections_stand_in_order_and_every_verb_and_exit_code_is_there() -> None:
    """As man-pages(7) has them; a subsection for each verb and each verb of a group; every code."""
    lines = manpage.page(date(2026, 1, 2)).splitlines()
    sections = [line.removeprefix(".SH ") for line in lines if line.startswith(".SH ")]
    assert sections == sorted(sections, key=ORDER.index)
    assert {
        "NAME",
        "SYNOPSIS",
        "DESCRIPTION",
        "COMMANDS",
        "OPTIONS",
        "EXIT STATUS",
        "FILES",
        "SEE ALSO",
    } <= set(sections)
    subsections = {line.removeprefix(".SS ") for line in lines if line.startswith(".SS ")}
    verbs = {verb.__name__.replace("_", "-") for verb in VERBS} | {str(group.info.name) for group in GROUPS}
    assert verbs <= {name.replace("\\-", "-") for name in subsections}
    assert set(manpage.EXITS) == set(Exit)
    for line in lines:
        assert line.isascii()
        assert line == line.rstrip()


@pytest.mark.parametrize(
    ("words", "roff"),
    [
        (".profile", r"\&.profile"),
        ("it's", r"it\(aqs"),
        ("'so'", r"\&\(aqso\(aq"),
        ("a\\b", r"a\eb"),
        ("give --no-light or -q, well-known", r"give \-\-no\-light or \-q, well-known"),
        ("3 µm", r"3 \[u00B5]m"),
        ("x^2 ~ `y`", r"x\(ha2 \(ti \(gay\(ga"),
        ("two\nlines", "two lines"),
    ],
)
def test_words_as_roff_takes_them(words: str, roff: str) -> None:
    """Escapes of groff_char(7): nothing of a help text is a request, an escape or another glyph."""
    assert manpage.text(words) == roff


@pytest.mark.skipif(shutil.which("groff") is None, reason="no groff is installed")
def test_groff_has_no_complaint_and_shows_the_options() -> None:
    """All warnings on (groff -ww), rendered as man renders it; what is shown holds every option of paint as typed."""
    done = subprocess.run(
        ["groff", "-ww", "-man", "-Tutf8", "-rLL=78n", "-P-cbou"],
        input=manpage.page(date(2026, 1, 2)), capture_output=True, check=True, text=True, encoding="utf-8",
    )  # fmt: skip
    assert done.stderr == ""
    paint = done.stdout[re.search(r"^   paint$", done.stdout, re.MULTILINE).start() :]  # type: ignore[union-attr]
    paint = paint[: paint.index("giornata pause")]
    for option in (
        "--machine FILE",
        "--ink NAME",
        "--pass NAME",
        "--again",
        "--prepared DIR",
        "--yes",
        "--json",
    ):
        assert option in paint
