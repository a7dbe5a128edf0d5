"""The journal keeps what it has said it kept."""

from __future__ import annotations

import os
import shutil
import signal
import sqlite3
import subprocess
import sys
from pathlib import Path

import pytest

from controller.config.errors import InputError
from controller.session.journal import Journal
from controller.session.rows import HomingRow


def _journal(path: Path, machine: str = "boathouse") -> Journal:
    ticking = iter(range(1_000, 1_000_000))
    return Journal.open(path, machine, now_ms=lambda: next(ticking))


def _homing(axis: str, offset: float, difference: float | None = None) -> HomingRow:
    return HomingRow(axis, (offset - 1.0, offset + 1.0), offset, 0.01, offset, difference)


def _begin_pass(journal: Journal, session: int, ink: str = "moon", digest: str = "d1") -> int:
    return journal.begin_pass(
        session, job="low-tide", job_digest="j", name=f"{ink}-1", ink=ink, ink_index=0, schedule_digest=digest,
        folder=Path("/nowhere") / ink, strokes=5,
    ).id  # fmt: skip


def test_journal_of_another_machine_is_refused(tmp_path: Path) -> None:
    """A journal is bound to one machine's name; the message names both."""
    _journal(tmp_path / "j.sqlite").close()
    with pytest.raises(
        InputError, match=r"j\.sqlite: machine: expected the journal of 'barn', got .*'boathouse'"
    ):
        Journal.open(tmp_path / "j.sqlite", "barn")


def test_journal_of_version_1_is_read_and_brought_up_to_date(tmp_path: Path) -> None:
    """A journal from before passes had names: each was its ink's only one. Readers leave it, a session changes it."""
    path = tmp_path / "j.sqlite"
    journal = _journal(path)
    pass_id = _begin_pass(journal, journal.begin_session("paint"))
    journal.end_pass(pass_id, "finished")
    journal.close()
    db = sqlite3.connect(path)
    db.execute("ALTER TABLE passes DROP COLUMN name")
    db.execute("ALTER TABLE passes DROP COLUMN plan_key")
    first = {"meta", "sessions", "passes", "runs", "homings", "strokes", "events", "truth"}
    for (table,) in db.execute("SELECT name FROM sqlite_schema WHERE type = 'table'").fetchall():
        if table not in first:
            db.execute(f"DROP TABLE {table}")
    db.execute("PRAGMA user_version=1")
    db.close()
    for _ in range(2):
        reader = Journal.read(path)
        assert [(row.name, row.ink, row.state) for row in reader.passes()] == [("moon-1", "moon", "finished")]
        reader.close()
    journal = _journal(path)
    found = journal.latest_pass("low-tide", "moon-1")
    assert found is not None
    assert found.id == pass_id
    assert _begin_pass(journal, 1) > pass_id
    journal.close()
    reader = Journal.read(path)
    assert [row.name for row in reader.passes()] == ["moon-1", "moon-1"]
    reader.close()


def test_file_that_is_no_journal_is_refused_and_left_alone(tmp_path: Path) -> None:
    """Text, another program's database, and a journal of another schema are refused, unchanged."""
    text = tmp_path / "text.sqlite"
    text.write_text("not a database, but long enough to be read as one " * 40)
    other = tmp_path / "other.sqlite"
    with sqlite3.connect(other) as db:
        db.execute("CREATE TABLE birds (name TEXT)")
    db.close()
    newer = tmp_path / "newer.sqlite"
    _journal(newer).close()
    db = sqlite3.connect(newer)
    db.execute("PRAGMA user_version=99")
    db.close()
    for path in (text, other, newer):
        before = path.read_bytes()
        with pytest.raises(InputError, match="expected"):
            Journal.open(path, "boathouse")
        assert path.read_bytes() == before


def test_wal_and_full_synchronous(tmp_path: Path) -> None:
    """The file is in WAL mode and every commit is synced (PRAGMA synchronous 2 = FULL, sqlite.org/pragma.html)."""
    journal = _journal(tmp_path / "j.sqlite")
    assert journal._db.execute("PRAGMA journal_mode").fetchone() == ("wal",)
    assert journal._db.execute("PRAGMA synchronous").fetchone() == (2,)
    journal.close()


