"""Commands and options that the documentation names exist."""

from __future__ import annotations

import pytest

from tests.docs.commands import known_options, page_of, snippets, tree, unknown_options, wrong
from tests.docs.examples import pages


def test_every_command_that_is_named_exists() -> None:
    """Every ``giornata VERB --option`` in code of any page is one of the program's; many are looked at."""
    program, looked = tree(), 0
    found = []
    for path in pages():
        for number, snippet in snippets(path.read_text(encoding="utf-8")):
            looked += "giornata " in snippet
            if message := wrong(snippet, program):
                found.append(f"{page_of(path)}:{number}: {message}")
    assert found == []
    assert looked > 200


def test_every_option_that_is_named_alone_exists() -> None:
    """An option in a code span of its own belongs to some command of ours, or to a module that people start."""
    known = known_options(tree())
    found = [
        f"{page_of(path)}:{number}: {option}"
        for path in pages()
        for number, option in unknown_options(path.read_text(encoding="utf-8"), known)
    ]
    assert found == []


@pytest.mark.parametrize(
    "snippet",
    [
        "giornata sing JOB.toml",
        "giornata paint JOB.toml --softly",
        "giornata trace sing",
        "giornata trace show RUN --loudly  # whatever",
        "$ giornata status -q",
        "giornata stop --gentle, then look",
    ],
)
def test_what_does_not_exist_is_seen(snippet: str) -> None:
    """A verb, a verb's verb, an option long or short that is not there."""
    assert wrong(snippet, tree()) is not None


@pytest.mark.parametrize(
    "snippet",
    [
        "giornata stop --gently",
        "giornata paint JOB.toml -m MACHINE.toml --pass teal-2",
        "giornata trace show STATE/runs/0042-teal-1 --last 40 # one line a frame",
        "run giornata commission: it has you open each loop",
        "giornata COMMAND --help",
        "a picture by giornata",
        "giornata check M.toml && sing --loudly",
    ],
)
def test_what_exists_is_let_pass(snippet: str) -> None:
    """The check is not merely always red."""
    assert wrong(snippet, tree()) is None


def test_unknown_options_are_seen() -> None:
    """An option alone in a code span that nothing has is told, known ones and fenced ones are not."""
    text = "`--gently` and `--softly`\n\n```\n--loudly\n```\n"
    assert unknown_options(text, {"--gently"}) == [(1, "--softly")]
