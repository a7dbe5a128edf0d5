"""What the machine itself does in the middle of a pass: the session halts, and where it stands is no longer known."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from controller.config.errors import HaltedError, RefusedError
from controller.config.machine import Machine
from controller.config.places import StateDir
from controller.session import verbs
from controller.session.journal import Journal
from controller.session.operator import SimulatedOperator
from controller.session.virtualrunner import VirtualRunner
from controller.session.watcher import Watcher
from drivers.twin import physics
from drivers.twin.gantry import Gantry
from safety import latch


def _meet_a_limit(gantry: Gantry) -> None:
    """The x switch stands a little ahead of where the head is."""
    gantry._state[0, physics.LENGTH] = gantry._state[0, physics.HEAD] + 1.0


FAULTS: dict[str, tuple[Callable[[Gantry], None], set[str]]] = {
    "limit switch": (_meet_a_limit, {"motor-power-lost", "drive-fault", "input-open"}),
    "drive fault": (lambda gantry: gantry.fail_drive("y", 0x2310), {"drive-fault"}),
    "motor power": (lambda gantry: gantry.cut_motor_power(), {"motor-power-lost"}),
    "node reset": (
        lambda gantry: gantry.reset_drive("x"),
        {"closed-without-word", "drive-fault", "motor-power-lost"},
    ),
}

MORE = frozenset({"limit switch", "drive fault"})
"""Faults that end as the others do."""


@pytest.mark.parametrize(
    "name",
    [pytest.param(name, marks=pytest.mark.campaign) if name in MORE else name for name in FAULTS],
)
def test_the_machine_is_unregistered_after(name: str, bench) -> None:
    """Halted with the latch's reason in the journal, registration lost; it paints again once cleared and homed."""
    strike, reasons = FAULTS[name]

    class Struck(VirtualRunner):
        def __init__(self, machine: Machine, path: Path, state: StateDir) -> None:
            super().__init__(machine, path, state)
            self._begun_ns = self._clock.now_ns()
            self._is_struck = False

        async def open(self) -> None:
            await super().open()
            assert self.world is not None
            gantry = self.world.gantry

            def look(_now_ns: int) -> None:
                # In the first stroke, x in motion to the right.
                if not self._is_struck and gantry.canvas.strokes and gantry._state[0, physics.V] > 30.0:
                    self._is_struck = True
                    strike(gantry)

            self._clock.on_advance(look)

    bench.home()
    with pytest.raises(HaltedError):
        verbs.run(
            verbs.paint(
                bench.prepared(), bench.machine, bench.root, SimulatedOperator(), Watcher(),
                runner_of=Struck, signals=False,
            )
        )  # fmt: skip
    standing = latch.read(bench.state.latch)
    assert standing is not None
    assert standing.reason in reasons
    journal = Journal.read(bench.state.journal)
    assert not journal.registered
    assert standing.reason in journal.registration_reason
    assert any(event.kind == "latch" and standing.reason in event.text for event in journal.events())
    journal.close()
    with pytest.raises(RefusedError, match="stopped"):
        bench.home()
    verbs.clear(bench.machine, bench.root, reason=standing.reason, person="Ada")
    with pytest.raises(RefusedError, match="not registered"):
        bench.paint()
    bench.home()
    assert [one.state for one in bench.paint().passes] == ["finished", "finished"]