def test_registration_follows_homings_and_halts(tmp_path: Path) -> None:
    """Unregistered at first; an accepted homing registers; a halt or a refused homing clears it."""
    journal = _journal(tmp_path / "j.sqlite")
    assert not journal.registered
    session = journal.begin_session("home")
    journal.record_homing(session, None, [_homing("x", 7.0), _homing("y", 9.0)], accepted=True, reason="")
    assert journal.registered
    journal.lose_registration("halted: stop asked for", session)
    assert not journal.registered
    assert journal.registration_reason == "halted: stop asked for"
    journal.record_homing(session, None, [_homing("x", 8.0), _homing("y", 9.0)], accepted=True, reason="")
    journal.record_homing(session, None, [_homing("x", 99.0, 4.0)], accepted=False, reason="x: too far")
    assert not journal.registered
    last = journal.last_homing("x")
    assert last is not None
    assert last.offset_counts == 8.0
    assert [h.accepted for h in journal.homings(session)] == [True, True, True, True, False]
    journal.close()


def test_pass_over_two_runs(tmp_path: Path) -> None:
    """A pass stopped and resumed keeps the strokes of both runs, each with its own run."""
    journal = _journal(tmp_path / "j.sqlite")
    session = journal.begin_session("paint", "low-tide")
    pass_id = _begin_pass(journal, session)
    run = journal.begin_run(session, "moon", lambda n: tmp_path / f"{n:04d}-moon", pass_id=pass_id)
    assert run.folder.name == f"{run.id:04d}-moon"
    journal.finish_strokes(pass_id, run.id, [(0, 10), (1, 20)])
    journal.end_run(run.id, "stopped", "SIGINT", realtime=False)
    journal.end_pass(pass_id, "stopped")
    open_pass = journal.open_pass()
    assert open_pass is not None
    assert open_pass.id == pass_id
    second = journal.begin_run(session, "moon", lambda n: tmp_path / str(n), pass_id=pass_id, first_segment=9)
    assert journal.pass_row(pass_id).state == "begun"
    journal.finish_strokes(pass_id, second.id, [(2, 5), (3, 6), (4, 7)])
    journal.end_run(second.id, "done", "", realtime=True)
    journal.end_pass(pass_id, "finished")
    assert journal.finished_strokes(pass_id) == [0, 1, 2, 3, 4]
    assert journal.stroke_rows(pass_id)[1:3] == [(1, run.id, 20), (2, second.id, 5)]
    assert journal.open_pass() is None
    assert [p.id for p in journal.passes(session)] == [pass_id]
    assert [r.realtime for r in journal.runs(session)] == [False, True]
    journal.close()


def test_pass_begun_anew_abandons_the_unfinished_one_only(tmp_path: Path) -> None:
    """A new pass of an ink abandons that ink's unfinished pass; finished passes and other inks stay."""
    journal = _journal(tmp_path / "j.sqlite")
    session = journal.begin_session("paint")
    finished = _begin_pass(journal, session)
    journal.end_pass(finished, "finished")
    stopped = _begin_pass(journal, session)
    journal.end_pass(stopped, "stopped")
    other = _begin_pass(journal, session, ink="heron")
    anew = _begin_pass(journal, session)
    assert {p.id: p.state for p in journal.passes()} == {
        finished: "finished", stopped: "abandoned", other: "begun", anew: "begun",
    }  # fmt: skip
    latest = journal.latest_pass("low-tide", "moon-1")
    assert latest is not None
    assert latest.id == anew
    journal.close()


def test_reader_beside_a_writer(tmp_path: Path) -> None:
    """A reader sees the committed state while the service holds the journal open, and cannot write."""
    journal = _journal(tmp_path / "j.sqlite")
    session = journal.begin_session("paint", "low-tide", "virtual")
    journal.note("stop", "asked for", session)
    reader = Journal.read(tmp_path / "j.sqlite")
    assert reader.machine == "boathouse"
    assert [(s.verb, s.clock) for s in reader.sessions()] == [("paint", "virtual")]
    assert [(e.kind, e.text) for e in reader.events(session)] == [("stop", "asked for")]
    with pytest.raises(sqlite3.OperationalError, match="readonly"):
        reader.note("stop", "by a reader")
    reader.close()
    journal.close()


