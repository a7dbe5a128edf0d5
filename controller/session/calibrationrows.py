"""The journal's rows of commissioning and calibration: tables of version 7.

Owns the statements. Rows are added, never changed: what was measured, what of it was written into the machine file and
taken back, which stop inputs a person has opened, and which steps of the commissioning were done. Knows no motion and
no file; ``calibrationkeep``, ``stopproof`` and ``commission`` say what the rows mean.
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Callable, Sequence
from contextlib import AbstractContextManager
from dataclasses import dataclass
from typing import Any, Final, Literal

from controller.calibrate.values import Measured

TABLES: Final = """
CREATE TABLE IF NOT EXISTS calibrations (
  id INTEGER PRIMARY KEY, at_ms INTEGER NOT NULL, session INTEGER REFERENCES sessions(id), field TEXT NOT NULL,
  value TEXT NOT NULL, unit TEXT NOT NULL, half_width REAL, method TEXT NOT NULL, n INTEGER NOT NULL,
  note TEXT NOT NULL, person TEXT NOT NULL, machine_digest TEXT NOT NULL);
CREATE INDEX IF NOT EXISTS calibrations_by_field ON calibrations (field, id);
CREATE TABLE IF NOT EXISTS calibration_writes (
  id INTEGER PRIMARY KEY, at_ms INTEGER NOT NULL, calibration INTEGER REFERENCES calibrations(id),
  reverts INTEGER REFERENCES calibration_writes(id), field TEXT NOT NULL, before TEXT NOT NULL, after TEXT NOT NULL,
  kept TEXT NOT NULL, digest_before TEXT NOT NULL, digest_after TEXT NOT NULL, person TEXT NOT NULL);
CREATE TABLE IF NOT EXISTS stop_proofs (
  id INTEGER PRIMARY KEY, at_ms INTEGER NOT NULL, session INTEGER REFERENCES sessions(id), digest TEXT NOT NULL,
  name TEXT NOT NULL, seen TEXT NOT NULL, person TEXT NOT NULL);
CREATE TABLE IF NOT EXISTS commission_steps (
  id INTEGER PRIMARY KEY, at_ms INTEGER NOT NULL, session INTEGER REFERENCES sessions(id), step TEXT NOT NULL,
  state TEXT NOT NULL CHECK (state IN ('done', 'failed', 'left out')), basis TEXT NOT NULL, words TEXT NOT NULL,
  person TEXT NOT NULL);
"""
"""Measured values; what was written of them into the machine file (``reverts``: taken back; JSON null: not in the
file); stop inputs seen to open; steps of the commissioning, and the digest of what they rest on."""

NO_VALUE: Final = "null"
"""JSON of a field that does not stand in the file."""

StepState = Literal["done", "failed", "left out"]


@dataclass(frozen=True, slots=True)
class CalibrationRow:
    """One measured value, as it was measured, by whom confirmed and when."""

    id: int
    at_ms: int
    session: int | None
    measured: Measured
    person: str
    machine_digest: str


@dataclass(frozen=True, slots=True)
class WriteRow:
    """One change of the machine file. ``before`` and ``after``: JSON of the field, ``null`` where it was not there.

    ``calibration``: whose value was written; ``reverts``: the write that this one took back; ``kept``: where the file
    before it is kept.
    """

    id: int
    at_ms: int
    calibration: int | None
    reverts: int | None
    field: str
    before: str
    after: str
    kept: str
    digest_before: str
    digest_after: str
    person: str


@dataclass(frozen=True, slots=True)
class ProofRow:
    """A stop input or the power-cut output that worked in a person's presence. ``digest``: of what was proved."""

    id: int
    at_ms: int
    session: int | None
    digest: str
    name: str
    seen: str
    person: str


@dataclass(frozen=True, slots=True)
class StepRow:
    """One step of the commissioning. ``basis``: digest of what of the machine file it rests on; ``words``: what came
    of it, a sentence each."""

    id: int
    at_ms: int
    session: int | None
    step: str
    state: StepState
    basis: str
    words: tuple[str, ...]
    person: str


