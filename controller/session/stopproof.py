"""Whether a person has seen every stop input work: what has to be proved, and the refusal while it is not.

Owns the gate before all motion. A proof holds for the wiring that was proved: the machine file's whole [stops], the
wire, and the drives that carry inputs. Any change of these asks for all proofs anew. A simulated wire ends in this
computer, nobody can be hurt by it and there is no hand to open its loops: it needs no proof.
"""

from __future__ import annotations

import hashlib
import json
from typing import Final

from controller.config.errors import RefusedError
from controller.config.machine import Machine
from controller.session.calibrationrows import CalibrationRows
from drivers.settings import DriveInputSettings

POWER_CUT: Final = "power-cut"
"""What the power-cut output is called among the proofs; an input of that name is told apart by ``INPUT``."""

INPUT: Final = "input "


def stops_digest(machine: Machine) -> str:
    """SHA-256 of what a proof is a proof of."""
    carriers = sorted({one.axis for one in machine.stops.inputs if isinstance(one, DriveInputSettings)})
    wiring = {
        "stops": machine.stops.model_dump(mode="json"),
        "wire": [machine.wire.kind, machine.wire.channel],
        "drives": {axis: machine.axes[axis].drive.node_id for axis in carriers},
    }
    return hashlib.sha256(json.dumps(wiring, sort_keys=True).encode()).hexdigest()


def wanted(machine: Machine) -> tuple[str, ...]:
    """Names of all that has to be proved on this machine, in the order of its file; nothing on a simulated wire."""
    if machine.wire.is_simulated:
        return ()
    inputs = tuple(f"{INPUT}{one.name}" for one in machine.stops.inputs)
    return inputs if machine.stops.power_cut is None else (*inputs, POWER_CUT)


def unproved(rows: CalibrationRows, machine: Machine) -> tuple[str, ...]:
    """What of it has not been proved for this wiring."""
    names = wanted(machine)
    if not names:
        return ()
    proved = {row.name for row in rows.proofs(stops_digest(machine))}
    return tuple(name for name in names if name not in proved)


def refuse_unproved(rows: CalibrationRows, machine: Machine) -> None:
    """Raises RefusedError naming everything that is not proved: nothing moves before."""
    if missing := unproved(rows, machine):
        raise RefusedError(
            f"not proved on this wiring: {', '.join(words(name) for name in missing)}; nothing moves before",
            "run giornata commission: it has you open each loop by hand and sees the guard stop",
            code="stops-unproved",
        )


def words(name: str) -> str:
    """A name of ``wanted`` for a person."""
    return "the power-cut output" if name == POWER_CUT else f"stop {name}"
