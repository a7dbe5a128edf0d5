"""Reading machine and job files: good ones load, bad ones are answered with every mistake."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from controller.config.errors import InputError, Mistake
from controller.config.load import job_from, kind_of, load_job, load_machine, machine_from, read_toml
from controller.config.places import shipped

FILE = Path("file.toml")
Spoil = Callable[[dict[str, Any]], object]


def mistakes_of(load: Callable[[], object]) -> dict[str, Mistake]:
    """Mistakes by where they are, of a load that must fail."""
    with pytest.raises(InputError) as caught:
        load()
    return {one.where: one for one in caught.value.mistakes}


def put(data: dict[str, Any], path: str, value: object) -> None:
    """Set the value at a dotted path."""
    *tables, last = path.split(".")
    for name in tables:
        data = data[name]
    data[last] = value


def at(data: dict[str, Any], path: str) -> Any:
    """The value at a dotted path."""
    for name in path.split("."):
        data = data[name]
    return data


@pytest.mark.parametrize("name", ["boathouse", "template-slcan"])
def test_shipped_machines_load(name: str) -> None:
    """Every machine file that we ship holds, and carries the name of its file."""
    assert load_machine(shipped(f"machines/{name}.toml")).name == name


def test_template_is_a_real_machine() -> None:
    """The template names real hardware: nothing in it is simulated."""
    machine = load_machine(shipped("machines/template-slcan.toml"))
    assert not machine.wire.is_simulated
    assert machine.twin is None


def test_job_loads(job_file: Path) -> None:
    """A good job file loads, its inks in the file's order."""
    assert [ink.name for ink in load_job(job_file).inks] == ["moon", "sea"]


def test_syntax_error_names_line_and_column(tmp_path: Path) -> None:
    """A TOML syntax error is answered with its line and column (TOML 1.0: a bare word is no value)."""
    path = tmp_path / "bad.toml"
    path.write_text("format = 1\nname = boathouse\n")
    (mistake,) = mistakes_of(lambda: load_machine(path)).values()
    assert mistake.where == "line 2, column 8"
    assert mistake.expected == "valid TOML"
    assert mistake.file == path


@pytest.mark.parametrize(
    ("content", "where", "expected"),
    [
        (b"name = 'caf\xe9'\n", "line 1", "UTF-8"),
        (b"\nformat = 1\n\xff\xfe", "line 3", "UTF-8"),
        (b"# " + b"x" * 1_100_000, "file", "bytes"),
        (b"x = " + b"9" * 5000, "file", "ordinary size"),
        (b"x = " + b"[" * 100_000, "file", "ordinary size"),
        (b"x = 1\nx = 2\n", "line 2, column 6", "valid TOML"),
        (b"x = 2026-02-31\n", "line 1, column 5", "valid TOML"),
    ],
    ids=["latin-1", "bytes", "huge", "digits", "brackets", "twice", "date"],
)
def test_unreadable_content_is_one_clear_mistake(
    tmp_path: Path, content: bytes, where: str, expected: str
) -> None:
    """Whatever bytes a file holds, the answer is a mistake with a place, never another exception."""
    path = tmp_path / "bad.toml"
    path.write_bytes(content)
    (mistake,) = mistakes_of(lambda: read_toml(path)).values()
    assert mistake.where == where
    assert expected in mistake.expected


def test_missing_file_and_folder(tmp_path: Path) -> None:
    """A path that is no readable file is a mistake that names the path."""
    for path in (tmp_path / "none.toml", tmp_path):
        (mistake,) = mistakes_of(lambda path=path: load_job(path)).values()
        assert mistake.file == path
        assert mistake.expected == "a file that can be read"


def test_byte_order_mark_is_harmless(tmp_path: Path) -> None:
    """An editor's byte order mark at the start does not spoil a file."""
    path = tmp_path / "marked.toml"
    path.write_bytes(b"\xef\xbb\xbfformat = 1\n")
    assert read_toml(path) == {"format": 1}


