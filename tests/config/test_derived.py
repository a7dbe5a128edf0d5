"""Derived numbers of whole files: warnings and what compares a job with a machine."""

from __future__ import annotations

import copy
from pathlib import Path
from typing import Any

import pytest

from controller.config.derived import (
    check_artwork,
    check_job_against_machine,
    drive_stop_bound_mm,
    job_numbers,
    machine_numbers,
    reaction_ms,
    stop_bound_mm,
)
from controller.config.load import job_from, load_job, machine_from

FILE = Path("file.toml")
STOPS = {
    "inputs": [{"kind": "modem-line", "name": "stop-loop", "device": "/dev/ttyUSB1", "line": "cts"}],
    "power_cut": {"kind": "modem-line", "device": "/dev/ttyUSB1", "line": "rts"},
}


def test_the_demo_machine_keeps_its_own_limits(machine_data: dict[str, Any]) -> None:
    """The shipped machine is within the limits it states."""
    assert machine_numbers(machine_from(machine_data, FILE)).warnings == ()


@pytest.mark.parametrize(
    ("change", "where", "words"),
    [
        (("motion", "kinetic_energy_max_j", 2.0), "axes.x.moving_mass_kg", "2.52 J"),
        (("motion", "stopping_distance_max_mm", 50.0), "axes.y", "106.8 mm"),
        (("motion", "stopping_distance_max_mm", 131.0), "axes.x", "only the drive"),
        (("wire", "heartbeat_lost_after_ms", 500), "axes.x", "340.8 mm"),
    ],
)
def test_warns_beyond_stated_limits(
    machine_data: dict[str, Any], change: tuple[str, str, float], where: str, words: str
) -> None:
    """A stated limit that is exceeded is warned of with the number; the file still loads.

    Expected numbers by hand: m v^2/2 = 14 kg (0.6 m/s)^2/2 = 2.52 J; v (t + tau) + v^2/2a = 600 x (0.110 + 0.008)
    + 36 = 106.8 mm, 600 x (0.5 + 0.008) + 36 = 340.8 mm.
    """
    table, name, value = change
    machine_data[table][name] = value
    warnings = machine_numbers(machine_from(machine_data, FILE)).warnings
    assert any(one.where == where and words in one.message for one in warnings)


def test_coarse_velocity_unit_is_warned_of(machine_data: dict[str, Any]) -> None:
    """A drive commanded in whole turns a minute (5400 counts/s here, 1 mm/s) is fine; in tens of them it is not."""
    machine_data["axes"]["x"]["drive"]["velocity_unit_counts_s"] = 5400.0
    assert machine_numbers(machine_from(machine_data, FILE)).warnings == ()
    machine_data["axes"]["x"]["drive"]["velocity_unit_counts_s"] = 324_000.0
    (warning,) = machine_numbers(machine_from(machine_data, FILE)).warnings
    assert "coarse" in warning.message


def test_short_counter_is_warned_of(machine_data: dict[str, Any]) -> None:
    """An axis longer than its drive's counter spans is warned of: the position is not unique."""
    drive = machine_data["axes"]["x"]["drive"]
    drive["counts_per_turn"] = 2**31 - 1
    drive["velocity_unit_counts_s"] = 1000.0
    warnings = machine_numbers(machine_from(machine_data, FILE)).warnings
    assert [one.where for one in warnings] == ["axes.x"]
    assert "counter" in warnings[0].message


def test_reaction_time_is_lease_plus_guard(machine_data: dict[str, Any]) -> None:
    """A longer lease makes the reaction, and so the stopping distance, longer by just that."""
    short = machine_from(machine_data, FILE)
    machine_data["lease"]["lease_ms"] = 150.0
    long = machine_from(machine_data, FILE)
    assert reaction_ms(long) - reaction_ms(short) == pytest.approx(50.0)
    grown = machine_numbers(long).axes[0].lease_stop_mm - machine_numbers(short).axes[0].lease_stop_mm
    assert grown == pytest.approx(600 * 0.05)


