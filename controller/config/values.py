"""Reading values by path, from a model or from a parsed file that may be partly bad; and types by path.

Owns the two ``Values`` that the rules read through. Of a parsed file, a value is known when it stands there and
nothing was found wrong with it, or when it is missing and the model has a default.
"""

from __future__ import annotations

import types
from collections.abc import Mapping
from typing import Annotated, Any, Union, get_args, get_origin

from pydantic import BaseModel

from controller.config.rules import UnknownValueError, Values

Location = tuple[int | str, ...]


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
        elif get_origin(annotation) in (Union, types.UnionType):
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
            field = here.model_fields.get(str(step))
            here = field.annotation if field is not None else None
        elif origin is dict:
            here = get_args(here)[1]
        elif origin in (tuple, list):
            here = get_args(here)[0]
        else:
            return None
        here = bare(here)
    return here


def is_model(kind: Any) -> bool:
    """Whether ``kind`` is a model's class."""
    return isinstance(kind, type) and issubclass(kind, BaseModel)


def _holds_tables(kind: Any) -> bool:
    """Whether values of this type are tables or lists of tables, whose parts are known one by one."""
    origin = get_origin(kind)
    return is_model(kind) or origin is dict or (origin in (tuple, list) and is_model(bare(get_args(kind)[0])))


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
