"""How much a drawing may be: bounds on files, elements, vertices, and the errors for what goes beyond.

Owns the numbers. They are far above any picture a person draws, and low enough that no file, however hostile, takes
more than the memory and time that ``docs/artwork.md`` states. Knows no XML.
"""

from __future__ import annotations

from dataclasses import dataclass

from controller.artwork.units import SyntaxMistake


@dataclass(frozen=True, slots=True)
class Limits:
    """Bounds on one drawing. What goes beyond one of them is refused by its name."""

    file_bytes: int = 100_000_000
    attribute_chars: int = 8_000_000
    elements: int = 1_000_000  # in the file
    drawn: int = 1_000_000  # elements walked, each as often as ``use`` repeats it
    drawn_chars: int = 1_000_000_000  # characters of their attributes, path data and points left aside
    depth: int = 100
    layer_names: int = 5_000_000  # names of groups around groups
    segments: int = 3_000_000
    vertices: int = 10_000_000
    clips: int = 20_000
    dashes: int = 2_000_000  # dashes along all lines
    dash_lengths: int = 1_000  # numbers in one dash pattern
    style_chars: int = 1_000_000  # of all sheets, and of one element's style
    style_steps: int = 10_000_000  # selectors held against elements
    reports: int = 10_000
    mistakes: int = 200


class TooMuchError(Exception):
    """A drawing goes beyond a limit: what of it, and the limit. The reader makes it a mistake of the file."""

    def __init__(self, what: str, limit: int) -> None:
        self.what = what
        self.limit = limit
        super().__init__(f"more than {limit} {what}")


def check_nesting(text: str, deepest: int = 100) -> None:
    """Refuse text in style sheet syntax whose brackets nest deeper than any real one's. Raises SyntaxMistake."""
    depth = 0
    for letter in text:
        if letter in "([{":
            depth += 1
            if depth > deepest:
                raise SyntaxMistake(f"brackets nested up to {deepest} deep", "deeper ones")
        elif letter in ")]}" and depth:
            depth -= 1
