"""The journal: what was done, kept so that no crash leaves half a truth.

One SQLite file in WAL mode, ``synchronous=FULL``: what a method has written when it returns survives the death of the
process and of the machine; what it has not is absent as a whole, because each method is one transaction. The
file is bound to one machine's name; a journal of another machine is refused.

Knows no motion. Wall-clock times (``*_ms``) are Unix milliseconds, for people; ``*_ns`` are instants of the
streamer's clock and mean something only within their run.
"""

from __future__ import annotations

import json
import sqlite3
import time
from collections.abc import Callable, Iterable, Sequence
from pathlib import Path

from controller.config.errors import InputError, Mistake
from controller.session import clockrows, journalschema
from controller.session.calibrationrows import CalibrationRows
from controller.session.clockrows import Jump, Jumps, Reading
from controller.session.disk import PUT_BACK, Db, journal_error
from controller.session.journalschema import APPLICATION_ID, SCHEMA_VERSION
from controller.session.penrows import PenRows
from controller.session.registerrows import RegisterRows, transaction, version_of
from controller.session.rows import (
    EventRow,
    HomingRow,
    InterruptionRow,
    PassEnd,
    PassRow,
    RunEnd,
    RunRow,
    SessionRow,
)

_COMPLETE = "(strokes = (SELECT count(*) FROM strokes AS s WHERE s.pass = passes.id))"
"""A pass whose strokes are all finished is finished, however its last run ended."""


def _wall_ms() -> int:
    return time.time_ns() // 1_000_000


