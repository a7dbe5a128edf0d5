"""Damaged job files, thousands of them: `python -m tests.fuzz.job --count 20000 --seed 1`.

Each trial damages one of two jobs, by its values or by its bytes, and asks of it what a person would: `giornata
check`, then its drawing, and which ink and technique each shape gets. The answer must be a job that holds or mistakes
in words: nothing else, within the bounds of ``tests.fuzz.campaign``, and no file is opened but the job and its artwork.
"""

from __future__ import annotations

import contextlib
import io
import json
import os
import random
import sys
import tempfile
import tomllib
from collections.abc import Callable
from pathlib import Path

import numpy as np

from controller.artwork.model import Drawing
from controller.artwork.read import read_drawing
from controller.cli.console import Exit
from controller.cli.main import main
from controller.config.errors import InputError
from controller.config.job import Job
from controller.config.load import load_job
from controller.strokes.inks import AS_DRAWN, BARE_CANVAS, Assigned, assign, mistakes_of, painting_order
from tests.fuzz.campaign import Campaign, Guard, Outcome, held, run_from_command_line, run_trials, words_amiss
from tests.fuzz.svg import LIMITS, ROOT
from tests.fuzz.tables import damaged_file

HERE = Path(__file__).parent
SOURCES = (HERE / "boathouse.toml", ROOT / "configs/jobs/low-tide/job.toml")
DRAWINGS = (HERE / "boathouse.svg", ROOT / "configs/jobs/low-tide/low-tide.svg")
GOOD = frozenset({"painted", "refused", "does not fit its drawing"})


def damaged(seed: int, trial: int) -> bytes:
    """The job file of one trial."""
    chance = random.Random(f"{seed}/{trial}")
    return damaged_file(chance.choice(SOURCES).read_text(encoding="utf-8"), chance)


def furnish(folder: Path) -> None:
    """What a path in a job may meet: drawings, a folder, a pipe that nobody writes to, a link to itself."""
    if (folder / "pipe").exists():
        return
    for drawing in DRAWINGS:
        (folder / drawing.name).write_bytes(drawing.read_bytes())
    (folder / "folder").mkdir()
    os.mkfifo(folder / "pipe")
    (folder / "loop").symlink_to("loop")


def allowed(file: Path, data: bytes) -> list[Path]:
    """What may be opened: the job, and what it names as its artwork."""
    try:
        named = tomllib.loads(data.decode("utf-8")).get("artwork")
    except (ValueError, RecursionError):
        return [file]
    return [file, file.parent / named] if isinstance(named, str) else [file]


def check_job(job: Job) -> None:
    """Hold a job against itself. Raises AssertionError."""
    names = [ink.name for ink in job.inks]
    assert len(set(names)) == len(names) > 0
    assert sorted(painting_order(job)) == list(range(len(job.inks)))
    for ink in job.inks:
        assert 0.0 < ink.step_mm <= ink.tip_mm < np.inf
        if ink.tip is not None:
            table = job.tips[ink.tip]
            assert table.metres[0] == 0.0
            assert table.width_mm[0] == ink.tip_mm
            assert len(table.metres) == len(table.width_mm)
            assert (np.diff(table.metres) > 0.0).all()
    for one in job.techniques:
        assert one.ink is None or one.ink in names
        if one.fill == "screen":
            assert one.pitch_mm is not None
            assert (one.tint is None) != (one.diameter_mm is None)


def check_assigned(assigned: Assigned, drawing: Drawing, job: Job) -> None:
    """Every shape has an ink that there is and a technique that there is, or none. Raises AssertionError."""
    for part in ("fill", "stroke"):
        ink, technique = getattr(assigned, f"{part}_ink"), getattr(assigned, f"{part}_technique")
        assert ink.shape == technique.shape == (len(drawing.shapes),)
        assert ((ink >= BARE_CANVAS) & (ink < len(job.inks))).all()
        assert ((technique >= AS_DRAWN) & (technique < len(job.techniques))).all()
        assert (technique[ink < 0] == AS_DRAWN).all()
        for row in np.flatnonzero(technique != AS_DRAWN):
            one = job.techniques[technique[row]]
            assert one.ink in (None, job.inks[ink[row]].name)
            assert one.layer is None or one.layer in drawing.layers[drawing.shapes["layer"][row]]
    told = {element for one in assigned.unmatched for element in one.elements}
    lost = [
        (drawing.shapes[part] >= 0) & (getattr(assigned, f"{part}_ink") == -1) for part in ("fill", "stroke")
    ]
    rows = drawing.shapes["element"][lost[0] | lost[1]]
    assert told == {drawing.element_ids[row] for row in rows}


def asked(file: Path, *, in_words: bool) -> bool:
    """Whether `giornata check` finds the file, and of a job its drawing, good. AssertionError for useless answers."""
    said, told = io.StringIO(), io.StringIO()
    with contextlib.redirect_stdout(said), contextlib.redirect_stderr(told):
        code = main(["check", str(file)] if in_words else ["check", "--json", str(file)])
    assert code in (Exit.DONE, Exit.BAD_INPUT), told.getvalue()
    assert "\x1b" not in said.getvalue() + told.getvalue()
    if not in_words:
        answer = json.loads(said.getvalue())
        assert answer["ok"] == (code == Exit.DONE)
        if code == Exit.BAD_INPUT:
            assert answer["error"]["kind"] == "input"
            assert answer["error"]["mistakes"]
    return code == Exit.DONE


def run_trial(data: bytes, folder: Path, guard: Guard, *, in_words: bool = False) -> Outcome:
    """Ask all of one damaged job."""
    furnish(folder)
    file = folder / "job.toml"
    file.write_bytes(data)

    def act() -> str:
        fine = asked(file, in_words=in_words)
        try:
            job = load_job(file)
        except InputError:
            assert not fine
            raise
        check_job(job)
        drawing = read_drawing(job, file, LIMITS)
        assigned = assign(drawing, job)
        check_assigned(assigned, drawing, job)
        if mistakes := mistakes_of(drawing, assigned, job, file):
            return words_amiss(InputError(mistakes)) or "does not fit its drawing"
        return "painted" if fine else "refused"

    return held(act, guard, allowed(file, data))


def run_campaign(count: int, seed: int, tell: Callable[[str], None] | None = None) -> Campaign:
    """Run trials 0 to ``count`` of a seed."""

    def trial(number: int, folder: Path, guard: Guard) -> Outcome:
        data = SOURCES[0].read_bytes() if number < 0 else damaged(seed, number)
        return run_trial(data, folder, guard, in_words=number % 8 == 0)

    return run_trials(trial, GOOD, count, tell)


def _once(seed: int, trial: int) -> Outcome:
    with tempfile.TemporaryDirectory() as folder:
        return run_trial(damaged(seed, trial), Path(folder), Guard(), in_words=trial % 8 == 0)


if __name__ == "__main__":
    sys.exit(run_from_command_line("job files", damaged, run_campaign, _once))
