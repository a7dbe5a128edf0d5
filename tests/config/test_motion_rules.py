"""What motion is told of belts, play, tables, plane and pen: every rule has a file it refuses, and one it takes."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import pytest

from controller.config.errors import InputError, Mistake
from controller.config.load import machine_from, read_toml
from controller.config.machine import Machine
from controller.config.places import shipped

FILE = Path("machine.toml")


def put(data: dict[str, Any], path: str, value: object) -> None:
    """Set the value at a dotted path, its tables made where they are missing."""
    *tables, last = path.split(".")
    for name in tables:
        data = data.setdefault(name, {})
    data[last] = value


def table(position_mm: list[Any], **column: list[Any]) -> dict[str, list[Any]]:
    return {"position_mm": position_mm, **column}


def mistakes(data: dict[str, Any]) -> dict[str, Mistake]:
    """Mistakes by place, of a file that must be refused."""
    with pytest.raises(InputError) as caught:
        machine_from(data, FILE)
    return {one.where: one for one in caught.value.mistakes}


REFUSED: list[tuple[str, object, str, str, str]] = [
    # path, value, place named, words of what was expected, of what came
    (
        "axes.x.length_table",
        table([0.0, 1000.0], error_mm=[0.0]),
        "axes.x.length_table.error_mm",
        "as many numbers as position_mm has (2)",
        "1",
    ),
    (
        "axes.y.play_table",
        table([0.0], play_mm=[0.1, 0.2]),
        "axes.y.play_table.play_mm",
        "as many numbers as position_mm has (1)",
        "2",
    ),
    (
        "axes.x.belt",
        table([0.0, 5.0], frequency_hz=[9.0]),
        "axes.x.belt.frequency_hz",
        "as many numbers as position_mm has (2)",
        "1",
    ),
    (
        "geometry.sag",
        table([0.0, 5.0], drop_mm=[0.0, 0.0, 0.0]),
        "geometry.sag.drop_mm",
        "as many numbers as position_mm has (2)",
        "3",
    ),
    (
        "axes.x.length_table",
        table([0.0, 500.0, 500.0], error_mm=[0.0, 0.1, 0.1]),
        "axes.x.length_table.position_mm",
        "places that rise, by 0.001 mm or more",
        "500 after 500",
    ),
    (
        "axes.x.play_table",
        table([700.0, 100.0], play_mm=[0.2, 0.2]),
        "axes.x.play_table.position_mm",
        "places that rise, by 0.001 mm or more",
        "100 after 700",
    ),
    (
        "axes.y.belt",
        table([0.0, 0.0005], frequency_hz=[9.0, 9.0]),
        "axes.y.belt.position_mm",
        "places that rise, by 0.001 mm or more",
        "0.0005 after 0",
    ),
    (
        "geometry.sag",
        table([0.0, -1.0], drop_mm=[0.0, 0.0]),
        "geometry.sag.position_mm",
        "places that rise, by 0.001 mm or more",
        "-1 after 0",
    ),
    (
        "geometry.sag",
        table([0.0, 3.4e6], drop_mm=[0.0, 0.0]),
        "geometry.sag.position_mm",
        "places within 100000 mm of zero",
        "3.4e+06",
    ),
    (  # true places in place of errors: the slip that this rule is for
        "axes.x.length_table",
        table([0.0, 1000.0, 2000.0], error_mm=[0.0, 1000.3, 2000.9]),
        "axes.x.length_table.error_mm",
        "a change of at most 10 mm a metre along position_mm",
        "1000 mm a metre between 0 and 1000 mm",
    ),
    (
        "axes.y.length_table",
        table([0.0, 1000.0, 1100.0], error_mm=[0.0, 0.0, -1.01]),
        "axes.y.length_table.error_mm",
        "a change of at most 10 mm a metre along position_mm",
        "-10.1 mm a metre between 1000 and 1100 mm",
    ),
    (
        "axes.x.play_table",
        table([0.0, 10.0], play_mm=[0.0, 0.2]),
        "axes.x.play_table.play_mm",
        "a change of at most 10 mm a metre along position_mm",
        "20 mm a metre between 0 and 10 mm",
    ),
    (
        "geometry.sag",
        table([0.0, 100.0], drop_mm=[0.0, 2.1]),
        "geometry.sag.drop_mm",
        "a change of at most 20 mm a metre along position_mm",
        "21 mm a metre between 0 and 100 mm",
    ),
    ("geometry.squareness_mm_m", 20.5, "geometry.squareness_mm_m", "between -20 and 20", "20.5"),
    ("geometry.squareness_mm_m", -90.0, "geometry.squareness_mm_m", "between -20 and 20", "-90"),
    (
        "axes.x.belt",
        table([0.0], frequency_hz=[0.5]),
        "axes.x.belt.frequency_hz",
        "at least 1 Hz",
        "0.5",
    ),
    (  # a tick of 4 ms: 1 / (4 x 0.004 s) = 62.5 Hz
        "axes.y.belt",
        table([0.0, 100.0], frequency_hz=[30.0, 63.0]),
        "axes.y.belt.frequency_hz",
        "at most 62.5 Hz, 4 ticks a period (leave a stiffer belt out)",
        "63",
    ),
    ("axes.x.latency_ms", 2000.0, "axes.x.latency_ms", "at most 200 ms", "2000"),
    ("axes.y.loop_lag_ms", 201.0, "axes.y.loop_lag_ms", "at most 200 ms", "201"),
    ("pen.lean_mm", [0.1, 2.5], "pen.lean_mm", "at most 2 mm", "[0.1, 2.5]"),
    ("pen.landing_mm", [-5.5, 0.0], "pen.landing_mm", "at most 5 mm either way", "[-5.5, 0]"),
    (
        "motion.reversal_error_mm",
        0.001,
        "motion.reversal_error_mm",
        "at least 0.005 (for less, strokes would nearly stand still)",
        "0.001",
    ),
    ("motion.corner_tolerance_mm", 50.0, "motion.corner_tolerance_mm", "at most 5", "50"),
    (
        "motion.jerk_mm_s3",
        1999.0,
        "motion.jerk_mm_s3",
        "at least 2000: acceleration_mm_s2 is built up within a second",
        "1999",
    ),
    # The canvas is 200 to 3200 by 150 to 2050 in machine mm; the axes reach 20 to 3380 by 20 to 2180.
    (
        "axes.x.length_table",
        table([0.0], error_mm=[181.0]),
        "canvas",
        "to lie within axes.x, 20.0 to 3380.0 mm",
        "19 to 3019 mm on that axis",
    ),
    (
        "geometry.sag",
        table([1000.0, 1700.0, 8000.0], drop_mm=[120.0, 131.0, 120.0]),
        "canvas",
        "to lie within axes.y, 20.0 to 2180.0 mm",
        "19 to 1930 mm on that axis",  # 1930: where the drop is least, 120 at x up to 1000
    ),
]

TAKEN: list[tuple[str, object]] = [
    ("axes.x.length_table", table([0.0, 1000.0, 1100.0], error_mm=[0.0, 10.0, 9.0])),
    ("axes.x.length_table", table([5.0], error_mm=[0.3])),
    ("axes.y.length_table", table([0.0], error_mm=[129.9])),
    ("axes.x.play_table", table([0.0, 3000.0], play_mm=[0.0, 0.8])),
    ("axes.y.belt", table([0, 2200], frequency_hz=[1.0, 62.5], damping=0.05)),
    ("geometry.sag", table([0.0, 1700.0, 3400.0], drop_mm=[0.0, -34.0, 0.0])),
    ("geometry.squareness_mm_m", -20.0),
    ("axes.x.latency_ms", 200.0),
    ("pen.lean_mm", [0.0, 2.0]),
    ("pen.landing_mm", [-5.0, 5.0]),
    ("motion.reversal_error_mm", 0.005),
    ("motion.corner_tolerance_mm", 5.0),
    ("motion.jerk_mm_s3", 2000.0),
    ("motion.corners", "round"),
    ("motion.travel_shaping", "zvd"),
]

ids = [f"{index}-{one[0]}" for index, one in enumerate(REFUSED)]


@pytest.mark.parametrize(("path", "value", "where", "expected", "got"), REFUSED, ids=ids)
def test_refused_with_one_clear_message(
    machine_data: dict[str, Any], path: str, value: object, where: str, expected: str, got: str
) -> None:
    """Each slip is one mistake that names the field, what was expected and what stands there."""
    put(machine_data, path, value)
    found = mistakes(machine_data)
    assert set(found) == {where}
    assert (found[where].expected, found[where].got) == (expected, got)


@pytest.mark.parametrize(("path", "value", "where", "expected", "got"), REFUSED, ids=ids)
def test_refused_beside_bad_fields(
    machine_data: dict[str, Any], path: str, value: object, where: str, expected: str, got: str
) -> None:
    """A bad field elsewhere hides none of them."""
    put(machine_data, path, value)
    machine_data["twin"]["seed"] = "seven"
    found = mistakes(machine_data)
    assert set(found) == {where, "twin.seed"}
    assert (found[where].expected, found[where].got) == (expected, got)


@pytest.mark.parametrize(("path", "value"), TAKEN, ids=[one[0] for one in TAKEN])
def test_taken_at_the_bound(machine_data: dict[str, Any], path: str, value: object) -> None:
    """What is just within a rule is taken."""
    put(machine_data, path, value)
    assert isinstance(machine_from(machine_data, FILE), Machine)


FIELDS: list[tuple[str, object, str, str]] = [
    # what a single field refuses: path, value, place named, words
    ("axes.x.play_table", table([0.0], play_mm=[-0.1]), "axes.x.play_table.play_mm[#1]", "at least 0"),
    ("axes.x.play_table", table([], play_mm=[]), "axes.x.play_table.position_mm", "1"),
    ("axes.x.belt", table([0.0], frequency_hz=[0.0]), "axes.x.belt.frequency_hz[#1]", "0"),
    ("axes.x.belt", {**table([0.0], frequency_hz=[9.0]), "damping": 1.0}, "axes.x.belt.damping", "below 1"),
    ("axes.x.belt", {"position_mm": [0.0]}, "axes.x.belt.frequency_hz", ""),
    ("axes.x.length_table", table([0.0], errors_mm=[0.0]), "axes.x.length_table.errors_mm", "error_mm"),
    (
        "axes.x.length_table",
        table([0.0], error_mm=[float("nan")]),
        "axes.x.length_table.error_mm[#1]",
        "finite",
    ),
    ("geometry.sag", [[0.0, 0.0]], "geometry.sag", "table"),
    ("pen.lean_mm", [-0.1, 0.0], "pen.lean_mm[#1]", "at least 0"),
    ("pen.lean_mm", 0.1, "pen.lean_mm", "list"),
    ("motion.jerk_mm_s3", 0.0, "motion.jerk_mm_s3", "0"),
    ("motion.reversal_error_mm", -0.05, "motion.reversal_error_mm", "0"),
    ("motion.corners", "cut", "motion.corners", "stop"),
    ("motion.travel_shaping", "zvdd", "motion.travel_shaping", "zvd"),
    ("axes.x.latency_ms", -1.0, "axes.x.latency_ms", "at least 0"),
]


@pytest.mark.parametrize(("path", "value", "where", "words"), FIELDS, ids=[one[2] for one in FIELDS])
def test_fields_refuse_by_themselves(
    machine_data: dict[str, Any], path: str, value: object, where: str, words: str
) -> None:
    """Negative play, no places, damping of 1, unknown words and the like are refused at their field."""
    put(machine_data, path, value)
    found = mistakes(machine_data)
    assert where in found
    assert words in found[where].expected


def test_a_bad_table_hides_no_other(machine_data: dict[str, Any]) -> None:
    """Mistakes in several tables, and one within a table that is also bad elsewhere, are told at once."""
    put(machine_data, "axes.x.length_table", table([0.0, 0.0], error_mm=[0.0, 1.0]))
    put(machine_data, "axes.y.length_table", table([0.0, 1.0], error_mm=["a", 1.0]))
    put(machine_data, "axes.y.belt", table([0.0], frequency_hz=[0.2, 0.2]))
    put(machine_data, "geometry.sag", table([0.0, 1.0], drop_mm=[0.0, 1.0]))
    assert set(mistakes(machine_data)) == {
        "axes.x.length_table.position_mm",
        "axes.y.length_table.error_mm[#1]",
        "axes.y.belt.frequency_hz",
        "geometry.sag.drop_mm",
    }


def test_tables_that_do_not_hold_are_not_reckoned_with(machine_data: dict[str, Any]) -> None:
    """A table that is refused says nothing of the canvas: no second, misleading message."""
    put(machine_data, "axes.x.length_table", table([0.0, 0.0], error_mm=[5000.0, 5000.0]))
    put(machine_data, "geometry.sag", table([0.0], drop_mm=[5000.0, 1.0]))
    assert set(mistakes(machine_data)) == {"axes.x.length_table.position_mm", "geometry.sag.drop_mm"}
    put(machine_data, "axes.x.length_table", table([0.0, 2000.0], error_mm=[0.0, -2000.0]))
    put(machine_data, "geometry", {})
    assert set(mistakes(machine_data)) == {"axes.x.length_table.error_mm"}


def test_squareness_carries_the_canvas_out_of_reach(machine_data: dict[str, Any]) -> None:
    """A canvas that reaches the soft limits is refused once the axes lean: 15 mm a metre at y = 2050 is 30.75 mm."""
    put(machine_data, "canvas.size_mm", [3180.0, 1900.0])
    machine_from(machine_data, FILE)
    put(machine_data, "geometry.squareness_mm_m", -15.0)
    assert mistakes(machine_data)["canvas"].got == "202.25 to 3410.75 mm on that axis"


def test_one_axis_bad_leaves_the_other_known(machine_data: dict[str, Any]) -> None:
    """Without a sag the y axis' reach does not depend on the x axis, whatever is wrong there."""
    put(machine_data, "axes.x.length_table", "none")
    put(machine_data, "canvas.origin_mm", [200.0, 300.0])
    assert set(mistakes(machine_data)) == {"axes.x.length_table", "canvas"}


