"""Readings: what is taken, what is refused and in which words, and values held against closed forms."""

from __future__ import annotations

import functools
import math
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.calibrate.readings import (
    NonsenseError,
    Reading,
    answers_from,
    ask,
    mean_of,
    measured_from,
    parse,
)
from controller.calibrate.readings_frame import ask_sag, sag, sag_from
from controller.calibrate.sheets.catalogue import make_sheet
from controller.calibrate.sheets.page import Question, Record
from controller.calibrate.values import PoorFit
from controller.config.errors import InputError
from controller.config.load import load_machine
from controller.config.places import shipped

TOOTH = Question(
    key="x1", words="comb X1", unit="mm", kind="tooth", least=-0.3, most=1.7, step=0.05, resolution=0.025,
    optional=True,
)  # fmt: skip
TAPE = Question(
    key="AD", words="A to D", unit="mm", kind="number", least=3000.0, most=3100.0, resolution=0.25
)


@functools.cache
def record_of(name: str) -> Record:
    """What is kept beside a sheet for the boathouse gantry."""
    return make_sheet(name, load_machine(shipped("machines/boathouse.toml"))).record


@pytest.mark.parametrize(
    ("question", "words", "value", "half"),
    [
        (TOOTH, "0.35", 0.35, 0.0),
        (TOOTH, " 0,35 mm ", 0.35, 0.0),
        (TOOTH, "-0.1", -0.1, 0.0),
        (TOOTH, "0.3 to 0.4", 0.35, 0.05),
        (TAPE, "3041.75", 3041.75, 0.0),
    ],
)
def test_answers_are_read(question: Question, words: str, value: float, half: float) -> None:
    """Numbers with a point or a comma, with or without their unit; two teeth that look alike are their middle."""
    found = parse(question, words)
    assert found is not None
    assert (found.value, found.half_width) == (pytest.approx(value), pytest.approx(half))


@pytest.mark.parametrize(
    ("question", "words", "told"),
    [
        (
            TOOTH,
            "a few",
            'a number in mm or two with "to" between, or "?" where it cannot be read, got \'a few\'',
        ),
        (TOOTH, "", "a number in mm"),
        (TOOTH, "1.75", "-0.3 to 1.7 mm, which is all that the sheet has, got 1.75"),
        (TOOTH, "0.37", "a mark of the scale, every 0.05 mm, such as 0.35 or 0.4, got 0.37"),
        (TOOTH, "0.4 to 0.3", "the lower one first"),
        (TOOTH, "nan", "a number in mm"),
        (TOOTH, "1e2", "a number in mm"),
        (TAPE, "304.1", "3000 to 3100 mm"),
        (TAPE, "?", "a number, as nothing follows without this one"),
        (TAPE, "3040 to 3041", "a number in mm, got"),
    ],
)
def test_nonsense_is_refused_in_words(question: Question, words: str, told: str) -> None:
    """What cannot have been read is refused with what was expected and what came."""
    with pytest.raises(NonsenseError) as caught:
        parse(question, words)
    assert told in str(caught.value)


def test_every_tooth_can_be_said() -> None:
    """Each label of a comb is taken as itself."""
    for number in range(-6, 35):
        found = parse(TOOTH, f"{number * 0.05:.2f}")
        assert found is not None
        assert found.value == pytest.approx(number * 0.05, abs=1e-12)


def test_a_prompt_asks_until_it_makes_sense() -> None:
    """A wrong answer is told and asked again; what cannot be read is left out; repeats are kept apart."""
    record = record_of("play")
    typed = iter(["many", "0.1", "?", "0.2", "?", "?", "?", *["0.15"] * 6])
    shown: list[str] = []
    told: list[str] = []

    def answer(words: str) -> str:
        shown.append(words)
        return next(typed)

    answers = ask(record, answer, told.append, repeats=2)
    assert [one.value for one in answers["x1"]] == pytest.approx([0.1, 0.15])
    assert [one.value for one in answers["x2"]] == pytest.approx([0.15])
    assert [one.value for one in answers["x3"]] == pytest.approx([0.2, 0.15])
    assert len(told) == 1
    assert "reading 1 of 2" in shown[0]


