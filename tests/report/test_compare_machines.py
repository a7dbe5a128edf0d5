"""Two machine files compared: fields and units, numbers by closed forms, and what planning itself goes by."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from controller.cli.main import main
from controller.config.errors import InputError
from controller.config.load import load_machine
from controller.config.places import shipped
from controller.report.comparemachines import canvas_shift_mm, compare_machines, flat, machines_json, unit_of
from controller.report.comparepage import machines_page

OLD = shipped("machines/boathouse.toml")


def changed(folder: Path, *edits: tuple[str, str]) -> Path:
    """The shipped file with words exchanged, each everywhere."""
    text = OLD.read_text()
    for old, new in edits:
        assert old in text, old
        text = text.replace(old, new)
    path = folder / "new.toml"
    path.write_text(text)
    return path


def test_a_file_and_itself():
    """Nothing differs, and no pass has to be planned anew."""
    found = compare_machines(OLD, OLD)
    assert (found.fields, found.numbers, found.warnings_come, found.warnings_gone) == ((), (), (), ())
    assert found.anew == (
        "plan keys: no schedule depends on what differs; passes keep their keys, prepared or begun",
    )
    assert "No field differs" in machines_page(found)


def test_a_travel_speed(tmp_path):
    """One field with its unit; kinetic energy is m v^2 / 2, the stopping distance v t + v^2 / 2a with the file's own
    numbers."""
    found = compare_machines(OLD, changed(tmp_path, ("travel_speed_mm_s = 600", "travel_speed_mm_s = 300")))
    (field,) = found.fields
    assert (field.where, field.unit, field.old, field.new, field.plan) == (
        "motion.travel_speed_mm_s", "mm/s", 600.0, 300.0, True,
    )  # fmt: skip
    numbers = {one.where: one for one in found.numbers}
    energy = numbers["kinetic energy at travel speed, x"]
    assert (energy.old, energy.new) == pytest.approx((14.0 * 0.6**2 / 2, 14.0 * 0.3**2 / 2))
    stop = numbers["stopping distance, guard, x"]
    reaction_s = 0.100 + 0.010 + 0.008  # lease, guard's allowance, lag of the loop
    assert stop.new == pytest.approx(300 * reaction_s + 300**2 / (2 * 5000))
    assert any(one.startswith("plan keys: 1 of the fields") for one in found.anew)
    assert any("order of strokes" in one for one in found.anew)


def test_what_no_schedule_reads(tmp_path):
    """A lease changes reaction and stopping distance and no plan key: what is prepared stays."""
    found = compare_machines(OLD, changed(tmp_path, ("lease_ms = 100", "lease_ms = 90")))
    assert [one.plan for one in found.fields] == [False]
    assert {one.where for one in found.numbers} >= {
        "reaction: lease and guard",
        "stopping distance, guard, y",
    }
    assert found.anew == (
        "plan keys: no schedule depends on what differs; passes keep their keys, prepared or begun",
    )


def test_a_tick_changes_rates(tmp_path):
    """Tick rate is one over the tick; the wire's own limit does not depend on it much, its load does."""
    found = compare_machines(OLD, changed(tmp_path, ("tick_us = 4000", "tick_us = 8000")))
    numbers = {one.where: one for one in found.numbers}
    assert (numbers["tick rate"].old, numbers["tick rate"].new) == pytest.approx((250.0, 125.0))
    load = numbers["bus load at the tick, worst case, 1 is all"]
    assert load.new < load.old


def test_a_belt_that_was_measured_anew_moves_the_picture(tmp_path):
    """Pitch from 3.000 to 3.003 mm: a place is 0.1 % fewer turns away, at the canvas' far edge 3.2 and 2.0 mm."""
    new = changed(tmp_path, ("belt_pitch_mm = 3.0", "belt_pitch_mm = 3.003"))
    shift = canvas_shift_mm(load_machine(OLD), load_machine(new))
    assert shift is not None
    far = (200.0 + 3000.0 - 15.0, 150.0 + 1900.0 - 15.0)  # from the switches' edges
    assert shift.tolist() == pytest.approx([place * (1 - 3.0 / 3.003) for place in far])
    anew = " ".join(compare_machines(OLD, new).anew)
    assert "home again" in anew
    assert "measure its marks" in anew


def test_a_canvas_hung_elsewhere(tmp_path):
    """Its origin moved by 10 mm moves every place by 10 mm; another size is another canvas."""
    moved = changed(tmp_path, ("origin_mm = [200.0, 150.0]\nsize", "origin_mm = [210.0, 150.0]\nsize"))
    shift = canvas_shift_mm(load_machine(OLD), load_machine(moved))
    assert shift is not None
    assert shift.tolist() == pytest.approx([10.0, 0.0])


@pytest.mark.parametrize(
    ("where", "unit"),
    [
        ("axes.x.min_mm", "mm"),
        ("pause.hold_max_min", "min"),
        ("motion.jerk_mm_s3", "mm/s³"),
        ("geometry.squareness_mm_m", "mm/m"),
        ("wire.bitrate_bit_s", "bit/s"),
        ("axes.x.drive.counts_per_turn", "a turn"),
        ("axes.x.belt.frequency_hz", "Hz"),
        ("trim.gain_per_s", "1/s"),
        ("axes.x.homing.touches", ""),
        ("calibration.warn_after_days", "days"),
    ],
)
def test_units_by_name(where, unit):
    """The unit stands at the end of a name (docs/nomenclature.md)."""
    assert unit_of(where) == unit


def test_every_field_of_other_shipped_machines_is_told():
    """Whatever differs between the demo machine and other shipped files is in the table, and nothing else is."""
    for name in ("reference-twin", "boathouse-modbus", "boathouse-described-can", "template-slcan"):
        path = OLD.with_name(f"{name}.toml")
        found = compare_machines(OLD, path)
        before, after = (dict(flat(load_machine(one).model_dump(mode="json"))) for one in (OLD, path))
        told = {one.where for one in found.fields}
        differ = {where for where in before.keys() | after.keys() if before.get(where) != after.get(where)}
        assert told <= differ
        # A table that only one file has is told by its fields.
        for where in differ - told:
            assert any(one.startswith((f"{where}.", f"{where}[")) for one in told), where


def test_mistakes_come_as_usual(tmp_path, capsys):
    """A field that is no field is bad input, with its name; a missing file too."""
    bad = changed(tmp_path, ("travel_speed_mm_s", "travel_sped_mm_s"))
    with pytest.raises(InputError, match="travel_sped_mm_s"):
        compare_machines(OLD, bad)
    assert main(["compare", str(OLD), str(tmp_path / "none.toml")]) == 2
    assert "no such file" in capsys.readouterr().err


def test_the_command(tmp_path, capsys):
    """The table names fields, numbers and what follows; JSON holds the same; the page too."""
    new = changed(tmp_path, ("travel_speed_mm_s = 600", "travel_speed_mm_s = 300"))
    page = tmp_path / "page.html"
    assert main(["compare", str(OLD), str(new), "--json", "--html", str(page)]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["kind"] == "machines"
    assert told["fields"] == machines_json(compare_machines(OLD, new))["fields"]
    assert "motion.travel_speed_mm_s" in page.read_text()
    assert main(["compare", str(OLD), str(new)]) == 0
    assert "motion.travel_speed_mm_s" in capsys.readouterr().out
