"""``python -m tests.calibrate.bringup --seed 3``: the guided bring-up of a gantry drawn at random, over the wire.

Every step of ``commission`` against the simulated gantry in virtual time, from a file that knows nothing, answered by a
person who does what is asked: homes slower where that is proposed, and measures lag where the ladder asks for it. Owns
that person's way; all else is production's.
"""

from __future__ import annotations

import argparse
import asyncio
import json
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

from controller.config.load import load_machine
from controller.motion.probesteps import StepsTest
from controller.report.identified import build_identification
from controller.session.calibrationkeep import kept
from controller.session.commission import Commissioned, commission
from controller.session.commissionbench import Bench
from controller.session.measure import measure
from controller.session.operator import SimulatedOperator
from controller.session.virtualrunner import VirtualRunner
from controller.session.watcher import Watcher
from tests.calibrate.gantries import Given, as_toml, gantry
from tests.session.commissioned import Person

SPEED_MM_S = 100.0


class Notes(Watcher):
    """Keeps what is told."""

    def __init__(self) -> None:
        super().__init__()
        self.lines: list[str] = []

    def note(self, text: str) -> None:
        """One line."""
        self.lines.append(text)


async def brought_up(folder: Path, file: Given) -> tuple[Commissioned, Notes, dict[str, Any]]:
    """Commission the gantry of ``file`` until it is through or stops for something else than an unknown lag; what it
    came to, what was told and what was measured of the loops. Machine file and state are ``m.toml`` and ``s``."""
    machine, state, person, notes = folder / "m.toml", folder / "s", Person(), Notes()
    machine.write_text(as_toml(file))
    found: dict[str, Any] = {}
    while True:
        bench = Bench(machine, state, person, notes, VirtualRunner, signals=False)
        done = await commission(machine, state, person, notes, bench=bench)
        if "states no lag" not in done.why or found:
            return done, notes, found
        found = await loops(machine, state, notes)
        if not found:
            return done, notes, found


async def loops(machine_path: Path, state: Path, notes: Notes) -> dict[str, Any]:
    """Lag and dead time of both axes from a staircase, into the machine file: value and half width by field."""
    found: dict[str, Any] = {}
    size = load_machine(machine_path).canvas.size_mm
    for index, axis in enumerate(("x", "y")):
        test = StepsTest(axis, size[index] / 2.0, size[1 - index] / 2.0, 2, SPEED_MM_S)  # type: ignore[arg-type]
        driven = await measure(
            test, machine_path, state, SimulatedOperator(), notes, runner_of=VirtualRunner, signals=False
        )
        built = build_identification(driven.state.root, driven.session, None)
        if built.poor is not None:
            notes.note(str(built.poor))
            continue
        kept(machine_path, state, built.measured, "Ada", write=True)
        found |= {one.field: one for one in built.measured}
    return found


def main() -> int:
    """Bring gantries up and say how far each came."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--count", type=int, default=1)
    given = parser.parse_args()
    for seed in range(given.seed, given.seed + given.count):
        began = time.process_time()
        with tempfile.TemporaryDirectory(prefix="giornata-bringup-") as name:
            done, notes, found = asyncio.run(brought_up(Path(name), gantry(seed).file))
        twin = gantry(seed).file["twin"]["axes"]
        true = {
            axis: (twin[axis]["loop_lag_ms"], twin[axis]["latency_ms"], twin[axis]["belt"]) for axis in twin
        }
        print("\n".join(notes.lines))
        print(f"seed {seed}: {done.stopped_at or 'whole'} {done.why} {time.process_time() - began:.0f} s")
        told = {name: (one.value, one.half_width) for name, one in found.items()}
        print(json.dumps({"found": told, "true": true}), flush=True)
    return 0


if __name__ == "__main__":
    sys.exit(main())
