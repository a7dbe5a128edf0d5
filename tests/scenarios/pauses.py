"""Passes paused and gone on with, beside the same passes without a pause: what lies on the canvas. Virtual time.

    python -m tests.scenarios.pauses [--count 20] [--seed 1]   so many pictures, three pauses each at random instants

Owns the person who pauses and answers, and the comparison. A few of these are in tests/scenarios/test_pause.py.
"""

from __future__ import annotations

import argparse
import contextlib
import sys
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import NamedTuple

import numpy as np
import numpy.typing as npt
import shapely

from controller.config.load import load_machine
from controller.config.machine import AXES
from controller.report.painted import load_painted
from controller.session.journal import Journal
from controller.session.pausing import Choice
from controller.session.recorder import Advance
from controller.session.runner import PauseAt
from controller.session.service import Service
from controller.session.states import DaemonState
from tests.scenarios.conftest import Bench, Seen, made

SAME_MM = 0.02
SEAM_MM, STRAYED_MM = 3.0, 0.1
"""On bends a line strays so far at most within so many mm of a cut. Before it the motors lead by what was right for the
speed that they had before braking; after it the curve through the vertices has another end."""
OVERLAP_MM = 4.0
Contacts = dict[str, list[npt.NDArray[np.float64]]]
"""By ink, each contact of tip and canvas as painted, canvas mm, in order."""


@dataclass
class Person(Seen):
    """Asks for pauses when so many ticks of passes were sent, and answers them in order."""

    pauses: Sequence[tuple[int, PauseAt]] = ()
    answers: Sequence[Choice] = ()
    questions: list[str] = field(default_factory=list)
    states_asked: list[DaemonState] = field(default_factory=list)
    ticks: int = 0
    service: Service | None = None
    _run: int = 0

    def take(self, service: Service) -> None:
        """The session has come up."""
        self.service = service
        service.pausing.choose = self.choose

    async def choose(self, question: str) -> Choice:
        """The next answer."""
        assert self.service is not None
        self.questions.append(question)
        self.states_asked.append(self.service.daemon.state)
        return self.answers[len(self.questions) - 1]

    def advanced(self, advance: Advance, strokes: int, ticks_total: int) -> None:
        """Count the ticks of all runs of passes; pause when it is time."""
        super().advanced(advance, strokes, ticks_total)
        assert self.service is not None
        if self.service.daemon.state is not DaemonState.PAINTING:
            self._run = 0
            return
        self.ticks += advance.ticks - self._run if advance.ticks > self._run else advance.ticks
        self._run = advance.ticks
        if self.pauses and self.ticks >= self.pauses[0][0]:
            (_, at), *self.pauses = self.pauses
            self.service.pausing.ask(at, "test")


def contacts(bench: Bench) -> Contacts:
    """What is on the simulated canvas."""
    painted = load_painted(bench.state.twin / "canvas.npz")
    found: Contacts = {}
    for index, ink in enumerate(painted.ink_names):
        rows = np.flatnonzero(painted.ink == index)
        found[ink] = [painted.points_mm[painted.offsets[row] : painted.offsets[row + 1]] for row in rows]
    return found


def accounts(bench: Bench) -> list[tuple[str, str, list[int]]]:
    """What the journal says of the passes: name, state, finished strokes."""
    with contextlib.closing(Journal.read(bench.state.journal)) as journal:
        return [(row.name, row.state, journal.finished_strokes(row.id)) for row in journal.passes()]


def beside_mm(
    paths: Sequence[npt.NDArray[np.float64]],
    other: Sequence[npt.NDArray[np.float64]],
    *,
    cut: bool = False,
) -> tuple[float, float]:
    """Largest distances of vertices of ``paths`` from all of ``other``.

    cut: the second is of vertices within ``SEAM_MM`` of a path's ends, the first of all others.
    """
    lines = shapely.MultiLineString([shapely.LineString(one) for one in other if len(one) > 1])
    away = np.concatenate([shapely.distance(shapely.points(one), lines) for one in paths])
    near = np.concatenate(
        [
            (np.hypot(*(one - one[-1]).T) <= SEAM_MM) | (np.hypot(*(one - one[0]).T) <= SEAM_MM)
            for one in paths
        ]
    )
    near &= cut
    return float(away[~near].max(initial=0.0)), float(away[near].max(initial=0.0))


class Reference(NamedTuple):
    """The picture without pauses: contacts, ticks of its passes, journal, and its homings' offsets (n, 2), mm."""

    contacts: Contacts
    ticks: int
    accounts: list[tuple[str, str, list[int]]]
    homed_mm: npt.NDArray[np.float64]


def homed_mm(bench: Bench) -> npt.NDArray[np.float64]:
    """Where each homing found machine zero, (n, 2), mm of the counters: switches scatter."""
    machine = load_machine(bench.machine)
    with contextlib.closing(Journal.read(bench.state.journal)) as journal:
        rows = journal.homings()
    per_axis = [
        [
            row.offset_counts / float(machine.axes[axis].drive.counts_per_mm)
            for row in rows
            if row.axis == axis
        ]
        for axis in AXES
    ]
    return np.array(per_axis).T


