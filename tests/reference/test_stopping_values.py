"""Stopping distances against published arithmetic: in the machine file's numbers, and on the simulated drives."""

from __future__ import annotations

import copy
import tomllib
from pathlib import Path
from typing import Any

import pytest

from controller.config.derived import drive_stop_bound_mm, machine_numbers, stop_bound_mm
from controller.config.formulas import GUARD_REACTION_MS
from controller.config.load import machine_from
from controller.config.machine import Machine
from controller.config.places import shipped
from drivers.clock import VirtualClock
from drivers.registry import group_on_link
from drivers.twin.virtual import VirtualGantry

MS = 1_000_000
DATA = tomllib.loads(shipped("machines/boathouse.toml").read_text(encoding="utf-8"))


def machine_with(*, lease_ms: float, lost_after_ms: int, stop_mm_s2: float, lag_ms: float = 0.0) -> Machine:
    """The demo machine, alike on both axes, slow enough that every number of the tables below is allowed."""
    data: dict[str, Any] = copy.deepcopy(DATA)
    data["lease"]["lease_ms"] = lease_ms
    data["wire"]["heartbeat_lost_after_ms"] = lost_after_ms
    data["motion"] |= {"travel_speed_mm_s": 300.0, "paint_speed_mm_s": 100.0, "acceleration_mm_s2": 900.0}
    for name in ("x", "y"):
        axis = data["axes"][name]
        axis |= {"speed_max_mm_s": 1000.0, "acceleration_max_mm_s2": 900.0, "loop_lag_ms": lag_ms}
        axis["drive"]["quick_stop_mm_s2"] = stop_mm_s2
        data["twin"]["axes"][name]["loop_lag_ms"] = 1.0
    return machine_from(data, Path("machine.toml"))


@pytest.mark.parametrize(
    ("speed_mm_s", "reaction_ms", "stop_mm_s2", "distance_mm"),
    [
        (500, 100, 2000, 112.5),
        (300, 50, 1000, 60.0),
        (1000, 100, 3000, 266.667),
        (300, 100, 1500, 60.0),
    ],
)
def test_the_machines_bounds_are_the_textbooks(
    speed_mm_s: float, reaction_ms: float, stop_mm_s2: float, distance_mm: float
) -> None:
    """v t_r + v^2/2a with a guard of that reaction and a lag of none; last row: a watchdog of 100 ms at 300 mm/s.

    Uniform deceleration after a reaction time, any mechanics textbook; numbers by hand. The guard's reaction is lease
    plus allowance, the drive's its heartbeat time-out.
    """
    machine = machine_with(
        lease_ms=reaction_ms - GUARD_REACTION_MS,
        lost_after_ms=round(max(80.0, reaction_ms)),
        stop_mm_s2=stop_mm_s2,
    )
    assert stop_bound_mm(machine, "x", speed_mm_s) == pytest.approx(distance_mm, abs=5e-4)
    if reaction_ms >= 80.0:
        assert drive_stop_bound_mm(machine, "y", speed_mm_s) == pytest.approx(distance_mm, abs=5e-4)


@pytest.mark.parametrize("pulled", [False, True])
def test_the_simulated_drives_keep_the_watchdog_distance(pulled: bool) -> None:
    """300 mm/s, a time-out of 100 ms, 1500 mm/s2: at most 60 mm from our last word to standstill, and not much less.

    By hand: 300 x 0.1 + 300^2 / 3000 = 30 + 30 mm; the drives' own lag of 1 ms adds 0.3 mm. Falling silent, and a
    pulled plug with the loop still sending.
    """
    machine = machine_with(lease_ms=90.0, lost_after_ms=100, stop_mm_s2=1500.0)
    assert machine.twin is not None
    settings, clock = machine.group_settings(), VirtualClock()
    gantry = VirtualGantry(settings, machine.twin, clock)
    beats: list[int] = []
    send = gantry.link.send_frames

    def note(frames: list[tuple[int, bytes]]) -> None:
        beats.extend(clock.now_ns() for can_id, _ in frames if can_id == 0x77F)
        send(frames)

    gantry.link.send_frames = note  # type: ignore[method-assign,assignment]
    group = group_on_link(settings, gantry.link, clock)
    group.configure()
    group.enable()
    speed, last_ns = 0, -1
    while speed < 300 * 5400 or beats[-1] != last_ns:
        speed = min(speed + 3 * 5400, 300 * 5400)
        last_ns = clock.now_ns()
        group.send_tick((speed, -speed), 0)
        clock.sleep_until_ns(last_ns + 4 * MS)
        group.poll()
    gantry.link.plugged = not pulled
    for _ in range(100):
        if pulled and group.is_enabled:
            group.send_tick((speed, -speed), 0)
        clock.sleep_until_ns(clock.now_ns() + 4 * MS)
    record = gantry.gantry.record()
    assert record.standstill_ns(beats[-1]) is not None
    travelled_mm = record.travel_mm(last_ns, clock.now_ns())
    assert travelled_mm.max() <= 60.0 + 0.3 + 0.1
    assert travelled_mm.min() >= 57.0


@pytest.mark.parametrize(
    ("mass_kg", "limit_j", "is_warned"),
    [(88.8, 4.0, False), (89.0, 4.0, True), (222.0, 10.0, False), (222.4, 10.0, True)],
)
def test_energy_is_warned_of_above_the_stated_limit(mass_kg: float, limit_j: float, is_warned: bool) -> None:
    """4 J and 10 J at 300 mm/s are 88.89 kg and 222.2 kg: m = 2 E / v^2 by hand.

    The two limits are those for powered guards in EN 953 clause 5.2.5.2; whether they are yours is your assessment's.
    """
    data = copy.deepcopy(DATA)
    data["motion"] |= {"travel_speed_mm_s": 300.0, "kinetic_energy_max_j": limit_j}
    data["axes"]["x"]["moving_mass_kg"] = mass_kg
    wheres = [one.where for one in machine_numbers(machine_from(data, Path("m.toml"))).warnings]
    assert ("axes.x.moving_mass_kg" in wheres) is is_warned
