"""A drive that starts anew, an emergency and a bus controller in trouble, in a homing over the simulated wire."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from controller.stream.spec import HomingTask
from drivers.can.health import BusHealth
from safety import latch

from .test_virtual_gantry import World

BUS_OFF = BusHealth().error_frame(0x040, bytes(8))


def _restart(world: World) -> None:
    world.gantry.gantry.reset_drive("y")


def _bus_off(world: World) -> None:
    world.gantry.link.trouble = BUS_OFF


def _emergency(world: World) -> None:
    world.gantry.gantry.fail_drive("x", 0x8611)


TROUBLES: dict[str, tuple[Callable[[World], None], str]] = {
    "restart": (_restart, "axis y: expected operation enabled, got unknown (has started anew by itself"),
    "bus-off": (_bus_off, "simulated wire: expected a bus controller without errors, got bus-off"),
    "emergency": (_emergency, "emergency 8611h: following error: the motor is too far behind its command"),
}


@pytest.mark.parametrize("name", TROUBLES)
def test_found_halted_and_recovered_by_a_person_only(name: str, tmp_path: Path) -> None:
    """Halted with the cause in words, both axes at rest; refused until a person clears; then homed anew.

    The drive that lost its settings, or missed what was on the bus, is set up as at the first time before it moves.
    """
    strike, words = TROUBLES[name]
    world = World(tmp_path)

    def look(_now_ns: int) -> None:
        if world.ring.written == 300 and world.guard.verdict is None:
            strike(world)

    world.clock.on_advance(look)
    outcome = world.run(HomingTask())
    assert outcome.end == "halted"
    assert words in outcome.reason
    assert world.guard.verdict is not None
    world.gantry.link.reopen()
    now_ns = world.clock.now_ns()
    world.clock.sleep_until_ns(now_ns + 1_000_000_000)
    travel_mm = world.gantry.gantry.record().travel_mm(now_ns + 500_000_000, now_ns + 1_000_000_000)
    assert travel_mm == pytest.approx([0.0, 0.0], abs=1e-6)

    states = [node.power.state for node in world.gantry.gantry.nodes]
    assert world.run(HomingTask()).end == "refused"
    assert [node.power.state for node in world.gantry.gantry.nodes] == states
    standing = latch.read(tmp_path / "latch.json")
    assert standing is not None
    latch.clear(tmp_path / "latch.json", "the painter", standing.reason)
    world.gantry.link.reopen()
    again = World(tmp_path / "again", world)
    outcome = again.run(HomingTask())
    assert outcome.end == "done", outcome.reason
    assert again.gantry.gantry.nodes[1].od.value(0x1016, 1) == 0
    assert again.gantry.gantry.nodes[1].od.value(0x6007) == 3
