"""A season in small: three days of sag, warmth and worn tips, a canvas hung again, a power cut, a belt that jumps, a
dry pen. Judged by the simulated gantry's canvas alone. Marked ``campaign``: it takes its time.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from controller.config.places import shipped
from tests.scenarios.season import Season, Troubles
from tests.scenarios.seasondays import Day, live
from tests.scenarios.seasonjudge import SEEN_MM, Judge

pytestmark = pytest.mark.campaign

WIDTH, HEIGHT = 800, 500
AT = ((20, 20), (716, 20), (716, 406), (20, 406))
"""Left upper corners of four blocks, each of three inks that touch."""
SIDE = 32

EDITS = {
    "tick_us = 4000": "tick_us = 8000",
    "touches = 4": "touches = 2",
    "start_mm = 300.0": "start_mm = 40.0",
    "start_mm = 220.0": "start_mm = 40.0",
    "park_mm = [120.0, 120.0]": "park_mm = [40.0, 40.0]",
}

MARKS = {
    f"mark-{number}": place
    for number, place in enumerate(
        [(30, 30), (460, 30), (890, 30), (890, 310), (890, 590), (460, 590), (30, 590), (30, 310)], 1
    )
}

INKS = {"moon": ("#f2b93b", 8.0), "teal": ("#1f7a78", 8.0), "night": ("#1b2a41", 6.0)}

TIPS = {"moon": 1.01, "teal": 0.98, "night": 1.02}

DAYS = (
    Day(passes=1),
    Day(passes=1, hang=((4.8, -3.6), 0.2), cut=(0, 0.42)),
    Day(passes=1, jump=("x", 1), dry=(0, 0.3), noticed_after_minutes=0.1, said_minutes=0.18),
)


def _shapes() -> dict[str, list[str]]:
    found: dict[str, list[str]] = {ink: [] for ink in INKS}
    for x, y in AT:
        found["moon"].append(f'<rect x="{x}" y="{y}" width="{SIDE}" height="40"/>')
        found["teal"].append(f'<rect x="{x + SIDE}" y="{y}" width="{SIDE}" height="40"/>')
        found["night"].append(f'<rect x="{x}" y="{y + 40}" width="{2 * SIDE}" height="24"/>')
    return found


def scene(folder: Path) -> Path:
    """Machine, drawing and job."""
    folder.mkdir(parents=True, exist_ok=True)
    machine = shipped("machines/boathouse.toml").read_text()
    for old, new in EDITS.items():
        assert old in machine, old
        machine = machine.replace(old, new)
    (folder / "boathouse.toml").write_text(machine)
    groups = "".join(f'<g id="{ink}">{"".join(shapes)}</g>' for ink, shapes in _shapes().items())
    (folder / "season.svg").write_text(
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{WIDTH}mm" height="{HEIGHT}mm" viewBox="0 0 {WIDTH} {HEIGHT}">'
        f"{groups}</svg>"
    )
    inks = "".join(
        f'[[inks]]\nname = "{ink}"\ngroup = "{ink}"\ncolour = "{colour}"\ntip_mm = {tip}\ntip = "{ink}"\n'
        for ink, (colour, tip) in INKS.items()
    )
    tips = "".join(
        f"[tips.{ink}]\nmetres = [0, 2, 5]\nwidth_mm = [{tip}, {tip + 0.1}, {tip + 0.2}]\n"
        for ink, (_, tip) in INKS.items()
    )
    marks = "".join(f"{name} = [{x}, {y}]\n" for name, (x, y) in MARKS.items())
    (folder / "job.toml").write_text(
        'format = 1\nname = "low-tide-season"\nartwork = "season.svg"\norigin_mm = [60.0, 60.0]\n'
        f"[register]\narm_mm = 6.0\nuncertainty_mm = 0.1\n[register.marks_mm]\n{marks}{inks}{tips}"
        '[[techniques]]\nfill = "flat"\n[traps]\nwidth_mm = 3.0\n'
    )
    return folder


@pytest.fixture(scope="module")
def season(tmp_path_factory: pytest.TempPathFactory) -> Season:
    """Three days, lived once."""
    found = Season(scene(tmp_path_factory.mktemp("season") / "wall"), Troubles(tips=TIPS), seed=1)
    live(found, DAYS)
    return found


@pytest.fixture(scope="module")
def judge(season: Season) -> Judge:
    """Of the whole season."""
    return Judge(season)


def told(season: Season, what: str) -> list[dict]:
    """What the tale says of it."""
    return [entry for entry in season.tale.log if entry["what"] == what]


def test_no_two_inks_lie_further_apart_than_three_tenths(judge: Judge) -> None:
    """At strokes' ends and along them, whatever happened between the inks: 0.3 mm at most."""
    pairs = judge.register()
    assert [pair.inks for pair in pairs] == [("moon", "teal"), ("moon", "night"), ("teal", "night")]
    assert all(pair.places >= 8 for pair in pairs)
    assert max(pair.largest_mm for pair in pairs) <= 0.3
    assert max(pair.across_mm for pair in pairs) <= 0.3


