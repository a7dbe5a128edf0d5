"""Damage to TOML files: by their values, written anew, and by their bytes. Knows no machine and no job."""

from __future__ import annotations

import copy
import datetime
import json
import math
import random
import tomllib
from collections.abc import Callable, Sequence
from typing import Any

NUMBERS: Sequence[Any] = (
    0, -1, 1, 7, -0.0, 0.5, 1e-9, 1e-12, 1e-300, 5e-324, 1e9, 1e12, 1e300, 1.7976931348623157e308, -1e308, math.inf,
    -math.inf, math.nan, 2**31, 2**63, -(2**63), 10**400, 0.1 + 0.2, 3.0000000000000004, 127, 1000, 99999999,
)  # fmt: skip
WORDS: Sequence[Any] = (
    "", " ", "none", "flat", "dots", "screen", "contour", "hatch", "line", "band", "whole", "clipped", "dropped",
    "square", "hexagonal", "refuse", "skip", "light-to-dark", "as-listed", "#000000", "#FFFFFF", "#fff", "#1f7a78",
    "red", "teal", "TEAL", "black", "heron", "shore", "felt", "round-5", "x", "y", "z", "can", "simulated",
    "drive-input", "gpio", "modem-line", "nan", "1", "a" * 65, "a" * 5000, "\U0001f426", "h\u00e9ron", "\u202eletter",
    "line\nbreak", "\x1b[31mred", "tab\t", "nul\x00", "#1f7a78\n", "teal\n", "inks.0", "a.b", "[bold]x[/bold]", "%s",
    "../../../../../../etc/hostname", "/dev/zero", "/dev/tty", "/proc/self/mem", "file:///etc/hostname",
    "http://127.0.0.1/x.svg", "~/x.svg", "$HOME/x.svg", ".", "..", "pipe", "loop", "folder", "boathouse.svg/",
    "n" * 300 + ".svg", "boathouse.svg\x00.svg", "BOATHOUSE.svg", "./folder/../boathouse.svg",
)  # fmt: skip
BYTES: Sequence[bytes] = (
    b"", b"\x00", b"\xff", b"\xef\xbb\xbf", b"=", b"==", b"[", b"]", b"[[", b"]]", b"[[[", b'"', b'"""', b"'", b"\\",
    b"\\u0000", b"\\uD800", b"#", b"\r", b"\n", b"\r\n\r\n", b",", b".", b"..", b"{", b"}", b"{}", b"[]", b"nan",
    b"inf", b"-inf", b"+nan", b"1e999", b"0x1F", b"0b1", b"1_000", b"1__0", b"0001", b"1979-05-27T07:32:00Z", b"25:61",
    b"1e", b"true", b"false", b"null", b"\xc3\x28", b"[" * 300, b"[" * 5000, b"{a=" * 200, b"9" * 5000,
    b"a." * 3000 + b"a=1", b"[tips.felt]\n", b"[traps]\n", b"[[inks]]\n", b"[[techniques]]\n", b"name = 'heron'\n",
    b"\xe2\x80\xae",
)  # fmt: skip


def value(chance: random.Random, depth: int = 0) -> Any:
    """Any value at all."""
    kind = chance.random()
    if kind < 0.35:
        return chance.choice(NUMBERS)
    if kind < 0.7:
        return chance.choice(WORDS)
    if kind < 0.75:
        return chance.choice((True, False))
    if kind < 0.8:
        return chance.choice(
            (datetime.date(1966, 11, 4), datetime.time(7, 32), datetime.datetime(2026, 5, 27, 7, 32))
        )
    if kind < 0.82:
        nested: Any = 1
        for _ in range(chance.choice((5, 100, 300))):
            nested = [nested]
        return nested
    if depth > 2:
        return []
    if kind < 0.92:
        return [value(chance, depth + 1) for _ in range(chance.choice((0, 1, 2, 3, 40)))]
    return {chance.choice(WORDS) or "a": value(chance, depth + 1) for _ in range(chance.randrange(4))}


def _holders(data: Any) -> list[Any]:
    """All tables and lists of a parsed file that hold something, itself among them."""
    found = [data] if data else []
    for inner in data.values() if isinstance(data, dict) else data:
        if isinstance(inner, dict | list):
            found += _holders(inner)
    return found


