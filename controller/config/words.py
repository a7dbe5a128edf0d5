"""What pydantic found, in a painter's words: field path, what was expected, what came.

Owns the translation of validation errors to ``Mistake``; knows no file format and no particular model. Paths are
written as in the file (``axes.x.play_mm``); an entry of a list is named by its own name where it has one
(``inks[moon].tip_mm``), else by its place counted from one (``inks[#2].tip_mm``).
"""

from __future__ import annotations

import difflib
from collections.abc import Mapping
from pathlib import Path
from typing import Any, Final, get_args, get_origin

from pydantic import BaseModel, ValidationError
from pydantic.fields import FieldInfo

from controller.config.contradictions import Contradiction, ContradictionsError
from controller.config.errors import Mistake
from controller.config.values import Location, bare, fields_of, is_model, location_of, type_at, untagged
from drivers.settings import SMALLEST

_LONGEST_VALUE = 60
_LEVELS_SHOWN: Final = 4

_PATTERNS = {
    r"^[a-z0-9][a-z0-9-]{0,63}$": "a name of small letters, digits and hyphens (up to 64)",
    r"^[a-z][a-z0-9-]{0,63}$": "a name of small letters, digits and hyphens, a letter first (up to 64)",
    r"^[^\x00-\x1f\x7f]*$": "a path without control characters",
    r"^([0-9A-Fa-f]{2}( ?[0-9A-Fa-f]{2})*)?$": 'bytes in hex such as "21 00"',
    r"^#[0-9a-fA-F]{6}$": 'a colour such as "#1a2b3c"',
    r"^[^\x00-\x1f\x7f]+$": "a name without control characters",
    r"^[A-Za-z0-9._:-]+$": "a host name or an address",
    r"^[A-Za-z0-9_-]+(/[A-Za-z0-9_-]+)*$": "levels of letters, digits, - and _ with / between them",
    r"^[A-Za-z_][A-Za-z0-9_]*$": "the name of an environment variable",
}

VALUE_CODES: Final = {
    "greater_than": "file-out-of-range",
    "greater_than_equal": "file-out-of-range",
    "less_than": "file-out-of-range",
    "less_than_equal": "file-out-of-range",
    "finite_number": "file-out-of-range",
    "int_parsing_size": "file-out-of-range",
    "literal_error": "file-not-a-choice",
    "string_pattern_mismatch": "file-text-refused",
    "string_too_short": "file-text-refused",
    "string_too_long": "file-text-refused",
    "too_long": "file-out-of-range",
    "too_short": "file-out-of-range",
}
"""Codes of values that do not hold, by pydantic's names; what is not here is of the wrong type."""
WRONG_TYPE: Final = "file-wrong-type"

_TYPES = {
    "float_type": "a number",
    "int_type": "a whole number",
    "int_from_float": "a whole number",
    "int_parsing_size": "a whole number of reasonable size",
    "finite_number": "a finite number",
    "string_type": 'text in quotes ("...")',
    "bool_type": "true or false",
    "tuple_type": "a list in brackets ([...])",
    "list_type": "a list in brackets ([...])",
    "dict_type": "a table",
    "model_type": "a table",
    "model_attributes_type": "a table",
}


def mistakes_of(
    error: ValidationError, file: Path, data: object, model: type[BaseModel], most: int
) -> list[Mistake]:
    """The first ``most`` mistakes in ``error``, in the order in which pydantic found them."""
    found: list[Mistake] = []
    for one in error.errors(include_url=False)[:most]:
        where = path_of(untagged(model, one["loc"]), data)
        context = one.get("ctx", {})
        match one["type"]:
            case "missing":
                found.append(
                    Mistake(file, where, _describe(model, one["loc"]), "nothing", code="file-missing-field")
                )
            case "extra_forbidden":
                found.append(_unknown_field(file, where, one["loc"], model))
            case "union_tag_invalid" | "union_tag_not_found":
                got = shown(context["tag"]) if "tag" in context else "nothing"
                known = _kinds_of(type_at(model, one["loc"]))
                found.append(Mistake(file, f"{where}.kind", f"one of {known}", got, code="file-unknown-kind"))
            case "too_short" if _long_enough(one["input"], context):
                # Entries that do not hold are not counted; they are told by themselves.
                continue
            case "value_error":
                found.extend(_contradictions(file, one["loc"], context["error"], data))
            case _:
                expected, code = _expected(one["type"], context), VALUE_CODES.get(one["type"], WRONG_TYPE)
                found.append(Mistake(file, where, expected, shown(one["input"]), code=code))
    return found


def _long_enough(value: object, context: Mapping[str, Any]) -> bool:
    return isinstance(value, list | tuple | dict) and len(value) >= context["min_length"]


