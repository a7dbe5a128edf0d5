"""``python -m tests.faults.continuing --count N --seed N``: passes stopped anywhere, then gone on with.

Each trial paints one drawing of one technique in virtual time with ``[resume] lines = "continue"``, is stopped on the
path at a random instant of its pass (some a second time), and goes on to the end. Then the gantry's canvas is held
against the planned strokes: nothing is skipped, nothing is painted twice but the overlap, and where a stroke goes on
its line lies on what was there. The homing switches have no scatter here: what two homings differ by is no error of
going on (docs/register.md).
"""

from __future__ import annotations

import argparse
import asyncio
import contextlib
import random
import shutil
import sys
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from pathlib import Path

import numpy as np
import numpy.typing as npt
import shapely

from controller.config.machine import Machine
from controller.config.places import StateDir
from controller.session.operator import SimulatedOperator
from controller.session.runner import Order
from controller.session.service import StoppedError
from controller.session.verbs import paint
from controller.session.watcher import Watcher
from controller.stream.spec import ScheduleTask, StreamOutcome
from drivers.twin.canvas import Canvas
from tests.faults.dying import PASS as PASS_NAME
from tests.faults.dying import PlainRunner, Site
from tests.faults.waves import JOB, NEAR_EDITS, write_scene

OVERLAP_MM = 6.0
ENDS_MM = 1.5
"""The tip lies behind its holder at both ends by less."""
OVERLAP_OFF_MM = 1.0
"""A rounded corner, and the tip behind its holder at two ends that are looked up to a quarter of a mm."""
JOINT_MM = 0.05
LOOK_MM = 40.0

_PATHS = {
    "line": '<path d="M {a} 20 C 60 {b} 90 {c} 140 50" fill="none" stroke="#1f7a78"/>'
    '<path d="M 20 90 L 120 {d}" fill="none" stroke="#1f7a78"/>',
    "corners": '<path d="M 20 20 L {e} 30 L {e} 80 L 40 {d} L 90 60" fill="none" stroke="#1f7a78"/>',
    "loop": '<circle cx="80" cy="60" r="{f}" fill="none" stroke="#1f7a78"/>',
    "flat": '<rect x="20" y="20" width="{f}" height="24" fill="#1f7a78"/>',
    "hatch": '<rect x="20" y="20" width="{f}" height="16" fill="#1f7a78"/>',
    "band": '<path d="M {a} 40 C 60 {b} 90 {c} 140 60" fill="none" stroke="#1f7a78" stroke-width="9"/>',
    "dots": '<circle cx="30" cy="30" r="9" fill="#1f7a78"/><circle cx="80" cy="{d}" r="7" fill="#1f7a78"/>',
}
_TECHNIQUES = {
    "flat": 'fill = "flat"', "band": 'stroke = "band"',
    "hatch": 'fill = "flat"\nstyle = "hatch"\nhatch_angle_deg = 20.0',
}  # fmt: skip
TECHNIQUES = tuple(_PATHS)


@dataclass
class Trial:
    """One trial: how often it was stopped, how strokes went on, and what should not be."""

    technique: str
    number: int
    stops: int = 0
    continued: int = 0
    anew: int = 0
    joint_mm: list[float] = field(default_factory=list)
    overlaps_mm: list[float] = field(default_factory=list)
    problems: list[str] = field(default_factory=list)


class StoppingRunner(PlainRunner):
    """Asks for a controlled stop so many ns after its pass has begun."""

    after_ns: int | None = None

    async def open(self) -> None:
        """Look at the clock from now on."""
        await super().open()
        self._begun_ns: int | None = None
        self._clock.on_advance(self._look)

    async def run(self, order: Order) -> StreamOutcome:
        """Stream; a pass' first tick starts the watch."""
        self._begun_ns = self._clock.now_ns() if isinstance(order.tasks[0], ScheduleTask) else None
        return await super().run(order)

    def _look(self, now_ns: int) -> None:
        if (
            self.after_ns is not None
            and self._begun_ns is not None
            and now_ns > self._begun_ns + self.after_ns
        ):
            self.ask_stop()