def _depth(data: Any) -> int:
    """How deep tables and lists are nested in each other."""
    depth, level = 0, [data]
    while level:
        depth += 1
        level = [
            inner
            for one in level
            for inner in (one.values() if isinstance(one, dict) else one)
            if isinstance(inner, dict | list)
        ]
    return depth


def _place(data: Any, chance: random.Random) -> tuple[Any, Any]:
    holder = chance.choice(_holders(data) or [data])
    if isinstance(holder, dict):
        return holder, chance.choice(list(holder)) if holder else "name"
    return holder, chance.randrange(len(holder))


def _set(data: Any, chance: random.Random) -> None:
    holder, key = _place(data, chance)
    holder[key] = value(chance)


def _near(data: Any, chance: random.Random) -> None:
    """A value of the right kind that is a little, or very, different."""
    holder, key = _place(data, chance)
    old = holder.get(key) if isinstance(holder, dict) else holder[key]
    if isinstance(old, str):
        at = chance.randrange(len(old) + 1)
        holder[key] = (
            old[:at] + chance.choice(("", "-", "9", "\u00e9", "\n", "#")) + old[at + chance.randrange(2) :]
        )
    elif isinstance(old, bool) or not isinstance(old, int | float):
        holder[key] = value(chance)
    elif isinstance(old, int):
        holder[key] = old + chance.choice((1, -1, 1000, -(2**31), 2**40, 10**30))
    else:
        holder[key] = old * chance.choice(
            (-1.0, 0.0, 1e-6, 1e-3, 0.5, 0.9, 1.0000001, 1.1, 2.0, 10.0, 1e3, 1e6, 1e12)
        )


def _remove(data: Any, chance: random.Random) -> None:
    holder, key = _place(data, chance)
    if isinstance(holder, dict):
        holder.pop(key, None)
    else:
        del holder[key]


def _add(data: Any, chance: random.Random) -> None:
    """A field more: unknown, misspelt, or one that belongs elsewhere."""
    tables = [one for one in _holders(data) if isinstance(one, dict)] or [data]
    names = [name for one in tables for name in one] or ["name"]
    name = chance.choice(names)
    if chance.random() < 0.5:
        name = chance.choice(
            (name[:-1] or "a", name + "s", name.upper(), chance.choice(WORDS) or "a", "k" * 3000)
        )
    chance.choice(tables)[name] = value(chance)


def _repeat(data: Any, chance: random.Random) -> None:
    """An entry of a list once or many times more, or out of its place."""
    lists = [one for one in _holders(data) if isinstance(one, list)]
    if not lists:
        return
    some = chance.choice(lists)
    some += [copy.deepcopy(chance.choice(some)) for _ in range(chance.choice((1, 1, 1, 2, 60)))]
    if chance.random() < 0.5:
        chance.shuffle(some)


def _swap(data: Any, chance: random.Random) -> None:
    (one, first), (other, second) = _place(data, chance), _place(data, chance)
    if _holds(one.get(first) if isinstance(one, dict) else one[first], other):
        return
    if isinstance(other, dict) and isinstance(one, dict):
        one[first], other[second] = copy.deepcopy(other.get(second)), copy.deepcopy(one.get(first))


def _holds(inner: Any, outer: Any) -> bool:
    return inner is outer or (isinstance(inner, dict | list) and any(one is outer for one in _holders(inner)))


BY_VALUE: tuple[Callable[[Any, random.Random], None], ...] = (
    _set, _set, _near, _near, _near, _near, _near, _near, _remove, _add, _repeat, _swap,
)  # fmt: skip


def written(data: dict[str, Any]) -> str:
    """A parsed file as TOML again: tables of the first level as such, everything deeper inline."""
    plain = [f"{_key(key)} = {_inline(one)}" for key, one in data.items() if not _is_table(one)]
    for key, one in data.items():
        if _is_table(one):
            for table in one if isinstance(one, list) else [one]:
                heading = f"[[{_key(key)}]]" if isinstance(one, list) else f"[{_key(key)}]"
                plain += ["", heading, *(f"{_key(name)} = {_inline(inner)}" for name, inner in table.items())]
    return "\n".join(plain) + "\n"


def _is_table(one: Any) -> bool:
    return isinstance(one, dict) or (
        isinstance(one, list) and bool(one) and all(isinstance(x, dict) for x in one)
    )


def _key(name: str) -> str:
    return _text(str(name))


def _text(text: str) -> str:
    """A basic string: TOML's escapes are those of JSON but for the rubbed-out character and those beyond 16 bits."""
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")