def test_failed_write_leaves_nothing(tmp_path: Path) -> None:
    """A homing whose second axis cannot be written leaves neither axis nor registration behind."""
    journal = _journal(tmp_path / "j.sqlite")
    session = journal.begin_session("home")
    broken = HomingRow("y", (1.0,), None, 0.0, 0.0, None)  # type: ignore[arg-type]
    with pytest.raises(sqlite3.IntegrityError):
        journal.record_homing(session, None, [_homing("x", 1.0), broken], accepted=True, reason="")
    assert journal.homings() == []
    assert not journal.registered
    journal.close()


def test_wal_cut_at_every_byte_keeps_whole_transactions(tmp_path: Path) -> None:
    """Whatever part of the log reached the disk, the journal opens and shows a prefix of whole transactions.

    The last commit's frames lost or torn at any byte must never show half of it: the three strokes of one call
    appear together, and registration with the homing that caused it.
    """
    path = tmp_path / "j.sqlite"
    journal = _journal(path)
    session = journal.begin_session("paint")
    pass_id = _begin_pass(journal, session)
    run = journal.begin_run(session, "moon", lambda n: tmp_path / str(n), pass_id=pass_id)
    journal._db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    journal.finish_strokes(pass_id, run.id, [(0, 1), (1, 2), (2, 3)])
    journal.record_homing(session, None, [_homing("x", 1.0), _homing("y", 2.0)], accepted=True, reason="")
    wal = Path(f"{path}-wal").read_bytes()
    main = path.read_bytes()
    journal.close()

    seen: list[tuple[int, int, bool]] = []
    copy = tmp_path / "copy.sqlite"
    # Every byte near frame borders (24-byte headers, 4096-byte pages), every 97th between.
    frame = 24 + 4096
    cuts = set(range(0, len(wal) + 1, 97)) | {len(wal)}
    for border in range(32, len(wal) + 1, frame):
        cuts |= {n for n in range(border - 30, border + 31) if 0 <= n <= len(wal)}
    for cut in sorted(cuts):
        copy.write_bytes(main)
        Path(f"{copy}-wal").write_bytes(wal[:cut])
        Path(f"{copy}-shm").unlink(missing_ok=True)
        reopened = Journal.open(copy, "boathouse")
        seen.append((len(reopened.finished_strokes(pass_id)), len(reopened.homings()), reopened.registered))
        reopened.close()
    assert set(seen) == {(0, 0, False), (3, 0, False), (3, 2, True)}
    assert seen == sorted(seen)
    shutil.rmtree(tmp_path, ignore_errors=True)


_WRITER = """
import sys
from pathlib import Path
from controller.session.journal import Journal
journal = Journal.open(Path(sys.argv[1]), "boathouse")
session = journal.begin_session("paint")
pass_id = journal.begin_pass(session, job="j", job_digest="", name="moon-1", ink="moon", ink_index=0,
                             schedule_digest="d", folder=Path("/x"), strokes=10**6).id
run = journal.begin_run(session, "moon", lambda n: Path("/x"), pass_id=pass_id)
stroke = 0
while True:
    journal.finish_strokes(pass_id, run.id, [(stroke, 1), (stroke + 1, 2)])
    stroke += 2
    print(stroke, flush=True)
"""


@pytest.mark.realtime
@pytest.mark.parametrize("acknowledged", [1, 7, 40])
def test_killed_writer_loses_nothing_it_acknowledged(tmp_path: Path, acknowledged: int) -> None:
    """SIGKILL in the middle of writing: every acknowledged stroke is there, and pairs are whole."""
    path = tmp_path / "j.sqlite"
    with subprocess.Popen(
        [sys.executable, "-c", _WRITER, str(path)], stdout=subprocess.PIPE, text=True
    ) as writer:
        assert writer.stdout is not None
        promised = 0
        for _ in range(acknowledged):
            promised = int(writer.stdout.readline())
        os.kill(writer.pid, signal.SIGKILL)
        rest = writer.stdout.read().split()
    # The last line may itself be torn by the kill; only whole ones were promises.
    promised = max([promised, *(int(line) for line in rest[:-1])])
    journal = Journal.open(path, "boathouse")
    strokes = journal.finished_strokes(1)
    journal.close()
    assert len(strokes) >= promised
    assert strokes == list(range(len(strokes)))
    assert len(strokes) % 2 == 0
