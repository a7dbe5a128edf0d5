"""Compiling loops with numba; the compiled code is kept beside the module where that folder can be written.

Owns the one decorator. Knows nothing of motion. Import it only from modules that are themselves imported late.
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