def cut_mm(bench: Bench) -> list[float]:
    """How far each stroke was painted in which a run ended."""
    with contextlib.closing(Journal.read(bench.state.journal)) as journal:
        return [
            entry.low_mm
            for row in journal.passes()
            for entry in journal.interruptions(row.id)
            if entry.stroke is not None
        ]


def unpaused(folder: Path, inks: Sequence[str] = ()) -> Reference:
    """The job painted without a pause; all inks if none is given."""
    bench = made(folder)
    person = Person()
    bench.home()
    bench.paint(person, meanwhile=person.take, inks=inks)
    return Reference(contacts(bench), person.ticks, accounts(bench), homed_mm(bench))


def paused(
    folder: Path,
    ticks: int,
    at: PauseAt,
    lines: str,
    answers: Sequence[Choice],
    rng: np.random.Generator,
    inks: Sequence[str] = (),
) -> tuple[Bench, Person]:
    """The same job, with a pause in each of as many equal parts of its ticks as there are answers."""
    bench = made(folder)
    bench.job.write_text(bench.job.read_text() + f'[resume]\nlines = "{lines}"\noverlap_mm = {OVERLAP_MM}\n')
    count = len(answers)
    instants = ((np.arange(count) + rng.uniform(0.05, 0.95, count)) * ticks / count).astype(int)
    person = Person(pauses=[(int(one), at) for one in instants], answers=answers)
    bench.home()
    bench.paint(person, meanwhile=person.take, inks=inks)
    return bench, person


def judge(bench: Bench, reference: Reference, at: PauseAt, *, homed: bool) -> list[str]:
    """What is not as it must be: nothing where all is well. homed: a pause homed, and its switches scatter."""
    found, before, wrong = contacts(bench), reference.contacts, []
    if accounts(bench) != reference.accounts:
        wrong.append(f"journal: expected {reference.accounts}, got {accounts(bench)}")
    scatter = np.ptp(np.concatenate([homed_mm(bench), reference.homed_mm]), axis=0)
    allowed_mm = SAME_MM + (float(np.hypot(*scatter)) if homed else 0.0)
    for ink in before:
        beside, strayed = beside_mm(found[ink], before[ink], cut=at == "path")
        missing, _ = beside_mm(before[ink], found[ink])
        if max(beside, missing) > allowed_mm or strayed > STRAYED_MM + allowed_mm:
            wrong.append(
                f"{ink}: beside the strokes by {beside:.4f} mm, near a cut by {strayed:.4f} mm, missing of them by "
                f"{missing:.4f} mm; {allowed_mm:.4f} mm allowed"
            )
    extra = sum(len(found[ink]) - len(before[ink]) for ink in before)
    cut = cut_mm(bench)
    # A tip that had hardly come down has left no mark.
    least = sum(mm > 0.5 for mm in cut)
    if not least <= extra <= len(cut):
        wrong.append(f"expected {least} to {len(cut)} contacts more, got {extra}")
    if at == "stroke-end" and cut:
        wrong.append(f"expected no stroke cut, got {len(cut)}")
    return wrong


def largest_mm(bench: Bench, before: Contacts, at: PauseAt) -> npt.NDArray[np.float64]:
    """How far the pictures are apart at most: elsewhere, and near a cut."""
    found, cut = contacts(bench), at == "path"
    apart = [beside_mm(found[ink], before[ink], cut=cut) for ink in before]
    missing = [(beside_mm(before[ink], found[ink])[0], 0.0) for ink in before]
    return np.max([*apart, *missing], axis=0)


def main(arguments: Sequence[str]) -> int:
    """Paint and judge; exit code 1 when one is wrong."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--count", type=int, default=20)
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args(arguments)
    rng = np.random.default_rng(options.seed)
    bad, pauses, cut, apart = 0, 0, 0, np.zeros(2)
    with tempfile.TemporaryDirectory() as top:
        (Path(top) / "unpaused").mkdir()
        reference = unpaused(Path(top) / "unpaused")
        for number in range(options.count):
            folder = Path(top) / str(number)
            folder.mkdir()
            at: PauseAt = "path" if number % 3 else "stroke-end"
            lines = "redo" if number % 3 == 1 else "continue"
            answers: list[Choice] = ["home" if rng.random() < 0.2 else "go-on" for _ in range(3)]
            bench, person = paused(folder, reference.ticks, at, lines, answers, rng)
            homed = "home" in answers
            wrong = judge(bench, reference, at, homed=homed)
            pauses += len(person.questions)
            cut += len(cut_mm(bench))
            if not homed:
                apart = np.maximum(apart, largest_mm(bench, reference.contacts, at))
            sys.stdout.write(
                f"{number}: {at}, {lines}, {answers}: {'; '.join(wrong) or 'the same picture'}\n"
            )
            sys.stdout.flush()
            bad += bool(wrong)
    sys.stdout.write(
        f"{options.count} pictures, {pauses} pauses, {cut} strokes cut, "
        f"without homing apart by {apart[0]:.4f} mm at most, {apart[1]:.4f} mm near a cut; {bad} wrong\n"
    )
    return int(bad > 0)


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
