"""The season's figures as tables, and its canvas as a picture. Owns words and drawing; the judge owns every figure."""

from __future__ import annotations

import io
import json
import re
import shutil
from dataclasses import asdict
from pathlib import Path
from typing import Any

import matplotlib as mpl
import numpy as np
import shapely
from PIL import Image

from tests.scenarios.season import Season, Troubles
from tests.scenarios.seasondays import NOTICED_AFTER_MINUTES
from tests.scenarios.seasonjudge import SEEN_MM, Account, Bare, Judge, Pair

REGISTER_MM, HOMING_MM = 0.3, 2.0
"""What register between two inks must be at most, and what it comes to at least by homing alone."""
DOCS = Path(__file__).parents[2] / "docs"


def report(out: Path, *, docs: bool = False) -> int:
    """Print everything, keep it in ``out``; 0 when every figure holds."""
    from tests.bench.season import TIPS, WITHOUT_MARKS

    season = Season(out / "wall", Troubles(tips=TIPS), 1)
    season.take_up()
    judge = Judge(season)
    pairs, account = judge.register(), judge.account()
    bare = judge.bare()
    problems = [
        f"{' and '.join(pair.inks)}: {max(pair.largest_mm, pair.across_mm):.3f} mm of register error"
        for pair in pairs
        if max(pair.largest_mm, pair.across_mm) > REGISTER_MM
    ]
    print(table(pairs))
    print(
        f"traps {bare.traps_mm2:.0f} mm2; bare {bare.bare_mm2:.2f}, by a perfect machine {bare.perfect_mm2:.2f}, "
        f"beyond {bare.beyond_mm2:.2f} mm2 in {bare.places} places, the widest {bare.widest_mm:.3f} mm"
    )
    problems += [f"a bare trap, {bare.widest_mm:.3f} mm wide"] if bare.widest_mm > SEEN_MM else []
    print(
        f"{account.strokes} strokes planned, {account.mended} of them in mends; contacts cut short {account.cut}; "
        f"strokes painted again after an interruption {account.redone}; painted by a dry pen "
        f"{account.faded_m:.2f} m, of it not mended {account.unmended_m:.3f} m"
    )
    for name in ("twice", "missing", "stray"):
        found = getattr(account, name)
        print(f"{name}: {len(found)} {', '.join(found[:8])}")
        problems += [f"{name}: {len(found)}"] if found else []
    problems += ["a dry pen's strokes were not all mended"] if account.unmended_m > 0.0 else []
    for entry in season.tale.log:
        print(json.dumps(entry))
    tale = season.tale
    print(f"questions {tale.questions}, marks read {tale.marks}, lines measured {tale.readings}")
    homing = None
    if (out / "homing" / "tale.json").exists():
        alone = Season(out / "homing", Troubles(tips=TIPS), 1, marks=False)
        alone.take_up()
        homing = Judge(alone, WITHOUT_MARKS).register()
        print("by homing alone")
        print(table(homing))
        most = max(pair.largest_mm for pair in homing)
        problems += [] if most > HOMING_MM else [f"by homing alone only {most:.2f} mm"]
    answer = {
        "pairs": [asdict(pair) for pair in pairs],
        "homing": None if homing is None else [asdict(pair) for pair in homing],
        "bare": asdict(bare),
        "account": asdict(account),
        "problems": problems,
    }
    (out / "judged.json").write_text(json.dumps(answer, indent=1))
    picture(judge, out / "season.png")
    if docs:
        shutil.copyfile(out / "season.png", DOCS / "season.png")
        write_page(
            DOCS / "season.md",
            sections(out, season, pairs, homing, account, bare),
        )
    print("\n".join(["what does not hold:", *problems]) if problems else "everything holds")
    return 1 if problems else 0


def sections(
    out: Path, season: Season, pairs: list[Pair], homing: list[Pair] | None, account: Account,
    bare: Bare,
) -> dict[str, str]:  # fmt: skip
    """The page's figures, by the name of their place in it."""
    tale = season.tale
    marks = [entry for entry in tale.log if entry["what"] == "marks"]
    times = [json.loads(line) for line in (out / "times.jsonl").read_text().splitlines()]
    found = {
        "picture": "![The wall as it lies on the simulated canvas after twelve days](season.png)",
        "days": days_table(tale.log),
        "person": (
            f"{tale.questions} questions answered (pens, maps, what was found), {tale.marks} marks read in "
            f"{len(marks)} sets, {tale.readings} lines measured."
        ),
        "register": table(pairs),
        "traps": (
            f"Of {bare.traps_mm2:.0f} mm² of traps {bare.bare_mm2:.2f} mm² show canvas, by a perfect machine "
            f"{bare.perfect_mm2:.2f} mm². {bare.beyond_mm2:.2f} mm² are not beside those: {bare.places} slivers, the "
            f"widest {bare.widest_mm:.3f} mm wide, where an eye at 300 mm tells {SEEN_MM} mm. "
            f"Of {account.strokes} strokes planned, {account.mended} of them in "
            f"mends, {len(account.missing)} are missing and {len(account.twice)} there twice for no reason; "
            f"{account.redone} were painted again after an interruption, {account.cut} contacts were cut short, "
            f"{len(account.stray)} belong to no stroke. Dry pens painted {account.faded_m:.2f} m, of which mends and "
            f"what followed left {account.unmended_m:.2f} m."
        ),
        "times": (
            f"{sum(one['minutes'] for one in times):.0f} minutes of wall time for all days, "
            f"{sum(one['cpu_minutes'] for one in times):.0f} of processor time."
        ),
    }
    return found if homing is None else {**found, "homing": table(homing)}