def test_the_templates_optional_parts_hold(tmp_path: Path) -> None:
    """With the comment signs of the template's last part taken away, the file holds and uses every optional part."""
    text = shipped("machines/template-slcan.toml").read_text(encoding="utf-8")
    start = text.index("# What measurements say")
    lines = [re.sub(r"^# (?=\[|[a-z_]+ = )", "", line) for line in text[start:].splitlines()]
    path = tmp_path / "machine.toml"
    path.write_text(text[:start] + "\n".join(lines), encoding="utf-8")
    machine = machine_from(read_toml(path), path)
    x = machine.axes["x"]
    assert None not in (x.play_table, x.belt, x.length_table, machine.geometry.sag)
    assert 0.0 not in (machine.geometry.squareness_mm_m, *machine.pen.lean_mm, machine.pen.landing_mm[1])


def test_largest_play_and_softest_belt(machine_data: dict[str, Any]) -> None:
    """The play of a table stands in place of play_mm; the softest place of a belt is what counts at worst."""
    put(machine_data, "axes.x.play_table", table([0.0, 1000.0, 2000.0], play_mm=[0.1, 0.7, 0.2]))
    put(machine_data, "axes.x.belt", table([0.0, 1000.0, 2000.0], frequency_hz=[20.0, 9.0, 12.0]))
    axes = machine_from(machine_data, FILE).axes
    assert (axes["x"].play_max_mm, axes["x"].belt_hz_min) == (0.7, 9.0)
    assert (axes["y"].play_max_mm, axes["y"].belt_hz_min) == (0.25, None)
