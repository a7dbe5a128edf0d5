"""A journal or disk that fails: one sentence that names the file and what to do; nothing moves by a broken journal."""

from __future__ import annotations

import errno
import os
import sqlite3
import stat
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from controller.config.errors import HaltedError, InputError
from controller.config.places import StateDir, shipped
from controller.session import verbs
from controller.session.disk import Db, DiskError, JournalError, disk_error, journal_error
from controller.session.journal import Journal
from controller.session.operator import SimulatedOperator
from controller.session.watcher import Watcher
from safety import latch
from tests.session.conftest import FakeRunner

MACHINE = shipped("machines/boathouse.toml")


def filled(path: Path, events: int = 400) -> None:
    """A journal of some pages, all of it in the file itself."""
    journal = Journal.open(path, "boathouse")
    for number in range(events):
        journal.note("note", f"event {number} " + "x" * 200)
    journal.close()
    db = sqlite3.connect(path)
    db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    db.close()


@pytest.fixture(scope="module")
def sound(tmp_path_factory: pytest.TempPathFactory) -> bytes:
    """The bytes of a journal of some pages."""
    path = tmp_path_factory.mktemp("sound") / "journal.sqlite"
    filled(path, 60)
    return path.read_bytes()


def limited(path: Path) -> Journal:
    """A journal whose file may not grow any more: SQLite's own word for a disk that is full."""
    journal = Journal.open(path, "boathouse")
    (pages,) = journal._db.execute("PRAGMA page_count").fetchone()
    journal._db.execute(f"PRAGMA max_page_count={pages}")
    return journal


def test_full_disk_is_one_sentence_and_costs_nothing_that_was_written(tmp_path: Path) -> None:
    """Writing until the disk takes no more: file and remedy are said, what was written stays, and with room the same
    connection writes on."""
    path = tmp_path / "journal.sqlite"
    journal = limited(path)
    written = 0

    def write() -> None:
        nonlocal written
        while written < 10_000:
            journal.note("note", f"event {written} " + "x" * 500)
            written += 1

    with pytest.raises(JournalError) as full:
        write()
    assert str(full.value).startswith(f"{path}: the disk is full. Make room on it, then giornata home")
    assert isinstance(full.value, sqlite3.Error)
    assert isinstance(full.value, OSError), "the command line and the socket tell it as the system's, exit 1"
    assert len(journal.events()) == written
    journal._db.execute("PRAGMA max_page_count=100000")
    journal.note("note", "there is room")
    journal.close()
    with Journal.read(path)._db as db:
        assert db.execute("SELECT count(*) FROM events").fetchone() == (written + 1,)


def test_errors_that_no_disk_has_caused_stay_what_they_are(tmp_path: Path) -> None:
    """A mistake of the program's is not told as a full disk."""
    with pytest.raises(sqlite3.OperationalError, match="no such table") as wrong:
        Journal.open(tmp_path / "j", "m")._db.execute("SELECT * FROM tides")
    assert not isinstance(wrong.value, DiskError)
    assert disk_error(OSError(errno.ENOENT, "no such file", "x"), tmp_path) is None
    assert disk_error(ValueError("x"), tmp_path) is None


@pytest.mark.parametrize(
    ("error", "words"),
    [
        (OSError(errno.ENOSPC, "No space left on device"), "the disk is full"),
        (
            OSError(errno.EDQUOT, "Disk quota exceeded", "runs/1/timing.gtl"),
            "runs/1/timing.gtl: the disk is full",
        ),
        (OSError(errno.EROFS, "Read-only file system", "a/b"), "a/b: the disk is mounted for reading only"),
    ],
)
def test_the_systems_words_for_it(tmp_path: Path, error: OSError, words: str) -> None:
    """File where it is known, else the state folder; what to do."""
    said = str(disk_error(error, tmp_path))
    assert words in said
    assert "giornata paint goes on from what was written down" in said