def test_no_trap_shows_canvas(judge: Judge) -> None:
    """Where two inks overlap no canvas is seen that a perfect machine would have painted, by the tips' true widths."""
    bare = judge.bare()
    assert bare.traps_mm2 > 500.0
    assert bare.widest_mm <= SEEN_MM
    assert bare.beyond_mm2 <= 1e-4 * bare.traps_mm2


def test_no_stroke_is_missing_or_there_twice(judge: Judge) -> None:
    """All strokes are on the canvas; what is there again was interrupted, or mended because its pen was dry."""
    account = judge.account()
    assert (account.missing, account.twice, account.stray) == ([], [], [])
    assert account.cut == 2  # of the power cut and of the dry pen's stop
    assert account.redone >= 1
    assert account.faded_m > 0.1
    assert account.unmended_m == 0.0
    assert account.mended >= 1


def test_jumped_belt_is_named_and_stops_painting_until_somebody_looked(season: Season) -> None:
    """The homing is refused, then the one that a person accepted, then the jump: each time in words, a tooth of x."""
    (jump,) = told(season, "jump looked at")
    assert [(one["axis"], one["finding"], one["teeth"]) for one in jump["named"]] == [("x", "tooth jump", 1)]
    homing, once, twice = jump["said"]
    assert "one belt pitch" in homing
    assert "giornata home: a second homing" in once
    assert "--looked" in twice


def test_person_was_asked_for_all_of_it(season: Season) -> None:
    """Marks were measured on both later mornings, and all days' passes were painted."""
    assert len(told(season, "marks")) == 2
    assert season.tale.marks == 2 * len(MARKS)
    assert [name for entry in told(season, "painted") for name in entry["passes"]] == [
        "moon-1",
        "teal-1",
        "night-1",
    ]


def test_judge_sees_what_is_wrong(season: Season, judge: Judge) -> None:
    """A contact taken from the canvas is missing and shows canvas; an ink moved by half a millimetre is off by it."""
    taken = Judge(season)
    row = next(
        place
        for place, one in enumerate(taken.contacts)
        if one.part == "moon-1" and len(one.points_mm) > 1000
    )
    del taken.contacts[row]
    assert len(taken.account().missing) == 1
    assert taken.bare().widest_mm > SEEN_MM
    moved = Judge(season)
    for one in moved.contacts:
        if one.ink == "teal":
            one.points_mm = one.points_mm + np.array([0.5, 0.0])
    was = {pair.inks: pair.largest_mm for pair in judge.register()}
    now = {pair.inks: pair.largest_mm for pair in moved.register()}
    assert now["moon", "night"] == was["moon", "night"]
    assert now["moon", "teal"] > 0.3