def contradiction_of(file: Path, one: Contradiction, data: object, table: Location = ()) -> Mistake:
    """A contradiction as a mistake of ``file``; ``table`` is where the rule's paths begin."""
    return Mistake(
        file, path_of((*table, *location_of(one.where)), data), one.expected, one.got, code=one.code
    )


def _contradictions(file: Path, table: Location, error: object, data: object) -> list[Mistake]:
    if isinstance(error, ContradictionsError):
        return [contradiction_of(file, one, data, table) for one in error.found]
    return [
        Mistake(file, path_of(table, data) or "file", str(error), "something else", code="file-value-refused")
    ]


def path_of(location: Location, data: object) -> str:
    """The path as a person would write it; entries of lists by their name where they have one."""
    path = ""
    for step in location:
        if isinstance(step, int):
            entry = data[step] if isinstance(data, list | tuple) and step < len(data) else None
            name = entry.get("name") if isinstance(entry, Mapping) else None
            path += f"[{name}]" if isinstance(name, str) and name else f"[#{step + 1}]"
            data = entry
        else:
            path += f".{step}" if path else str(step)
            data = data.get(step) if isinstance(data, Mapping) else None
    return path


def shown(value: object, levels: int = _LEVELS_SHOWN) -> str:
    """A value as it stands in the file, cut short where it is long, and where lists lie in lists beyond ``levels``."""
    match value:
        case bool():
            text = "true" if value else "false"
        case str():
            text = f'"{value}"'
        case Mapping():
            text = "a table"
        case list() | tuple() if value and not levels:
            text = "[...]"
        case list() | tuple():
            entries = [shown(one, levels - 1) for one in value[:8]] + ["..."] * (len(value) > 8)
            text = f"[{', '.join(entries)}]"
        case int() if abs(value) >= 10**_LONGEST_VALUE:
            text = "a number of more than 60 digits"
        case _:
            text = str(value)
    return text if len(text) <= _LONGEST_VALUE else text[: _LONGEST_VALUE - 3] + "..."


def _expected(kind: str, context: Mapping[str, Any]) -> str:
    match kind:
        case "greater_than":
            return f"a number above {context['gt']:g}"
        case "greater_than_equal":
            return "a number above 0" if context["ge"] == SMALLEST else f"at least {context['ge']:g}"
        case "less_than":
            return f"a number below {context['lt']:g}"
        case "less_than_equal":
            return f"at most {context['le']:.10g}"
        case "string_pattern_mismatch":
            return _PATTERNS.get(context["pattern"], f"text that matches {context['pattern']}")
        case "literal_error":
            return str(context["expected"]).replace("'", '"')
        case "string_too_short":
            return f"at least {context['min_length']} character{'s' if context['min_length'] > 1 else ''}"
        case "string_too_long":
            return f"at most {context['max_length']} characters"
        case "too_long":
            return f"at most {context['max_length']} entries"
        case "too_short":
            return f"at least {context['min_length']} entries"
        case _:
            return _TYPES.get(kind, f"something else ({kind.replace('_', ' ')})")


def _unknown_field(file: Path, where: str, location: Location, model: type[BaseModel]) -> Mistake:
    holder = type_at(model, location[:-1])
    known = list(fields_of(holder)) if is_model(holder) else []
    name = str(location[-1])
    close = difflib.get_close_matches(name, known, n=1, cutoff=0.6)
    if close:
        expected = f"a known field (did you mean {close[0]}?)"
    elif known:
        expected = f"one of the fields {', '.join(known)}"
    else:
        expected = "no such field"
    return Mistake(file, where, expected, f"unknown field {name}", code="file-unknown-field")


def _describe(model: type[BaseModel], location: Location) -> str:
    """What a missing field should hold, with the model's own description."""
    holder = type_at(model, location[:-1])
    last = location[-1]
    if is_model(holder) and last in fields_of(holder):
        field = fields_of(holder)[str(last)]
        words = _kind_of(field)
        return f"{words} ({field.description})" if field.description else words
    return "a value"


def _kinds_of(union: Any) -> str:
    """The kinds of table that may stand there, as in the file."""
    kinds = [kind for member in get_args(union) for kind in get_args(member.model_fields["kind"].annotation)]
    return ", ".join(f'"{kind}"' for kind in kinds)


def _kind_of(field: FieldInfo) -> str:
    annotation = bare(field.annotation)
    if is_model(annotation):
        return "a table"
    names: dict[object, str] = {
        float: "a number",
        int: "a whole number",
        str: 'text in quotes ("...")',
        bool: "true or false",
        dict: "a table",
        tuple: "a list in brackets ([...])",
    }
    return names.get(get_origin(annotation) or annotation, "a value")
