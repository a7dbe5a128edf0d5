"""The journal's rows of pens and of what each run asked of the machine: tables of version 5.

Owns the statements. Rows are added, never changed. Knows no motion; ``pens`` and ``maintenance`` say what it means.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Callable
from contextlib import AbstractContextManager
from dataclasses import asdict, dataclass
from typing import Any, Final

TABLES: Final = """
CREATE TABLE pens (
  id INTEGER PRIMARY KEY, ink TEXT NOT NULL, at_ms INTEGER NOT NULL, session INTEGER REFERENCES sessions(id),
  pass_name TEXT NOT NULL, person TEXT NOT NULL);
CREATE INDEX pens_by_ink ON pens (ink, id);
CREATE TABLE pen_stock (
  id INTEGER PRIMARY KEY, ink TEXT NOT NULL, at_ms INTEGER NOT NULL, pens INTEGER NOT NULL, after_pen INTEGER NOT NULL,
  person TEXT NOT NULL);
CREATE TABLE tip_widths (
  id INTEGER PRIMARY KEY, ink TEXT NOT NULL, at_ms INTEGER NOT NULL, pen INTEGER REFERENCES pens(id),
  pen_m REAL NOT NULL, width_mm REAL NOT NULL, person TEXT NOT NULL);
CREATE TABLE run_sums (
  run INTEGER PRIMARY KEY REFERENCES runs(id), pen INTEGER REFERENCES pens(id), ticks INTEGER NOT NULL,
  powered_s REAL NOT NULL, moving_s REAL NOT NULL, down_s REAL NOT NULL, up_s REAL NOT NULL,
  longest_up_s REAL NOT NULL, last_up_s REAL NOT NULL, lifts INTEGER NOT NULL, x_mm REAL NOT NULL, y_mm REAL NOT NULL,
  x_reversals INTEGER NOT NULL, y_reversals INTEGER NOT NULL, painted_mm REAL NOT NULL);
CREATE TABLE inspections (
  id INTEGER PRIMARY KEY, what TEXT NOT NULL, at_ms INTEGER NOT NULL, after_run INTEGER NOT NULL, note TEXT NOT NULL,
  person TEXT NOT NULL);
