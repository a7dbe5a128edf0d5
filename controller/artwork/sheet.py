"""Style sheets: which declarations of ``<style>`` elements apply to which element, in which order.

Owns selectors and the cascade (Selectors 4, CSS Cascade 4: importance, specificity, order). Tokens, rules and
declarations are read by tinycss2. Matching goes down the tree with the reader: an element's ``Reach`` says which
beginnings of selectors its ancestors satisfy, so that every selector costs one step an element however it is built.
Knows no properties' meaning and no geometry.
"""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Callable, Mapping, Sequence
from collections.abc import Set as AbstractSet
from dataclasses import dataclass, field
from functools import lru_cache
from typing import Any, Final

import tinycss2

from controller.artwork.limits import Limits, TooMuchError, check_nesting

Declarations = tuple[tuple[str, str], ...]
"""Property names (lower case) and values, in the order of the text."""

_COMPARED: Final = 1000  # characters of an attribute that a selector looks at
_OPERATORS: Final[dict[str, Callable[[str, str], bool]]] = {
    "=": lambda have, want: have == want,
    "~=": lambda have, want: want in have.split(),
    "|=": lambda have, want: have == want or have.startswith(want + "-"),
    "^=": lambda have, want: bool(want) and have.startswith(want),
    "$=": lambda have, want: bool(want) and have.endswith(want),
    "*=": lambda have, want: bool(want) and want in have,
}


@dataclass(frozen=True, slots=True)
class Reach:
    """Places in selectors that an element ends (``here``) and that it or an ancestor ends (``above``), as bits."""

    here: int = 0
    above: int = 0


ROOT: Final = Reach()


@dataclass(slots=True)
class _Compound:
    """What one element must be: its part of a selector, and how it hangs on the part before."""

    tag: str | None = None
    ids: list[str] = field(default_factory=list)
    classes: list[str] = field(default_factory=list)
    attributes: list[tuple[str, str, str]] = field(default_factory=list)
    child: bool = False  # of the element that the part before fits; else somewhere below it
    first: bool = False
    rule: int = -1  # the rule that holds where this part, a selector's last, fits
    specificity: tuple[int, int, int] = (0, 0, 0)

    def fits(self, tag: str, attributes: Mapping[str, str], classes: AbstractSet[str]) -> bool:
        """Whether an element is what this part wants, its ancestors left aside."""
        return (
            (self.tag is None or self.tag == tag)
            and all(one == attributes.get("id") for one in self.ids)
            and all(one in classes for one in self.classes)
            and all(
                name in attributes
                and (not operator or _OPERATORS[operator](attributes[name][:_COMPARED], value))
                for name, operator, value in self.attributes
            )
        )


class _NotUnderstoodError(Exception):
    """A selector with something that is not applied here."""


class Sheet:
    """All style sheets of a drawing."""

    def __init__(self, limits: Limits, valid: Callable[[str, str], bool] = lambda *_: True) -> None:
        """``valid``: whether a value of a property counts; one that does not leaves the one before it in force."""
        self._limits = limits
        self._valid = valid
        self._parts: list[_Compound] = []
        self._by_key: defaultdict[str, list[int]] = defaultdict(list)
        self._rules: list[tuple[Declarations, Declarations]] = []
        self._steps = 0
        self._chars = 0
        self._merged: dict[tuple[int, ...], tuple[dict[str, str], dict[str, str]]] = {}

    def __bool__(self) -> bool:
        return bool(self._parts)

    def add(self, text: str) -> list[tuple[str, str]]:
        """Take in one sheet. Returns what of it is not applied, as (what, why). Raises SyntaxMistake, TooMuchError."""
        self._chars += len(text)
        if self._chars > self._limits.style_chars:
            raise TooMuchError("characters of style sheets", self._limits.style_chars)
        check_nesting(text)
        notes: list[tuple[str, str]] = []
        for rule in tinycss2.parse_stylesheet(text, skip_comments=True, skip_whitespace=True):
            if rule.type == "error":
                notes.append(("style rule", f"cannot be read ({rule.message}); it is passed over"))
            elif rule.type == "at-rule":
                if rule.lower_at_keyword not in ("charset", "font-face", "namespace"):
                    notes.append((f"@{rule.at_keyword[:40]}", "such rules are not applied"))
            else:
                self._rule(rule, notes)
        return notes

    def _rule(self, rule: Any, notes: list[tuple[str, str]]) -> None:
        read = _declarations(rule.content)
        for name, value in (one for part in read for one in part if not self._valid(*one)):
            notes.append((f"{name} in a rule", f"{value[:40]!r} cannot be read; it counts as not set"))
        normal, important = (tuple(one for one in part if self._valid(*one)) for part in read)
        self._rules.append((normal, important))
        for tokens in _split(rule.prelude):
            try:
                parts = _selector(tokens)
            except _NotUnderstoodError as error:
                notes.append((f"style rule {error}", "such a selector is not applied; use a class"))
                continue
            parts[-1].rule = len(self._rules) - 1
            for part in parts:
                key = (
                    f"#{part.ids[0]}"
                    if part.ids
                    else f".{part.classes[0]}"
                    if part.classes
                    else part.tag or "*"
                )
                self._by_key[key].append(len(self._parts))
                self._parts.append(part)

    def match(
        self, tag: str, attributes: Mapping[str, str], parent: Reach
    ) -> tuple[Reach, tuple[dict[str, str], dict[str, str]]]:
        """An element's reach, and its declared values: (normal, important). Raises TooMuchError."""
        classes = dict.fromkeys(attributes.get("class", "").split()).keys()
        keys = [tag, "*", *(f".{one}" for one in classes)]
        if "id" in attributes:
            keys.append(f"#{attributes['id']}")
        here, rules = 0, []
        for key in keys:
            places = self._by_key.get(key, ())
            self._steps += len(places)
            for place in places:
                part = self._parts[place]
                before = 1 << place - 1 if place else 0
                if (part.first or (parent.here if part.child else parent.above) & before) and part.fits(
                    tag, attributes, classes
                ):
                    here |= 1 << place
                    if part.rule >= 0:
                        rules.append(place)
        if self._steps > self._limits.style_steps:
            raise TooMuchError("selectors to hold against elements", self._limits.style_steps)
        return Reach(here, parent.above | here), self._merge(tuple(sorted(rules)))

    def _merge(self, places: tuple[int, ...]) -> tuple[dict[str, str], dict[str, str]]:
        found = self._merged.get(places)
        if found is None:
            # The later of two equals wins; places are in the sheets' order.
            ordered = sorted(places, key=lambda place: (self._parts[place].specificity, place))
            normal: dict[str, str] = {}
            important: dict[str, str] = {}
            for place in ordered:
                plain, urgent = self._rules[self._parts[place].rule]
                self._steps += len(plain) + len(urgent)
                normal.update(plain)
                important.update(urgent)
            found = normal, important
            if len(self._merged) < 10_000:
                self._merged[places] = found
        return found


