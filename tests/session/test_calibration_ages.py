"""What check says of the history: ages by a clock that was set, tables that homing contradicts."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from controller.calibrate.values import Measured
from controller.config.load import load_machine
from controller.config.places import StateDir, shipped
from controller.session.calibrationages import DAY_MS, check_warnings
from controller.session.clockrows import Reading
from controller.session.journal import Journal

from .test_drifting import BEGIN_MS, rows, scattered

BOATHOUSE = shipped("machines/boathouse.toml")
MACHINE = load_machine(BOATHOUSE)
PLAY = Measured("axes.x.play_mm", 0.25, "mm", 0.02, "comb", 6)


def table(axis: str) -> Measured:
    """A length table, as a tape gives it."""
    value = {"position_mm": (20.0, 2000.0), "error_mm": (0.0, 0.6)}
    return Measured(f"axes.{axis}.length_table", value, "mm", 0.1, "tape", 4)


def warned(root: Path, now_ms: int) -> list[str]:
    """What check says of homing or age; that the shipped file has no such table is not what is asked here."""
    found = [str(one) for one in check_warnings(MACHINE, BOATHOUSE, root, now_ms)]
    return [one for one in found if "the file says" not in one]


def measured(journal: Journal, *values: Measured, session: int | None = None) -> None:
    """Into the history."""
    journal.calibration.add(values, session=session, person="Ada", machine_digest="")


@pytest.mark.parametrize("when", ["before", "after"])
def test_a_table_is_doubted_when_homing_drifts_after_it(tmp_path: Path, when: str) -> None:
    """y sinks by 0.07 mm a day for twenty days: a table of y from before that is told, with rate and date; the table of
    x, where nothing drifts, and one that was measured at the end are not."""
    state = StateDir.open(tmp_path, MACHINE.name)
    days = np.arange(40) / 2.0
    places = scattered(40)
    places[:, 1] += 0.07 * days
    homings = rows(places)
    at = {"now": BEGIN_MS - DAY_MS}
    journal = Journal.open(state.journal, MACHINE.name, now_ms=lambda: at["now"])
    session = journal.begin_session("home")
    if when == "before":
        measured(journal, table("x"), table("y"))
    for first in range(0, len(homings), 2):
        at["now"] = homings[first].at_ms
        journal.record_homing(session, None, homings[first : first + 2], accepted=True, reason="")
    at["now"] += 1000
    if when == "after":
        measured(journal, table("x"), table("y"))
    journal.close()
    found = warned(tmp_path, at["now"] + DAY_MS)
    if when == "after":
        assert found == []
    else:
        (told,) = found
        assert told.startswith("axes.y.length_table: measured on")
        assert "since then homing has shown: " in told
        assert "mm a day" in told


def aged(folder: Path, ahead_ms: int, reboot: bool = False, days: float = 100.0) -> list[str]:
    """Measured by a clock that is off by ``ahead_ms``, which is set right then; what is said true ``days`` later?"""
    state = StateDir.open(folder, MACHINE.name)
    clock = {"true": BEGIN_MS, "off": ahead_ms, "boot": 1}

    def read() -> Reading:
        return Reading(
            clock["true"] + clock["off"], f"boot-{clock['boot']}", clock["true"] - BEGIN_MS + 10_000
        )

    journal = Journal.open(state.journal, MACHINE.name, reading=read)
    session = journal.begin_session("commission")
    run = journal.begin_run(
        session, "homing", lambda number: folder / f"{number}", pass_id=None, first_segment=0
    )
    journal.end_run(run.id, "done", "", realtime=False)
    measured(journal, PLAY, session=session)
    clock["true"] += 60_000
    clock["off"] = 0
    clock["boot"] += reboot
    journal.note("test", "the first word by the clock that was set")
    journal.close()
    return warned(folder, BEGIN_MS + round(days * DAY_MS))


@pytest.mark.parametrize("ahead_days", [-9000.0, -20.0, 0.0, 50.0, 4000.0])
def test_ages_go_by_what_truly_went_by(tmp_path: Path, ahead_days: float) -> None:
    """Whatever the clock said when it was measured: 100 days are told as 100 days, and 80 are not told at all."""
    (told,) = aged(tmp_path / "old", round(ahead_days * DAY_MS))
    assert "axes.x.play_mm: measured on 2026-09-21" in told
    assert "100 days ago (more than 90)" in told
    assert aged(tmp_path / "young", round(ahead_days * DAY_MS), days=80.0) == []


def test_a_clock_that_went_back_while_the_computer_was_off_leaves_no_age(tmp_path: Path) -> None:
    """By how much, nobody knows: the value is not taken for young."""
    (told,) = aged(tmp_path, round(50.0 * DAY_MS), reboot=True, days=10.0)
    assert "nobody knows how long ago" in told


def test_a_value_from_the_future_is_not_young(tmp_path: Path) -> None:
    """Read off a sheet (no session) by a clock that ran ten years ahead."""
    state = StateDir.open(tmp_path, MACHINE.name)
    journal = Journal.open(state.journal, MACHINE.name, now_ms=lambda: BEGIN_MS + 3650 * DAY_MS)
    measured(journal, PLAY)
    journal.close()
    (told,) = warned(tmp_path, BEGIN_MS)
    assert "nobody knows how long ago" in told
