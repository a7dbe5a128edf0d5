"""One clear message for bad input: which file, which field, what was expected, what came."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path


@dataclass(frozen=True, slots=True)
class Mistake:
    """One mistake in a file. ``where`` is the field's path (``axes.x.play_mm``), an element id or a line."""

    file: Path
    where: str
    expected: str
    got: str

    def __str__(self) -> str:
        return f"{self.file}: {self.where}: expected {self.expected}, got {self.got}"


class InputError(Exception):
    """A file or request that cannot be used; carries every mistake found, never only the first."""

    def __init__(self, mistakes: list[Mistake]) -> None:
        self.mistakes = tuple(mistakes)
        super().__init__("\n".join(str(mistake) for mistake in mistakes))


class RefusedError(Exception):
    """The machine's state forbids the request (latched, unregistered, busy). Nothing moved.

    ``remedy`` says what a person should do next.
    """

    def __init__(self, reason: str, remedy: str) -> None:
        self.reason = reason
        self.remedy = remedy
        super().__init__(f"{reason}. {remedy}")


class HaltedError(Exception):
    """A stop latched while the request ran: the axes stand, and nothing moves until a person clears the latch.

    ``remedy`` says what a person should do next.
    """

    def __init__(self, reason: str, remedy: str) -> None:
        self.reason = reason
        self.remedy = remedy
        super().__init__(f"{reason}. {remedy}")
