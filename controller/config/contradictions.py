"""What a rule between fields is: reading values by path, and what a rule finds.

Owns the words that rules are written in, and what several of them reckon. Knows no rule.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from typing import Any, Protocol, TypeVar

from pydantic import BaseModel, ValidationError

AXES = ("x", "y")

_Model = TypeVar("_Model", bound=BaseModel)


class UnknownValueError(LookupError):
    """The value at a path is missing or cannot be used; a rule that asks for it has nothing to say."""


class Values(Protocol):
    """Read access to the values of a file, by path."""

    def __call__(self, path: str) -> Any:
        """The value at ``path`` (``axes.x.min_mm``, ``inks.0.name``). Raises UnknownValueError."""
        ...


def as_model(model: type[_Model], value: Any) -> _Model:
    """A value as a model, whether it has been read into one or not. Raises UnknownValueError where it is none."""
    if isinstance(value, model):
        return value
    try:
        return model.model_validate(value)
    except ValidationError:
        raise UnknownValueError(model.__name__) from None


def told_max_mm_s(values: Values, axis: str) -> float:
    """The fastest that a drive can be told to turn: the axis' speed, the trim, and what repays a late tick.

    A tick that is late by less than a tick is repaid by at most a tick's acceleration (controller/stream/trim.py).
    """
    repayment_mm_s = values("motion.acceleration_mm_s2") * values("tick_us") * 1e-6
    return float(values(f"axes.{axis}.speed_max_mm_s") + values("trim.authority_mm_s") + repayment_mm_s)


@dataclass(frozen=True, slots=True)
class Contradiction:
    """Fields that do not fit each other; ``where`` is the path of the one to look at first, ``code`` names the rule."""

    where: str
    expected: str
    got: str
    code: str = field(kw_only=True)

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
