"""With any stop input not proved every motion command is refused, on every real wire, in the service itself."""

from __future__ import annotations

import tomllib
from collections.abc import Awaitable, Callable
from pathlib import Path
from typing import Any

import pytest

from controller.config.errors import RefusedError
from controller.config.load import machine_from
from controller.config.machine import Machine
from controller.config.places import StateDir, shipped
from controller.session.journal import Journal
from controller.session.operator import SimulatedOperator
from controller.session.service import Service
from controller.session.stopproof import POWER_CUT, stops_digest, unproved, wanted
from controller.session.watcher import Watcher
from controller.stream.spec import HoldTask, HomingTask, MoveTask

from .conftest import FakeRunner

INPUTS: list[dict[str, Any]] = [
    {"kind": "modem-line", "name": "emergency-stop", "device": "/dev/serial/by-id/loop", "line": "cts"},
    {"kind": "gpio", "name": "fence", "chip": "/dev/gpiochip0", "line": 17},
]
CUT = {"kind": "modem-line", "device": "/dev/serial/by-id/loop", "line": "rts"}
WIRES = {
    "boathouse": "/dev/ttyACM7",
    "boathouse-modbus": "/dev/ttyUSB7",
    "boathouse-described-can": "/dev/ttyACM7",
    "boathouse-described-serial": "/dev/ttyUSB7",
    "template-slcan": "/dev/ttyACM7",
}
"""A machine file on each wire, and a channel that is no simulated one."""

PROOFS = ("input emergency-stop", "input fence", POWER_CUT)


def real_machine(name: str = "boathouse", **stops: Any) -> Machine:
    """The machine file on a real wire, with two stop inputs and a power-cut output unless told otherwise."""
    path = shipped(f"machines/{name}.toml")
    raw = tomllib.loads(path.read_text())
    raw["wire"]["channel"] = WIRES[name]
    raw["stops"] = {"inputs": INPUTS, "power_cut": CUT, **stops}
    return machine_from(raw, path)


class Real:
    """A service on a real wire, whose runner would do whatever it is told."""

    def __init__(self, folder: Path, machine: Machine) -> None:
        self.machine = machine
        self.state = StateDir.open(folder, machine.name)
        self.journal = Journal.open(self.state.journal, machine.name)
        self.runner = FakeRunner()
        session = self.journal.begin_session("home", "", "real")
        self.service = Service(
            machine, self.state, self.journal, self.runner, SimulatedOperator(), Watcher(), session
        )

    def prove(self, *names: str, machine: Machine | None = None) -> None:
        """Proofs of a person, of this wiring or another's."""
        for name in names:
            self.journal.calibration.add_proof(
                stops_digest(machine or self.machine), name, "opened by hand", session=None, person="Ada"
            )


COMMANDS: dict[str, Callable[[Service], Awaitable[Any]]] = {
    "home": lambda one: one.home(),
    "paint": lambda one: one.paint(None, ["teal-1"]),  # type: ignore[arg-type]
    "measure": lambda one: one.measure("circle", Path("/nowhere")),
    "move": lambda one: one.move("park", [(100.0, 100.0)]),
    "hold": lambda one: one.hold(1.0),
    "drive": lambda one: one.drive("priming", Path("/nowhere"), None),  # type: ignore[arg-type]
    "bring up": lambda one: one.bring_up("jog", (HoldTask(seconds=1.0),), placed=False),
    "stream": lambda one: one._stream("homing", (HomingTask(),), None),
}
"""Every way of the service to motion; all verbs (home, paint, mend, pause, measure, marks, served ones) go by these."""


@pytest.mark.parametrize("wire", WIRES)
async def test_nothing_moves_on_a_real_wire_before_its_stops_are_proved(tmp_path: Path, wire: str) -> None:
    """Each command is refused by one message with every unproved name and the remedy; the runner is not even opened."""
    bench = Real(tmp_path, real_machine(wire))
    for count in range(len(PROOFS)):
        for name, command in COMMANDS.items():
            with pytest.raises(
                RefusedError, match=r"not proved.*nothing moves before.*giornata commission"
            ) as caught:
                await command(bench.service)
            assert all((one.split()[-1] in str(caught.value)) for one in PROOFS[count:]), name
        bench.prove(PROOFS[count])
    assert bench.runner.calls == []
    assert bench.runner.orders == []
    await bench.service.home()
    assert [order.tasks for order in bench.runner.orders] == [(HomingTask(),)]


async def test_a_proof_is_of_one_wiring(tmp_path: Path) -> None:
    """Another contact, another debounce, another adapter or wire: all proofs count no more. Limits do not matter."""
    bench = Real(tmp_path, real_machine())
    bench.prove(*PROOFS)
    rows = bench.journal.calibration
    assert unproved(rows, bench.machine) == ()
    other_line = [INPUTS[0] | {"line": "dsr"}, INPUTS[1]]
    for stops in ({"inputs": other_line}, {"debounce_ms": 5.0}, {"power_cut": CUT | {"line": "dtr"}}):
        assert unproved(rows, real_machine(**stops)) == PROOFS, stops
    moved = bench.machine.model_copy(
        update={"wire": bench.machine.wire.model_copy(update={"channel": "/dev/ttyACM8"})}
    )
    assert unproved(rows, moved) == PROOFS
    axes = {**bench.machine.axes, "x": bench.machine.axes["x"].model_copy(update={"play_mm": 0.9})}
    assert unproved(rows, bench.machine.model_copy(update={"axes": axes})) == ()


async def test_a_drive_input_is_proved_with_its_drive(tmp_path: Path) -> None:
    """The same bit on another node is another loop."""
    inputs = [{"kind": "drive-input", "name": "limit-loop", "axis": "y", "bit": 18}]
    machine = real_machine(inputs=inputs, power_cut=None)
    bench = Real(tmp_path, machine)
    bench.prove("input limit-loop")
    assert unproved(bench.journal.calibration, machine) == ()
    drive = machine.axes["y"].drive.model_copy(update={"node_id": 9})
    axes = {**machine.axes, "y": machine.axes["y"].model_copy(update={"drive": drive})}
    assert unproved(bench.journal.calibration, machine.model_copy(update={"axes": axes})) == (
        "input limit-loop",
    )


async def test_while_proving_the_axes_only_hold(tmp_path: Path) -> None:
    """The proof of a drive's input lets nothing through but standing still."""
    bench = Real(tmp_path, real_machine())
    for task in (MoveTask(target_mm=(100.0, 100.0)), HomingTask()):
        with pytest.raises(ValueError, match="hold still"):
            await bench.service.bring_up("stops", (task,), placed=False, proving=True)
    assert bench.runner.calls == []


def test_a_simulated_wire_needs_no_hand() -> None:
    """There is no loop to open, and nobody whom the simulated gantry could hurt."""
    raw = tomllib.loads(shipped("machines/boathouse.toml").read_text())
    raw["stops"] = {"inputs": INPUTS, "power_cut": CUT}
    machine = Machine.model_validate(raw)
    assert wanted(machine) == ()
    assert wanted(real_machine()) == PROOFS