"""
"""Pens put in fresh; pens left as counted by a person, the last fresh one then; measured widths of lines; what each run
asked of the machine; inspections done, the last run before each."""


@dataclass(frozen=True, slots=True)
class PenRow:
    """A pen put in fresh. ``pass_name``: the pass it was put in for, empty where a person said so by hand."""

    id: int
    ink: str
    at_ms: int
    session: int | None
    pass_name: str
    person: str


@dataclass(frozen=True, slots=True)
class StockRow:
    """Unused pens of an ink, counted by a person when pen ``after_pen`` had been the last put in."""

    id: int
    ink: str
    at_ms: int
    pens: int
    after_pen: int
    person: str


@dataclass(frozen=True, slots=True)
class WidthRow:
    """The line of pen ``pen``, measured after ``pen_m`` metres."""

    id: int
    ink: str
    at_ms: int
    pen: int | None
    pen_m: float
    width_mm: float
    person: str


@dataclass(frozen=True, slots=True)
class SumsRow:
    """What one run asked of the machine, by its ticks.

    powered_s: both drives enabled; moving_s: any axis commanded; down_s, up_s: pen down, up; longest_up_s: without a
    touch; last_up_s: at its end; lifts: times that the pen went up; x_mm, y_mm: ways of the axes; x_reversals,
    y_reversals; painted_mm: of strokes. pen: that was in the head, None for runs that do not paint.
    """

    run: int
    pen: int | None
    ticks: int
    powered_s: float
    moving_s: float
    down_s: float
    up_s: float
    longest_up_s: float
    last_up_s: float
    lifts: int
    x_mm: float
    y_mm: float
    x_reversals: int
    y_reversals: int
    painted_mm: float


@dataclass(frozen=True, slots=True)
class InspectionRow:
    """Somebody inspected ``what`` after run ``after_run``."""

    id: int
    what: str
    at_ms: int
    after_run: int
    note: str
    person: str


class PenRows:
    """The tables of one open journal; a journal of an earlier version has no rows."""

    def __init__(
        self,
        db: sqlite3.Connection,
        now_ms: Callable[[], int],
        transaction: Callable[[sqlite3.Connection], AbstractContextManager[None]],
    ) -> None:
        self._db, self._now_ms, self._transaction = db, now_ms, transaction
        (version,) = db.execute("PRAGMA user_version").fetchone()
        self._known = version >= 5

    def now_ms(self) -> int:
        """The journal's clock, Unix milliseconds."""
        return self._now_ms()

    def add_pen(self, ink: str, *, session: int | None, pass_name: str, person: str) -> int:
        """A fresh pen is in; answers its id."""
        return self._add(
            "INSERT INTO pens (ink, at_ms, session, pass_name, person) VALUES (?, ?, ?, ?, ?)",
            (ink, self._now_ms(), session, pass_name, person),
        )

    def pens(self) -> list[PenRow]:
        """All pens, oldest first."""
        return [PenRow(*row) for row in self._all("id, ink, at_ms, session, pass_name, person", "pens")]

    def add_stock(self, ink: str, pens: int, person: str) -> None:
        """So many unused pens are left by a person's count."""
        last = max((row.id for row in self.pens()), default=0)
        self._add(
            "INSERT INTO pen_stock (ink, at_ms, pens, after_pen, person) VALUES (?, ?, ?, ?, ?)",
            (ink, self._now_ms(), pens, last, person),
        )

    def stock(self) -> list[StockRow]:
        """All counts, oldest first."""
        return [StockRow(*row) for row in self._all("id, ink, at_ms, pens, after_pen, person", "pen_stock")]

    def add_width(self, ink: str, *, pen: int | None, pen_m: float, width_mm: float, person: str) -> None:
        """The line of a pen was measured."""
        self._add(
            "INSERT INTO tip_widths (ink, at_ms, pen, pen_m, width_mm, person) VALUES (?, ?, ?, ?, ?, ?)",
            (ink, self._now_ms(), pen, pen_m, width_mm, person),
        )

    def widths(self) -> list[WidthRow]:
        """All measured widths, oldest first."""
        columns = "id, ink, at_ms, pen, pen_m, width_mm, person"
        return [WidthRow(*row) for row in self._all(columns, "tip_widths")]

    def add_sums(self, row: SumsRow) -> None:
        """A run has ended."""
        values = asdict(row)
        self._add(
            f"INSERT INTO run_sums ({', '.join(values)}) VALUES ({', '.join('?' * len(values))})",  # noqa: S608
            tuple(values.values()),
        )

    def sums(self) -> list[SumsRow]:
        """Of all runs that have them, oldest first."""
        columns = ", ".join(SumsRow.__dataclass_fields__)
        return [SumsRow(*row) for row in self._all(columns, "run_sums", "run")]

    def add_inspection(self, what: str, *, after_run: int, note: str, person: str) -> None:
        """Somebody has inspected something."""
        self._add(
            "INSERT INTO inspections (what, at_ms, after_run, note, person) VALUES (?, ?, ?, ?, ?)",
            (what, self._now_ms(), after_run, note, person),
        )

    def inspections(self) -> list[InspectionRow]:
        """All inspections, oldest first."""
        columns = "id, what, at_ms, after_run, note, person"
        return [InspectionRow(*row) for row in self._all(columns, "inspections")]

    def _all(self, columns: str, table: str, by: str = "id") -> list[tuple[Any, ...]]:
        if not self._known:
            return []
        return list(self._db.execute(f"SELECT {columns} FROM {table} ORDER BY {by}"))  # noqa: S608 (constants)

    def _add(self, statement: str, arguments: tuple[object, ...]) -> int:
        with self._transaction(self._db):
            return int(self._db.execute(statement, arguments).lastrowid or 0)
