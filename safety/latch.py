"""The latch: the file that says the machine was stopped and must not move until a person has cleared it.

Owns the file's form, its safe writing and the only way it is ever removed. A latch that cannot be read counts as
latched; so does one whose writing was cut off. Written as JSON to ``<path>.new``, synced, renamed, and the
directory synced, so that a power cut leaves the old latch, the new one, or an unfinished one: never none.
"""

from __future__ import annotations

import fcntl
import json
import os
import time
from dataclasses import asdict, dataclass, fields, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Literal

from safety.events import LATCH_UNREADABLE, Lease
from safety.words import LEASE_WORDS

FORMAT = 1
UNREADABLE = LATCH_UNREADABLE
HISTORY = "latch-history"
Standing = Literal["pending", "proved", "not proved"]
PowerCutState = Literal["not fitted", "kept", "opened"]
_WAIT_S = 0.002
_WAITS = 500
_STANDINGS = ("pending", "proved", "not proved")
_LEASES = ("", "never given", "given back", "held")
_LATER = frozenset({"lease", "doubt"})  # a latch may stand that was written without them
UNPROVED_REMEDY = "look whether both axes stand, and take the motors' power if they do not"
_POWER_CUTS = ("not fitted", "kept", "opened")


@dataclass(frozen=True, slots=True)
class Latch:
    """One stop.

    ``reason`` is a code of ``safety.verdict.Reason``, or ``latch-unreadable`` when the file makes no sense.
    ``wall_time`` is UTC, ISO 8601. ``stopped_ns`` (the verdict) and ``first_bytes_ns`` (the first stop bytes had
    gone out; 0: none could be sent) are CLOCK_MONOTONIC of that boot. ``standstill``: ``pending`` while it is
    being proved, and for good when the guard died over it. ``power_cut``: whether there is an output that can cut
    the motors' power, and whether the guard has let it go over this stop. ``lease``: whether the guard had given a
    motion lease when it stopped, by its own book; empty where that is not known. It proves no standstill: it says what
    had been allowed. ``doubt``: what kept standstill from being proved; empty while it is pending or proved.
    """

    reason: str
    text: str
    detail: str = ""
    wall_time: str = ""
    stopped_ns: int = 0
    first_bytes_ns: int = 0
    streamer_pid: int = 0
    guard_pid: int = 0
    standstill: Standing = "pending"
    power_cut: PowerCutState = "not fitted"
    lease: Lease = ""
    doubt: str = ""

    def standstill_words(self) -> str:
        """What is known of standstill, for a person: the bare word while it is pending or proved.

        Not proved, why; what had been allowed to move; and what to do.
        """
        if self.standstill != "not proved":
            return self.standstill
        known = [f"not proved: {self.doubt}" if self.doubt else "not proved", LEASE_WORDS.get(self.lease, "")]
        return "; ".join(part for part in (*known, UNPROVED_REMEDY) if part)


class ClearRefusedError(Exception):
    """The latch was not cleared; says why."""


def now_text() -> str:
    """The wall time as it stands in latches."""
    return datetime.now(UTC).isoformat(timespec="milliseconds")


def read(path: Path) -> Latch | None:
    """The latch that stands at ``path``; None only when there is neither a latch nor an unfinished one."""
    try:
        text = _finished(path)
        if text is None:
            return None
    except OSError as error:
        return _unreadable(path, str(error))
    try:
        return _decode(text)
    except (ValueError, TypeError) as error:
        return _unreadable(path, f"{error}")


def write(path: Path, latch: Latch) -> None:
    """Put ``latch`` at ``path``, durably. Raises OSError when the disk does not take it."""
    path.parent.mkdir(parents=True, exist_ok=True)
    _write_durably(path, {"format": FORMAT, **asdict(latch)})


def update_standstill(path: Path, latch: Latch, standstill: Standing) -> Latch:
    """Write ``latch`` again with what is known of standstill now. Raises OSError."""
    newer = replace(latch, standstill=standstill)
    write(path, newer)
    return newer


