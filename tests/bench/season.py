"""The wall painted in twelve days, in virtual time, with the troubles of a season; judged by its canvas alone.

    python -m tests.bench.season --out DIR [--seed 1] [--from-day N]   all of it, or on from the morning of a day
    python -m tests.bench.season --out DIR --judge                     judges again what was painted
    python -m tests.bench.season --out DIR --docs                      writes docs/season.png too

Owns the days, the files, and the report. ``tests/scenarios/season.py`` is the world and the person,
``tests/scenarios/seasonjudge.py`` the judge. What happened and every figure: docs/season.md.
"""

from __future__ import annotations

import argparse
import json
import resource
import shutil
import sys
import time
from pathlib import Path

import numpy as np

from controller.session.passcache import FOLDER as CACHE
from tests.bench.mural import ARTWORK, JOB, MACHINE
from tests.scenarios.season import Season, Troubles
from tests.scenarios.seasondays import Day, live

EDGE_MM, ARM_MM = 22.0, 12.0
COLUMNS_MM, ROWS_MM = (22.0, 760.0, 1500.0, 2240.0, 2978.0), (640.0, 1260.0)
SHIPPED_TICK, TICK_US = "tick_us = 4000", 8000
"""Half as many ticks take half the computer's time; five hours of painting have two million."""
TIPS = {
    "mist": 1.01,
    "moon": 1.01,
    "sand": 0.99,
    "coral": 1.04,
    "blue": 1.0,
    "teal": 0.97,
    "night": 1.02,
}
"""How much wider pens truly are than the job says."""
WITHOUT_MARKS = ("mist-1", "sand-1", "teal-1", "night-1", "night-4")
"""Passes of the season by homing alone: the first, the last, and some between."""


def days_of(seed: int) -> tuple[Day, ...]:
    """What happens on which day; instants in a pass are chance."""
    share = np.random.default_rng(seed).uniform
    return (
        Day(2),
        Day(2),
        Day(2, cut=(0, share(0.05, 0.95))),
        Day(2, widths=("coral",)),
        Day(1, dry=(0, share(0.1, 0.7))),
        Day(2, hang=((4.8, -3.6), 0.2)),
        Day(2, cut=(1, share(0.05, 0.95))),
        Day(1, jump=("x", 1)),
        Day(2, widths=("teal",)),
        Day(2, widths=("night",), dry=(0, share(0.05, 0.2))),
        Day(2, cut=(0, share(0.05, 0.95))),
        Day(1),
    )


def marks() -> dict[str, tuple[float, float]]:
    """Fourteen places along the canvas' edge, around the frame."""
    places = {f"top-{k}": (x, EDGE_MM) for k, x in enumerate(COLUMNS_MM, 1)}
    places |= {f"right-{k}": (COLUMNS_MM[-1], y) for k, y in enumerate(ROWS_MM, 1)}
    places |= {f"low-{k}": (x, 1900.0 - EDGE_MM) for k, x in enumerate(COLUMNS_MM[::-1], 1)}
    places |= {f"left-{k}": (EDGE_MM, y) for k, y in enumerate(ROWS_MM[::-1], 1)}
    return places


def scene(folder: Path) -> None:
    """The wall's files, with marks, and pens that last for 45 minutes."""
    folder.mkdir(parents=True)
    shutil.copyfile(ARTWORK, folder / ARTWORK.name)
    machine = MACHINE.read_text()
    assert machine.count(SHIPPED_TICK) == 1
    (folder / "boathouse.toml").write_text(machine.replace(SHIPPED_TICK, f"tick_us = {TICK_US}"))
    text = JOB.read_text().replace("pen_minutes = 15.0", "pen_minutes = 45.0")
    text += f"\n[register]\narm_mm = {ARM_MM}\nuncertainty_mm = {Troubles().noise_mm}\n[register.marks_mm]\n"
    text += "".join(f"{name} = [{x}, {y}]\n" for name, (x, y) in marks().items())
    (folder / "job.toml").write_text("\n".join(text.splitlines()[1:]) + "\n")


def paint(out: Path, seed: int, from_day: int) -> None:
    """The season; every evening a copy of everything, to go on from."""
    begun = time.monotonic()
    folder, days = out / "wall", days_of(seed)

    def say(text: str) -> None:
        print(f"{(time.monotonic() - begun) / 60.0:6.2f} min  {text}", flush=True)

    season = Season(folder, Troubles(tips=TIPS), seed, workers=2, say=say)
    if from_day > 1:
        shutil.rmtree(folder, ignore_errors=True)
        Season(out / "days" / f"{from_day - 1:02d}", season.troubles, seed).keep_as_is(folder)
        season.take_up()
    else:
        scene(folder)
        if (out / "kept").exists():  # what an earlier season has worked out
            shutil.copytree(out / "kept", season.state.root / "prepared" / CACHE)
        season.prepare()
        say("prepared")
        shutil.copytree(season.state.root / "prepared" / CACHE, out / "kept", dirs_exist_ok=True)
    live(season, days, from_day, evening=lambda day: season.keep(out / "days" / f"{day:02d}"))
    minutes = (time.monotonic() - begun) / 60.0
    with (out / "times.jsonl").open("a") as file:
        used = sum(
            sum(resource.getrusage(who)[:2]) for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)
        )
        file.write(json.dumps({"from_day": from_day, "minutes": minutes, "cpu_minutes": used / 60.0}) + "\n")


def paint_by_homing(out: Path, seed: int) -> None:
    """The same days without marks, of a few passes."""
    folder = out / "homing"
    shutil.rmtree(folder, ignore_errors=True)
    scene(folder)
    days = [Day(day.passes, hang=day.hang, jump=day.jump) for day in days_of(seed)]
    season = Season(folder, Troubles(tips=TIPS), seed, marks=False, workers=2, say=print)
    season.prepare()
    live(season, days, only=WITHOUT_MARKS)
    season.keep_tale()


def main(arguments: list[str]) -> int:
    """Do what is asked; 0 when every figure holds."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench.season")
    parser.add_argument("--out", type=Path, required=True, metavar="DIR", help="keeps everything")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--from-day", type=int, default=1, metavar="N")
    parser.add_argument("--judge", action="store_true", help="judge only")
    parser.add_argument("--homing", action="store_true", help="only the season by homing alone")
    parser.add_argument("--docs", action="store_true", help="write docs/season.png")
    asked = parser.parse_args(arguments)
    asked.out.mkdir(parents=True, exist_ok=True)
    if asked.homing:
        paint_by_homing(asked.out, asked.seed)
        return 0
    if not asked.judge:
        paint(asked.out, asked.seed, asked.from_day)
    from tests.bench.seasonreport import report

    return report(asked.out, docs=asked.docs)


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
