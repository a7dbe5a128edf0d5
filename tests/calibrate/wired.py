"""``python -m tests.calibrate.wired --seed 3``: a gantry drawn at random, commissioned whole over the wire.

From a builder's file and a machine that nobody has switched on yet: every step of ``commission``, lag and dead time by
``identify steps``, then the sheets, each prepared and painted as any job by the streamer's own code over the simulated
wire in virtual time, jitter of the latencies and trim included. A person (``tests.calibrate.unattended``) reads what
lies on the gantry's canvas; values go through the history into the machine file, and the next sheet is drawn by it.
Owns how sheets come on to that canvas. ``--json`` adds each seed to a file for ``tests.calibrate.seeds --table``.
"""

from __future__ import annotations

import argparse
import asyncio
import json
import sys
import tempfile
import time
import tomllib
from collections.abc import Sequence
from dataclasses import asdict
from pathlib import Path
from typing import Any

from controller.calibrate.sheets.page import Sheet
from controller.calibrate.sheets.write import write_sheet
from controller.calibrate.values import Measured
from controller.config.errors import HaltedError
from controller.config.machine import Machine
from controller.config.places import StateDir
from controller.session import verbs
from controller.session.calibrationkeep import kept
from controller.session.operator import SimulatedOperator
from controller.session.prepare import prepare
from controller.session.virtualrunner import VirtualRunner
from drivers.twin.canvas import Canvas
from tests.calibrate.bringup import Notes, brought_up, loops
from tests.calibrate.gantries import Gantry, Given, as_toml, gantry, heed
from tests.calibrate.judged import judge, truth_of
from tests.calibrate.painted import Vector
from tests.calibrate.seeds import rows_of, table
from tests.calibrate.unattended import Commissioned, read

PERSON = "Ada"


class Unpictured(VirtualRunner):
    """Keeps canvas and record, and draws no picture of them."""

    async def close(self) -> None:
        """Save the world."""
        if self.world is not None:
            self.world.save(picture=False)
            self.world.link.close()
            self.world = None


class Wired(Commissioned):
    """A machine file and a state folder; values go through the history, sheets over the wire."""

    def __init__(self, folder: Path, notes: Notes) -> None:
        self.path, self.root, self.notes = folder / "m.toml", folder / "s", notes
        self.metres, self.passes = 0.0, 0
        super().__init__({}, paint=self.painted)
        self.read_file()

    def read_file(self) -> None:
        """As it stands."""
        self.file = tomllib.loads(self.path.read_text())

    def keep(self, found: Sequence[Measured]) -> None:
        """Into history and machine file, as ``giornata calibration`` does."""
        kept(self.path, self.root, list(found), PERSON, write=True)
        self.measured |= {one.field: one for one in found}
        self.read_file()

    def heed(self) -> None:
        """The lower jerk goes the same way."""
        asked: Given = json.loads(json.dumps(self.file))
        heed(asked)
        if (jerk := asked["motion"]["jerk_mm_s3"]) != self.file["motion"]["jerk_mm_s3"]:
            self.keep(
                [Measured("motion.jerk_mm_s3", jerk, "mm/s3", None, "check", 1, "a setting, no quantity")]
            )

    def painted(
        self, sheet: Sheet, machine: Machine, folder: Path, ink: str, take: Sequence[int] | None
    ) -> list[Vector]:
        """As ``tests.calibrate.painted.painted``, over the wire; a canvas of its own for each ink."""
        files = write_sheet(sheet, folder)
        by = folder / "by.toml"
        by.write_text(as_toml(machine.model_dump(mode="json", exclude_none=True, exclude_unset=True)))
        prepared = prepare(files.job, by, folder / "prepared")
        state = StateDir(self.root)
        (state.twin / "canvas.npz").unlink(missing_ok=True)
        done = asyncio.run(
            verbs.paint(
                prepared, by, self.root, SimulatedOperator(), self.notes, inks=(ink,), again=True, home_first=True,
                runner_of=Unpictured, signals=False,
            )
        )  # fmt: skip
        self.passes += len(done.passes)
        self.metres += sum(prepared.part(one.name).metres for one in done.passes)
        canvas = Canvas.load(state.twin / "canvas.npz")
        contacts = [canvas.stroke_mm(number) for number in range(canvas.strokes)]
        assert len(contacts) == sum(prepared.part(one.name).strokes for one in done.passes)
        return contacts if take is None else [contacts[number] for number in take]


def wired(
    one: Gantry, folder: Path, rounds: int = 2, places: int = 3, *, stiff: bool = False
) -> tuple[Wired, Notes]:
    """The whole way, waves left out where belts are taken for ``stiff``.

    Raises RuntimeError where the bring-up does not come to its end.
    """
    file = json.loads(json.dumps(one.file))
    for axis, jitter in one.jitter_ms.items():
        file["twin"]["axes"][axis]["latency_jitter_ms"] = jitter
    brought, notes, found = asyncio.run(brought_up(folder, file))
    if brought.why:
        raise RuntimeError(f"seed {one.seed}: {brought.stopped_at}: {brought.why}")
    done = Wired(folder, notes)
    if not found:
        found = asyncio.run(loops(done.path, done.root, notes))
        done.read_file()
    done.measured |= found
    read(done, one, rounds, places, stiff=stiff)
    return done, notes


def one_seed(seed: int, rounds: int, places: int, *, before: bool, stiff: bool) -> dict[str, Any]:
    """A gantry commissioned and judged, as ``tests.calibrate.seeds`` does."""
    began = time.process_time()
    one = gantry(seed)
    with tempfile.TemporaryDirectory(prefix="giornata-wired-") as name:
        done, notes = wired(one, Path(name), rounds, places, stiff=stiff)
        spent = time.process_time() - began
        truth = truth_of(one.file)
        # Judged past the wire, where jitter has nothing that trims it.
        file = done.file | {"twin": one.file["twin"]}
        judged = Commissioned(file, done.measured, done.refused)
        figures = {"after": judge(judged.machine(), truth)}
        if before:
            figures["before"] = judge(one.machine(), truth)
    return {
        "seed": seed, "rows": rows_of(one, judged), "refused": done.refused,
        "figures": {when: asdict(found) | {"holds": found.holds} for when, found in figures.items()},
        "cpu_s": spent, "passes": done.passes, "metres": done.metres, "notes": notes.lines,
    }  # fmt: skip


def main() -> int:
    """Commission gantries and print what was found."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--count", type=int, default=1)
    parser.add_argument("--rounds", type=int, default=2)
    parser.add_argument("--places", type=int, default=3)
    parser.add_argument("--stiff", action="store_true", help="leave the waves sheet out")
    parser.add_argument("--before", action="store_true", help="judge the builder's file, too")
    parser.add_argument("--json", type=Path, help="add a line a seed to this file")
    given = parser.parse_args()
    seeds = []
    for seed in range(given.seed, given.seed + given.count):
        try:
            seeds.append(one_seed(seed, given.rounds, given.places, before=given.before, stiff=given.stiff))
        except (RuntimeError, HaltedError) as error:
            print(f"seed {seed}: {error}", flush=True)
            continue
        if given.json:
            with given.json.open("a") as file:
                file.write(json.dumps(seeds[-1]) + "\n")
        last = seeds[-1]
        print(
            f"seed {seed}: {last['passes']} passes, {last['metres']:.0f} m, {last['cpu_s']:.0f} s", flush=True
        )
    if seeds:
        print(table(seeds))
    return 0 if len(seeds) == given.count else 1


if __name__ == "__main__":
    sys.exit(main())
