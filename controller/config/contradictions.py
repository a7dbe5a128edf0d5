"""What a rule between fields is: reading values by path, and what a rule finds.

Owns the words that rules are written in. Knows no rule and no model.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Any, Protocol

AXES = ("x", "y")


class UnknownValueError(LookupError):
    """The value at a path is missing or cannot be used; a rule that asks for it has nothing to say."""


class Values(Protocol):
    """Read access to the values of a file, by path."""

    def __call__(self, path: str) -> Any:
        """The value at ``path`` (``axes.x.min_mm``, ``inks.0.name``). Raises UnknownValueError."""
        ...


@dataclass(frozen=True, slots=True)
class Contradiction:
    """Fields that do not fit each other; ``where`` is the path of the one to look at first."""

    where: str
    expected: str
    got: str

    def __str__(self) -> str:
        return f"{self.where}: expected {self.expected}, got {self.got}"


class ContradictionsError(ValueError):
    """Raised by a model whose fields contradict each other; carries all of it."""

    def __init__(self, found: list[Contradiction]) -> None:
        self.found = tuple(found)
        super().__init__("; ".join(str(one) for one in found))


Rule = Callable[[Values], Iterator[Contradiction]]


def run_rules(rules: tuple[Rule, ...], values: Values) -> list[Contradiction]:
    """All that ``rules`` find; a rule that meets an unknown value ends there."""
    found: list[Contradiction] = []
    for rule in rules:
        try:
            found.extend(rule(values))
        except UnknownValueError:
            continue
    return found
