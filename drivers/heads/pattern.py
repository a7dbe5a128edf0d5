"""A line of text that may carry one number, as a user writes it down. Pure; its time grows with the line alone."""

from __future__ import annotations

import re

PLACE = "{value}"
_NUMBER = re.compile(r"[+-]?(?:\d{1,12}(?:\.\d{0,12})?|\.\d{1,12})")


class Pattern:
    """``text`` with at most one ``{value}``. Raises ValueError for any other brace or sign."""

    __slots__ = ("_after", "_before", "has_value")

    def __init__(self, text: str) -> None:
        parts = text.split(PLACE)
        if len(parts) > 2:
            raise ValueError(f"at most one {PLACE} in {text!r}")
        if any(sign in part for part in parts for sign in "{}"):
            raise ValueError(f"no braces but those of {PLACE} in {text!r}")
        if not all(" " <= sign <= "~" for sign in text):
            raise ValueError(f"signs of ASCII in {text!r}")
        self._before = parts[0].encode()
        self._after = parts[-1].encode() if len(parts) == 2 else b""
        self.has_value = len(parts) == 2

    def match(self, line: bytes) -> float | None:
        """The number in ``line`` (0.0 where the pattern has none), or None when the line is another."""
        if not self.has_value:
            return 0.0 if line == self._before else None
        before, after = self._before, self._after
        if len(line) < len(before) + len(after) or not line.startswith(before) or not line.endswith(after):
            return None
        middle = line[len(before) : len(line) - len(after)].strip()
        try:
            found = _NUMBER.fullmatch(middle.decode("ascii"))
        except UnicodeDecodeError:
            return None
        return None if found is None else float(found[0])
