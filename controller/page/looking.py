"""What lies on the disk of a machine's state: the latch, and by the journal what is painted of which job.

Owns reading it, for a page that asks once a second: files that have not changed are not read again. Writes nothing,
locks nothing, and asks no service. What cannot be read is told, and the rest is told all the same.
"""

from __future__ import annotations

import contextlib
import sqlite3
import threading
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final
from zipfile import BadZipFile

from controller.config.errors import InputError
from controller.config.places import StateDir
from controller.page.picture import Picture, picture_of
from controller.session import pens
from controller.session.journal import Journal
from controller.session.prepared import PREPARED_FILE, Prepared, PreparedPass, load_prepared
from controller.session.rows import PassRow
from controller.session.states import initial_state
from safety import latch
from safety.latch import Latch

UNREAD: Final = "unknown"
"""State of a machine whose journal cannot be read."""

Stamp = tuple[tuple[int, int, int] | None, ...]
"""Of files: which each is (inode), when it was last changed and its size, None where there is none."""


@dataclass(frozen=True, slots=True)
class Account:
    """What the journal says.

    state: what follows from it and the latch while no service runs. left_open: a session that nobody has ended, while
    no service runs one that died. painted: by pass of the picture, numbers of its strokes, ascending. elsewhere: passes
    that were painted under another plan, so that their strokes are no longer known by number. pens_left: by ink, where
    somebody has counted.
    """

    state: str = "unregistered"
    registered: bool = False
    why: str = "never homed"
    job: str = ""
    left_open: bool = False
    painted: tuple[tuple[int, ...], ...] = ()
    elsewhere: tuple[str, ...] = ()
    pens_left: dict[str, int] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Look:
    """One look. trouble: what could not be read, a sentence each."""

    latch: Latch | None
    account: Account
    picture: Picture | None
    trouble: tuple[str, ...] = ()


class Looker:
    """Looks at one machine's state."""

    def __init__(self, state: StateDir, machine: str) -> None:
        self._state = state
        self._machine = machine
        self._stamp: Stamp | None = None
        self._account = Account()
        self._folder: Path | None = None
        self._picture: Picture | None = None
        self._picture_stamp: Stamp | None = None
        self._picture_trouble = ""
        self._finished: dict[int, tuple[PassRow, tuple[int, ...]]] = {}
        # A look whose caller has given it up still runs to its end.
        self._looking = threading.Lock()

    def look(self) -> Look:
        """What there is by now. Never raises for what is on the disk. From any thread; one look at a time."""
        with self._looking:
            return self._look_once()

    def _look_once(self) -> Look:
        trouble: list[str] = []
        journal = self._state.journal
        # Before anything is read: what comes while we read is another stamp at the next look.
        stamp = _stamp(journal, journal.with_name(f"{journal.name}-wal"), self._state.latch)
        standing = latch.read(self._state.latch)
        if stamp != self._stamp:
            if _file_of(stamp) is None or _file_of(stamp) != _file_of(self._stamp):
                # Another journal gives the same numbers to other passes.
                self._finished.clear()
            try:
                self._read(journal, standing is not None)
                self._stamp = stamp
            except (InputError, sqlite3.Error, OSError) as error:
                trouble.append(f"the journal cannot be read: {error}")
                self._account = Account(state=UNREAD, why="the journal cannot be read")
                self._without_picture()
        if self._picture_trouble:
            trouble.append(self._picture_trouble)
        return Look(standing, self._account, self._picture, tuple(trouble))

    def _read(self, path: Path, latched: bool) -> None:
        if not path.exists():
            state = initial_state(latched=latched, registered=False, pass_open=False)
            self._account = Account(state=state.value)
            self._without_picture()
            return
        with contextlib.closing(Journal.read(path, self._machine)) as journal:
            row, job, folder = self._shown(journal)
            self._look_at(folder)
            painted, elsewhere = self._painted(journal, job)
            sessions = journal.sessions()
            self._account = Account(
                state=initial_state(
                    latched=latched, registered=journal.registered, pass_open=row is not None
                ).value,
                registered=journal.registered,
                why=journal.registration_reason,
                job=job,
                left_open=bool(sessions) and sessions[-1].ended_ms is None,
                painted=painted,
                elsewhere=elsewhere,
                pens_left=pens.left(journal),
            )

    def _without_picture(self) -> None:
        self._picture, self._folder, self._picture_stamp, self._picture_trouble = None, None, None, ""

    def _shown(self, journal: Journal) -> tuple[PassRow | None, str, Path | None]:
        """The pass that is open, the job last painted and its prepared folder."""
        rows = [row for row in journal.passes() if row.state != "abandoned"]
        jobs = [one.job for one in journal.sessions() if one.job]
        job = jobs[-1] if jobs else ""
        # A mend has a folder of its own, and so has a job that was prepared somewhere else: the last pass says where.
        folders = [row.folder.parent for row in rows if row.job == job]
        folder = folders[-1] if folders else self._state.root / "prepared" / job if job else None
        return journal.open_pass(), job, folder

    def _look_at(self, folder: Path | None) -> None:
        """Pack the picture anew when the folder is another, or prepared anew."""
        stamp = None if folder is None else _stamp(folder / PREPARED_FILE)
        if folder == self._folder and stamp == self._picture_stamp:
            return
        self._folder, self._picture_stamp = folder, stamp
        self._picture, self._picture_trouble = None, ""
        if folder is None:
            return
        try:
            self._picture = picture_of(Prepared(folder, load_prepared(folder).record))
        except (InputError, OSError, ValueError, KeyError, BadZipFile) as error:
            self._picture_trouble = f"no picture: {error}"

    def _painted(self, journal: Journal, job: str) -> tuple[tuple[tuple[int, ...], ...], tuple[str, ...]]:
        painted: list[tuple[int, ...]] = []
        elsewhere: list[str] = []
        for part in () if self._picture is None else self._picture.passes:
            row = journal.latest_pass(job, part.name)
            if row is None:
                painted.append(())
            elif not _same_plan(row, part):
                painted.append(())
                elsewhere.append(part.name)
            else:
                painted.append(self._strokes_of(journal, row, part))
        return tuple(painted), tuple(elsewhere)

    def _strokes_of(self, journal: Journal, row: PassRow, part: PreparedPass) -> tuple[int, ...]:
        known = self._finished.get(row.id)
        # By all of the row, since a file that takes another's place may get its inode too.
        if known is not None and known[0] == row and len(known[1]) == row.strokes:
            return known[1]
        strokes = tuple(one for one in journal.finished_strokes(row.id) if 0 <= one < part.strokes)
        self._finished[row.id] = (row, strokes)
        return strokes


def _same_plan(row: PassRow, part: PreparedPass) -> bool:
    """Whether a pass was painted from the plan that the folder has; another register map is no other plan."""
    if row.plan_key and part.plan_key:
        return row.plan_key == part.plan_key
    return row.schedule_digest == part.digest


def _file_of(stamp: Stamp | None) -> int | None:
    """Which file the first of them is."""
    return None if stamp is None or stamp[0] is None else stamp[0][0]


def _stamp(*paths: Path) -> Stamp:
    found: list[tuple[int, int, int] | None] = []
    for path in paths:
        try:
            about = path.stat()
        except OSError:
            found.append(None)
        else:
            found.append((about.st_ino, about.st_mtime_ns, about.st_size))
    return tuple(found)
