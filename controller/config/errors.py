"""One clear message for bad input: which file, which field, what was expected, what came.

Every error that reaches a person carries the code of an entry in the catalogue of remedies
(``controller/config/remedies.py``); ``giornata explain CODE`` prints that entry. Knows no entry.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

from safety.events import LATCH_UNREADABLE, Reason

_LONGEST: Final = {"where": 300, "expected": 800, "got": 600}
"""Characters of a mistake's parts; what is longer is cut short."""


def plain(text: str, longest: int | None = None) -> str:
    """The text in one line that a terminal can show: what cannot be printed as an escape, cut short where too long."""
    if longest is not None and len(text) > longest:
        text = text[: longest - 3] + "..."
    if not text.isprintable():
        text = "".join(one if one.isprintable() else repr(one)[1:-1] for one in text)
        if longest is not None and len(text) > longest:
            text = text[: longest - 3] + "..."
    return text


@dataclass(frozen=True, slots=True)
class Mistake:
    """One mistake in a file. ``where`` is the field's path (``axes.x.play_mm``), an element id or a line.

    Words of the file may stand in all of it, so that control characters are shown as escapes and long texts cut short.
    ``code``: which sort of mistake it is, an entry of the catalogue.
    """

    file: Path
    where: str
    expected: str
    got: str
    code: str = field(kw_only=True)

    def __post_init__(self) -> None:
        for name, longest in _LONGEST.items():
            object.__setattr__(self, name, plain(getattr(self, name), longest))

    def __str__(self) -> str:
        return f"{plain(str(self.file))}: {self.where}: expected {self.expected}, got {self.got}"


class InputError(Exception):
    """A file or request that cannot be used; carries every mistake found, never only the first."""

    def __init__(self, mistakes: list[Mistake]) -> None:
        self.mistakes = tuple(mistakes)
        super().__init__("\n".join(str(mistake) for mistake in mistakes))

    @property
    def codes(self) -> tuple[str, ...]:
        """Codes of its mistakes, each once, in the order in which they were found."""
        return tuple(dict.fromkeys(one.code for one in self.mistakes))


class RefusedError(Exception):
    """The machine's state forbids the request (latched, unregistered, busy). Nothing moved.

    ``remedy`` says what a person should do next; ``code`` is the entry of the catalogue that says more.
    """

    def __init__(self, reason: str, remedy: str, *, code: str) -> None:
        self.reason = reason
        self.remedy = remedy
        self.code = code
        super().__init__(f"{reason}. {remedy}")


class HaltedError(Exception):
    """A stop latched while the request ran: nothing is moved until a person clears the latch.

    Whether the axes stand is the latch's ``standstill``, which may be pending or not proved.

    ``remedy`` says what a person should do next; ``code`` is the entry of the catalogue that says more.
    """

    def __init__(self, reason: str, remedy: str, *, code: str) -> None:
        self.reason = reason
        self.remedy = remedy
        self.code = code
        super().__init__(f"{reason}. {remedy}")


LATCHED: Final = "latched"


def stop_code(reason: str) -> str:
    """The code of a latched stop: the guard's own reason, or an unreadable latch; ``latched`` for one unknown here."""
    return reason if reason in (*Reason, LATCH_UNREADABLE) else LATCHED


def code_of(error: BaseException) -> str:
    """The catalogue's entry for any error that ends a command; of several mistakes the first one's."""
    match error:
        case InputError() if error.codes:
            return error.codes[0]
        case KeyboardInterrupt():
            return "interrupted"
    code = getattr(error, "code", None)
    if isinstance(code, str) and code:
        return code
    return "system-error" if isinstance(error, OSError) else "internal-fault"
