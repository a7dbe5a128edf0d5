"""Play by place, and the words for what a machine's motors cannot tell."""

from __future__ import annotations

import pytest

from controller.calibrate.identify_play import PlayAt, able, play_by_place, refuse_clamped, refuse_friction
from controller.calibrate.values import PoorFit
from controller.config.load import load_machine
from controller.config.places import shipped


def test_places_that_agree_become_one_value() -> None:
    """Differences within the readings' doubt are no table; the mean is better known than one reading."""
    found = play_by_place("x", [PlayAt(500, 0.42, 0.05), PlayAt(1500, 0.45, 0.05), PlayAt(2500, 0.44, 0.05)])
    assert found.field == "axes.x.play_mm"
    assert found.value == pytest.approx(0.437, abs=1e-3)
    assert found.half_width == pytest.approx(0.05 / 3**0.5, rel=1e-6)


def test_places_that_differ_become_a_table() -> None:
    """Twice what the readings could differ by: by place, in order, several readings at one place together."""
    readings = [
        PlayAt(2500, 0.8, 0.05),
        PlayAt(500, 0.3, 0.05),
        PlayAt(500, 0.34, 0.05),
        PlayAt(1500, 0.5, 0.05),
    ]
    found = play_by_place("y", readings)
    assert found.field == "axes.y.play_table"
    assert found.plain() == {"position_mm": [500.0, 1500.0, 2500.0], "play_mm": [0.32, 0.5, 0.8]}
    assert found.n == 4


@pytest.mark.parametrize(
    ("readings", "words"),
    [
        ([], "one place or more"),
        ([PlayAt(500, -0.2, 0.05)], "sign read the wrong way"),
        ([PlayAt(500, 12.0, 0.05)], "from 0 to 10 mm"),
        ([PlayAt(500, 0.2, 0.0)], "half width above 0"),
        ([PlayAt(500, float("nan"), 0.1)], "half width above 0"),
        ([PlayAt(500, 0.2, 0.05), PlayAt(510, 0.9, 0.05)], "10 mm a metre"),
    ],
)
def test_readings_that_make_no_play_are_refused(readings: list[PlayAt], words: str) -> None:
    """No reading, a wrong sign, nonsense, a slope that no machine file may have."""
    with pytest.raises(PoorFit, match=words):
        play_by_place("x", readings)


def test_a_hair_below_nothing_is_no_play() -> None:
    """Minus 0.02 known within 0.05 is none."""
    assert play_by_place("x", [PlayAt(500, -0.02, 0.05)]).value == 0.0


def test_what_cannot_be_told_is_said_in_words() -> None:
    """Friction and a clamped head: refused with the reason; with a belt stated, with the force that a mm would pull."""
    with pytest.raises(PoorFit, match="cannot tell"):
        refuse_friction()
    machine = load_machine(shipped("machines/reference-twin.toml"))
    # 14 kg at 10 Hz: 14 (2 pi 10)^2 = 55 270 N/m, by hand.
    with pytest.raises(PoorFit, match="x 55 N a mm"):
        refuse_clamped(machine)
    rows = able(machine)
    assert {row.can for row in rows} == {True, False, None}
    assert [row.what for row in rows if row.can is False] == ["play with the head clamped", "friction"]
