"""Measured values on their way into the history, and, on a person's consent, into the machine file and out again.

Owns the order: the history first, then the file, the old file kept before it is replaced. A file that would not hold
(controller/config) is not written. Measures nothing; how a file is changed is ``controller.config.tomlkeep``'s.
"""

from __future__ import annotations

import contextlib
import json
import os
import tempfile
import tomllib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from hashlib import sha256
from pathlib import Path
from typing import Any

from controller.calibrate.values import Measured, numbers_of
from controller.config.errors import InputError, Mistake, RefusedError
from controller.config.load import load_machine, machine_from, read_toml
from controller.config.machine import Machine
from controller.config.places import StateDir
from controller.config.tomlkeep import CannotKeepError, toml_of, value_at, with_values
from controller.config.values import location_of, type_at
from controller.session.calibrationrows import NO_VALUE, CalibrationRow, WriteRow
from controller.session.daemon import locked
from controller.session.journal import Journal
from controller.session.prepared import file_digest

KEPT_FOLDER = "machine-files"
"""Of the state folder: machine files as they were before each change."""

Change = tuple[int | None, int | None, str, str, str]


@dataclass(frozen=True, slots=True)
class Written:
    """A machine file that was changed. ``kept``: the file as it was before; ``lines``: a sentence for each field."""

    file: Path
    kept: Path
    lines: tuple[str, ...]


def is_field(field: str) -> bool:
    """Whether a measured value stands in a machine file at all; others are kept in the history alone."""
    return type_at(Machine, location_of(field)) is not None


def keep(
    journal: Journal, machine_path: Path, measured: Sequence[Measured], *, person: str, session: int | None
) -> list[CalibrationRow]:
    """Put values into the history. Answers their rows."""
    digest = file_digest(machine_path) or ""
    return journal.calibration.add(measured, session=session, person=person, machine_digest=digest)


def kept(
    machine_path: Path, state_root: Path | None, measured: Sequence[Measured], person: str, *, write: bool = False
) -> tuple[list[CalibrationRow], Written | None]:  # fmt: skip
    """``keep`` for values that were read off a sheet, or measured before: under the lock of the state folder; with
    ``write`` those that stand in a machine file go into it. Raises RefusedError when a session runs; as ``write``."""
    with _open(machine_path, state_root) as (state, journal):
        rows = keep(journal, machine_path, measured, person=person, session=None)
        fit = [row for row in rows if is_field(row.measured.field)]
        written = write_rows(journal, state, machine_path, fit, person) if write and fit else None
        return rows, written


def write(machine_path: Path, state_root: Path | None, ids: Sequence[int], person: str) -> Written:
    """Write values of the history into the machine file. Raises RefusedError when a session runs or an id is unknown;
    InputError when the file would not hold with them."""
    with _open(machine_path, state_root) as (state, journal):
        known = {row.id: row for row in journal.calibration.all()}
        if missing := [number for number in ids if number not in known]:
            raise RefusedError(
                f"no calibration {missing[0]} in the history",
                "giornata calibration list",
                code="calibration-unknown",
            )
        return write_rows(journal, state, machine_path, [known[number] for number in ids], person)


def write_rows(
    journal: Journal, state: StateDir, machine_path: Path, rows: Sequence[CalibrationRow], person: str
) -> Written:
    """``write``, the lock being held."""
    strange = [row.measured.field for row in rows if not is_field(row.measured.field)]
    if strange:
        raise RefusedError(
            f"{strange[0]} does not stand in a machine file",
            "it is kept in the history",
            code="calibration-not-alike",
        )
    changes = {row.measured.field: row.measured.plain() for row in rows}
    of = {row.measured.field: row.id for row in rows}
    return _replace(journal, state, machine_path, changes, of, {}, person)


def revert(machine_path: Path, state_root: Path | None, field: str, person: str) -> Written:
    """Take back the last writing of a field. Raises RefusedError when there is none, or the file says something else
    by now than what was written."""
    with _open(machine_path, state_root) as (state, journal):
        writes = journal.calibration.writes()
        gone = {row.reverts for row in writes}
        mine = [row for row in writes if row.field == field and row.reverts is None and row.id not in gone]
        if not mine:
            raise RefusedError(
                f"{field} was not written by a calibration",
                "giornata calibration list",
                code="calibration-unknown",
            )
        last = mine[-1]
        now = value_at(read_toml(machine_path), field)
        if json.dumps(now) != last.after:
            raise RefusedError(
                f"{field}: the file says {words_of(json.dumps(now))}, not {words_of(last.after)} as written then",
                "somebody has changed it since: look, and change it by hand",
                code="calibration-changed-since",
            )
        whole = None
        alone = [row for row in writes if row.kept == last.kept and row.at_ms == last.at_ms] == [last]
        if alone and file_digest(machine_path) == last.digest_after:
            with contextlib.suppress(OSError):
                whole = Path(last.kept).read_bytes()
        before = None if last.before == NO_VALUE else json.loads(last.before)
        opened = _opened(last) if before is None else ()
        return _replace(
            journal,
            state,
            machine_path,
            {field: before},
            {},
            {field: last},
            person,
            whole=whole,
            opened=opened,
        )


def _opened(last: WriteRow) -> tuple[str, ...]:
    """Tables that the file had not before this writing, innermost first: they go with the field when they are empty."""
    try:
        had = tomllib.loads(Path(last.kept).read_text(encoding="utf-8-sig"))
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError):
        return ()
    names = last.field.split(".")
    tables = (".".join(names[:length]) for length in range(len(names) - 1, 0, -1))
    return tuple(table for table in tables if value_at(had, table) is None)