def test_means_have_student_s_interval() -> None:
    """Of five readings t(0.975; 4) s / sqrt(n), t = 2.776 (a table's, from memory), the scale's share by squares."""
    values = [10.1, 10.3, 9.9, 10.2, 10.0]
    mean, half = mean_of([Reading(one) for one in values], 0.05)
    student = 2.776 * float(np.std(values, ddof=1)) / math.sqrt(5.0)
    assert mean == pytest.approx(10.1)
    assert half == pytest.approx(math.hypot(student, 0.05), rel=1e-3)
    assert mean_of([Reading(1.0)], 0.05) == (1.0, 0.05)
    assert mean_of([Reading(1.0, 0.2)], 0.05) == (1.0, 0.2)


def answered(record: Record, given: dict[str, Any]) -> Any:
    """The values from a table of answers."""
    return measured_from(record, answers_from(record, given, Path("answers.toml")))


def test_play_is_a_number_or_a_table() -> None:
    """Places that agree give one number, others a table; what the file states counts; an unread axis is left out."""
    record = record_of("play")
    (found,) = answered(record, {"x1": "0.1", "x2": "0.15", "x3": "0.1"})
    assert (found.field, found.value) == ("axes.x.play_mm", pytest.approx(0.25 + 0.35 / 3.0, abs=1e-3))
    (found,) = answered(record, {"x1": "0.1", "x2": "0.5", "x3": "?"})
    assert found.field == "axes.x.play_table"
    assert found.value["play_mm"] == pytest.approx((0.35, 0.75))
    assert found.value["position_mm"] == pytest.approx(record.of("x_place_mm")[:2], abs=1e-3)
    with pytest.raises(PoorFit, match="within the comb"):
        answered(record, {"x1": "1.7"})
    with pytest.raises(PoorFit, match="one comb or more"):
        answered(record, {"x1": "?"})
    less = record.model_copy(update={"figures": record.figures | {"x_stated_mm": (0.1, 0.1, 0.1)}})
    with pytest.raises(PoorFit, match="a gap from 0"):
        answered(less, {"x1": "-0.25"})


@given(q=st.floats(-9.0, 9.0), tape=st.floats(0.998, 1.002))
def test_diagonals_give_the_shear(q: float, tape: float) -> None:
    """Corners sheared by q, measured with a tape that is 2 mm a metre wrong: q to 0.5 % of itself."""
    record = record_of("square")
    width, height = record.of("size_mm")
    shear = 1e-3 * q * height
    answers = {
        "AD": [Reading(math.hypot(width + shear, height) * tape)],
        "BC": [Reading(math.hypot(width - shear, height) * tape)],
    }
    (found,) = measured_from(record, answers)
    assert found.value == pytest.approx(q, abs=0.005 * abs(q) + 1e-3)


def test_diagonals_of_other_crosses_are_refused() -> None:
    """Both diagonals too long by the tape's first 100 mm are no squareness."""
    record = record_of("square")
    nominal = math.hypot(*record.of("size_mm"))
    with pytest.raises(PoorFit, match="first 100 mm of the tape"):
        measured_from(record, {key: [Reading(nominal + 100.0)] for key in ("AD", "BC")})


