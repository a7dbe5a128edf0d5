"""The journal's own clock: what the computer's wall clock did between two writings, told by the time since boot.

Owns the two tables of version 6 and the arithmetic. Wall-clock times in the journal are what the computer said then;
where it was set in between, ``Jumps`` says what they are in today's clock, so that ages and rates come out right.

Within one boot a jump is known to the millisecond (CLOCK_BOOTTIME, which nobody can set and which counts sleep). From
one boot to the next only a clock that has gone back shows, by how much at least; how long the computer was off, nobody
knows then.
"""

from __future__ import annotations

import sqlite3
import time
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Final, Literal

TABLES: Final = """
CREATE TABLE clock (
  id INTEGER PRIMARY KEY CHECK (id = 1), at_ms INTEGER NOT NULL, boot TEXT NOT NULL, up_ms INTEGER NOT NULL);
CREATE TABLE clock_jumps (
  id INTEGER PRIMARY KEY, at_ms INTEGER NOT NULL, jump_ms INTEGER NOT NULL, same_boot INTEGER NOT NULL,
  homing INTEGER NOT NULL, run INTEGER NOT NULL, pass INTEGER NOT NULL, map INTEGER NOT NULL, pen INTEGER NOT NULL);
"""
"""When the journal was written last; each setting of the clock that showed, with the last rows written before it."""

JUMP_MS: Final = 2000
"""Less than this is the clock being steered, or a computer that was asked twice."""

Kind = Literal["homing", "run", "pass", "map", "pen"]
"""Rows that can be placed in time: of runs, their end."""


@dataclass(frozen=True, slots=True)
class Reading:
    """Wall clock (Unix ms), the boot's name, and ms since it."""

    at_ms: int
    boot: str
    up_ms: int


@dataclass(frozen=True, slots=True)
class Jump:
    """One setting of the clock. at_ms: by the clock after it; jump_ms: below 0 where it went back. same_boot: exact;
    else at least so much. The rest: the last row of each kind before it."""

    at_ms: int
    jump_ms: int
    same_boot: bool
    homing: int
    run: int
    pass_id: int
    map_id: int
    pen: int

    @property
    def words(self) -> str:
        """For a person."""
        which = "back" if self.jump_ms < 0 else "ahead"
        least = "" if self.same_boot else "at least "
        return f"the computer's clock was set {which} by {least}{span_words(abs(self.jump_ms))}"


def span_words(ms: int) -> str:
    """A time span for a person: two units at most."""
    seconds = round(ms / 1000.0)
    for unit, size, small, smaller in (("d", 86400, "h", 3600), ("h", 3600, "min", 60), ("min", 60, "s", 1)):
        if seconds >= size:
            return f"{seconds // size} {unit} {seconds % size // smaller} {small}"
    return f"{seconds} s"


@cache
def boot_name() -> str:
    """This boot's, by the kernel; empty where it does not say."""
    try:
        return Path("/proc/sys/kernel/random/boot_id").read_text().strip()
    except OSError:
        return ""


def reading() -> Reading:
    """Both clocks now."""
    return Reading(
        time.time_ns() // 1_000_000, boot_name(), time.clock_gettime_ns(time.CLOCK_BOOTTIME) // 1_000_000
    )


def jump_between(before: Reading, after: Reading) -> int:
    """ms by which the clock was set in between, below 0 for back; 0 where none shows."""
    wall_ms = after.at_ms - before.at_ms
    if before.boot and before.boot == after.boot:
        jump_ms = wall_ms - (after.up_ms - before.up_ms)
    else:
        # The boot lasts for as long as it has; before it, any time may have gone by.
        jump_ms = min(wall_ms - max(after.up_ms, 0), 0)
    return jump_ms if abs(jump_ms) > JUMP_MS else 0


def mark(db: sqlite3.Connection, read: Callable[[], Reading]) -> None:
    """Compare both clocks with what they were when the journal was written last; in the caller's transaction."""
    now = read()
    last = db.execute("SELECT at_ms, boot, up_ms FROM clock").fetchone()
    if last is not None and (jump_ms := jump_between(Reading(*last), now)):
        same_boot = bool(now.boot) and last[1] == now.boot
        db.execute(
            "INSERT INTO clock_jumps (at_ms, jump_ms, same_boot, homing, run, pass, map, pen) SELECT ?, ?, ?, "
            "(SELECT coalesce(max(id), 0) FROM homings), "
            "(SELECT coalesce(max(id), 0) FROM runs WHERE ended_ms IS NOT NULL), "
            "(SELECT coalesce(max(id), 0) FROM passes), (SELECT coalesce(max(id), 0) FROM register_maps), "
            "(SELECT coalesce(max(id), 0) FROM pens)",
            (now.at_ms, jump_ms, int(same_boot)),
        )
        words = jumps_of(db)[-1].words
        db.execute("INSERT INTO events (at_ms, kind, text) VALUES (?, 'clock', ?)", (now.at_ms, words))
    db.execute("INSERT OR REPLACE INTO clock VALUES (1, ?, ?, ?)", (now.at_ms, now.boot, now.up_ms))


def jumps_of(db: sqlite3.Connection) -> tuple[Jump, ...]:
    """All settings that showed, oldest first; none in a journal of an earlier version."""
    (version,) = db.execute("PRAGMA user_version").fetchone()
    if version < 6:
        return ()
    columns = "at_ms, jump_ms, same_boot, homing, run, pass, map, pen"
    rows = db.execute(f"SELECT {columns} FROM clock_jumps ORDER BY id").fetchall()  # noqa: S608 (constants)
    return tuple(Jump(row[0], row[1], bool(row[2]), *row[3:]) for row in rows)


def untold(db: sqlite3.Connection) -> tuple[Jump, ...]:
    """All settings that no session has told a person of, oldest first; from here on they are told. In the caller's
    transaction."""
    found = db.execute("SELECT value FROM meta WHERE key = 'clock_jumps_told'").fetchone()
    told, jumps = 0 if found is None else int(found[0]), jumps_of(db)
    if len(jumps) > told:
        db.execute("INSERT OR REPLACE INTO meta VALUES ('clock_jumps_told', ?)", (str(len(jumps)),))
    return jumps[told:]


class Jumps:
    """What times of the journal are in today's clock."""

    def __init__(self, jumps: Iterable[Jump]) -> None:
        self.all = tuple(jumps)

    def after(self, kind: Kind, row: int) -> tuple[Jump, ...]:
        """The settings since a row was written (since a run had ended)."""
        name = {"pass": "pass_id", "map": "map_id"}.get(kind, kind)
        return tuple(one for one in self.all if getattr(one, name) >= row)

    def today_ms(self, at_ms: int, kind: Kind, row: int) -> int:
        """An instant of a row in the clock that goes by now."""
        return at_ms + sum(one.jump_ms for one in self.after(kind, row))

    def is_known(self, kind: Kind, row: int) -> bool:
        """Whether the time since a row is known: no clock has gone back over a boot in between."""
        return all(one.same_boot for one in self.after(kind, row))
