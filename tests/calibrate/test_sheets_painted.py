"""Sheets painted on gantries whose faults nobody told the planner, read as a person reads them: faults come back."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest

from controller.calibrate.readings import Reading, measured_from
from controller.calibrate.sheets.catalogue import make_sheet
from controller.calibrate.sheets.page import Record, Sheet
from controller.calibrate.values import Measured
from controller.config.machine import Machine
from tests.calibrate.painted import EYE_MM, Vector, machine_with, near, painted, ruled
from tests.calibrate.unattended import at_seam

ABOUT = 5
"""So many teeth to both sides of the one that should meet its fellow are painted; a reading farther off ends there."""


def teeth_about(sheet: Sheet, index: int, rest_mm: float) -> range:
    """The teeth of the comb of one axis about the one that ``rest_mm`` of play brings into line."""
    (step,) = sheet.record.of("step_mm")
    question = sheet.record.questions[index]
    middle, last = round((rest_mm - question.least) / step), round((question.most - question.least) / step)
    return range(max(middle - ABOUT, 0), min(middle + ABOUT, last) + 1)


def comb_readings(
    sheet: Sheet, machine: Machine, folder: Path, rest_mm: tuple[float, float], chance: np.random.Generator
) -> dict[str, list[Reading]]:
    """Both combs of a sheet with one place on each axis, painted about what is left of the play, and read."""
    count = len(sheet.inks[1].lines) // 4
    shown = [teeth_about(sheet, index, rest) for index, rest in enumerate(rest_mm)]
    take = [
        2 * count * index + row
        for index, teeth in enumerate(shown)
        for row in (*teeth, *(2 * count - 1 - one for one in reversed(teeth)))
    ]
    contacts = painted(sheet, machine, folder, "teeth", take)
    half = 2 * len(shown[0])
    return {
        "x1": [Reading(comb_reading(sheet, contacts[:half], 0, shown[0][0], chance))],
        "y1": [Reading(comb_reading(sheet, contacts[half:], 1, shown[1][0], chance))],
    }


def comb_reading(
    sheet: Sheet, contacts: list[Vector], index: int, lowest: int, chance: np.random.Generator
) -> float:
    """The label of the tooth that goes on straight: seen where two teeth meet, by nothing but where the paint lies.

    contacts: of one comb, the first row's teeth from the ``lowest`` up, then the second row's from the highest down.
    """
    (step,) = sheet.record.of("step_mm")
    question = sheet.record.questions[0]
    count = len(contacts) // 2
    first, second = contacts[:count], contacts[count:][::-1]
    seam = np.median([contact[-1, 1 - index] for contact in first])
    apart = []
    for upper, lower in zip(first, second, strict=True):
        a, b = (
            at_seam(near(one, 1 - index, seam + side * 1.0, seam + side * 6.0), index, seam)
            for one, side in ((upper, -1), (lower, 1))
        )
        apart.append(b - a + chance.uniform(-EYE_MM, EYE_MM))
    return question.least + step * (lowest + int(np.abs(apart).argmin()))


def one(found: tuple[Measured, ...], field: str) -> Any:
    """The value of the one measurement of a field."""
    (value,) = [measured.plain() for measured in found if measured.field == field]
    return value


TRUTHS = (
    ({"axes": {"loop_lag_ms": 30.0, "latency_ms": 4.0}, "x": {"play_mm": 0.23}, "y": {"play_mm": 1.47}}, 6.0),
    ({"axes": {"loop_lag_ms": 3.0}, "x": {"play_mm": 1.12}, "y": {"play_mm": 0.61},
      "pen_clearance_mm": [0.4, 0.4], "pen_landing_mm": [0.2, -0.1], "squareness_mm_m": 3.0}, 14.0),
)  # fmt: skip


@pytest.mark.parametrize(("truth", "belt_hz"), TRUTHS)
def test_combs_tell_the_play(truth: dict[str, Any], belt_hz: float, tmp_path: Path) -> None:
    """Play within 0.05 mm by both combs, whatever lag, belt, loose tip and squareness the gantry has besides."""
    belt = {"position_mm": [0.0], "frequency_hz": [belt_hz], "damping": 0.05}
    truth = truth | {"axes": truth["axes"] | {"belt": belt}}
    machine = machine_with(truth)
    most = max(truth[axis]["play_mm"] for axis in ("x", "y")) + 0.15
    sheet = make_sheet("play", machine, places=1, most_mm=round(most, 1))
    rest = (truth["x"]["play_mm"], truth["y"]["play_mm"])
    answers = comb_readings(sheet, machine, tmp_path, rest, np.random.default_rng(5))
    found = measured_from(sheet.record, answers)
    for axis in ("x", "y"):
        assert one(found, f"axes.{axis}.play_mm") == pytest.approx(truth[axis]["play_mm"], abs=0.05)


def test_a_comb_reads_what_the_file_leaves(tmp_path: Path) -> None:
    """Of a stated play the comb shows the rest, more or less than zero; stated and read together are the truth."""
    truth = {"axes": {"loop_lag_ms": 8.0}, "x": {"play_mm": 0.62}, "y": {"play_mm": 0.34}}
    machine = machine_with(truth, x={"play_mm": 0.5}, y={"play_mm": 0.5})
    sheet = make_sheet("play", machine, places=1, most_mm=0.4)
    answers = comb_readings(sheet, machine, tmp_path, (0.12, -0.16), np.random.default_rng(6))
    assert answers["x1"][0].value > 0.05
    assert answers["y1"][0].value < -0.05
    found = measured_from(sheet.record, answers)
    assert one(found, "axes.x.play_mm") == pytest.approx(0.62, abs=0.05)
    assert one(found, "axes.y.play_mm") == pytest.approx(0.34, abs=0.05)


@pytest.mark.parametrize("sign", [-1.0, 1.0])
def test_a_comb_reads_on_a_rail_that_sags_and_is_not_square(sign: float, tmp_path: Path) -> None:
    """Where the file states a frame that is crooked, as crooked as it is, a comb still tells the rest of the play with
    its sign: along no tooth has its axis to turn round."""
    frame = {
        "squareness_mm_m": 3.0 * sign,
        "sag": {"position_mm": [0.0, 3400.0], "drop_mm": [2.0 - 4.0 * sign, 2.0 + 4.0 * sign]},
    }
    truth = {"axes": {"loop_lag_ms": 8.0}, "x": {"play_mm": 0.56}, "y": {"play_mm": 0.56}} | frame
    lag = {"loop_lag_ms": 8.0}
    for stated_mm, rest_mm in ((0.5, 0.06), (0.62, -0.06)):
        play = {"play_mm": stated_mm} | lag
        machine = machine_with(truth, {"geometry": frame}, x=play, y=play)
        sheet = make_sheet("play", machine, places=1, most_mm=0.4, step_mm=0.02)
        chance = np.random.default_rng(7)
        answers = comb_readings(sheet, machine, tmp_path / str(stated_mm), (rest_mm, rest_mm), chance)
        for key in ("x1", "y1"):
            assert answers[key][0].value == pytest.approx(rest_mm, abs=0.025)


FRAME = {
    "axes": {"loop_lag_ms": 12.0, "play_mm": 0.9},
    "x": {"length_error": {"position_mm": [0.0, 1500.0, 3400.0], "error_mm": [0.0, 3.0, 2.2]}},
    "y": {"length_error": {"position_mm": [0.0, 2200.0], "error_mm": [1.0, -3.4]}},
    "squareness_mm_m": -2.7,
}


def test_diagonals_tell_squareness(tmp_path: Path) -> None:
    """Squareness within 0.1 mm a metre with a ruler, beside length errors and play, on top of what is stated."""
    machine = machine_with(FRAME, {"geometry": {"squareness_mm_m": -2.0}})
    sheet = make_sheet("square", machine)
    contacts = painted(sheet, machine, tmp_path, "crosses")
    centres = {}
    for name, upright, level in zip("ABCD", contacts[::2], contacts[1::2], strict=True):
        y = float(near(level, 0, upright[-1, 0] - 2.0, upright[-1, 0] + 2.0)[:, 1].mean())
        centres[name] = np.array([float(near(upright, 1, y - 2.0, y + 2.0)[:, 0].mean()), y])
    chance = np.random.default_rng(7)
    answers = {
        key: [Reading(ruled(float(np.hypot(*(centres[key[0]] - centres[key[1]]))), chance)) for _ in range(3)]
        for key in ("AD", "BC")
    }
    (found,) = measured_from(sheet.record, answers)
    assert found.value == pytest.approx(-2.7, abs=0.1)
    assert found.half_width is not None
    assert 0.02 < found.half_width < 0.4


def lengths_answers(
    record: Record, contacts: list[Vector], chance: np.random.Generator
) -> dict[str, list[Reading]]:
    """The tape laid along both rows of ticks, its 100 mm line near the first of each."""
    answers: dict[str, list[Reading]] = {}
    begin = 0
    for index, axis in enumerate(("x", "y")):
        count = len(record.of(f"{axis}_place_mm"))
        ticks = []
        for contact in contacts[begin : begin + count]:
            middle = contact[-1, 1 - index] - 10.0
            ticks.append(near(contact, 1 - index, middle - 2.0, middle + 2.0).mean(axis=0))
        along = [float(np.hypot(*(tick - ticks[0]))) for tick in ticks]
        for number, far in enumerate(along):
            answers[f"{axis}{number}"] = [Reading(ruled(100.3 + far, chance))]
        begin += count
    return answers


def test_a_tape_tells_lengths(tmp_path: Path) -> None:
    """Length tables within 0.1 mm of the truth, from their first tick on, in x on top of a table that is stated."""
    table = {"position_mm": [200.0, 1800.0, 3300.0], "error_mm": [0.5, 2.0, 2.0]}
    machine = machine_with(FRAME, x={"length_table": table})
    sheet = make_sheet("lengths", machine, every_mm=500.0, resolution_mm=0.05)
    contacts = painted(sheet, machine, tmp_path, "ticks")
    found = measured_from(sheet.record, lengths_answers(sheet.record, contacts, np.random.default_rng(8)))
    for axis in ("x", "y"):
        value = one(found, f"axes.{axis}.length_table")
        truth = FRAME[axis]["length_error"]  # type: ignore[index]
        ticks = sheet.record.of(f"{axis}_place_mm")
        true = np.interp(ticks, truth["position_mm"], truth["error_mm"])
        found_mm = np.interp(ticks, value["position_mm"], value["error_mm"])
        off = (found_mm - found_mm[0]) - (true - true[0])
        assert float(np.abs(off).max()) < 0.1 + 0.05


def test_line_ends_tell_the_lean_and_touches_the_landing(tmp_path: Path) -> None:
    """Lean and landing of a loose tip within 0.1 mm, play and belts being in the machine file."""
    truth = {"pen_clearance_mm": [0.35, 0.25], "pen_landing_mm": [0.2, -0.1]}
    known = {
        "play_mm": 0.8,
        "loop_lag_ms": 8.0,
        "latency_ms": 2.0,
        "belt": {"position_mm": [0.0], "frequency_hz": [10.0], "damping": 0.05},
    }
    machine = machine_with(truth, x=known, y=known)
    sheet = make_sheet("pen", machine)
    asked = {question.key: question for question in sheet.record.questions}
    pairs = round((asked["xe"].most - asked["xe"].least) / 0.1) + 1
    teeth = round((asked["xl"].most - asked["xl"].least) / asked["xl"].step) + 1
    # Of x alone, and of that the rows and teeth about where they part and meet; the ladders of both axes come first.
    rows, numbers = range(8, 20), range(teeth // 2 - 1, teeth // 2 + 9)
    take = [2 * (ladder * pairs + row) + side for ladder in (0, 1) for row in rows for side in (0, 1)]
    take += [8 * pairs + number for number in numbers]
    take += [8 * pairs + teeth + number for number in numbers]
    contacts = painted(sheet, machine, tmp_path, "strokes", take)
    (tip,) = sheet.record.of("tip_mm")
    answers: dict[str, list[Reading]] = {}
    for at in range(2 * len(rows)):
        key, row = ("xe", "xs")[at // len(rows)], rows[at % len(rows)]
        left, right = contacts[2 * at : 2 * at + 2]
        between = float(right[:, 0].min() - left[:, 0].max()) - tip
        if between > 0.0 and key not in answers:
            answers[key] = [Reading(asked[key].least + 0.1 * row)]
    apart = []
    landing = contacts[4 * len(rows) :]
    for tooth, touch in zip(landing[: len(numbers)], landing[len(numbers) :], strict=True):
        seam = tooth[-1, 1]
        line = near(tooth, 1, seam - 3.0, seam - 1.0)[:, 0].mean()
        apart.append(0.5 * (touch[:, 0].min() + touch[:, 0].max()) - line)
    answers["xl"] = [Reading(asked["xl"].least + asked["xl"].step * numbers[int(np.abs(apart).argmin())])]
    found = measured_from(sheet.record, answers)
    assert one(found, "pen.lean_mm") == pytest.approx([0.35, 0.0], abs=0.1)
    assert one(found, "pen.landing_mm") == pytest.approx([0.2, 0.0], abs=0.1)


def test_the_second_ink_is_read_off_the_first(tmp_path: Path) -> None:
    """Two passes that lie 0.34 mm right and 0.18 mm up of one another on a gantry out of square by 3 mm a metre, which
    nobody stated: read along arms, in both columns and rows of a place, the second ink's offset comes back."""
    true, chance = np.array([0.34, -0.18]), np.random.default_rng(4)
    machine = machine_with({"squareness_mm_m": 3.0})
    sheet = make_sheet("register", machine)
    cross: dict[tuple[str, int], Vector] = {}
    for ink, shift in (("first", np.zeros(2)), ("second", true)):
        contacts = painted(sheet, machine, tmp_path / ink, ink, range(4))
        for number, (upright, level) in enumerate(zip(contacts[::2], contacts[1::2], strict=True)):
            y = float(near(level, 0, upright[-1, 0] - 1.0, upright[-1, 0] + 1.0)[:, 1].mean())
            x = float(near(upright, 1, y - 1.0, y + 1.0)[:, 0].mean())
            cross[ink, number] = np.array([x, y]) + shift
    # The first ink's stand at the top left and the bottom right, the second's at the top right and the bottom left.
    columns = (cross["second", 0] - cross["first", 1], cross["second", 1] - cross["first", 0])
    rows = (cross["second", 0] - cross["first", 0], cross["second", 1] - cross["first", 1])
    assert abs(columns[0][0] - columns[1][0]) > 0.1  # what is not square shows in either
    answers = {
        "place1x": [Reading(float(np.mean([ruled(one[0], chance) for one in columns])))],
        "place1y": [Reading(float(np.mean([ruled(one[1], chance) for one in rows])))],
    }
    for found, wanted in zip(measured_from(sheet.record, answers), true, strict=True):
        assert isinstance(found.value, dict)
        ((off,),) = [part for name, part in found.value.items() if name.endswith("_mm")]
        assert abs(off - wanted) <= 0.05 + 0.01
        assert found.half_width == 0.05
