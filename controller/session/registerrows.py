"""What every part of the journal writes with, and its rows of looks and register maps.

Owns the transaction, and the statements of two tables. Knows no motion; ``drifting`` and ``registering`` say what the
rows mean.
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Callable, Iterator, Sequence
from contextlib import closing, contextmanager
from dataclasses import asdict

from controller.session.disk import Db
from controller.session.rows import LookCause, LookRow, MapRow, MarkMeasured, Matrix


def version_of(db: sqlite3.Connection) -> int:
    """Version of an open journal's tables."""
    (version,) = db.execute("PRAGMA user_version").fetchone()
    return int(version)


@contextmanager
def transaction(db: sqlite3.Connection) -> Iterator[None]:
    """One transaction, taken for writing at its start so that it cannot fail half way for a lock."""
    db.execute("BEGIN IMMEDIATE")
    try:
        if isinstance(db, Db) and db.before_writing is not None:
            db.before_writing()
        yield
        db.execute("COMMIT")
    except BaseException:
        # A full disk ends a transaction by itself, or leaves it open; the next one must find none.
        if db.in_transaction:
            db.execute("ROLLBACK")
        raise


class RegisterRows:
    """Looks at the machine and register maps: the part of the journal that ``Journal`` inherits."""

    _db: Db
    _now_ms: Callable[[], int]

    def _insert(self, statement: str, arguments: tuple[object, ...]) -> int:
        with transaction(self._db), closing(self._db.execute(statement, arguments)) as cursor:
            return int(cursor.lastrowid or 0)

    def add_look(self, *, homing: int, cause: LookCause, reason: str, person: str) -> None:
        """A person has looked at the machine after ``homing`` (its id), and what they found."""
        self._insert(
            "INSERT INTO looks (at_ms, homing, cause, reason, person) VALUES (?, ?, ?, ?, ?)",
            (self._now_ms(), homing, cause, reason, person),
        )

    def looks(self) -> list[LookRow]:
        """All looks, oldest first."""
        if version_of(self._db) < 3:
            return []
        rows = self._db.execute("SELECT id, at_ms, homing, cause, reason, person FROM looks ORDER BY id")
        return [LookRow(*row) for row in rows]

    def add_register_map(
        self, job: str, *, session: int | None, matrix: Matrix, marks: Sequence[MarkMeasured],
        summary: Sequence[str], person: str,
    ) -> MapRow:  # fmt: skip
        """Write the map that is in force for ``job`` from here on; earlier ones stay."""
        number = self._insert(
            "INSERT INTO register_maps (job, session, at_ms, matrix, marks, summary, person) "
            "VALUES (?, ?, ?, ?, ?, ?, ?)",
            (
                job, session, self._now_ms(), json.dumps(matrix),
                json.dumps([asdict(one) for one in marks]), json.dumps(list(summary)), person,
            ),
        )  # fmt: skip
        return next(row for row in self.register_maps(job) if row.id == number)

    def register_maps(self, job: str | None = None) -> list[MapRow]:
        """The maps of one job, or of all, oldest first; of a job the last is in force."""
        if version_of(self._db) < 3:
            return []
        query = "SELECT id, job, session, at_ms, matrix, marks, summary, person FROM register_maps"
        where, arguments = ("", ()) if job is None else (" WHERE job = ?", (job,))
        out: list[MapRow] = []
        for row in self._db.execute(f"{query}{where} ORDER BY id", arguments):
            first, second = (tuple(map(float, line)) for line in json.loads(row[4]))
            marks = tuple(
                MarkMeasured(one["name"], tuple(one["nominal_mm"]), tuple(one["measured_mm"]))
                for one in json.loads(row[5])
            )
            matrix = ((first[0], first[1], first[2]), (second[0], second[1], second[2]))
            number, of_job, session, at_ms = row[:4]
            out.append(
                MapRow(number, of_job, session, at_ms, matrix, marks, tuple(json.loads(row[6])), row[7])
            )
        return out
