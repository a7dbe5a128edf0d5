"""Examples of the documentation: each says how it is run, and those that are run give what they show."""

from __future__ import annotations

import shutil
import subprocess
import tempfile
from pathlib import Path

import pytest

from controller.cli.main import main
from tests.docs.examples import ROOT, Example, examples, missing, pages, runs

ALL = {
    str(path.relative_to(ROOT)): examples(str(path.relative_to(ROOT)), path.read_text(encoding="utf-8"))
    for path in pages()
}
RUN = [
    page for page, found in ALL.items() if any(one.terminal is None and one.reason is None for one in found)
]


def _typed(line: str, folder: Path, capsys: pytest.CaptureFixture[str]) -> str:
    """What a line shows, its warnings behind its answer. Our own program is run in this process."""
    if line.startswith("giornata ") and not set("&|>;'\"") & set(line):
        capsys.readouterr()
        main(line.split()[1:])
        said = capsys.readouterr()
        return said.out + said.err
    ended = subprocess.run(
        ["/bin/sh", "-c", line], cwd=folder, capture_output=True, text=True, check=True, timeout=60
    )
    return ended.stdout + ended.stderr


@pytest.mark.parametrize("page", RUN)
def test_examples_show_what_happens(
    page: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """A page's examples, typed in order in a folder beside the shipped files, show all that the page shows of them."""
    shutil.copytree(ROOT / "configs", tmp_path / "configs")
    monkeypatch.chdir(tmp_path)
    short = tempfile.TemporaryDirectory(prefix="docs-")  # a socket's path is short
    monkeypatch.setenv("XDG_STATE_HOME", short.name)
    monkeypatch.setenv("COLUMNS", "120")
    with short:
        for example in ALL[page]:
            if example.terminal is None and example.reason is None:
                for line, expected in runs(example):
                    output = _typed(line, tmp_path, capsys)
                    assert missing(expected, output) is None, f"{example.where}: $ {line}\n{output}"


def test_every_example_says_how_it_is_run() -> None:
    """No console block without its comment; there are examples of each sort, and what is not run has a reason."""
    found = [one for page in ALL.values() for one in page]
    assert any(one.terminal for one in found)
    assert len(RUN) >= 2
    assert all(len(one.reason) > 15 for one in found if one.reason is not None)


def test_a_block_without_its_comment_is_refused() -> None:
    """A console block that nobody would run, and a fence that does not end, are mistakes."""
    with pytest.raises(ValueError, match="how this example is run"):
        examples("a.md", "# A\n\nText.\n\n```console\n$ giornata status\n```\n")
    with pytest.raises(ValueError, match="does not end"):
        examples("a.md", "<!-- example: run -->\n```console\n$ giornata status\n")
    with pytest.raises(ValueError, match="before anything is typed"):
        runs(Example("a.md", 1, ("all holds",), None, None))


@pytest.mark.parametrize(
    ("expected", "output", "first_missing"),
    [
        (["one", "two"], "one\ntwo\n", None),
        (["two", "one"], "one\ntwo\n", "one"),
        (["one two"], "one   │  two", None),
        (["one two"], "onetwo", "one two"),
        (["a ... z", "..."], "a b\nc z", None),
        (["spread ... mm"], "spread 0.05 cm", "spread ... mm"),
        (["1.5"], "105", "1.5"),
    ],
)
def test_what_is_missing_is_seen(expected: list[str], output: str, first_missing: str | None) -> None:
    """Lines count in their order, whitespace as one blank, three dots for anything, all else to the letter."""
    assert missing(expected, output) == first_missing