def test_i_o_error_is_a_full_disk_only_without_room(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """SQLite says I/O error of a full disk as well: the free room decides which is told."""
    error = sqlite3.OperationalError("disk I/O error")
    error.sqlite_errorcode = sqlite3.SQLITE_IOERR_WRITE
    assert "Mend it" in str(journal_error(tmp_path / "j", error))
    monkeypatch.setattr("controller.session.disk.has_room", lambda _path: False)
    assert "the disk is full" in str(journal_error(tmp_path / "j", error))


@given(st.data())
@settings(max_examples=40, deadline=None)
def test_a_damaged_journal_is_bad_input_or_gives_what_was_written(
    tmp_path_factory, sound: bytes, data: st.DataObject
) -> None:
    """Bytes of a page overwritten anywhere: refused by name with what to do before anything moves, or, where the bytes
    hold nothing that SQLite can check, the tables are still whole; never an error without a remedy."""
    path = tmp_path_factory.mktemp("j") / "journal.sqlite"
    raw = bytearray(sound)
    at = data.draw(st.integers(0, len(raw) - 1))
    junk = data.draw(st.binary(min_size=1, max_size=600))
    raw[at : at + len(junk)] = junk[: len(raw) - at]
    path.write_bytes(raw)
    refused = ""
    try:
        journal = Journal.open(path, "boathouse")
    except InputError as error:
        refused = str(error)
    if refused:
        assert str(path) in refused
        return
    events = journal.events()
    journal.close()
    assert len(events) == 60


def test_each_damage_names_file_and_remedy(tmp_path: Path) -> None:
    """No SQLite at all, a broken page, a file emptied beside painted runs."""
    path = tmp_path / "journal.sqlite"
    path.write_bytes(b"tide" * 4000)
    broken = [path]
    filled(tmp_path / "b")
    raw = bytearray((tmp_path / "b").read_bytes())
    raw[3 * 4096 : 4 * 4096] = bytes(4096)
    (tmp_path / "b").write_bytes(raw)
    broken.append(tmp_path / "b")
    for one in broken:
        with pytest.raises(InputError, match="Put a copy of it back, with its -wal file") as refused:
            Journal.open(one, "boathouse")
        assert str(one) in str(refused.value)
    (tmp_path / "runs" / "0001-homing").mkdir(parents=True)
    (tmp_path / "runs" / "0001-homing" / "spec.json").write_text("{}")
    path.write_bytes(b"")
    with pytest.raises(InputError, match="an empty file beside the runs of earlier sessions"):
        Journal.open(path, "boathouse")
    assert path.read_bytes() == b"", "and it is not made anew"


@pytest.mark.skipif(os.geteuid() == 0, reason="root may write everything")
def test_a_journal_without_the_right_to_write(tmp_path: Path) -> None:
    """Read-only for this account: who must give which right."""
    path = tmp_path / "journal.sqlite"
    filled(path, 3)
    path.chmod(stat.S_IRUSR)
    with pytest.raises(DiskError, match=r"the journal cannot be written .* right to write it"):
        Journal.open(path, "boathouse").begin_session("home")


def test_a_read_only_journal_is_told(tmp_path: Path) -> None:
    """By SQLite's own word: what cannot be written is named with who must give which right."""
    path = tmp_path / "journal.sqlite"
    filled(path, 3)
    db = sqlite3.connect(f"{path.as_uri()}?mode=ro", uri=True, factory=Db)
    db.path = path
    with pytest.raises(
        JournalError, match=r"the journal cannot be written .* right to write it and its folder"
    ):
        db.execute("CREATE TABLE x (y)")
    db.close()


async def test_a_session_on_a_full_disk_ends_with_the_sentence(tmp_path: Path) -> None:
    """Begun while there is room, ended when there is none: the disk's sentence, no second error over it. With a latch
    standing the latch comes first, and clearing is the remedy."""
    state = StateDir.open(tmp_path / "s", "boathouse")

    async def until_full(halted: bool) -> None:
        async with verbs.session(
            MACHINE,
            tmp_path / "s",
            lambda *_: FakeRunner(),
            SimulatedOperator(),
            Watcher(),
            verb="home",
            signals=False,
        ) as service:
            (pages,) = service.journal._db.execute("PRAGMA page_count").fetchone()
            service.journal._db.execute(f"PRAGMA max_page_count={pages}")
            if halted:
                latch.write(state.latch, latch.Latch("stop-asked", "asked", "", latch.now_text(), 1))
            while True:
                service.journal.note("note", "x" * 500)

    with pytest.raises(DiskError, match="the disk is full"):
        await until_full(False)
    with pytest.raises(HaltedError, match=r"stop-asked\); .*the disk is full"):
        await until_full(True)
    journal = Journal.read(state.journal)
    assert [row.end is None or "full" in row.end or "halted" in row.end for row in journal.sessions()] == [
        True
    ] * 2
    journal.close()