def test_every_mistake_at_once(machine_data: dict[str, Any]) -> None:
    """Wrong type, wrong size, missing, unknown and contradicting fields are all told in one answer."""
    put(machine_data, "axes.x.play_mm", -0.5)
    put(machine_data, "axes.y.max_mm", "2180")
    put(machine_data, "axes.y.drive.node_id", 1)
    put(machine_data, "canvas.origin_mm", [2000.0, 150.0])
    del machine_data["wire"]["bitrate_bit_s"]
    machine_data["head"]["colour"] = "red"
    found = mistakes_of(lambda: machine_from(machine_data, FILE))
    assert set(found) == {
        "axes.x.play_mm",
        "axes.y.max_mm",
        "axes.y.drive.node_id",
        "canvas",
        "wire.bitrate_bit_s",
        "head.colour",
    }
    assert (found["axes.x.play_mm"].expected, found["axes.x.play_mm"].got) == ("at least 0", "-0.5")
    assert (found["axes.y.max_mm"].expected, found["axes.y.max_mm"].got) == ("a number", '"2180"')
    assert found["wire.bitrate_bit_s"].got == "nothing"


def test_unknown_field_suggests_the_known_one(machine_data: dict[str, Any]) -> None:
    """A misspelled field is answered with the field that was probably meant."""
    machine_data["axes"]["x"]["paly_mm"] = machine_data["axes"]["x"].pop("play_mm")
    found = mistakes_of(lambda: machine_from(machine_data, FILE))
    assert "did you mean play_mm?" in found["axes.x.paly_mm"].expected


def test_unknown_field_without_likeness_lists_the_known_ones(job_data: dict[str, Any]) -> None:
    """A field that resembles nothing is answered with the list of what there is."""
    job_data["inks"][0]["zzz"] = 1
    found = mistakes_of(lambda: job_from(job_data, FILE))
    assert "tip_mm" in found["inks[moon].zzz"].expected


@pytest.mark.parametrize("value", ["0.25", True, [0.25], {"mm": 0.25}, float("nan"), float("inf"), 10**400])
def test_a_length_is_a_plain_number(machine_data: dict[str, Any], value: object) -> None:
    """Quoted numbers, true, lists, tables, nan, inf and giant numbers are no lengths."""
    put(machine_data, "axes.x.play_mm", value)
    assert set(mistakes_of(lambda: machine_from(machine_data, FILE))) == {"axes.x.play_mm"}


def test_a_whole_number_is_a_length(machine_data: dict[str, Any]) -> None:
    """``20`` for ``20.0`` is what people write; it is taken."""
    put(machine_data, "axes.x.min_mm", 20)
    assert machine_from(machine_data, FILE).axes["x"].min_mm == 20.0


def test_a_fraction_is_no_count(machine_data: dict[str, Any]) -> None:
    """Counts and teeth are whole numbers; 20.0 is refused with that word."""
    put(machine_data, "axes.x.drive.pulley_teeth", 20.0)
    found = mistakes_of(lambda: machine_from(machine_data, FILE))
    assert found["axes.x.drive.pulley_teeth"].expected == "a whole number"


CONTRADICTIONS: list[tuple[str, object, str]] = [
    ("axes.x.min_mm", 3400.0, "axes.x.min_mm"),
    ("axes.y.homing.slow_mm_s", 600.0, "axes.y.homing.slow_mm_s"),
    ("axes.x.homing.fast_mm_s", 701.0, "axes.x.homing.fast_mm_s"),
    ("axes.y.drive.quick_stop_mm_s2", 2499.0, "axes.y.drive.quick_stop_mm_s2"),
    ("canvas.size_mm", [3200.0, 1900.0], "canvas"),
    ("canvas.origin_mm", [200.0, 10.0], "canvas"),
    ("park_mm", [120.0, 2200.0], "park_mm"),
    ("axes.x.drive.velocity_unit_counts_s", 1e-4, "axes.x.drive.velocity_unit_counts_s"),
    ("home_order", ["x", "x"], "home_order"),
    ("axes.x.drive.node_id", 2, "axes.y.drive.node_id"),
    ("head.axis", "z", "head.axis"),
    ("head.up_input_bit", 16, "head.up_input_bit"),
    ("motion.travel_speed_mm_s", 700.5, "motion.travel_speed_mm_s"),
    ("motion.paint_speed_mm_s", 701.0, "motion.paint_speed_mm_s"),
    ("motion.acceleration_mm_s2", 5000.5, "motion.acceleration_mm_s2"),
    ("lease.lease_ms", 7.9, "lease.lease_ms"),
    ("wire.heartbeat_lost_after_ms", 79, "wire.heartbeat_lost_after_ms"),
    ("tick_us", 1000, "tick_us"),
]