WORDS = {
    "painted": lambda one: f"{', '.join(one['passes'])} painted",
    "marks": lambda one: f"{one['count']} marks, {one['kind']} map",
    "marks refused": lambda one: "marks refused, measured again",
    "canvas hung again": lambda one: (
        f"canvas hung again, {np.hypot(*one['shift_mm']):.0f} mm off, {one['turn_deg']}°"
    ),
    "belt jumped": lambda one: f"belt of {one['axis']} jumps a tooth",
    "jump looked at": lambda one: (
        "homing refused; named: "
        + (
            ", ".join(f"{jump['finding']} on {jump['axis']}, {jump['mm']:.2f} mm" for jump in one["named"])
            or "nothing"
        )
        + "; painting refused until looked at"
    ),
    "line measured": lambda one: f"line of {one['ink']} measured: {one['mm']:.2f} mm",
    "power cut": lambda one: (
        f"power cut in {one['at']}, after {100 * one['share']:.0f} % of its time; homed, gone on"
    ),
    "pen dry": lambda one: f"pen dry in {one['at']}; noticed after {NOTICED_AFTER_MINUTES:.0f} min, stopped",
    "mend": lambda one: f"{', '.join(one['passes'])}: {one['strokes']} strokes, {one['metres']} m",
}
"""What the tale says, in words for a table."""


def days_table(log: list[dict[str, Any]]) -> str:
    """A line a day."""
    lines = ["| day | what |", "|---|---|"]
    for day in sorted({entry["day"] for entry in log}):
        said = [WORDS[one["what"]](one) for one in log if one["day"] == day and one["what"] in WORDS]
        lines.append(f"| {day} | {'; '.join(said)} |")
    return "\n".join(lines)


def write_page(path: Path, found: dict[str, str]) -> None:
    """Put the figures into their places in the page."""
    text = path.read_text()
    for name, words in found.items():
        pattern = rf"(<!-- {name} -->\n).*?(<!-- end -->)"
        text, count = re.subn(
            pattern, lambda match, words=words: f"{match[1]}{words}\n{match[2]}", text, flags=re.DOTALL
        )
        assert count == 1, name
    path.write_text(text)


def table(pairs: list[Pair]) -> str:
    """As it stands in the document."""
    lines = [
        "| inks | largest mm | 99 % mm | along strokes, across | places | where |",
        "|---|---|---|---|---|---|",
    ]
    lines += [
        f"| {pair.inks[0]}, {pair.inks[1]} | {pair.largest_mm:.3f} | {pair.p99_mm:.3f} | {pair.across_mm:.3f} | "
        f"{pair.places} | {pair.where_mm[0]:.0f}, {pair.where_mm[1]:.0f} |"
        for pair in pairs
    ]
    return "\n".join(lines)


def picture(judge: Judge, path: Path, width_px: int = 1300, finer: int = 3, colours: int = 48) -> None:
    """What lies on the canvas, contact upon contact, each as wide as its tip truly was; crosses too."""
    mpl.use("Agg")
    import matplotlib.pyplot as plt
    from matplotlib.collections import LineCollection

    colour = {ink.name: ink.colour for ink in judge.job.inks}
    width, height = 3000.0, 1900.0
    dpi = 100.0
    inches = width_px * finer / dpi
    figure = plt.figure(figsize=(inches, inches * height / width), dpi=dpi, facecolor="#f6efdf")
    axes = figure.add_axes((0.0, 0.0, 1.0, 1.0))
    axes.set_xlim(0.0, width)
    axes.set_ylim(height, 0.0)
    axes.set_axis_off()
    points_per_mm = 72.0 * inches / width
    inks = [one.ink for one in judge.contacts]
    changes = np.flatnonzero(np.array(inks[1:]) != np.array(inks[:-1])) + 1
    for order, run in enumerate(np.split(np.arange(len(inks)), changes)):
        mine = [judge.contacts[row] for row in run.tolist() if len(judge.contacts[row].seen_mm) > 1]
        lines = [
            shapely.get_coordinates(shapely.simplify(shapely.linestrings(one.seen_mm), 0.05)) for one in mine
        ]
        axes.add_collection(
            LineCollection(
                lines, linewidths=[one.width_mm * points_per_mm for one in mine], colors=colour[mine[0].ink],
                capstyle="round", joinstyle="round", snap=False, zorder=order,
            )
        )  # fmt: skip
    drawn = io.BytesIO()
    figure.savefig(drawn, format="png", dpi=dpi, facecolor=figure.get_facecolor())
    plt.close(figure)
    image = Image.open(drawn).convert("RGB").reduce(finer)
    image.quantize(colours, dither=Image.Dither.NONE).save(path, optimize=True)
