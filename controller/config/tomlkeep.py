"""Changing single values of a TOML file and nothing else: comments, order, spaces and line ends stay byte for byte.

Owns finding where in the text a value stands, and splicing another into its place. Pure: text in, text out. Every
answer is parsed again and compared with what was wanted before it is given, so that a text in a style that is not
understood here is refused, never damaged. Knows no machine.
"""

from __future__ import annotations

import copy
import json
import re
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

Path = tuple[str | int, ...]
Plain = bool | int | float | str | Sequence[Any] | Mapping[str, Any]

_BARE: Final = re.compile(r"[A-Za-z0-9_-]+")
_ONE_KEY: Final = r"""(?:[A-Za-z0-9_-]+|"(?:[^"\\\n]|\\.)*"|'[^'\n]*')"""
_KEYS: Final = re.compile(rf"{_ONE_KEY}(?:[ \t]*\.[ \t]*{_ONE_KEY})*")
_STRINGS: Final = re.compile(
    r'''"""(?:[^\\]|\\.)*?"{3,5}|\'\'\'.*?\'{3,5}|"(?:[^"\\\n]|\\.)*"|'[^'\n]*\'''', re.DOTALL
)


class CannotKeepError(Exception):
    """The text is in a style that cannot be changed here without changing more; nothing was changed."""


@dataclass(frozen=True, slots=True)
class _Part:
    """A header or ``key = value``: its full path, whether it is a header, and where it stands.

    ``begin``: of its line; ``value``: first and last place of the value (of a header: of its brackets); ``end``: behind
    its line's end.
    """

    path: Path
    is_header: bool
    begin: int
    value: tuple[int, int]
    end: int


def value_at(data: Mapping[str, Any], field: str) -> Any:
    """The value of a dotted field in a parsed file; None where it does not stand there."""
    here: Any = data
    for name in field.split("."):
        if not isinstance(here, Mapping) or name not in here:
            return None
        here = here[name]
    return here


def with_values(text: str, changes: Mapping[str, Plain | None]) -> str:
    """``text`` with each dotted field (``axes.x.play_mm``) set to its value; None takes the field out.

    Raises CannotKeepError, and tomllib.TOMLDecodeError for a text that is no TOML.
    """
    mark, text = text[: text.startswith("\ufeff")], text.removeprefix("\ufeff")
    wanted = copy.deepcopy(tomllib.loads(text))
    for field, value in changes.items():
        _set(wanted, field.split("."), value)
        text = _changed(text, tuple(field.split(".")), value)
    try:
        made = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise CannotKeepError(f"the changed text would be no TOML: {error}") from None
    if made != _without_empty(wanted) and made != wanted:
        raise CannotKeepError("the changed text would say something else than was wanted")
    return mark + text


def toml_of(value: Plain) -> str:
    """A value as TOML: tables inline."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return _quoted(value)
    if isinstance(value, int | float):
        return repr(value)
    if isinstance(value, Mapping):
        return "{ " + ", ".join(f"{_key(name)} = {toml_of(part)}" for name, part in value.items()) + " }"
    return "[" + ", ".join(toml_of(one) for one in value) + "]"


def _key(name: str) -> str:
    return name if _BARE.fullmatch(name) else _quoted(name)


def _quoted(text: str) -> str:
    """As JSON has it, but for the one control character that JSON lets stand and TOML does not."""
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")


def _set(data: dict[str, Any], names: Sequence[str], value: Plain | None) -> None:
    for name in names[:-1]:
        data = data.setdefault(name, {})
        if not isinstance(data, dict):
            raise CannotKeepError(f"{'.'.join(names)}: {name} is no table")
    if value is None:
        data.pop(names[-1], None)
    else:
        # As the parser will read it: lists for tuples, plain dictionaries.
        data[names[-1]] = tomllib.loads(f"value = {toml_of(value)}")["value"]


def _without_empty(data: dict[str, Any]) -> dict[str, Any]:
    """Tables that were left empty by what was taken out of them may go with it."""
    out = {name: _without_empty(part) if isinstance(part, dict) else part for name, part in data.items()}
    return {name: part for name, part in out.items() if part != {}}


# -- where things stand ---------------------------------------------------------------------------------------


def _parts(text: str) -> list[_Part]:
    parts: list[_Part] = []
    table: Path = ()
    counts: dict[Path, int] = {}
    place = 0
    while place < len(text):
        begin = place
        while place < len(text) and text[place] in " \t":
            place += 1
        end_of_line = _line_end(text, place)
        if place >= len(text) or text[place] in "#\r\n":
            place = end_of_line
            continue
        if text[place] == "[":
            double = text.startswith("[[", place)
            keys = _KEYS.match(text, _blanks(text, place + 1 + double))
            if keys is None:
                raise CannotKeepError(
                    f"a table's name is not understood: {text[begin:end_of_line].strip()!r}"
                )
            table = _resolved(_names(keys[0]), counts)
            if double:
                counts[table] = counts.get(table, -1) + 1
                table = (*table, counts[table])
            parts.append(_Part(table, True, begin, (place, end_of_line), end_of_line))
            place = end_of_line
            continue
        keys = _KEYS.match(text, place)
        equals = -1 if keys is None else _blanks(text, keys.end())
        if keys is None or equals >= len(text) or text[equals] != "=":
            raise CannotKeepError(f"a line is not understood: {text[begin:end_of_line].strip()!r}")
        first = _blanks(text, equals + 1)
        last = _value_end(text, first)
        place = _line_end(text, last)
        parts.append(_Part((*table, *_names(keys[0])), False, begin, (first, last), place))
    return parts


def _resolved(names: Path, counts: Mapping[Path, int]) -> Path:
    """A table's path with the numbers of the arrays of tables that it lies in."""
    path: Path = ()
    for place, name in enumerate(names):
        path = (*path, name)
        if place < len(names) - 1 and path in counts:
            path = (*path, counts[path])
    return path


