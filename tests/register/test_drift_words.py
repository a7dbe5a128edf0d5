"""Findings as sentences: they name what was found, how much, and what to do."""

from __future__ import annotations

import re

import numpy as np
import pytest

from controller.register.drift import DAY_S, Allowance, Check, Finding, History, allowance, judge_history
from controller.register.marks import Reason, Refusal, Registration, Slip, register_marks
from controller.register.words import (
    CHECK_WORDS,
    SLIP_WORDS,
    allowance_text,
    drift_text,
    refusal_text,
    registration_text,
)

SIZE = (3000.0, 1900.0)
NINE = np.array([[x, y] for x in (50.0, 1500.0, 2950.0) for y in (50.0, 950.0, 1850.0)])
NAMES = ["top left", "left", "bottom left", "top", "moon", "bottom", "top right", "right", "bottom right"]
ROWS = np.arange(30)


def marks(seed: int = 0):
    return NINE + np.array([1.5, -2.0]) + np.random.default_rng(seed).normal(0, 0.05, NINE.shape)


def judged(made, spread=0.05):
    places = made + np.random.default_rng(3).normal(0, 0.01, 30)
    past = History.of(1.8e9 + ROWS * DAY_S, places, np.full(30, 1.0) * spread, [4] * 30)
    return judge_history(past, belt_pitch_mm=3.0)


def test_every_check_and_slip_has_words() -> None:
    """Nothing that can be found is without a sentence."""
    assert set(CHECK_WORDS) == set(Check)
    assert set(SLIP_WORDS) == set(Slip)


def test_a_wrong_mark_is_named_with_its_remedy() -> None:
    """The mark by its name, where it should be, by how much it is off, and what would mend it."""
    places = marks()
    places[4, 0] = NINE[4, 0] - (places[4, 0] - NINE[4, 0])
    found = register_marks(NINE, places, size_mm=SIZE)
    assert isinstance(found, Refusal)
    text = refusal_text(found, NAMES)
    assert re.match(
        r"mark moon disagrees with the others: they put it at \(1501\.\d\d, 94[78]\.\d\d\), it was measured "
        r"-[23]\.\d\d mm right and [+-]0\.\d\d mm down of that; with the other sign of its x offset it would agree",
        text,
    )
    assert "mark 5 disagrees" in refusal_text(found)


def test_every_reason_has_a_sentence() -> None:
    """Each refusal says what is wrong in words of its own, and none falls through."""
    places = np.array([1.0, 2.0])
    texts = {
        refusal_text(Refusal(reason, (0, 2), 1.5, 2.5, None, places, places, Slip.UNKNOWN))
        for reason in Reason
    }
    assert len(texts) == len(Reason)
    assert all(len(text) > 20 and "nan" not in text for text in texts)
    assert "nan" not in refusal_text(Refusal(Reason.ILL_CONDITIONED, limit=3.0))


def test_a_registration_in_words() -> None:
    """Kind, what is left over, what moved, and how sure the corners are, with the coverage stated."""
    found = register_marks(NINE, marks(), size_mm=SIZE)
    assert isinstance(found, Registration)
    kind, moved, sure = registration_text(found, NAMES)
    assert kind.startswith("rigid map through 9 marks: 0.0")
    assert re.search(r"moved by \+1\.\d\d mm right and -[12]\.\d\d mm down", moved)
    assert re.search(
        r"corners sure to 0\.\d\d.* mm each, the whole canvas to 0\.\d\d mm \(95 % coverage\)", sure
    )
    bent = NINE[[0, 2, 6, 8]]
    four = register_marks(bent, bent * [1.002, 0.999], size_mm=SIZE, uncertainty_mm=0.05)
    assert isinstance(four, Registration)
    assert "one more would" in registration_text(four)[-1]


def test_jumps_in_words() -> None:
    """A tooth jump and a slip read differently, with day, size and checks; an unconfirmed one asks to home again."""
    tooth = drift_text("x", judged(-6.0 * (ROWS >= 12)))
    assert tooth[0] == (
        "axis x: jumped by -6.00 mm before the homing of 2027-01-27 08:00 UTC, 2 belt pitches but for "
        f"{tooth[0].split('but for ')[1].split(' mm')[0]} mm: the belt has likely jumped teeth"
    )
    assert tooth[1] == f"axis x: {CHECK_WORDS[Check.BELT_TEETH]}"
    slip = drift_text("y", judged(1.3 * (ROWS >= 29)))
    assert "no whole number of belt pitches: a pulley has likely slipped" in slip[0]
    assert "home again: one homing alone may be wrong" in slip[0]
    (apart, *_) = drift_text("y", judged(0.5 * (ROWS == 9)))
    assert "stood apart by +0.5" in apart
    spread = np.full(30, 0.05)
    spread[7] = 0.4
    assert "spread over 0.40 mm, usual are 0.05 mm" in drift_text("x", judged(0.0, spread))[0]


def test_drift_and_steadiness_in_words() -> None:
    """A rate with its interval; a steady axis says over how many homings; too few say so."""
    lines = drift_text("x", judged(0.05 * ROWS))
    assert re.match(r"axis x: drifts by \+0\.0\d+ mm a day \(\+0\.0\d+ to \+0\.0\d+\)", lines[0])
    assert drift_text("x", judged(0.0))[0].startswith("axis x: steady over 30 homings, scatter 0.0")
    few = judge_history(History.of([1.0], [0.0], [0.1], [4]), belt_pitch_mm=3.0)
    assert few.finding is Finding.TOO_FEW
    assert drift_text("x", few) == ("axis x: 1 homing is too few to tell drift from scatter",)


def test_what_the_traps_allow_in_words() -> None:
    """Used of allowed; how long the rest lasts where something drifts; and a warning beyond."""
    assert allowance_text(Allowance(1.4, 3.0, 32.0, 27.5)) == (
        "drift 1.4 mm of the 3.0 mm that the traps allow; at this rate the rest lasts 32 days (at least 28)"
    )
    assert (
        allowance_text(Allowance(0.0, 3.0, np.inf, 400.0))
        == "drift 0.0 mm of the 3.0 mm that the traps allow"
    )
    assert allowance_text(Allowance(3.2, 3.0, 0.0, 0.0)).endswith(
        "canvas may show between passes before and after"
    )
    found = allowance(judged(0.05 * ROWS), judged(0.0), allowed_mm=3.0)
    assert re.match(r"drift 1\.[45] mm of the 3\.0 mm that the traps allow; ", allowance_text(found))


@pytest.mark.parametrize("value", [-0.001, 0.001])
def test_nothing_reads_as_minus_nothing(value: float) -> None:
    """What rounds to nothing has a plus."""
    found = register_marks(NINE, NINE + value, size_mm=SIZE)
    assert isinstance(found, Registration)
    assert "-0.00 " not in registration_text(found)[1]