class Journal(RegisterRows):
    """The open journal of one machine. Use from one thread; ``close`` it."""

    def __init__(self, connection: Db, path: Path, now_ms: Callable[[], int]) -> None:
        self._db = connection
        self._path = path
        self._now_ms = now_ms

    @classmethod
    def open(
        cls, path: Path, machine: str, now_ms: Callable[[], int] | None = None,
        reading: Callable[[], Reading] | None = None,
    ) -> Journal:  # fmt: skip
        """Open or make the journal of ``machine``.

        now_ms: the wall clock; reading: both clocks, by which a wall clock that was set is found out. Not looked for
        where only another now_ms is given. Raises InputError when it is another's or damaged; JournalError when the
        disk does not take it.
        """
        _refuse_emptied(path)
        read = reading if reading is not None or now_ms is not None else clockrows.reading
        wall = now_ms if now_ms is not None else _wall_ms if reading is None else lambda: reading().at_ms
        journal = cls._opened(path, str(path), wall, lambda db: cls._prepare(db, path, machine, wall))
        if read is not None:
            journal._db.before_writing = lambda: clockrows.mark(journal._db, read)
        return journal

    @classmethod
    def read(cls, path: Path, machine: str | None = None) -> Journal:
        """Open for reading only (while a service may be writing). ``machine`` None accepts any machine's."""
        if not path.is_file():
            raise InputError(
                [
                    Mistake(
                        path,
                        "journal",
                        "a journal (home or paint first)",
                        "no such file",
                        code="journal-none",
                    )
                ]
            )
        name = f"{path.absolute().as_uri()}?mode=ro"
        return cls._opened(path, name, _wall_ms, lambda db: cls._check(db, path, machine))

    @classmethod
    def _opened(
        cls, path: Path, name: str, now_ms: Callable[[], int], check: Callable[[sqlite3.Connection], None]
    ) -> Journal:
        db: Db | None = None
        try:
            db = sqlite3.connect(name, uri=name != str(path), isolation_level=None, timeout=5.0, factory=Db)
            db.path = path
            check(db)
        except sqlite3.Error as error:
            if db is not None:
                db.close()
            found = journal_error(path, error)
            if found is not None and not found.damaged:
                raise found from None
            raise _damaged(path, str(error.__cause__ or error)) from None
        except BaseException:
            if db is not None:
                db.close()
            raise
        return cls(db, path, now_ms)

    @classmethod
    def _prepare(cls, db: sqlite3.Connection, path: Path, machine: str, now_ms: Callable[[], int]) -> None:
        (version,) = db.execute("PRAGMA user_version").fetchone()
        (tables,) = db.execute("SELECT count(*) FROM sqlite_schema").fetchone()
        if version == 0 and tables == 0:
            db.execute("PRAGMA journal_mode=WAL")
            db.execute("PRAGMA synchronous=FULL")
            with transaction(db):
                journalschema.make(db)
                db.execute("INSERT INTO meta VALUES ('machine', ?)", (machine,))
                db.execute("INSERT INTO truth VALUES (1, 0, ?, 'never homed')", (now_ms(),))
        cls._check(db, path, machine)
        (sound,) = db.execute("PRAGMA quick_check(1)").fetchone()
        if sound != "ok":
            raise _damaged(path, str(sound).replace("\n", " "))
        db.execute("PRAGMA journal_mode=WAL")
        db.execute("PRAGMA synchronous=FULL")
        if (version := version_of(db)) < SCHEMA_VERSION:
            with transaction(db):
                journalschema.upgrade(db, version)
        db.execute("PRAGMA foreign_keys=ON")

    @staticmethod
    def _check(db: sqlite3.Connection, path: Path, machine: str | None) -> None:
        (application,) = db.execute("PRAGMA application_id").fetchone()
        if application != APPLICATION_ID:
            raise InputError(
                [Mistake(path, "journal", "a journal of ours", "another SQLite file", code="journal-foreign")]
            )
        if not 1 <= (version := version_of(db)) <= SCHEMA_VERSION:
            raise InputError(
                [Mistake(path, "schema version", str(SCHEMA_VERSION), str(version), code="journal-version")]
            )
        (name,) = db.execute("SELECT value FROM meta WHERE key = 'machine'").fetchone()
        if machine is not None and name != machine:
            raise InputError(
                [
                    Mistake(
                        path,
                        "machine",
                        f"the journal of {machine!r}",
                        f"that of {name!r}",
                        code="journal-other-machine",
                    )
                ]
            )

    @property
    def machine(self) -> str:
        """Name of the machine whose journal this is."""
        (name,) = self._db.execute("SELECT value FROM meta WHERE key = 'machine'").fetchone()
        return str(name)

    @property
    def path(self) -> Path:
        """The file."""
        return self._path

    @property
    def jumps(self) -> Jumps:
        """How the wall clock was set while this journal was kept."""
        return Jumps(clockrows.jumps_of(self._db))

    def untold_jumps(self) -> tuple[Jump, ...]:
        """How the wall clock was set since a session asked this last: in between, or while that one ran."""
        with transaction(self._db):
            return clockrows.untold(self._db)

    @property
    def pens(self) -> PenRows:
        """The rows of pens and maintenance."""
        return PenRows(self._db, self._now_ms, transaction)

    @property
    def calibration(self) -> CalibrationRows:
        """The rows of commissioning and calibration."""
        return CalibrationRows(self._db, self._now_ms, transaction)

    def close(self) -> None:
        """Close the file; a second call does nothing."""
        self._db.close()

    # -- sessions, runs, events -------------------------------------------------------------------------------

    def begin_session(self, verb: str, job: str = "", clock: str = "real") -> int:
        """Begin a session; ``clock`` says ``real`` or ``virtual``. Answers its id."""
        return self._insert(
            "INSERT INTO sessions (verb, job, clock, begun_ms) VALUES (?, ?, ?, ?)",
            (verb, job, clock, self._now_ms()),
        )

    def end_session(self, session: int, end: str) -> None:
        """End a session with one word or sentence."""
        with transaction(self._db):
            self._db.execute(
                "UPDATE sessions SET ended_ms = ?, end = ? WHERE id = ?", (self._now_ms(), end, session)
            )

    def begin_run(
        self,
        session: int,
        what: str,
        folder_of: Callable[[int], Path],
        *,
        pass_id: int | None = None,
        first_segment: int = 0,
    ) -> RunRow:
        """Begin one life of the streamer; ``folder_of(run id)`` names its folder."""
        with transaction(self._db):
            cursor = self._db.execute(
                "INSERT INTO runs (session, pass, what, folder, first_segment, begun_ms) VALUES (?, ?, ?, '', ?, ?)",
                (session, pass_id, what, first_segment, self._now_ms()),
            )
            run_id = int(cursor.lastrowid or 0)
            self._db.execute("UPDATE runs SET folder = ? WHERE id = ?", (str(folder_of(run_id)), run_id))
            if pass_id is not None:
                self._db.execute(
                    "UPDATE passes SET state = 'begun', ended_ms = NULL WHERE id = ?", (pass_id,)
                )
        return self.run(run_id)

    def end_run(self, run: int, end: RunEnd, reason: str, *, realtime: bool) -> None:
        """End one life of the streamer."""
        with transaction(self._db):
            self._db.execute(
                "UPDATE runs SET ended_ms = ?, end = ?, reason = ?, realtime = ? WHERE id = ?",
                (self._now_ms(), end, reason, int(realtime), run),
            )

    def close_dead(self, why: str) -> int:
        """End what a dead service left open; answers how many runs it left. Only under the lock."""
        now_ms = self._now_ms()
        with transaction(self._db):
            unfinished = "state IN ('begun', 'stopped', 'halted')"
            self._db.execute(
                f"UPDATE passes SET state = 'finished' WHERE {unfinished} AND {_COMPLETE}"  # noqa: S608 (constants)
            )
            runs = self._db.execute(
                "UPDATE runs SET ended_ms = ?, end = 'died', reason = ?, realtime = 0 WHERE ended_ms IS NULL",
                (now_ms, why),
            ).rowcount
            self._db.execute(
                "UPDATE passes SET state = 'halted', ended_ms = ? WHERE state = 'begun'", (now_ms,)
            )
            self._db.execute(
                "UPDATE sessions SET ended_ms = ?, end = ? WHERE ended_ms IS NULL", (now_ms, why)
            )
        return int(runs)

    def note(self, kind: str, text: str, session: int | None = None) -> None:
        """Write an event: a stop, a latch, a note."""
        self._insert(
            "INSERT INTO events (session, at_ms, kind, text) VALUES (?, ?, ?, ?)",
            (session, self._now_ms(), kind, text),
        )

    # -- homing and registration ------------------------------------------------------------------------------

    def record_homing(
        self, session: int, run: int | None, homings: Iterable[HomingRow], *, accepted: bool, reason: str
    ) -> None:
        """Write all axes of one homing and the registration that follows from it, as one truth."""
        at_ms = self._now_ms()
        with transaction(self._db):
            for homing in homings:
                self._db.execute(
                    "INSERT INTO homings (session, run, axis, at_ms, touches_counts, mean_counts, spread_mm, "
                    "offset_counts, difference_mm, accepted, reason) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
                    (
                        session, run, homing.axis, at_ms, json.dumps(list(homing.touches_counts)),
                        homing.mean_counts, homing.spread_mm, homing.offset_counts, homing.difference_mm,
                        int(accepted), reason,
                    ),
                )  # fmt: skip
            self._set_truth(accepted, reason or "homing accepted")

    def lose_registration(self, why: str, session: int | None = None) -> None:
        """The machine no longer knows where it stands (a halt, a refused homing)."""
        with transaction(self._db):
            self._set_truth(False, why)
            self._db.execute(
                "INSERT INTO events (session, at_ms, kind, text) VALUES (?, ?, 'unregistered', ?)",
                (session, self._now_ms(), why),
            )

    def _set_truth(self, registered: bool, why: str) -> None:
        self._db.execute(
            "UPDATE truth SET registered = ?, since_ms = ?, why = ? WHERE id = 1",
            (int(registered), self._now_ms(), why),
        )

    @property
    def registered(self) -> bool:
        """Whether the last homing was accepted and no halt has come since."""
        (value,) = self._db.execute("SELECT registered FROM truth WHERE id = 1").fetchone()
        return bool(value)

    @property
    def registration_reason(self) -> str:
        """Why it is as it is."""
        (why,) = self._db.execute("SELECT why FROM truth WHERE id = 1").fetchone()
        return str(why)

    def last_homing(self, axis: str) -> HomingRow | None:
        """The last accepted homing of an axis, or None."""
        rows = self._homings("WHERE axis = ? AND accepted = 1 ORDER BY id DESC LIMIT 1", (axis,))
        return rows[0] if rows else None

    def homings(self, session: int | None = None) -> list[HomingRow]:
        """Homings of one session, or of all, oldest first."""
        if session is None:
            return self._homings("ORDER BY id", ())
        return self._homings("WHERE session = ? ORDER BY id", (session,))

    def _homings(self, where: str, arguments: tuple[object, ...]) -> list[HomingRow]:
        columns = (
            "axis, touches_counts, mean_counts, spread_mm, offset_counts, difference_mm, accepted, reason, "
            "session, run, at_ms, id"
        )
        rows = self._db.execute(f"SELECT {columns} FROM homings {where}", arguments)  # noqa: S608 (constants)
        out: list[HomingRow] = []
        for row in rows:
            values = list(row)
            values[1] = tuple(json.loads(values[1]))
            values[6] = bool(values[6])
            out.append(HomingRow(*values))
        return out

    # -- passes and strokes -----------------------------------------------------------------------------------

    def begin_pass(
        self, session: int, *, job: str, job_digest: str, name: str, ink: str, ink_index: int,
        schedule_digest: str, folder: Path, strokes: int, plan_key: str = "",
        painted: Sequence[tuple[int, int, int]] = (),
    ) -> PassRow:  # fmt: skip
        """Begin a pass anew; earlier unfinished ones of the same job and name are abandoned with it.

        painted: strokes that are painted already, each ``(stroke, run, finished_ns)``. All of it or nothing.
        """
        now_ms = self._now_ms()
        with transaction(self._db):
            self._db.execute(
                "UPDATE passes SET state = 'abandoned', ended_ms = ? "
                "WHERE job = ? AND name = ? AND state NOT IN ('finished', 'abandoned')",
                (now_ms, job, name),
            )
            cursor = self._db.execute(
                "INSERT INTO passes (session, job, job_digest, name, ink, ink_index, schedule_digest, folder, strokes, "
                "plan_key, state, begun_ms) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, 'begun', ?)",
                (
                    session,
                    job,
                    job_digest,
                    name,
                    ink,
                    ink_index,
                    schedule_digest,
                    str(folder),
                    strokes,
                    plan_key,
                    now_ms,
                ),
            )
            pass_id = int(cursor.lastrowid or 0)
            self._db.executemany(
                "INSERT INTO strokes (pass, stroke, run, finished_ns) VALUES (?, ?, ?, ?)",
                [(pass_id, stroke, run, finished_ns) for stroke, run, finished_ns in painted],
            )
        return self.pass_row(pass_id)

    def end_pass(self, pass_id: int, state: PassEnd) -> None:
        """The pass has ended for now."""
        with transaction(self._db):
            self._db.execute(
                "UPDATE passes SET state = ?, ended_ms = ? WHERE id = ?", (state, self._now_ms(), pass_id)
            )

    def finish_strokes(self, pass_id: int, run: int, strokes: Iterable[tuple[int, int]]) -> None:
        """Write finished strokes, each ``(stroke index, finished_ns)``. All or none."""
        with transaction(self._db):
            self._db.executemany(
                "INSERT OR REPLACE INTO strokes (pass, stroke, run, finished_ns) VALUES (?, ?, ?, ?)",
                [(pass_id, stroke, run, finished_ns) for stroke, finished_ns in strokes],
            )

    def settle(self, row: InterruptionRow, strokes: Iterable[tuple[int, int]]) -> None:
        """Write how far a run had come: its strokes, each ``(stroke, finished_ns)``, that the journal has not got yet,
        and where it was interrupted. One truth; a second time replaces the first."""
        with transaction(self._db):
            self._db.executemany(
                "INSERT OR IGNORE INTO strokes (pass, stroke, run, finished_ns) VALUES (?, ?, ?, ?)",
                [(row.pass_id, stroke, row.run, finished_ns) for stroke, finished_ns in strokes],
            )
            self._db.execute(
                "INSERT OR REPLACE INTO interruptions VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
                (
                    row.run, row.pass_id, self._now_ms(), row.stroke, row.sent_ticks, row.of_ticks, row.low_mm,
                    row.high_mm, row.length_mm, json.dumps(list(row.doubtful)), row.pen_m, row.note,
                ),
            )  # fmt: skip

    def interruptions(self, pass_id: int) -> list[InterruptionRow]:
        """Where runs of a pass were interrupted, oldest first."""
        if version_of(self._db) < 4:
            return []
        rows = self._db.execute(
            "SELECT run, pass, stroke, sent_ticks, of_ticks, low_mm, high_mm, length_mm, doubtful, pen_m, note, at_ms "
            "FROM interruptions WHERE pass = ? ORDER BY run",
            (pass_id,),
        )
        out: list[InterruptionRow] = []
        for row in rows:
            values = list(row)
            values[8] = tuple(json.loads(values[8]))
            out.append(InterruptionRow(*values))
        return out

    def finished_strokes(self, pass_id: int) -> list[int]:
        """Indices of the strokes finished in a pass, ascending."""
        rows = self._db.execute("SELECT stroke FROM strokes WHERE pass = ? ORDER BY stroke", (pass_id,))
        return [int(stroke) for (stroke,) in rows]

    def stroke_rows(self, pass_id: int) -> list[tuple[int, int, int]]:
        """Finished strokes of a pass as ``(stroke, run, finished_ns)``, by stroke."""
        rows = self._db.execute(
            "SELECT stroke, run, finished_ns FROM strokes WHERE pass = ? ORDER BY stroke", (pass_id,)
        )
        return [(int(stroke), int(run), int(finished_ns)) for stroke, run, finished_ns in rows]

    def latest_pass(self, job: str, name: str) -> PassRow | None:
        """The latest of a job's passes of this name that was not abandoned, or None."""
        rows = self._passes(
            "WHERE job = ? AND name = ? AND state != 'abandoned' ORDER BY id DESC LIMIT 1", (job, name)
        )
        return rows[0] if rows else None

    def open_pass(self) -> PassRow | None:
        """The latest pass that was begun, is not abandoned and has a stroke left, or None."""
        rows = self._passes(
            f"WHERE state NOT IN ('finished', 'abandoned') AND NOT {_COMPLETE} ORDER BY id DESC LIMIT 1", ()
        )
        return rows[0] if rows else None

    def pass_row(self, pass_id: int) -> PassRow:
        """One pass by id. Raises KeyError."""
        rows = self._passes("WHERE id = ?", (pass_id,))
        if not rows:
            raise KeyError(f"no pass {pass_id}")
        return rows[0]

    def passes(self, session: int | None = None) -> list[PassRow]:
        """Passes that had a run in a session (or all), in order."""
        if session is None:
            return self._passes("ORDER BY id", ())
        return self._passes("WHERE id IN (SELECT pass FROM runs WHERE session = ?) ORDER BY id", (session,))

    def _passes(self, where: str, arguments: tuple[object, ...]) -> list[PassRow]:
        version = version_of(self._db)
        name = "ink || '-1' AS name" if version == 1 else "name"
        key = "'' AS plan_key" if version < 3 else "plan_key"
        columns = (
            f"id, session, job, job_digest, {name}, ink, ink_index, schedule_digest, folder, strokes, state"
        )
        query = f"SELECT {columns}, begun_ms, ended_ms, {key} FROM passes {where}"  # noqa: S608 (constants)
        out: list[PassRow] = []
        for row in self._db.execute(query, arguments):
            values = list(row)
            values[8] = Path(values[8])
            out.append(PassRow(*values))
        return out

    # -- reading ----------------------------------------------------------------------------------------------

    def sessions(self) -> list[SessionRow]:
        """All sessions, oldest first."""
        rows = self._db.execute(
            "SELECT id, verb, job, clock, begun_ms, ended_ms, end FROM sessions ORDER BY id"
        )
        return [SessionRow(*r) for r in rows]

    def run(self, run_id: int) -> RunRow:
        """One run by id. Raises KeyError."""
        rows = self._runs("WHERE id = ?", (run_id,))
        if not rows:
            raise KeyError(f"no run {run_id}")
        return rows[0]

    def runs(self, session: int | None = None) -> list[RunRow]:
        """Runs of a session, or all, oldest first."""
        if session is None:
            return self._runs("ORDER BY id", ())
        return self._runs("WHERE session = ? ORDER BY id", (session,))

    def open_runs(self) -> list[RunRow]:
        """Runs that nobody has ended, oldest first: one that runs, or those of a service that died."""
        return self._runs("WHERE ended_ms IS NULL ORDER BY id", ())

    def _runs(self, where: str, arguments: tuple[object, ...]) -> list[RunRow]:
        columns = "id, session, pass, what, folder, first_segment, begun_ms, ended_ms, end, reason, realtime"
        rows = self._db.execute(f"SELECT {columns} FROM runs {where}", arguments)  # noqa: S608 (constants)
        out: list[RunRow] = []
        for row in rows:
            values = list(row)
            values[4] = Path(values[4])
            values[10] = None if values[10] is None else bool(values[10])
            out.append(RunRow(*values))
        return out

    def events(self, session: int | None = None) -> list[EventRow]:
        """Events of a session, or all, oldest first."""
        query = "SELECT id, session, at_ms, kind, text FROM events"
        if session is None:
            rows = self._db.execute(f"{query} ORDER BY id")
        else:
            rows = self._db.execute(f"{query} WHERE session = ? ORDER BY id", (session,))
        return [EventRow(*r) for r in rows]


def _damaged(path: Path, how: str) -> InputError:
    return InputError(
        [Mistake(path, "journal", "a sound journal", f"{how}. {PUT_BACK}", code="journal-damaged")]
    )


def _refuse_emptied(path: Path) -> None:
    """A journal with nothing in it beside runs that were painted is none that was never used. Raises InputError."""
    if path.is_file() and path.stat().st_size == 0 and any(path.parent.glob("runs/*/spec.json")):
        raise _damaged(path, "an empty file beside the runs of earlier sessions")