def _names(keys: str) -> Path:
    """The names of a dotted key, quotes and escapes resolved by the parser itself."""
    here: Any = tomllib.loads(f"{keys} = 0")
    names: list[str] = []
    while isinstance(here, dict):
        ((name, here),) = here.items()
        names.append(name)
    return tuple(names)


def _blanks(text: str, place: int) -> int:
    while place < len(text) and text[place] in " \t":
        place += 1
    return place


def _line_end(text: str, place: int) -> int:
    """Behind the end of the line in which ``place`` is."""
    found = text.find("\n", place)
    return len(text) if found < 0 else found + 1


def _value_end(text: str, place: int) -> int:
    """Behind the value that begins at ``place``."""
    depth, last = 0, place
    while place < len(text):
        one = text[place]
        if one in "\"'":
            string = _STRINGS.match(text, place)
            if string is None:
                raise CannotKeepError("a text without its end")
            place = last = string.end()
            continue
        if one == "#":
            if depth == 0:
                break
            place = _line_end(text, place)
            continue
        if one == "\n" and depth == 0:
            break
        depth += (one in "[{") - (one in "]}")
        place += 1
        if not one.isspace():
            last = place
    return last


# -- changing -------------------------------------------------------------------------------------------------


def _changed(text: str, path: Path, value: Plain | None) -> str:
    parts = _parts(text)
    own = next((part for part in parts if part.path == path and not part.is_header), None)
    header = next((part for part in parts if part.path == path and part.is_header), None)
    if own is not None:
        if value is None:
            return text[: own.begin] + text[own.end :]
        return text[: own.value[0]] + toml_of(value) + text[own.value[1] :]
    if inline := next(
        (part for part in parts if not part.is_header and path[: len(part.path)] == part.path), None
    ):
        return _inside(text, inline, path, value)
    if header is not None:
        return _table_changed(text, parts, header, value)
    if value is None:
        return text
    if isinstance(value, Mapping):
        return _table_added(text, parts, path, value)
    above = next((part for part in parts if part.is_header and part.path == path[:-1]), None)
    line_end = _newline(text)
    line = f"{_key(str(path[-1]))} = {toml_of(value)}{line_end}"
    if above is None and len(path) > 1:
        return _table_added(text, parts, path[:-1], {str(path[-1]): value})
    index = -1 if above is None else parts.index(above)
    at = 0 if above is None else above.end
    for part in parts[index + 1 :]:
        if part.is_header:
            break
        at = part.end
    return _put(text, at, line)


def _inside(text: str, inline: _Part, path: Path, value: Plain | None) -> str:
    """A field of an inline table: the whole inline table is written anew."""
    table = tomllib.loads(f"value = {text[slice(*inline.value)]}")["value"]
    if not isinstance(table, dict):
        raise CannotKeepError(f"{'.'.join(map(str, inline.path))} is no table")
    _set(table, [str(name) for name in path[len(inline.path) :]], value)
    return text[: inline.value[0]] + toml_of(table) + text[inline.value[1] :]


def _table_changed(text: str, parts: Sequence[_Part], header: _Part, value: Plain | None) -> str:
    """A table with a header of its own: its fields one by one; taken out whole, its header goes, too."""
    if value is not None and not isinstance(value, Mapping):
        raise CannotKeepError(f"{'.'.join(map(str, header.path))} is a table")
    present = [part.path[len(header.path)] for part in parts
               if part.path[: len(header.path)] == header.path and part is not header]  # fmt: skip
    for name in dict.fromkeys(present):
        if value is None or name not in value:
            text = _changed(text, (*header.path, name), None)
    for name, part in (value or {}).items():
        text = _changed(text, (*header.path, name), part)
    if value is None:
        own = next(part for part in _parts(text) if part.path == header.path and part.is_header)
        before = text[: own.begin]
        line_end = _newline(text)
        if before.endswith(line_end * 2):
            before = before[: -len(line_end)]
        text = before + text[own.end :]
    return text


def _table_added(text: str, parts: Sequence[_Part], path: Path, value: Mapping[str, Plain]) -> str:
    """A table of its own, behind the last thing that stands in the tables around it."""
    line_end = _newline(text)
    at = len(text)
    for length in range(len(path) - 1, 0, -1):
        near = [part for part in parts if part.path[:length] == path[:length]]
        if near:
            at = near[-1].end
            break
    lines = [f"[{'.'.join(_key(str(name)) for name in path)}]"]
    lines += [f"{_key(name)} = {toml_of(part)}" for name, part in value.items()]
    return _put(text, at, line_end + "".join(line + line_end for line in lines))


def _put(text: str, at: int, what: str) -> str:
    before = text[:at]
    if before and not before.endswith("\n"):
        before += _newline(text)
    return before + what + text[at:]


def _newline(text: str) -> str:
    return "\r\n" if "\r\n" in text else "\n"
