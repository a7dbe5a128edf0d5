"""What a person means by A and B: a session by number or word, of one state folder or of two, or a machine file.

Owns the words ``last`` and ``before``, ``FOLDER`` and ``FOLDER:SESSION``. Reads journals for their sessions only.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path

from controller.config.errors import InputError, Mistake
from controller.config.places import StateDir
from controller.report.compareread import known_words, session_of
from controller.report.runfiles import painting_ids
from controller.session.journal import Journal

LAST, BEFORE = "last", "before"
WORDS = {LAST: 1, BEFORE: 2}
"""Sessions that painted, counted from the end."""

_IN_FOLDER = re.compile(r"^(?P<folder>.+):(?P<which>\d+|last|before)$")
EXPECTED = "a session (a number, last, before), a state folder, FOLDER:SESSION, or a machine file (.toml)"


@dataclass(frozen=True, slots=True)
class SessionPlace:
    """A session that exists."""

    state: Path
    session: int


@dataclass(frozen=True, slots=True)
class FilePlace:
    """A machine file; whether it holds is for who reads it."""

    path: Path


Place = SessionPlace | FilePlace


def places(texts: Sequence[str], state: Path | None) -> list[Place]:
    """What each text means. ``state``: the folder in which plain sessions are looked for. Raises InputError with every
    mistake; two places must be of one kind."""
    found: list[Place] = []
    mistakes: list[Mistake] = []
    for text in texts:
        try:
            found.append(_place(text, state))
        except InputError as error:
            mistakes += error.mistakes
    if not mistakes and len({type(one) for one in found}) > 1:
        got = " and ".join("a session" if isinstance(one, SessionPlace) else "a file" for one in found)
        mistakes.append(
            Mistake(Path("compare"), "A and B", "two sessions or two machine files", got, code=CODE)
        )
    if mistakes:
        raise InputError(mistakes)
    return found


CODE = "compare-what"


def _place(text: str, state: Path | None) -> Place:
    if text.isdecimal() or text in WORDS:
        if state is None:
            expected = "--machine or --state, to know whose sessions these are"
            raise InputError([Mistake(Path("compare"), text, expected, "neither", code=CODE)])
        return _session(state, text)
    path = Path(text).expanduser()
    if path.is_dir():
        return _session(path, LAST)
    match = _IN_FOLDER.match(text)
    if match is not None and not path.exists():
        folder = Path(match["folder"]).expanduser()
        if not folder.is_dir():
            raise InputError(
                [Mistake(folder, "state folder", "a machine's state folder", "no such folder", code=CODE)]
            )
        return _session(folder, match["which"])
    if path.suffix == ".toml" or path.is_file():
        return FilePlace(path)
    raise InputError([Mistake(Path("compare"), "A and B", EXPECTED, text, code=CODE)])


def _session(folder: Path, which: str) -> SessionPlace:
    state = StateDir(folder.absolute())
    with closing(Journal.read(state.journal)) as journal:
        if which not in WORDS:
            return SessionPlace(state.root, session_of(journal, int(which)).id)
        painted = painting_ids(journal)
        if len(painted) < WORDS[which]:
            expected = f"{WORDS[which]} sessions that painted for `{which}`; {known_words(journal)}"
            raise InputError(
                [Mistake(state.journal, "session", expected, str(len(painted)), code="session-unknown")]
            )
        return SessionPlace(state.root, painted[-WORDS[which]])