@pytest.mark.parametrize(("path", "value", "where"), CONTRADICTIONS, ids=[one[0] for one in CONTRADICTIONS])
def test_contradictions_are_named(machine_data: dict[str, Any], path: str, value: object, where: str) -> None:
    """Fields that do not fit each other are refused, and the place named is the one to look at."""
    put(machine_data, path, value)
    found = mistakes_of(lambda: machine_from(machine_data, FILE))
    assert where in found
    assert found[where].got


@pytest.mark.parametrize(("path", "value", "where"), CONTRADICTIONS, ids=[one[0] for one in CONTRADICTIONS])
def test_contradictions_are_named_beside_bad_fields(
    machine_data: dict[str, Any], path: str, value: object, where: str
) -> None:
    """A bad field elsewhere in the file hides no contradiction."""
    put(machine_data, path, value)
    put(machine_data, "twin.seed", "seven")
    found = mistakes_of(lambda: machine_from(machine_data, FILE))
    assert {where, "twin.seed"} <= set(found)


def test_simulated_wire_needs_its_gantry(machine_data: dict[str, Any]) -> None:
    """A simulated wire without a [twin] table is refused; the same file with a real adapter is not."""
    del machine_data["twin"]
    assert set(mistakes_of(lambda: machine_from(machine_data, FILE))) == {"twin"}
    machine_data["wire"]["channel"] = "/dev/ttyACM0"
    assert machine_from(machine_data, FILE).twin is None


def test_axes_are_x_and_y(machine_data: dict[str, Any]) -> None:
    """A third axis, or one alone, is refused at ``axes``."""
    machine_data["axes"]["z"] = machine_data["axes"]["x"]
    assert "axes" in mistakes_of(lambda: machine_from(machine_data, FILE))
    del machine_data["axes"]["z"], machine_data["axes"]["y"]
    assert "axes" in mistakes_of(lambda: machine_from(machine_data, FILE))


def test_inks_are_told_apart(job_data: dict[str, Any]) -> None:
    """Two inks of one name, or painting one group, are refused, also beside another mistake."""
    job_data["inks"][1]["name"] = "moon"
    job_data["inks"][1]["group"] = "ink-moon"
    job_data["inks"][1]["colour"] = "blue"
    with pytest.raises(InputError) as caught:
        job_from(job_data, FILE)
    text = [(one.where, one.expected) for one in caught.value.mistakes]
    assert ("inks", "each name once") in text
    assert ("inks", "each group once") in text
    assert any(expected.startswith("a colour such as") for _, expected in text)


def test_spiral_wider_than_the_tip(job_data: dict[str, Any]) -> None:
    """A spiral step wider than the tip is refused once, at the ink by name."""
    job_data["inks"][1]["spiral_step_mm"] = 1.6
    with pytest.raises(InputError) as caught:
        job_from(job_data, FILE)
    assert [one.where for one in caught.value.mistakes] == ["inks[sea].spiral_step_mm"]


def test_nameless_ink_is_counted_from_one(job_data: dict[str, Any]) -> None:
    """An entry without a name is called by its place, counted as people count."""
    del job_data["inks"][1]["name"]
    assert set(mistakes_of(lambda: job_from(job_data, FILE))) == {"inks[#2].name"}


def test_files_are_told_apart_by_content(machine_data: dict[str, Any], job_data: dict[str, Any]) -> None:
    """Machine and job files are recognised by what stands in them; anything else is refused."""
    assert kind_of(machine_data, FILE) == "machine"
    assert kind_of(job_data, FILE) == "job"
    for other in ({}, {"format": 1}, {"tool": {"x": 1}}):
        assert set(mistakes_of(lambda other=other: kind_of(other, FILE))) == {"file"}


def test_message_is_one_line_each(machine_data: dict[str, Any]) -> None:
    """The error's text names file, field, expected and got, one line for each mistake."""
    put(machine_data, "axes.x.play_mm", -1)
    put(machine_data, "tick_us", 12.5)
    with pytest.raises(InputError) as caught:
        machine_from(machine_data, FILE)
    assert sorted(str(caught.value).splitlines()) == [
        "file.toml: axes.x.play_mm: expected at least 0, got -1",
        "file.toml: tick_us: expected a whole number, got 12.5",
    ]