def site_of(technique: str, rng: random.Random, folder: Path) -> Site:
    """Machine, drawing and job of one technique, prepared."""
    folder.mkdir(parents=True)
    values = {
        "a": rng.randint(15, 40), "b": rng.randint(0, 110), "c": rng.randint(0, 110), "d": rng.randint(80, 110),
        "e": rng.randint(70, 150), "f": rng.randint(18, 45),
    }  # fmt: skip
    write_scene(
        folder,
        '<svg xmlns="http://www.w3.org/2000/svg" width="400mm" height="300mm" viewBox="0 0 400 300"><g id="waves">'
        f"{_PATHS[technique].format(**values)}</g></svg>",
        JOB
        + (f'[[techniques]]\nink = "teal"\n{_TECHNIQUES[technique]}\n' if technique in _TECHNIQUES else "")
        + f'[resume]\nlines = "continue"\noverlap_mm = {OVERLAP_MM}\n',
        {**NEAR_EDITS, "home_switch_scatter_mm = 0.01": "home_switch_scatter_mm = 0.0"},
    )
    site = Site(folder)
    site.prepare()
    return site


def play(technique: str, seed: int, number: int, folder: Path) -> Trial:
    """One trial, the same every time."""
    rng = random.Random(f"{seed}/{technique}/{number}")
    trial = Trial(technique, number)
    site = site_of(technique, rng, folder)
    part = site.prepared.part(PASS_NAME)
    asked: list[str] = []
    for after_s in [rng.uniform(0.02, part.seconds) for _ in range(rng.choice((1, 1, 2)))] + [None]:
        if _session(site, after_s, asked, home_first=trial.stops == 0 and not asked):
            trial.stops += 1
    trial.continued = sum("goes on from" in question for question in asked)
    trial.anew = sum("painted anew" in question for question in asked)
    _judge(trial, site)
    return trial


def _session(site: Site, after_s: float | None, asked: list[str], *, home_first: bool) -> bool:
    operator = SimulatedOperator()

    def runner_of(machine: Machine, machine_path: Path, state: StateDir) -> StoppingRunner:
        runner = StoppingRunner(machine, machine_path, state)
        runner.after_ns = None if after_s is None else round(1e9 * after_s)
        return runner

    stopped = False
    try:
        asyncio.run(
            paint(
                site.prepared, site.machine, site.state.root, operator, Watcher(), runner_of=runner_of, signals=False,
                home_first=home_first or not (site.state.root / "runs").is_dir(),
            )
        )  # fmt: skip
    except StoppedError:
        stopped = True
    asked += [text for text in operator.asked if "interrupted" in text]
    return stopped


# What is judged -------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Piece:
    """One contact of the pen, along its stroke."""

    from_mm: float
    to_mm: float
    points_mm: npt.NDArray[np.float64]


def pieces(canvas: Canvas, site: Site, trial: Trial) -> list[list[Piece]]:
    """The contacts on each planned stroke, in the order in which they were made."""
    strokes = site.strokes
    lines = [shapely.LineString(strokes.stroke_mm(index)) for index in range(len(strokes))]
    out: list[list[Piece]] = [[] for _ in lines]
    for index in range(canvas.strokes):
        points = canvas.points_mm[canvas.offsets[index] : canvas.offsets[index + 1]]
        some = shapely.points(points[np.unique(np.linspace(0, len(points) - 1, 60).astype(int))])
        best = int(np.argmin([np.median(shapely.distance(line, some)) for line in lines]))
        line = lines[best]
        if float(np.median(shapely.distance(line, some))) > ENDS_MM:
            trial.problems.append(f"contact {index} belongs to no stroke")
            continue
        path = strokes.stroke_mm(best)
        # From both ends: over a long way a contact's own length differs from the path's at every bend.
        out[best].append(
            Piece(_begin_mm(path, points), line.length - _begin_mm(path[::-1], points[::-1]), points)
        )
    return out


def _along(points: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    """How far along a path each of its points (n, 2) is."""
    return np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(points, axis=0).T))])


