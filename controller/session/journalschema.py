"""The journal's tables, by versions: rows and tables are added, never changed.

Owns the statements that make a journal and those that bring an earlier one up to date.
"""

from __future__ import annotations

import sqlite3

from controller.session.calibrationrows import TABLES as _CALIBRATION
from controller.session.clockrows import TABLES as _CLOCK
from controller.session.penrows import TABLES as _PENS

SCHEMA_VERSION = 7
"""Version 1 had one pass an ink, without a name; version 2 knew no looks, no register maps and no plan keys; version 3
no interruptions; version 4 no pens; version 5 no clock that was set; version 6 no calibration. A session brings a file
up to date, readers take it as it is."""
APPLICATION_ID = 0x47694F72  # "GiOr"

_SCHEMA = """
CREATE TABLE meta (key TEXT PRIMARY KEY, value TEXT NOT NULL) WITHOUT ROWID;
CREATE TABLE sessions (
  id INTEGER PRIMARY KEY, verb TEXT NOT NULL, job TEXT NOT NULL, clock TEXT NOT NULL,
  begun_ms INTEGER NOT NULL, ended_ms INTEGER, end TEXT);
CREATE TABLE passes (
  id INTEGER PRIMARY KEY, session INTEGER NOT NULL REFERENCES sessions(id),
  job TEXT NOT NULL, job_digest TEXT NOT NULL, name TEXT NOT NULL, ink TEXT NOT NULL, ink_index INTEGER NOT NULL,
  schedule_digest TEXT NOT NULL, folder TEXT NOT NULL, strokes INTEGER NOT NULL,
  state TEXT NOT NULL CHECK (state IN ('begun', 'stopped', 'halted', 'finished', 'abandoned')),
  begun_ms INTEGER NOT NULL, ended_ms INTEGER, plan_key TEXT NOT NULL DEFAULT '');
CREATE TABLE runs (
  id INTEGER PRIMARY KEY, session INTEGER NOT NULL REFERENCES sessions(id), pass INTEGER REFERENCES passes(id),
  what TEXT NOT NULL, folder TEXT NOT NULL, first_segment INTEGER NOT NULL,
  begun_ms INTEGER NOT NULL, ended_ms INTEGER, end TEXT, reason TEXT, realtime INTEGER);
CREATE TABLE homings (
  id INTEGER PRIMARY KEY, session INTEGER NOT NULL REFERENCES sessions(id), run INTEGER REFERENCES runs(id),
  axis TEXT NOT NULL, at_ms INTEGER NOT NULL, touches_counts TEXT NOT NULL, mean_counts REAL NOT NULL,
  spread_mm REAL NOT NULL, offset_counts REAL NOT NULL, difference_mm REAL, accepted INTEGER NOT NULL,
  reason TEXT NOT NULL);
CREATE INDEX homings_by_axis ON homings (axis, accepted, id);
CREATE TABLE strokes (
  pass INTEGER NOT NULL REFERENCES passes(id), stroke INTEGER NOT NULL, run INTEGER NOT NULL REFERENCES runs(id),
  finished_ns INTEGER NOT NULL, PRIMARY KEY (pass, stroke)) WITHOUT ROWID;
CREATE TABLE events (
  id INTEGER PRIMARY KEY, session INTEGER REFERENCES sessions(id), at_ms INTEGER NOT NULL,
  kind TEXT NOT NULL, text TEXT NOT NULL);
CREATE TABLE truth (
  id INTEGER PRIMARY KEY CHECK (id = 1), registered INTEGER NOT NULL, since_ms INTEGER NOT NULL, why TEXT NOT NULL);
"""

_REGISTER = """
CREATE TABLE looks (
  id INTEGER PRIMARY KEY, at_ms INTEGER NOT NULL, homing INTEGER NOT NULL REFERENCES homings(id),
  cause TEXT NOT NULL CHECK (cause IN ('belt', 'switch', 'unknown')), reason TEXT NOT NULL, person TEXT NOT NULL);
CREATE TABLE register_maps (
  id INTEGER PRIMARY KEY, job TEXT NOT NULL, session INTEGER REFERENCES sessions(id), at_ms INTEGER NOT NULL,
  matrix TEXT NOT NULL, marks TEXT NOT NULL, summary TEXT NOT NULL, person TEXT NOT NULL);
CREATE INDEX register_maps_by_job ON register_maps (job, id);
"""
"""What version 3 added. Of a job's maps the last one is in force."""

_INTERRUPTIONS = """
CREATE TABLE interruptions (
  run INTEGER PRIMARY KEY REFERENCES runs(id), pass INTEGER NOT NULL REFERENCES passes(id), at_ms INTEGER NOT NULL,
  stroke INTEGER, sent_ticks INTEGER NOT NULL, of_ticks INTEGER NOT NULL, low_mm REAL NOT NULL, high_mm REAL NOT NULL,
  length_mm REAL NOT NULL, doubtful TEXT NOT NULL, pen_m REAL NOT NULL, note TEXT NOT NULL);
"""
"""What version 4 added: how far each run had come that did not end in order. ``stroke`` NULL: the pen was up."""


def make(db: sqlite3.Connection) -> None:
    """Make all tables, in the caller's transaction."""
    _all(db, _SCHEMA + _REGISTER + _INTERRUPTIONS + _PENS + _CLOCK + _CALIBRATION)
    db.execute(f"PRAGMA application_id={APPLICATION_ID}")
    db.execute(f"PRAGMA user_version={SCHEMA_VERSION}")


def upgrade(db: sqlite3.Connection, version: int) -> None:
    """Bring a journal of an earlier ``version`` up to date, in the caller's transaction."""
    if version == 1:
        db.execute("ALTER TABLE passes ADD COLUMN name TEXT NOT NULL DEFAULT ''")
        db.execute("UPDATE passes SET name = ink || '-1'")
    if version < 3:
        db.execute("ALTER TABLE passes ADD COLUMN plan_key TEXT NOT NULL DEFAULT ''")
        _all(db, _REGISTER)
    if version < 4:
        _all(db, _INTERRUPTIONS)
    if version < 5:
        _all(db, _PENS)
    if version < 6:
        _all(db, _CLOCK)
    if version < 7:
        _all(db, _CALIBRATION)
    db.execute(f"PRAGMA user_version={SCHEMA_VERSION}")


def _all(db: sqlite3.Connection, statements: str) -> None:
    # executescript would commit behind our back; so statement by statement.
    for statement in statements.split(";"):
        if statement.strip():
            db.execute(statement)
