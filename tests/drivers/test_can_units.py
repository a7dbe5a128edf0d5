"""What a drive tells of its units, against the settings: agreement, contradiction, silence."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.can.group import CanDriveGroup
from drivers.can.units import Told, acceleration_unit, counts_a_turn, judge, velocity_unit
from drivers.clock import VirtualClock
from drivers.errors import FaultError
from drivers.twin.virtual import VirtualGantry
from tests.fakes.drive_settings import group_settings, twin_parameters

TURN = 324_000


@pytest.mark.parametrize(
    ("told", "unit"),
    [
        ({(0x60A9, 0): 0x00B4_4700}, TURN / 60),
        ({(0x60A9, 0): 0xFFB4_4700}, TURN / 600),
        ({(0x60A9, 0): 0xFDB4_4700}, TURN / 60_000),
        ({(0x60A9, 0): 0x00B4_0300}, TURN),
        ({(0x60A9, 0): 0x00B5_0300}, 1),
        ({(0x60A9, 0): 0xFDC0_0000}, TURN / 60_000),
        ({(0x6094, 1): 1000, (0x6094, 2): 10}, 100),
        ({(0x60A9, 0): 0x00B5_0300, (0x6094, 1): 7, (0x6094, 2): 1}, 1),
        ({(0x60A9, 0): 0}, None),
        ({(0x60A9, 0): 0x0012_3400}, None),
        ({(0x6094, 1): 5, (0x6094, 2): 0}, None),
        ({}, None),
    ],
)
def test_unit_of_velocity(told: Told, unit: float | None) -> None:
    """60A9h: turns a minute, tenths and thousandths of them, turns and increments a second; else 6094h, else silence.

    Codes from memory, as public drive manuals quote CiA 303-2.
    """
    found = velocity_unit(told, TURN)
    assert (None if found is None else float(found[0])) == (None if unit is None else pytest.approx(unit))


@pytest.mark.parametrize(
    ("told", "unit"),
    [
        ({(0x60AA, 0): 0x00C0_0300}, TURN / 60),
        ({(0x60AA, 0): 0x00B4_5700}, TURN),
        ({(0x60AA, 0): 0x03B5_5700}, 1000),
        ({(0x60AA, 0): 0x00B5_0300}, None),
        ({}, None),
    ],
)
def test_unit_of_acceleration(told: Told, unit: float | None) -> None:
    """60AAh: turns a minute in a second, turns and thousands of increments over seconds squared (from memory)."""
    found = acceleration_unit(told, TURN)
    assert (None if found is None else float(found[0])) == (None if unit is None else pytest.approx(unit))


def test_counts_of_a_turn() -> None:
    """608Fh alone; with 6092h the feed of a shaft turn over the gear of 6091h (CiA 402's formula by hand)."""
    encoder = {(0x608F, 1): 4 * TURN, (0x608F, 2): 4}
    assert counts_a_turn({}) is None
    assert counts_a_turn(encoder) == (TURN, "608Fh")
    feed = {**encoder, (0x6092, 1): 60_000, (0x6092, 2): 1, (0x6091, 1): 5, (0x6091, 2): 1}
    assert counts_a_turn(feed) == (12_000, "6092h and 6091h")


@given(st.integers(0, (1 << 32) - 1))
def test_any_code_is_a_unit_or_silence(code: int) -> None:
    """No code of a unit raises, and none gives zero or less."""
    for found in (velocity_unit({(0x60A9, 0): code}, TURN), acceleration_unit({(0x60AA, 0): code}, TURN)):
        assert found is None or found[0] > 0


def test_a_contradiction_names_both() -> None:
    """A drive in turns a minute whose settings say counts a second: the setting, what it says, what the drive tells."""
    drive = group_settings().axes["x"]
    (wrong,) = judge(drive, {(0x60A9, 0): 0x00B4_4700, (0x608F, 1): TURN, (0x608F, 2): 1}).wrong
    assert (wrong.setting, wrong.expected, wrong.told) == ("velocity_unit_counts_s", 1.0, TURN / 60)
    right = drive.model_copy(update={"velocity_unit_counts_s": TURN / 60})
    verdict = judge(right, {(0x60A9, 0): 0x00B4_4700})
    assert verdict.wrong == ()
    assert verdict.silent == ("counts_per_turn", "acceleration_unit_counts_s2")


def rig(change: dict[tuple[int, int], int]) -> CanDriveGroup:
    """A group on a simulated gantry whose y drive tells other units."""
    clock, settings = VirtualClock(), group_settings()
    gantry = VirtualGantry(settings, twin_parameters(), clock)
    for key, value in change.items():
        gantry.gantry.nodes[1].od.entries[key].value = value
    return CanDriveGroup(settings, gantry.link, clock)


def test_agreement_leaves_no_note() -> None:
    """A drive that tells what the settings say is taken without a word."""
    group = rig({})
    group.configure()
    assert group.notes == ()


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (
            {(0x608F, 1): 65_536},
            r"axis y \(node 2\).*counts_per_turn.*65536, by 608Fh.*324000 in the settings",
        ),
        ({(0x60A9, 0): 0xFDB4_4700}, r"velocity_unit_counts_s.*5\.4, by 60A9h = FDB44700h.*got 1 in"),
        ({(0x60AA, 0): 0x00C0_0300}, r"acceleration_unit_counts_s2.*5400, by 60AAh"),
    ],
)
def test_a_contradiction_is_refused(change, words: str) -> None:
    """A wrong unit is a wrong speed or a wrong quick stop: nothing is set up, axis and node are named."""
    with pytest.raises(FaultError, match=words):
        rig(change).configure()


def test_silence_is_accepted_and_told() -> None:
    """A drive that tells nothing is taken, and a note says that only a measurement can check it."""
    group = rig({(0x608F, 1): 0, (0x60A9, 0): 0, (0x60AA, 0): 0})
    group.configure()
    (note,) = group.notes
    assert "axis y (node 2)" in note
    assert "velocity_unit_counts_s" in note