def _at(points: npt.NDArray[np.float64], along_mm: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    """Places along a path; its end beyond it."""
    along = _along(points)
    return np.stack([np.interp(along_mm, along, points[:, k]) for k in range(2)], axis=-1)


def _begin_mm(path: npt.NDArray[np.float64], points: npt.NDArray[np.float64]) -> float:
    """Where along a path a contact begins: there, its first LOOK_MM run along with the path best. A path that touches
    or crosses itself (a spiral, a loop's end) has many places that are near to one point."""
    steps = np.arange(0.0, min(LOOK_MM, _along(points)[-1]) + 1e-9, 1.0)
    wanted = _at(points, steps)
    begins = np.arange(0.0, _along(path)[-1], 0.25)
    away = np.hypot(*np.moveaxis(_at(path, begins[:, None] + steps[None, :]) - wanted[None], -1, 0))
    return float(begins[away.mean(axis=1).argmin()])


def _judge(trial: Trial, site: Site) -> None:
    canvas, strokes = Canvas.load(site.state.twin / "canvas.npz"), site.strokes
    for stroke, found in enumerate(pieces(canvas, site, trial)):
        length = float(strokes.lengths_mm()[stroke])
        covered = 0.0
        for piece in sorted(found, key=lambda one: one.from_mm):
            if piece.from_mm > covered + ENDS_MM:
                trial.problems.append(
                    f"stroke {stroke}: nothing from {covered:.2f} to {piece.from_mm:.2f} mm"
                )
            covered = max(covered, piece.to_mm)
        if covered < length - ENDS_MM:
            trial.problems.append(f"stroke {stroke}: nothing from {covered:.2f} mm to its end")
        if len(found) > 1 + trial.stops:
            trial.problems.append(f"stroke {stroke}: {len(found)} contacts, {trial.stops} stops")
        for before, after in pairwise(found):
            if after.from_mm <= ENDS_MM:
                continue  # painted anew, as the person was told
            overlap = before.to_mm - after.from_mm
            trial.overlaps_mm.append(overlap)
            if abs(overlap - OVERLAP_MM) > OVERLAP_OFF_MM:
                trial.problems.append(f"stroke {stroke}: goes on with {overlap:.2f} mm of overlap")
            trial.joint_mm.append(_joint_mm(before, after, overlap))
            if trial.joint_mm[-1] > JOINT_MM:
                trial.problems.append(f"stroke {stroke}: {trial.joint_mm[-1]:.3f} mm beside what is there")
    anew = sum(one.from_mm <= ENDS_MM for pieces_ in pieces(canvas, site, trial) for one in pieces_[1:])
    if anew > trial.anew:
        trial.problems.append(f"{anew} strokes painted anew, {trial.anew} told")


def _joint_mm(before: Piece, after: Piece, overlap_mm: float) -> float:
    """How far what goes on lies beside what was there, over their common length but its ends."""
    there = shapely.LineString(before.points_mm)
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(after.points_mm, axis=0).T))])
    common = after.points_mm[along <= max(overlap_mm - 0.5, 0.5)]
    return float(shapely.distance(there, shapely.points(common)).max())


def main(arguments: Sequence[str] | None = None) -> int:
    """Play the campaign; 0 when every picture is whole."""
    parser = argparse.ArgumentParser(
        description="passes stopped anywhere, then gone on with, judged by the canvas"
    )
    parser.add_argument("--count", type=int, default=140, help="trials in all (default %(default)s)")
    parser.add_argument("--seed", type=int, default=1)
    asked = parser.parse_args(arguments)
    trials: list[Trial] = []
    root = Path(tempfile.mkdtemp(prefix="giornata-continuing-"))
    try:
        with contextlib.suppress(KeyboardInterrupt):
            for number in range(asked.count):
                technique = TECHNIQUES[number % len(TECHNIQUES)]
                trials.append(play(technique, asked.seed, number, root / str(number)))
                for problem in trials[-1].problems:
                    print(f"{technique} {number}: {problem}", flush=True)
                shutil.rmtree(root / str(number))
    finally:
        shutil.rmtree(root, ignore_errors=True)
    print(
        "| technique | trials | stops | went on | anew | joints | overlap, mm | joint error, mm, p50 / max | failed |"
    )
    print("|---|---|---|---|---|---|---|---|---|")
    for technique in TECHNIQUES:
        mine = [one for one in trials if one.technique == technique]
        joints = sorted(value for one in mine for value in one.joint_mm)
        overlaps = [value for one in mine for value in one.overlaps_mm]
        said = f"{joints[len(joints) // 2]:.4f} / {joints[-1]:.4f}" if joints else "-"
        over = f"{min(overlaps):.2f} to {max(overlaps):.2f}" if overlaps else "-"
        print(
            f"| {technique} | {len(mine)} | {sum(one.stops for one in mine)} | {sum(one.continued for one in mine)} | "
            f"{sum(one.anew for one in mine)} | {len(joints)} | {over} | {said} | "
            f"{sum(bool(one.problems) for one in mine)} |"
        )
    failed = sum(bool(one.problems) for one in trials)
    print(f"{len(trials)} trials, seed {asked.seed}: {failed} failed")
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
