"""A disk that takes no more, a journal that cannot be read or written: one sentence, the file, and what to do.

Owns the words and which errors they stand for. Decides nothing: what the machine does when nothing can be written down
is the runner's (it stops on the path), what is accounted for later is ``resume``'s.
"""

from __future__ import annotations

import errno
import os
import sqlite3
from collections.abc import Callable
from pathlib import Path
from typing import Any, Final, TypeVar

T = TypeVar("T")

GO_ON: Final = "then giornata home, and giornata paint goes on from what was written down"
PUT_BACK: Final = (
    "Nothing moves by it. Put a copy of it back, with its -wal file if there is one; without a copy move both away and "
    "keep them: the machine is then unregistered, and no stroke counts as painted"
)
DAMAGED: Final = "journal-damaged"
"""The code of a journal whose pages are broken."""
ROOM_BYTES: Final = 64 * 1024
"""A disk with less room than this is full: SQLite says "I/O error" of it as often as "full"."""
_FULL = (errno.ENOSPC, errno.EDQUOT, errno.EFBIG)


class DiskError(OSError):
    """A file that could not be written; says which, why and what to do in one sentence."""

    code = "disk-refuses"

    def __init__(self, words: str) -> None:
        super().__init__(words)
        self.words = words

    def __str__(self) -> str:
        return self.words


class JournalError(sqlite3.OperationalError, DiskError):
    """The same of the journal; whoever expects SQLite's errors gets it as one of them. damaged: pages are broken."""

    def __init__(self, words: str, *, damaged: bool = False) -> None:
        sqlite3.OperationalError.__init__(self, words)
        self.words, self.damaged = words, damaged
        if damaged:
            self.code = DAMAGED

    def __str__(self) -> str:
        return self.words


def has_room(path: Path) -> bool:
    """Whether the file system of ``path`` has room for a few pages; True where it does not say."""
    try:
        found = os.statvfs(path if path.exists() else path.parent)
    except OSError:
        return True
    return found.f_bavail * found.f_frsize >= ROOM_BYTES


def full_words(path: Path) -> str:
    """A disk, or a quota on it, that takes no more."""
    return f"{path}: the disk is full. Make room on it, {GO_ON}"


def journal_error(path: Path, error: sqlite3.Error) -> JournalError | None:
    """What SQLite said of the journal at ``path``, in words for a person; None for what no disk has caused."""
    if isinstance(error, JournalError):
        return error
    code = (getattr(error, "sqlite_errorcode", 0) or 0) & 0xFF
    if code == sqlite3.SQLITE_FULL or (code == sqlite3.SQLITE_IOERR and not has_room(path)):
        return JournalError(full_words(path))
    if code == sqlite3.SQLITE_READONLY or (code == sqlite3.SQLITE_CANTOPEN and path.exists()):
        return JournalError(
            f"{path}: the journal cannot be written ({error}). Give its owner the right to write it and its folder, "
            f"or mount the disk for writing, {GO_ON}"
        )
    if code in (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB):
        return JournalError(f"{path}: the journal is damaged ({error}). {PUT_BACK}", damaged=True)
    if code == sqlite3.SQLITE_IOERR:
        return JournalError(f"{path}: the disk does not take or give the journal ({error}). Mend it, {GO_ON}")
    return None


def disk_error(error: BaseException, root: Path) -> DiskError | None:
    """The sentence for an error that a disk has caused; None for any other. root: the state folder, where the error
    names no file."""
    if isinstance(error, DiskError):
        return error
    if isinstance(error, sqlite3.Error):
        return journal_error(root / "journal.sqlite", error)
    if isinstance(error, OSError) and error.errno in _FULL:
        return DiskError(full_words(Path(os.fsdecode(error.filename)) if error.filename else root))
    if isinstance(error, OSError) and error.errno == errno.EROFS:
        place = Path(os.fsdecode(error.filename)) if error.filename else root
        return DiskError(f"{place}: the disk is mounted for reading only. Mount it for writing, {GO_ON}")
    return None


class _Cursor(sqlite3.Cursor):
    """A cursor whose errors while rows are read are JournalError."""

    def __next__(self) -> Any:
        return _plainly(self.connection, super().__next__)

    def fetchone(self) -> Any:
        """As of any cursor."""
        return _plainly(self.connection, super().fetchone)

    def fetchall(self) -> list[Any]:
        """As of any cursor."""
        return _plainly(self.connection, super().fetchall)


class Db(sqlite3.Connection):
    """A connection whose errors are JournalError. ``path`` is set by whoever opens it, and ``before_writing``, which is
    called at the begin of every transaction."""

    path = Path("journal.sqlite")
    before_writing: Callable[[], None] | None = None

    def __init__(self, *arguments: Any, **named: Any) -> None:
        super().__init__(*arguments, **named)
        # A letter that a bad sector has spoilt costs the letter, not the session.
        self.text_factory = _text

    def cursor(self, *_: Any) -> sqlite3.Cursor:  # type: ignore[override]
        """Of the kind above."""
        return super().cursor(_Cursor)

    def execute(self, *arguments: Any) -> sqlite3.Cursor:
        """As of any connection."""
        return _plainly(self, self.cursor().execute, *arguments)

    def executemany(self, *arguments: Any) -> sqlite3.Cursor:
        """As of any connection."""
        return _plainly(self, self.cursor().executemany, *arguments)


def _text(raw: bytes) -> str:
    return raw.decode("utf-8", "replace")


def _plainly(db: sqlite3.Connection, what: Callable[..., T], *arguments: Any) -> T:
    try:
        return what(*arguments)
    except sqlite3.Error as error:
        found = journal_error(getattr(db, "path", Path("journal.sqlite")), error)
        if found is None:
            raise
        raise found from error