def test_lengths_by_layings_of_the_tape() -> None:
    """Each laying counts from its own first line; errors come out where they are; a slip is named."""
    record = record_of("lengths")
    nominal = {axis: np.array(record.of(f"{axis}_nominal_mm")) for axis in ("x", "y")}
    given = {
        f"{axis}{number}": [f"{100.0 + mm * 1.002:.2f}", f"{250.0 + mm * 1.002:.2f}"]
        for axis, ticks in nominal.items()
        for number, mm in enumerate(ticks.tolist())
    }
    for found in answered(record, given):
        axis = found.field.split(".")[1]
        places, limits = (np.array(record.of(f"{axis}_{name}_mm")) for name in ("place", "limits"))
        wanted = 0.002 * (np.array([limits[0], *places, limits[1]]) - places[0])
        np.testing.assert_allclose(found.value["position_mm"], [limits[0], *places, limits[1]], atol=1e-3)
        np.testing.assert_allclose(found.value["error_mm"], wanted, atol=0.011)
    given["x3"] = [f"{100.0 + 754.0:.2f}", f"{250.0 + 754.0:.2f}"]
    with pytest.raises(PoorFit, match="a slip in reading"):
        answered(record, given)
    given["x3"] = given["x3"][:1]
    with pytest.raises(PoorFit, match="every tick read"):
        answered(record, given)


def test_circles_part_shear_and_lag() -> None:
    """An ellipse by shear is the same both ways, one by lag is not: both come out."""
    record = record_of("circles")
    (speed,) = record.of("speed_mm_s")
    q, lag = 2.0e-3, 4.0e-3
    answers = {}
    for name, radius, way in zip(("clockwise", "against"), record.of("radius_mm"), (1.0, -1.0), strict=True):
        angle = way * np.linspace(0.0, 2.0 * np.pi, 200_001)
        x0 = radius * np.cos(angle - way * speed / radius * lag)
        y = radius * np.sin(angle)
        x = x0 + q * y
        for deg in (45, 135):
            along = x * math.cos(math.radians(deg)) + y * math.sin(math.radians(deg))
            across = -x * math.sin(math.radians(deg)) + y * math.cos(math.radians(deg))
            answers[f"{name}{deg}"] = [Reading(2.0 * float(along[np.abs(across) < 0.02].max()))]
    (found,) = measured_from(record, answers)
    assert found.value == pytest.approx(2.0, abs=0.1)
    assert "x lags y by +4.0 ms" in found.note


def test_waves_give_the_belt() -> None:
    """Waves of a damped swing drawn at 100 mm/s: frequency and damping of the swing."""
    record = record_of("waves")
    f, zeta, n = 9.0, 0.04, 4
    damped = f * math.sqrt(1.0 - zeta**2)
    fall = math.exp(-n * 2.0 * math.pi * zeta / math.sqrt(1.0 - zeta**2))
    given = {
        "x1v": 100,
        "x1n": n,
        "x1l": round(100.0 * n / damped, 2),
        "x1a": 0.8,
        "x1b": round(0.8 * fall, 3),
    }
    (found,) = answered(record, given)
    assert found.field == "axes.x.belt"
    assert found.value["frequency_hz"] == pytest.approx((f,), rel=2e-3)
    assert found.value["damping"] == pytest.approx(zeta, abs=1e-3)


def test_ladders_give_widths_and_wear() -> None:
    """The first pair with canvas between is half a step above the width; a curve that rises, small falls evened out."""
    (found,) = answered(record_of("tip"), {"width": "1.1"})
    assert (found.field, found.value) == ("job.tip_mm", pytest.approx(1.075))
    (found,) = answered(record_of("dots"), {"row1": "3.2", "row2": "8.2"})
    assert found.value == pytest.approx(1.15)
    record = record_of("wear")
    given = {"ladder0": "1.05", "ladder1": "1.2", "ladder2": "1.15", "ladder3": "1.4", "ladder4": "1.5"}
    (found,) = answered(record, given)
    assert found.value["metres"] == pytest.approx((0.0, *record.of("metres")[1:]), abs=1e-3)
    assert found.value["width_mm"] == pytest.approx((1.025, 1.15, 1.15, 1.375, 1.475))
    with pytest.raises(PoorFit, match="another pen"):
        answered(record, given | {"ladder3": "1.05"})


