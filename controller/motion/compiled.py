"""Compiling loops with numba: kept beside the module, and never outliving a change of any module of this room.

Owns the one decorator. Knows nothing of motion. Import it only from modules that are themselves imported late.

The compiler knows kept code by the age of the function's own file; but code of one module is built into code of
another that calls it, and would live on there after a change. So the mark by which kept code is known is made of the
age and size of every module of the room.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import cache
from pathlib import Path
from typing import Any, TypeVar, cast

from numba import njit

Function = TypeVar("Function", bound=Callable[..., object])


@cache
def room_stamp() -> tuple[tuple[str, int, int], ...]:
    """Name, age and size of every module of the room."""
    files = sorted(Path(__file__).parent.glob("*.py"))
    return tuple((file.name, (seen := file.stat()).st_mtime_ns, seen.st_size) for file in files)


def compiled(function: Function) -> Function:
    """``function`` as machine code, compiled at its first call."""
    try:
        made: Any = njit(cache=True)(function)
    except RuntimeError:  # no folder that the compiled code could be kept in: compile anew each time
        return cast("Function", njit(function))
    made._cache._cache_file._source_stamp = room_stamp()
    return cast("Function", made)
