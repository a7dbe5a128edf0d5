"""The catalogue of remedies: what each message means, what usually causes it, and what a person does next.

Owns the reader of the files in ``controller/config/messages``, one a group, and how an entry looks as JSON and as a
page. Knows no raise site: whoever raises an error or prints a warning names an entry by its code, and tests hold the
two against each other (tests/test_messages.py).

A code is a few small words with hyphens. It stays when the words of a message change; codes of latched stops are the
guard's own reasons (``safety.events.Reason``).
"""

from __future__ import annotations

import difflib
import tomllib
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any, Final

from controller.config.errors import InputError, Mistake

FOLDER: Final = Path(__file__).parent / "messages"
GROUPS: Final = (
    "files", "machine", "job", "artwork", "planning", "state", "stops", "homing", "wires", "pens", "sheets",
    "journal", "commissioning", "host", "program",
)  # fmt: skip
"""Files of the folder without their suffix, in the order of the page."""


@dataclass(frozen=True, slots=True)
class Caution:
    """What stands before the steps of an entry where the machine can hurt. ``title`` alone on the page, where
    ``text`` stands once."""

    title: str
    text: str


CAUTIONS: Final[Mapping[str, Caution]] = {
    "hands": Caution(
        "Motor power off, locked and tagged, before hands go in",
        "Before a hand goes near belt, pulley, carriage or head: motor power off at its isolator, locked and tagged "
        "so that nobody else can put it back, and stored energy gone (a carriage that can fall is held or lowered, "
        "the drives' capacitors have had the time their manual asks for). A latch or a pause is no isolator. Rules "
        "and codes of your place go before this.",
    ),
    "moves": Caution(
        "Everybody clear before the machine moves",
        "What follows moves the machine: everybody clear, the whole way looked along, and the emergency stop that "
        "needs no software within reach of whoever starts it.",
    ),
    "cabinet": Caution(
        "Electrical work for somebody qualified, power isolated and proved dead",
        "Work in the cabinet or on motor and mains cables is for somebody qualified, with the power isolated, locked "
        "and proved dead; a computer that says a drive is off proves nothing. Rules and codes of your place go "
        "before this.",
    ),
}


@dataclass(frozen=True, slots=True)
class Remedy:
    """One entry. ``says``: the message, dots where it varies; ``read``: pages of docs, with an anchor where one fits;
    ``cautions``: names in ``CAUTIONS``."""

    code: str
    group: str
    says: str
    means: str
    causes: tuple[str, ...]
    steps: tuple[str, ...]
    read: tuple[str, ...]
    cautions: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Catalogue:
    """All entries by code, in the order of the page, and the titles of their groups."""

    titles: Mapping[str, str]
    entries: Mapping[str, Remedy]


@lru_cache(maxsize=1)
def catalogue() -> Catalogue:
    """Every group read once.

    Raises ValueError for a code that is there twice, TypeError for an unknown field, KeyError for a missing one.
    """
    titles: dict[str, str] = {}
    entries: dict[str, Remedy] = {}
    for group in GROUPS:
        data = tomllib.loads((FOLDER / f"{group}.toml").read_text(encoding="utf-8"))
        titles[group] = data.pop("title")
        for code, fields in data.items():
            if code in entries:
                raise ValueError(f"{group}: {code} is an entry of {entries[code].group} as well")
            entries[code] = _entry(code, group, fields)
    return Catalogue(titles, entries)


_FIELDS: Final = frozenset({"says", "means", "causes", "steps", "read", "cautions"})


def _entry(code: str, group: str, fields: Mapping[str, Any]) -> Remedy:
    if unknown := set(fields) - _FIELDS:
        raise TypeError(f"{group}: {code}: no such field: {', '.join(sorted(unknown))}")
    return Remedy(
        code=code,
        group=group,
        says=str(fields["says"]),
        means=str(fields["means"]),
        causes=tuple(fields["causes"]),
        steps=tuple(fields["steps"]),
        read=tuple(fields["read"]),
        cautions=tuple(fields.get("cautions", ())),
    )


def remedies() -> Mapping[str, Remedy]:
    """Every entry by its code."""
    return catalogue().entries


def remedy_of(code: str) -> Remedy:
    """The entry of ``code``. Raises InputError for one that is none, with the nearest."""
    known = remedies()
    found = known.get(code.strip().strip("[]").lower())
    if found is not None:
        return found
    close = difflib.get_close_matches(code.strip().lower(), known, n=3, cutoff=0.6)
    hint = f" (did you mean {', '.join(close)}?)" if close else "; without one, giornata explain lists all"
    expected = f"a code that stands at the end of a message{hint}"
    raise InputError([Mistake(Path("explain"), "CODE", expected, repr(code[:60]), code="code-unknown")])


def entry_json(entry: Remedy) -> dict[str, Any]:
    """An entry as JSON has it: its fields, the cautions with their words."""
    return {**asdict(entry), "cautions": [asdict(CAUTIONS[name]) for name in entry.cautions]}


_HEAD: Final = (
    "A message of the program ends with a code; `giornata explain CODE` prints its entry of this page, "
    "`giornata explain` lists all of them, and with `--json` programs get the same (`error.code` in every answer "
    'that says `"ok": false`). The page is made from the same source: `giornata explain --markdown`.'
)
_NETS: Final = (
    "Where an entry has a caution it comes before the steps, and before everything stands "
    "[safety.md](safety.md). Nothing here replaces the rules of your place or the manuals of your drives."
)


def markdown() -> str:
    """The page docs/messages.md."""
    found = catalogue()
    lines = ["# When things go wrong: every message and its remedy", "", _HEAD, "", _NETS, ""]
    for group, title in found.titles.items():
        codes = [one.code for one in found.entries.values() if one.group == group]
        lines += [f"* [{title}](#{_anchor(title)}): {', '.join(f'[{code}](#{code})' for code in codes)}"]
    lines += ["", "## Cautions"]
    for one in CAUTIONS.values():
        lines += ["", f"### {one.title}", "", one.text]
    for group, title in found.titles.items():
        lines += ["", f"## {title}"]
        for entry in found.entries.values():
            if entry.group == group:
                lines += ["", *_markdown_of(entry)]
    return "\n".join(lines) + "\n"


def _anchor(title: str) -> str:
    kept = "".join(one for one in title.lower() if one.isalnum() or one in " -")
    return kept.replace(" ", "-")


def _label(target: str) -> str:
    """A page as a link's words: ``guard.md#when-it-stops`` is "guard, when it stops"."""
    page, _, anchor = target.partition("#")
    name = page.rpartition("/")[2].removesuffix(".md").replace("-", " ")
    return f"{name}, {anchor.replace('-', ' ')}" if anchor else name


def _markdown_of(entry: Remedy) -> list[str]:
    lines = [f"### {entry.code}", "", f"> {entry.says}", "", entry.means, "", "Usual causes:", ""]
    lines += [f"* {one}" for one in entry.causes]
    if entry.cautions:
        titles = (CAUTIONS[name].title for name in entry.cautions)
        lines += ["", f"**Caution:** {'; '.join(f'[{one}](#{_anchor(one)})' for one in titles)}."]
    lines += ["", "What to do:", ""]
    lines += [f"{number}. {one}" for number, one in enumerate(entry.steps, 1)]
    if entry.read:
        lines += ["", f"More: {', '.join(f'[{_label(one)}]({one})' for one in entry.read)}."]
    return lines