class CalibrationRows:
    """The rows of one open journal."""

    def __init__(
        self, db: sqlite3.Connection, now_ms: Callable[[], int],
        transaction: Callable[[sqlite3.Connection], AbstractContextManager[None]],
    ) -> None:  # fmt: skip
        self._db, self._now_ms, self._transaction = db, now_ms, transaction
        (version,) = db.execute("PRAGMA user_version").fetchone()
        self._known = version >= 7

    def now_ms(self) -> int:
        """The journal's clock, Unix milliseconds."""
        return self._now_ms()

    # -- measured values --------------------------------------------------------------------------------------

    def add(
        self, measured: Sequence[Measured], *, session: int | None, person: str, machine_digest: str
    ) -> list[CalibrationRow]:
        """Values of one measurement, as one truth."""
        at_ms, first = self._now_ms(), 0
        with self._transaction(self._db):
            for one in measured:
                cursor = self._db.execute(
                    "INSERT INTO calibrations (at_ms, session, field, value, unit, half_width, method, n, note, "
                    "person, machine_digest) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
                    (at_ms, session, one.field, json.dumps(one.plain()), one.unit, one.half_width, one.method, one.n,
                     one.note, person, machine_digest),
                )  # fmt: skip
                first = first or int(cursor.lastrowid or 0)
        return [row for row in self.all() if row.id >= first] if first else []

    def all(self, field: str | None = None) -> list[CalibrationRow]:
        """All measured values, or those of a field, oldest first."""
        columns = (
            "id, at_ms, session, field, value, unit, half_width, method, n, note, person, machine_digest"
        )
        where = "" if field is None else " WHERE field = ?"
        rows = self._all(f"SELECT {columns} FROM calibrations{where} ORDER BY id", (field,) if where else ())  # noqa: S608
        return [
            CalibrationRow(row[0], row[1], row[2], Measured(row[3], value_of(row[4]), *row[5:10]), *row[10:])
            for row in rows
        ]

    def latest(self) -> dict[str, CalibrationRow]:
        """Of every field the value measured last."""
        return {row.measured.field: row for row in self.all()}

    # -- the machine file -------------------------------------------------------------------------------------

    def add_writes(
        self, changes: Sequence[tuple[int | None, int | None, str, str, str]], *, kept: str, digest_before: str,
        digest_after: str, person: str,
    ) -> None:  # fmt: skip
        """One change of the file: of each field (calibration, reverts, field, before, after)."""
        at_ms = self._now_ms()
        with self._transaction(self._db):
            for change in changes:
                self._db.execute(
                    "INSERT INTO calibration_writes (at_ms, calibration, reverts, field, before, after, kept, "
                    "digest_before, digest_after, person) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
                    (at_ms, *change, kept, digest_before, digest_after, person),
                )

    def writes(self) -> list[WriteRow]:
        """All changes of the machine file, oldest first."""
        columns = ", ".join(WriteRow.__dataclass_fields__)
        return [WriteRow(*row) for row in self._all(f"SELECT {columns} FROM calibration_writes ORDER BY id")]  # noqa: S608

    # -- stops and steps --------------------------------------------------------------------------------------

    def add_proof(self, digest: str, name: str, seen: str, *, session: int | None, person: str) -> None:
        """A stop input was seen to open, or the output to let go."""
        self._add(
            "INSERT INTO stop_proofs (at_ms, session, digest, name, seen, person) VALUES (?, ?, ?, ?, ?, ?)",
            (self._now_ms(), session, digest, name, seen, person),
        )

    def proofs(self, digest: str | None = None) -> list[ProofRow]:
        """All proofs, or those of one wiring, oldest first."""
        columns = ", ".join(ProofRow.__dataclass_fields__)
        where = "" if digest is None else " WHERE digest = ?"
        rows = self._all(f"SELECT {columns} FROM stop_proofs{where} ORDER BY id", (digest,) if where else ())  # noqa: S608
        return [ProofRow(*row) for row in rows]

    def add_step(
        self,
        step: str,
        state: StepState,
        basis: str,
        words: Sequence[str],
        *,
        session: int | None,
        person: str,
    ) -> None:
        """A step of the commissioning has ended."""
        self._add(
            "INSERT INTO commission_steps (at_ms, session, step, state, basis, words, person) "
            "VALUES (?, ?, ?, ?, ?, ?, ?)",
            (self._now_ms(), session, step, state, basis, json.dumps(list(words)), person),
        )

    def steps(self) -> list[StepRow]:
        """All steps, oldest first."""
        columns = ", ".join(StepRow.__dataclass_fields__)
        rows = self._all(f"SELECT {columns} FROM commission_steps ORDER BY id")  # noqa: S608 (constants)
        return [StepRow(**{**dict(zip(columns.split(", "), row, strict=True)), "words": tuple(json.loads(row[6]))})
                for row in rows]  # fmt: skip

    def _all(self, statement: str, arguments: tuple[object, ...] = ()) -> list[tuple[Any, ...]]:
        return list(self._db.execute(statement, arguments)) if self._known else []

    def _add(self, statement: str, arguments: tuple[object, ...]) -> None:
        with self._transaction(self._db):
            self._db.execute(statement, arguments)


def value_of(text: str) -> Any:
    """A value from its JSON, as ``Measured`` takes it: lists are tuples."""
    said = json.loads(text)
    if isinstance(said, list):
        return tuple(said)
    if isinstance(said, dict):
        return {name: tuple(part) if isinstance(part, list) else part for name, part in said.items()}
    return said