def test_the_bound_of_a_stop_is_reaction_lag_and_braking(machine_data: dict[str, Any]) -> None:
    """v (lease + 10 ms guard + lag) + v^2/2a, by hand at 200 mm/s: 200 x (0.100 + 0.010 + 0.008) + 4 = 27.6 mm.

    The drive alone: 200 x (0.160 + 0.008) + 4 = 37.6 mm; one without a time-out has no bound.
    """
    machine = machine_from(machine_data, FILE)
    assert stop_bound_mm(machine, "x", 200.0) == pytest.approx(27.6)
    assert drive_stop_bound_mm(machine, "x", 200.0) == pytest.approx(37.6)
    assert stop_bound_mm(machine, "x", 0.0) == 0.0
    machine_data["axes"]["x"]["drive"]["command_timeout"] = "none"
    endless = machine_from(machine_data, FILE)
    assert drive_stop_bound_mm(endless, "x", 200.0) is None
    assert drive_stop_bound_mm(endless, "y", 200.0) == pytest.approx(37.6)


def test_a_drive_without_a_time_out_is_warned_of(machine_data: dict[str, Any]) -> None:
    """``command_timeout = "none"`` is warned of on every machine, once an axis, and shows no stopping distance."""
    machine_data["axes"]["y"]["drive"]["command_timeout"] = "none"
    numbers = machine_numbers(machine_from(machine_data, FILE))
    assert [one.where for one in numbers.warnings] == ["axes.y.drive.command_timeout"]
    assert numbers.axes[1].drive_stop_mm is None


def test_a_real_machine_without_stop_hardware_is_warned_of(machine_data: dict[str, Any]) -> None:
    """No stop input and no power-cut output: two warnings on a real wire, none for a simulated gantry."""
    machine_data["wire"]["channel"] = "/dev/ttyACM0"
    wheres = [one.where for one in machine_numbers(machine_from(machine_data, FILE)).warnings]
    assert wheres == ["stops.inputs", "stops.power_cut"]
    machine_data["stops"] = copy.deepcopy(STOPS)
    assert machine_numbers(machine_from(machine_data, FILE)).warnings == ()


def test_the_safety_page_shows_the_demo_machines_bounds(machine_data: dict[str, Any]) -> None:
    """The distances in docs/safety.md are those of the shipped machine at its travel speed."""
    machine = machine_from(machine_data, FILE)
    speed_mm_s = machine.motion.travel_speed_mm_s
    page = (Path(__file__).parents[2] / "docs" / "safety.md").read_text(encoding="utf-8")
    rows = {
        line.split("|")[1].strip(" *").partition("**")[0]: line for line in page.splitlines() if "| " in line
    }
    assert f"{stop_bound_mm(machine, 'x', speed_mm_s):.4g} mm" in rows["guard"]
    assert f"{drive_stop_bound_mm(machine, 'x', speed_mm_s):.4g} mm" in rows["drive alone"]
    late_ms = machine.lease.guard_late_ms + machine.tick_us * 1e-3 + machine.axes["x"].loop_lag_ms
    braking_mm = speed_mm_s**2 / (2 * machine.axes["x"].drive.quick_stop_mm_s2)
    assert f"{speed_mm_s * late_ms * 1e-3 + braking_mm:.4g} mm" in rows["mutual watch"]


def test_job_numbers_default_the_spiral(job_file: Path) -> None:
    """A job's spiral steps are shown as they will be used: 0.8 of the tip where none is given."""
    numbers = job_numbers(load_job(job_file), job_file)
    assert [ink.spiral_step_mm for ink in numbers.inks] == pytest.approx([2.4, 1.2])


def test_artwork_must_be_there(job_file: Path) -> None:
    """A job whose artwork is missing, or is a folder, is a mistake at ``artwork``."""
    job = load_job(job_file)
    assert check_artwork(job, job_file) == []
    (job_file.parent / "evening.svg").unlink()
    (mistake,) = check_artwork(job, job_file)
    assert (mistake.where, mistake.got) == ("artwork", "no such file")
    (job_file.parent / "evening.svg").mkdir()
    assert check_artwork(job, job_file)[0].got == "a folder"


def test_job_against_machine(machine_data: dict[str, Any], job_data: dict[str, Any]) -> None:
    """A job that begins off the canvas or paints faster than the machine moves is refused, both at once."""
    machine = machine_from(machine_data, FILE)
    assert check_job_against_machine(job_from(job_data, FILE), FILE, machine) == []
    job_data["origin_mm"] = [-1.0, 0.0]
    job_data["inks"][0]["paint_speed_mm_s"] = 700.1
    found = check_job_against_machine(job_from(job_data, FILE), FILE, machine)
    assert [one.where for one in found] == ["origin_mm", "inks[moon].paint_speed_mm_s"]