def _replace(
    journal: Journal, state: StateDir, machine_path: Path, changes: Mapping[str, Any], of: Mapping[str, int],
    reverts: Mapping[str, WriteRow], person: str, *, whole: bytes | None = None, opened: Sequence[str] = (),
) -> Written:  # fmt: skip
    """Change the file. ``whole``: the bytes that it had before, where nothing else has changed since; ``opened``:
    tables that go, too, when nothing is left in them."""
    machine_path = machine_path.resolve()
    raw = machine_path.read_bytes()
    before = read_toml(machine_path)
    try:
        made = whole if whole is not None else _without(with_values(raw.decode(), changes), opened).encode()
    except (CannotKeepError, tomllib.TOMLDecodeError) as error:
        told = "; ".join(
            f"{field} = {toml_of(value)}" for field, value in changes.items() if value is not None
        )
        raise RefusedError(
            f"{machine_path} cannot be changed without changing more ({error})",
            f"write it in by hand: {told}" if told else "take it out by hand",
            code="file-not-editable",
        ) from None
    after = tomllib.loads(made.decode().removeprefix("\ufeff"))
    machine_from(after, machine_path)
    folder = state.root / KEPT_FOLDER
    folder.mkdir(mode=0o700, exist_ok=True)
    digest = sha256(raw).hexdigest()
    at_ms = journal.calibration.now_ms()
    stamp = datetime.fromtimestamp(at_ms / 1000.0, UTC).strftime("%Y%m%dT%H%M%S")
    place = folder / f"{stamp}-{digest[:12]}.toml"
    _put(place, raw, 0o600)
    rows: list[Change] = [
        (
            of.get(field),
            reverts[field].id if field in reverts else None,
            field,
            json.dumps(value_at(before, field)),
            json.dumps(value_at(after, field)),
        )
        for field in changes
    ]
    # The history first: a crash between leaves a writing that the file does not bear out, and a revert that says so.
    journal.calibration.add_writes(
        rows, kept=str(place), digest_before=digest, digest_after=sha256(made).hexdigest(), person=person
    )
    _put(machine_path, made, machine_path.stat().st_mode & 0o777)
    lines = tuple(f"{field}: {words_of(old)} -> {words_of(new)}" for _, _, field, old, new in rows)
    return Written(machine_path, place, (*lines, *_without_effect(changes, after)))


def _without(text: str, tables: Sequence[str]) -> str:
    """The file without those of ``tables`` that are empty."""
    for table in tables:
        if value_at(tomllib.loads(text.removeprefix("\ufeff")), table) == {}:
            text = with_values(text, {table: None})
    return text


def _without_effect(changes: Mapping[str, Any], data: Mapping[str, Any]) -> list[str]:
    """What was written and counts for nothing, since a table stands in its place."""
    return [
        f"{field} has no effect: {field.rpartition('.')[0]}.play_table is used in its place"
        for field in changes
        if field.endswith(".play_mm") and value_at(data, f"{field.rpartition('.')[0]}.play_table") is not None
    ]


def _put(path: Path, raw: bytes, mode: int) -> None:
    """Write a file so that a crash leaves it or the one before."""
    try:
        descriptor, name = tempfile.mkstemp(prefix=f".{path.name}-", dir=path.parent)
        with os.fdopen(descriptor, "wb") as stream:
            stream.write(raw)
            stream.flush()
            os.fsync(stream.fileno())
        Path(name).chmod(mode)
        Path(name).replace(path)
    except OSError as error:
        raise InputError(
            [
                Mistake(
                    path,
                    "file",
                    "a file that can be written",
                    error.strerror or str(error),
                    code="file-unwritable",
                )
            ]
        ) from None


@contextlib.contextmanager
def _open(machine_path: Path, state_root: Path | None) -> Iterator[tuple[StateDir, Journal]]:
    """State folder and journal of a machine, under the lock."""
    machine = load_machine(machine_path)
    state = StateDir.open(state_root, machine.name)
    with (
        locked(state, "calibration"),
        contextlib.closing(Journal.open(state.journal, machine.name)) as journal,
    ):
        yield state, journal


def words_of(text: str) -> str:
    """A value's JSON for a person."""
    return "left out" if text == NO_VALUE else toml_of(json.loads(text))


# -- comparing ------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Difference:
    """Two measurements of one field. ``by``: numbers of the later less the earlier; None where they do not match in
    number or place. ``real``: whether more than both intervals together allow; None where one has no interval."""

    field: str
    earlier: CalibrationRow
    later: CalibrationRow
    by: tuple[float, ...] | None
    real: bool | None


def difference(earlier: CalibrationRow, later: CalibrationRow) -> Difference:
    """Compare two measurements of one field. Raises RefusedError for two fields."""
    a, b = earlier.measured, later.measured
    if a.field != b.field:
        raise RefusedError(
            f"{a.field} and {b.field} are not the same field",
            "compare two of one field",
            code="calibration-not-alike",
        )
    by: tuple[float, ...] | None = None
    old, new = numbers_of(a.value), numbers_of(b.value)
    if len(old) == len(new) and places_of(a) == places_of(b):
        by = tuple(after - before for before, after in zip(old, new, strict=True))
    real = None
    if by is not None and a.half_width is not None and b.half_width is not None:
        real = max((abs(one) for one in by), default=0.0) > (a.half_width**2 + b.half_width**2) ** 0.5
    return Difference(a.field, earlier, later, by, real)


def places_of(measured: Measured) -> tuple[float, ...]:
    """Places of a table's values; none of a plain value."""
    value = measured.value
    places = value.get("position_mm", ()) if isinstance(value, Mapping) else ()
    return places if isinstance(places, tuple) else (places,)
