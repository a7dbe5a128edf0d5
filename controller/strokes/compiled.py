"""Compiling loops with numba, kept beside the module.

Owns the one decorator. Import it only from modules that are themselves imported late. The compiler knows kept code by
the age of the function's own file, so a module that uses it holds everything that its compiled functions call: code of
another module would be built in and live on there after a change. A test holds the room to that.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import TypeVar, cast

from numba import njit

Function = TypeVar("Function", bound=Callable[..., object])


def compiled(function: Function) -> Function:
    """``function`` as machine code, compiled at its first call."""
    try:
        return cast("Function", njit(cache=True)(function))
    except RuntimeError:  # no folder that the compiled code could be kept in: compile anew each time
        return cast("Function", njit(function))
