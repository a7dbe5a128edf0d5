"""The guide for beginners, followed to the letter: terminals, real processes, the simulated gantry in real time.

Marked ``campaign``: it takes some minutes, as it does for whoever reads it. What it types is also checked by the
other tests here: that commands and options exist, and that blocks are well formed.
"""

from __future__ import annotations

import os
import sys
import tempfile
from pathlib import Path

import pytest

from tests.docs.examples import ROOT, Example, examples
from tests.docs.terminals import Terminal

GUIDE = ROOT / "docs" / "getting-started.md"
EXITS = {"paint": [4, 3, 0], "stop": [0], "clear": [0], "home": [0, 0], "serve": [0, 130]}
"""By verb, the exit codes in turn; the service's is either of its two, by how it was told to end."""


@pytest.mark.campaign
@pytest.mark.realtime
def test_the_guide_holds_to_the_letter() -> None:
    """Every block of the guide, typed in its terminal, shows what the guide shows; stops stop and refusals refuse."""
    with tempfile.TemporaryDirectory(prefix="guide-") as home:  # short, for the paths of sockets
        _follow_guide(home)


def _follow_guide(home: str) -> None:
    kept = {name: value for name, value in os.environ.items() if not name.startswith("XDG_")}
    beside = str(Path(sys.executable).parent)
    environment = kept | {
        "HOME": home, "PATH": f"{beside}:{kept['PATH']}", "TERM": "dumb", "COLUMNS": "100",
    }  # fmt: skip
    found = [one for one in examples("getting-started.md", GUIDE.read_text(encoding="utf-8")) if one.terminal]
    terminals: dict[str, Terminal] = {}
    try:
        for example in found:
            name = str(example.terminal)
            terminals.setdefault(name, Terminal(ROOT, environment)).follow(example)
        for terminal in terminals.values():
            terminal.finish()
    finally:
        for terminal in terminals.values():
            terminal.close()
    ended = [(typed.split()[1], code) for one in terminals.values() for typed, code in one.exits
             if typed.startswith("giornata ")]  # fmt: skip
    for verb in ("paint", "stop", "clear", "home"):
        assert [code for name, code in ended if name == verb] == EXITS[verb]
    assert all(code == 0 for name, code in ended if name not in EXITS)
    assert dict(ended)["serve"] in EXITS["serve"]


def test_a_terminal_sees_what_is_missing_and_answers_what_is_asked(tmp_path: Path) -> None:
    """A line that does not come fails with its place; a question is answered; an exit code is kept."""
    environment = {"PATH": os.environ["PATH"], "HOME": str(tmp_path)}
    ask = "$ sh -c 'read -p \"Go [y/N] \" a; echo got $a; exit 3'"
    terminal = Terminal(tmp_path, environment)
    try:
        terminal.follow(
            Example("a.md", 7, ("$ mkdir -p ~/deep", "$ cd ~/deep", "$ pwd", "...deep"), None, None)
        )
        terminal.follow(Example("a.md", 7, (ask, "Go [y/N] y", "got y"), None, None))
        assert terminal.finish() == 3
        with pytest.raises(AssertionError, match=r"a.md:7: 'two' did not come"):
            terminal.follow(Example("a.md", 7, ("$ echo one", "two"), None, None))
    finally:
        terminal.close()
