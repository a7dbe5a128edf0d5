"""How the mechanics are compiled: to machine code that is kept on disk and never outlives a change of any part of it.

Owns the decorator. The compiler keeps each function's code beside its file and looks at that file's age alone; but
code of physics.py is built into code of elastic.py, and would live on there after a change. So the age of every file
in ``_PARTS`` belongs to the mark by which kept code is known.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

F = TypeVar("F", bound=Callable[..., Any])

_PARTS = ("compiled", "parameters", "physics", "elastic", "tip", "playback")


def _stamp() -> tuple[tuple[int, int], ...]:
    """Age and size of every part."""
    seen = [(Path(__file__).parent / f"{part}.py").stat() for part in _PARTS]
    return tuple((one.st_mtime_ns, one.st_size) for one in seen)


if TYPE_CHECKING:

    def compiled(function: F) -> F:
        """A function of numbers and arrays as machine code; division by zero gives infinity, as in numpy."""

else:
    from numba import njit

    def compiled(function):
        """A function of numbers and arrays as machine code; division by zero gives infinity, as in numpy."""
        try:
            made = njit(cache=True, error_model="numpy")(function)
        except RuntimeError:  # no folder that code could be kept in: compile anew in each process
            return njit(error_model="numpy")(function)
        made._cache._cache_file._source_stamp = _stamp()
        return made