def clear(path: Path, person: str, reason_seen: str) -> Path:
    """Remove the latch: ``person`` says who they are and the reason code they have seen.

    The latch goes into ``latch-history`` beside it, with who and when; returns that file. Raises
    ClearRefusedError when no latch stands, when nobody is named, or when the reason is not the one that
    stands. A crash on the way leaves the latch standing.
    """
    standing = read(path)
    if standing is None:
        raise ClearRefusedError(f"{path}: no latch stands")
    if not person.strip():
        raise ClearRefusedError(f"{path}: expected the name of the person who clears the latch, got none")
    if reason_seen != standing.reason:
        raise ClearRefusedError(
            f"{path}: the latch says {standing.reason} ({standing.text}); expected that reason code to show it was "
            f"seen, got {reason_seen!r}"
        )
    unfinished = _unfinished(path)
    remains = [part for part in (path, unfinished) if part.exists()]
    history = path.parent / HISTORY
    history.mkdir(exist_ok=True)
    cleared_at = now_text()
    stem = f"{cleared_at.replace(':', '').replace('+0000', 'Z')}-{standing.reason}"
    kept = history / f"{stem}.json"
    number = 1
    while kept.exists():
        number += 1
        kept = history / f"{stem}-{number}.json"
    record: dict[str, object] = {"format": FORMAT, **asdict(standing)}
    record |= {"cleared_by": person.strip(), "cleared_at": cleared_at}
    if standing.reason == UNREADABLE:
        record["raw"] = {part.name: _raw(part) for part in remains}
    _write_durably(kept, record)
    for part in remains:
        part.unlink()
    _sync_directory(path.parent)
    return kept


def _decode(text: bytes) -> Latch:
    raw = json.loads(text)
    if not isinstance(raw, dict) or raw.pop("format", None) != FORMAT:
        raise ValueError(f"expected a latch of format {FORMAT}")
    known = {field.name: field.type for field in fields(Latch)}
    if not set(known) - _LATER <= set(raw) <= set(known):
        raise ValueError(f"expected the fields {', '.join(known)}; got {', '.join(raw)}")
    for name in raw:
        kind = known[name]
        expected = int if kind == "int" else str
        if not isinstance(raw[name], expected):
            raise TypeError(f"{name}: expected {expected.__name__}, got {raw[name]!r}")
    if raw["standstill"] not in _STANDINGS:
        raise ValueError(f"standstill: expected one of {', '.join(_STANDINGS)}, got {raw['standstill']!r}")
    if raw["power_cut"] not in _POWER_CUTS:
        raise ValueError(f"power_cut: expected one of {', '.join(_POWER_CUTS)}, got {raw['power_cut']!r}")
    if raw.get("lease", "") not in _LEASES:
        raise ValueError(f"lease: expected one of {', '.join(_LEASES[1:])}, or nothing; got {raw['lease']!r}")
    if not raw["reason"]:
        raise ValueError("reason: expected a code, got none")
    return Latch(**raw)


def _finished(path: Path) -> bytes | None:
    """The latch's bytes; None when there is no trace of one. Waits a little for somebody who is just writing.

    Raises OSError when its writing was cut off, or takes too long.
    """
    abandoned = 0
    for _ in range(_WAITS):
        text = _bytes_of(path)
        if text is not None:
            return text
        try:
            descriptor = os.open(_unfinished(path), os.O_RDONLY | os.O_CLOEXEC)
        except FileNotFoundError:
            return _bytes_of(path)  # again: it may have been finished in between
        try:
            fcntl.flock(descriptor, fcntl.LOCK_SH | fcntl.LOCK_NB)
            # Nobody holds it: cut off, unless its writer has only just opened it.
            abandoned += 1
            if abandoned > 1:
                break
        except BlockingIOError:
            abandoned = 0
        finally:
            os.close(descriptor)
        time.sleep(_WAIT_S)
    raise OSError("its writing was cut off")


def _bytes_of(path: Path) -> bytes | None:
    try:
        return path.read_bytes()
    except FileNotFoundError:
        return None


def _unreadable(path: Path, detail: str) -> Latch:
    return Latch(
        UNREADABLE,
        f"the latch {path.name} cannot be read, which counts as latched",
        detail,
        standstill="not proved",
    )


def _unfinished(path: Path) -> Path:
    return path.with_name(path.name + ".new")


def _raw(path: Path) -> str:
    try:
        return path.read_bytes()[:4096].decode("utf-8", "backslashreplace")
    except OSError as error:
        return str(error)


def _write_durably(path: Path, record: dict[str, object]) -> None:
    unfinished = _unfinished(path)
    descriptor = os.open(unfinished, os.O_WRONLY | os.O_CREAT | os.O_TRUNC | os.O_CLOEXEC, 0o644)
    with os.fdopen(descriptor, "wb") as file:
        fcntl.flock(file, fcntl.LOCK_EX)  # tells readers that somebody alive is at it
        file.write(json.dumps(record, indent=1).encode() + b"\n")
        file.flush()
        os.fsync(file.fileno())
        unfinished.replace(path)
    _sync_directory(path.parent)


def _sync_directory(folder: Path) -> None:
    descriptor = os.open(folder, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)
