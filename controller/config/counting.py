"""A number and what it counts, in words: one stroke, two strokes.

Owns the plural and nothing else; what is counted and what is said of it are the caller's.
"""

from __future__ import annotations


def counted(count: int, one: str, many: str = "", *, spec: str = "") -> str:
    """``1 stroke``, ``2 strokes``. ``many``: where an s at the end is not enough (``pass``, ``stroke is``).

    ``spec``: format of the number, such as ``,`` where thousands are told apart.
    """
    return f"{count:{spec}} {one if count == 1 else many or f'{one}s'}"