def test_lean_and_dry_out() -> None:
    """Lean is half of how much earlier ends part; a pen is primed by the longest wait that it has borne."""
    record = record_of("pen")
    lean, landing = answered(record, {"xe": "0.4", "xs": "1.1", "ye": "1.0", "ys": "1.1", "xl": "0.2"})
    assert lean.value == pytest.approx((0.35, 0.05))
    assert landing.value == pytest.approx((0.2, 0.0))
    with pytest.raises(PoorFit, match="made up for too much"):
        answered(record, {"xe": "1.3", "xs": "1.0"})
    record = record_of("dry")
    missing = {"missing0": 0, "missing1": 0.5, "missing2": 1, "missing3": 14, "missing4": 200}
    (found,) = answered(record, missing)
    assert (found.value, found.half_width) == (120.0, 180.0)
    with pytest.raises(PoorFit, match="shorter waits"):
        answered(record, missing | {"missing1": 9})


def test_register_by_place_and_in_the_mean() -> None:
    """Offsets by place, those that were read; their mean and how far they lie apart are noted; none is refused."""
    record = record_of("register")
    right, down = answered(record, {"place1x": "0.2", "place4x": "0,4", "place6x": "?", "place2y": "-0.1"})
    assert (right.field, right.value) == ("register.x_off", {"place": (1.0, 4.0), "right_mm": (0.2, 0.4)})
    assert right.note == "+0.30 mm to the right in the mean, places apart by 0.20 mm"
    assert (down.value, down.half_width, down.n) == ({"place": (2.0,), "down_mm": (-0.1,)}, 0.05, 1)
    with pytest.raises(PoorFit, match="one place or more"):
        answered(record, {})


def test_sag_by_wire_and_by_level() -> None:
    """A parabola of 2 mm: by a wire that hangs itself, and by slopes; the line through the ends falls out."""
    places = np.linspace(100.0, 3300.0, 9)
    share = (places - places[0]) / 3200.0
    true = 2.0 * 4.0 * share * (1.0 - share)
    seen = 12.0 + true + 1.5 * share - 4.0 * 0.4 * share * (1.0 - share)
    (wire,) = sag("wire", places, [[one, one] for one in seen], resolution=0.05, wire_sag_mm=0.4)
    np.testing.assert_allclose(wire.value["drop_mm"], true, atol=1e-3)
    slopes = np.diff(true + 1.5 * share) / np.diff(places) * 1000.0
    (level,) = sag("level", places, [[one] for one in slopes], resolution=0.02)
    np.testing.assert_allclose(level.value["drop_mm"], true, atol=1e-3)
    assert "lowest at 1700 mm" in level.note
    assert level.half_width == pytest.approx(
        0.02 * 0.4 * math.sqrt(2.0), rel=1e-6
    )  # sqrt(n m / (n + m)) of 8 slopes


@pytest.mark.parametrize(
    ("given", "told"),
    [
        ({"kind": "wire", "places_mm": [0, 1000], "readings": [1, 1]}, "three places"),
        ({"kind": "wire", "places_mm": [0, 2000, 1000], "readings": [1, 1, 1]}, "that rise"),
        ({"kind": "level", "places_mm": [0, 1000, 2000], "readings": [1, 1, 1]}, "2 gaps"),
        ({"kind": "wire", "places_mm": [0, 100, 200], "readings": [1, 10, 1]}, "a slip in reading"),
    ],
)
def test_sag_that_cannot_be_is_refused(given: dict[str, Any], told: str) -> None:
    """Too few places, places that fall, a reading too many, a step in the rail."""
    with pytest.raises(PoorFit, match=told):
        sag_from(given, Path("rail.toml"))


def test_sag_s_table_and_prompt() -> None:
    """A table that is none is refused as input; the prompt asks again and ends with an empty line."""
    with pytest.raises(InputError, match="kind"):
        sag_from({"kind": "eye", "places_mm": [0], "readings": [1]}, Path("rail.toml"))
    typed = iter(["eye", "level", "100 0.5", "1700 -0.5", "1600 2", "3300", ""])
    told: list[str] = []
    (found,) = ask_sag(lambda _words: next(typed), told.append)
    assert found.value["drop_mm"] == pytest.approx((0.0, 0.8, 0.0))
    assert any("expected wire or level" in one for one in told)
    assert any("above 1700" in one for one in told)