def _inline(one: Any) -> str:
    """A value in one line. Without recursion: damage laid upon damage nests deeper than Python's stack reaches."""
    done: list[str] = []
    left: list[tuple[bool, Any]] = [(False, one)]
    while left:
        is_text, some = left.pop()
        if is_text:
            done.append(some)
        elif isinstance(some, list):
            left += _between("[", [[(False, item)] for item in some], "]")
        elif isinstance(some, dict):
            left += _between(
                "{", [[(True, f"{_key(key)} = "), (False, item)] for key, item in some.items()], "}"
            )
        else:
            done.append(_scalar(some))
    return "".join(done)


def _between(opening: str, items: list[list[tuple[bool, Any]]], closing: str) -> list[tuple[bool, Any]]:
    """What is still to be written of a list or table, last thing first."""
    row: list[tuple[bool, Any]] = [(True, opening)]
    for at, item in enumerate(items):
        row += [(True, ", "), *item] if at else item
    return [*row, (True, closing)][::-1]


def _scalar(one: Any) -> str:
    match one:
        case bool():
            return "true" if one else "false"
        case int():
            return str(one)
        case float():
            return (
                "nan" if math.isnan(one) else ("-inf" if one < 0 else "inf") if math.isinf(one) else repr(one)
            )
        case str():
            return _text(one)
        case None:
            return '""'
        case _:
            return str(one.isoformat())


DEEP = 350
"""No more damage is laid on a file nested deeper: copying it would exceed Python's own stack."""

HUGE: dict[str, bytes] = {
    "unknown fields": b"\n".join(b"k%d=1" % one for one in range(90_000)),
    "one long field": b"k" * 900_000 + b"=1\n",
    "dotted keys": b"".join(b"a." * 200 + b"b%d=1\n" % one for one in range(2000)),
    "one dotted key": b"a." * 450_000 + b"b=1",
    "quoted dotted key": b'"a" . ' * 150_000 + b"b=1",
    "nested headings": b"".join(b"[" + b"a." * 50 + b"b%d]\n" % one for one in range(8000)),
    "nested brackets": b"x=" + b"[" * 900_000,
    "nested tables": b"x=" + b"{a=" * 300 + b"1" + b"}" * 300,
    "empty inks": b'[[inks]]\nnam="a"\n' * 50_000,
    "inks": b"".join(b'[[inks]]\nname="a%d"\ncolour="#aabbcc"\ntip_mm=1\n' % one for one in range(18_000)),
    "techniques": b"".join(b'[[techniques]]\nlayer="a%d"\n' % one for one in range(30_000)),
    "a list of everything": b"inks = [" + b"1, " * 300_000 + b"]",
    "a long name": b'name = "' + b"x" * 900_000 + b'"\n',
    "digits": b"format = " + b"9" * 900_000,
    "words": b"word " * 190_000,
    "quotes": b"'\"" * 450_000,
    "too much": b"# " * 600_000,
}
"""Files that are large where a reader may be slow; each alone, under a megabyte but for the last."""


def by_bytes(data: bytes, chance: random.Random) -> bytes:
    """Bytes cut, doubled, replaced; lines twice, gone or out of their place."""
    for _ in range(chance.randrange(1, 6)):
        if chance.random() < 0.4:
            lines = data.split(b"\n")
            at, to = chance.randrange(len(lines)), chance.randrange(len(lines))
            if chance.random() < 0.6:
                lines.insert(to, lines[at])
            else:
                lines.insert(to, lines.pop(at))
            data = b"\n".join(lines)
            continue
        first = chance.randrange(len(data) + 1)
        last = min(len(data), first + chance.choice((0, 1, 2, 10, 300)))
        middle = chance.choice(
            (b"", bytes(chance.randrange(256) for _ in range(3)), data[first:last] * 2, chance.choice(BYTES))
        )
        data = data[:first] + middle + data[last:]
    return data


def damaged_file(source: str, chance: random.Random) -> bytes:
    """A good file with some damage."""
    data = source.encode()
    if chance.random() < 0.7:
        parsed = tomllib.loads(source)
        for _ in range(chance.choice((1, 1, 1, 1, 2, 3, 8))):
            chance.choice(BY_VALUE)(parsed, chance)
            if _depth(parsed) > DEEP:
                break
        data = written(parsed).encode()
        if chance.random() < 0.85:
            return data
    return by_bytes(data, chance)