def _split(tokens: Sequence[Any]) -> list[list[Any]]:
    parts: list[list[Any]] = [[]]
    for token in tokens:
        if token.type == "comment":
            continue
        if token.type == "literal" and token.value == ",":
            parts.append([])
        else:
            parts[-1].append(token)
    return parts


def _selector(tokens: list[Any]) -> list[_Compound]:
    """A selector as its parts from the outermost element to the one that it is about."""
    parts = [_Compound(first=True)]
    empty, gap, child = True, False, False
    counts = [0, 0, 0]
    rest = iter(tokens)
    for token in rest:
        if token.type == "whitespace":
            gap = not empty or len(parts) > 1
            continue
        if token.type == "literal" and token.value == ">":
            if empty:
                raise _NotUnderstoodError(">")
            parts.append(_Compound(child=True))
            empty, gap, child = True, False, True
            continue
        if gap and not empty:
            parts.append(_Compound())
            empty = True
        gap, child = False, False
        part = parts[-1]
        if token.type == "ident" and empty:
            part.tag = token.value
            counts[2] += 1
        elif token.type == "literal" and token.value == "*" and empty:
            pass
        elif token.type == "hash":
            part.ids.append(token.value)
            counts[0] += 1
        elif token.type == "literal" and token.value == ".":
            name = next(rest, None)
            if name is None or name.type != "ident":
                raise _NotUnderstoodError(".")
            part.classes.append(name.value)
            counts[1] += 1
        elif token.type == "[] block":
            part.attributes.append(_attribute(token.content))
            counts[1] += 1
        else:
            raise _NotUnderstoodError(str(getattr(token, "value", token.type))[:40])
        empty = False
    if empty or child:
        raise _NotUnderstoodError("(empty)")
    parts[-1].specificity = (counts[0], counts[1], counts[2])
    return parts


def _attribute(content: Sequence[Any]) -> tuple[str, str, str]:
    tokens = [token for token in content if token.type not in ("whitespace", "comment")]
    if len(tokens) == 1 and tokens[0].type == "ident":
        return tokens[0].value, "", ""
    if (
        len(tokens) == 3
        and tokens[0].type == "ident"
        and tokens[1].type == "literal"
        and tokens[1].value in _OPERATORS
        and tokens[2].type in ("ident", "string")
    ):
        return tokens[0].value, tokens[1].value, tokens[2].value
    raise _NotUnderstoodError("[...]")


def _declarations(content: Any) -> tuple[Declarations, Declarations]:
    normal: list[tuple[str, str]] = []
    important: list[tuple[str, str]] = []
    for item in tinycss2.parse_blocks_contents(content, skip_comments=True, skip_whitespace=True):
        if item.type == "declaration":
            value = tinycss2.serialize([token for token in item.value if token.type != "comment"]).strip()
            (important if item.important else normal).append((item.lower_name, value))
    return tuple(normal), tuple(important)


# Names, numbers, brackets of one level: text in which ";" and ":" can mean one thing only.
_PLAIN = re.compile(r"(?>[-\w\s.,#%+:;]|\([-\w\s.,#%+]*\))*")


@lru_cache(maxsize=4096)
def read_inline(style: str) -> tuple[Declarations, Declarations]:
    """The declarations of a ``style`` attribute: (normal, important). Raises SyntaxMistake."""
    if _PLAIN.fullmatch(style):
        parts = (one.partition(":") for one in style.split(";"))
        return tuple(
            (name.strip().lower(), value.strip())
            for name, _, value in parts
            if value.strip() and ":" not in value
        ), ()
    check_nesting(style)
    return _declarations(style)
