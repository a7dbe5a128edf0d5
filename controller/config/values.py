"""Reading values by path, from a model or from a parsed file that may be partly bad; and types by path.

Owns the two ``Values`` that the rules read through. Of a parsed file, a value is known when it stands there and
nothing was found wrong with it, or when it is missing and the model has a default.
"""

from __future__ import annotations

import types
from collections.abc import Mapping
from typing import Annotated, Any, Union, get_args, get_origin

from pydantic import BaseModel
from pydantic.fields import FieldInfo

from controller.config.contradictions import UnknownValueError, Values

Location = tuple[int | str, ...]
_UNIONS = (Union, types.UnionType)


def location_of(path: str) -> Location:
    """``inks.0.name`` as steps: ``("inks", 0, "name")``."""
    return tuple(int(step) if step.isdecimal() else step for step in path.split("."))


def of_model(model: BaseModel) -> Values:
    """Values of a model that holds."""

    def read(path: str) -> Any:
        return _walk(model, location_of(path))

    return read


def of_file(data: Mapping[str, Any], model: type[BaseModel], bad: frozenset[Location]) -> Values:
    """Values of a parsed file in which something was found wrong at the places ``bad``."""

    def read(path: str) -> Any:
        location = location_of(path)
        here: Any = data
        for depth, step in enumerate(location):
            if location[: depth + 1] in bad:
                raise UnknownValueError(path)
            if isinstance(here, Mapping) and step not in here:
                return _default(model, location, depth)
            try:
                here = here[step]
            except (IndexError, TypeError):
                raise UnknownValueError(path) from None
        if not _holds_tables(type_at(model, location)) and any(
            place[: len(location)] == location for place in bad
        ):
            # A list of plain values is known as a whole or not at all.
            raise UnknownValueError(path)
        return here

    return read


def bare(annotation: Any) -> Any:
    """The type without Annotated and without ``| None``."""
    while True:
        if get_origin(annotation) is Annotated:
            annotation = get_args(annotation)[0]
        elif get_origin(annotation) in _UNIONS:
            inner = [one for one in get_args(annotation) if one is not type(None)]
            if len(inner) != 1:
                return annotation
            annotation = inner[0]
        else:
            return annotation


def type_at(model: Any, location: Location) -> Any:
    """The bare type that stands at ``location`` inside ``model``; None when there is none."""
    here = bare(model)
    for step in location:
        origin = get_origin(here)
        if is_model(here):
            field = fields_of(here).get(str(step))
            here = field.annotation if field is not None else None
        elif origin is dict:
            here = get_args(here)[1]
        elif origin in (tuple, list):
            here = get_args(here)[0]
        elif origin in _UNIONS:
            here = _tagged(here, step)
        else:
            return None
        here = bare(here)
    return here


def untagged(model: Any, location: Location) -> Location:
    """``location`` as it stands in the file: pydantic puts the kind of a table among its steps."""
    steps: list[int | str] = []
    for depth, step in enumerate(location):
        is_tag = get_origin(type_at(model, location[:depth])) in _UNIONS
        if not is_tag:
            steps.append(step)
    return tuple(steps)


def _tagged(union: Any, tag: int | str) -> Any:
    """The member of a union of tables whose ``kind`` is ``tag``; None when there is none."""
    for member in map(bare, get_args(union)):
        if is_model(member) and tag in get_args(member.model_fields["kind"].annotation):
            return member
    return None


def fields_of(model: type[BaseModel]) -> dict[str, FieldInfo]:
    """A model's fields by the names that a file gives them."""
    return {field.alias or name: field for name, field in model.model_fields.items()}


def is_model(kind: Any) -> bool:
    """Whether ``kind`` is a model's class."""
    return isinstance(kind, type) and issubclass(kind, BaseModel)


def _holds_tables(kind: Any) -> bool:
    """Whether values of this type are tables or lists of tables, whose parts are known one by one."""
    origin = get_origin(kind)
    if origin in (tuple, list):
        return _is_table(bare(get_args(kind)[0]))
    return origin is dict or _is_table(kind)


def _is_table(kind: Any) -> bool:
    return is_model(kind) or (get_origin(kind) in _UNIONS and all(map(is_model, get_args(kind))))


def _walk(here: Any, location: Location) -> Any:
    for step in location:
        if isinstance(here, BaseModel) and str(step) in type(here).model_fields:
            here = getattr(here, str(step))
        elif isinstance(here, Mapping | list | tuple):
            try:
                here = here[step]  # type: ignore[index,call-overload,unused-ignore]
            except (KeyError, IndexError, TypeError):
                raise UnknownValueError(step) from None
        else:
            raise UnknownValueError(step)
    return here


def _default(model: type[BaseModel], location: Location, depth: int) -> Any:
    """The default of the field that is missing at ``location[depth]``, and what the rest of the path finds in it."""
    holder = type_at(model, location[:depth])
    field = holder.model_fields.get(str(location[depth])) if is_model(holder) else None
    if field is None or field.is_required():
        raise UnknownValueError(location)
    return _walk(field.get_default(call_default_factory=True), location[depth + 1 :])
