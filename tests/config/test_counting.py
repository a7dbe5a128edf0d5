"""Numbers and what they count: one stroke is painted, two strokes are."""

from __future__ import annotations

import pytest

from controller.config.counting import counted


@pytest.mark.parametrize(
    ("said", "words"),
    [
        (counted(0, "stroke"), "0 strokes"),
        (counted(1, "stroke"), "1 stroke"),
        (counted(2, "stroke"), "2 strokes"),
        (counted(1, "pass", "passes"), "1 pass"),
        (counted(3, "pass", "passes"), "3 passes"),
        (counted(1, "stroke is", "strokes are"), "1 stroke is"),
        (counted(12345, "tick", spec=","), "12,345 ticks"),
        (counted(12345, "tick"), "12345 ticks"),
        (counted(-1, "place"), "-1 places"),
    ],
)
def test_one_is_one_and_all_else_is_many(said: str, words: str) -> None:
    """Only one takes the singular; thousands are told apart where that is asked for."""
    assert said == words
