"""What the journal keeps of register: looks after jumps, and maps through marks."""

from __future__ import annotations

import sqlite3
from pathlib import Path

from controller.session.journal import Journal
from controller.session.rows import HomingRow, MarkMeasured

MATRIX = ((1.0, -0.003, 6.0), (0.003, 1.0, -2.5))
MARKS = (
    MarkMeasured("top-left", (10.0, 10.0), (16.0, 7.5)),
    MarkMeasured("low", (10.0, 900.0), (13.3, 897.5)),
)


def _homed(journal: Journal) -> int:
    session = journal.begin_session("home")
    rows = [HomingRow(axis, (1.0, 2.0), 1.5, 0.01, 1.5, None) for axis in "xy"]
    journal.record_homing(session, None, rows, accepted=True, reason="")
    return session


def test_looks_and_maps_are_kept_for_ever(tmp_path: Path) -> None:
    """Everything comes back as it was written; of two maps both stay, the later one last."""
    path = tmp_path / "j.sqlite"
    journal = Journal.open(path, "boathouse", lambda: 77)
    session = _homed(journal)
    last = journal.homings()[-1]
    journal.add_look(homing=last.id, cause="belt", reason="pulley screw was loose", person="Ada")
    for shift in (0.0, 1.0):
        journal.add_register_map(
            "low-tide", session=session, matrix=((1.0, 0.0, shift), MATRIX[1]), marks=MARKS,
            summary=("rigid", "sure"), person="Ada",
        )  # fmt: skip
    journal.add_register_map("heron", session=None, matrix=MATRIX, marks=(), summary=(), person="Ada")
    journal.close()
    reader = Journal.read(path)
    (look,) = reader.looks()
    assert (look.homing, look.cause, look.reason, look.person, look.at_ms) == (
        last.id, "belt", "pulley screw was loose", "Ada", 77
    )  # fmt: skip
    first, second = reader.register_maps("low-tide")
    assert (first.matrix[0][2], second.matrix[0][2]) == (0.0, 1.0)
    assert second.marks == MARKS
    assert second.summary == ("rigid", "sure")
    assert [row.job for row in reader.register_maps()] == ["low-tide", "low-tide", "heron"]
    assert reader.register_maps("heron")[0].matrix == MATRIX
    reader.close()


def test_journal_of_version_2_is_read_and_brought_up_to_date(tmp_path: Path) -> None:
    """A journal from before looks and maps has none for a reader, and takes them once a session has opened it."""
    path = tmp_path / "j.sqlite"
    journal = Journal.open(path, "boathouse")
    session = _homed(journal)
    journal.begin_pass(
        session, job="low-tide", job_digest="", name="moon-1", ink="moon", ink_index=0, schedule_digest="d",
        folder=tmp_path, strokes=3,
    )  # fmt: skip
    journal.close()
    db = sqlite3.connect(path)
    db.execute("ALTER TABLE passes DROP COLUMN plan_key")
    first = {"meta", "sessions", "passes", "runs", "homings", "strokes", "events", "truth"}
    for (table,) in db.execute("SELECT name FROM sqlite_schema WHERE type = 'table'").fetchall():
        if table not in first:
            db.execute(f"DROP TABLE {table}")
    db.execute("PRAGMA user_version=2")
    db.close()
    reader = Journal.read(path)
    assert (reader.looks(), reader.register_maps()) == ([], [])
    assert [row.plan_key for row in reader.passes()] == [""]
    reader.close()
    journal = Journal.open(path, "boathouse")
    journal.add_look(homing=journal.homings()[-1].id, cause="switch", reason="mount bent", person="Ada")
    assert [row.cause for row in journal.looks()] == ["switch"]
    assert [(row.name, row.plan_key) for row in journal.passes()] == [("moon-1", "")]
    journal.close()
