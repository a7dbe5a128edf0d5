"""Whether runs are traced, where their rings lie, and that what a ring holds ends in the run's folder.

Owns the switch (a file in the state folder, so that every verb and the service go by it, and no prepared job becomes
stale by it) and the moving of rings. A ring that a dead session left is moved by the next one.
"""

from __future__ import annotations

import hashlib
import json
import os
from pathlib import Path
from typing import Any

from controller.config.errors import InputError, Mistake
from controller.config.places import StateDir
from drivers.trace import DEFAULT_MIB, MIB_MAX
from drivers.tracefile import Trace, TraceError, keep, read_trace

TRACE_NAME = "wire.gtr"
KEPT_RUNS = 50
"""So many of the latest runs keep their traces: at 32 MiB each they take 1.6 GiB at most."""


def in_memory(state: StateDir, what: str) -> Path:
    """A path for a file that a real-time loop writes, in memory where the system has such a place.

    Pages of a file on disk are locked while they are written.
    """
    shared = Path("/dev/shm")  # noqa: S108 (names carry the state folder's digest; the file is made anew, 0600)
    if not (shared.is_dir() and os.access(shared, os.W_OK)):
        return state.run / what
    digest = hashlib.sha256(bytes(state.root)).hexdigest()[:16]
    return shared / f"giornata-{os.getuid()}-{digest}.{what}"


def switch_path(state: StateDir) -> Path:
    """The file that says that runs are traced."""
    return state.root / "trace.json"


def switch(state: StateDir, mib: int | None) -> None:
    """From the next run on put down what passes, into rings of ``mib`` MiB; None: no longer."""
    path = switch_path(state)
    if mib is None:
        path.unlink(missing_ok=True)
        return
    if not 1 <= mib <= MIB_MAX:
        raise ValueError(f"expected 1 to {MIB_MAX} MiB, got {mib}")
    part = path.with_name(path.name + ".part")
    part.write_text(json.dumps({"mib": mib}) + "\n")
    part.replace(path)


def switched(state: StateDir) -> int | None:
    """Into how many MiB runs are traced; None when they are not."""
    try:
        told: Any = json.loads(switch_path(state).read_text())
    except OSError:
        return None
    except ValueError:
        return DEFAULT_MIB  # somebody wanted one
    mib = told.get("mib") if isinstance(told, dict) else None
    return mib if type(mib) is int and 1 <= mib <= MIB_MAX else DEFAULT_MIB


def wanted(state: StateDir) -> tuple[Path, int] | None:
    """Ring and MiB for the next run, what an earlier one left moved away; None when runs are not traced."""
    keep_left(state)
    mib = switched(state)
    return None if mib is None else (in_memory(state, "trace"), mib)


def keep_left(state: StateDir) -> tuple[str, ...]:
    """Move a ring that lies there into its run's folder. No writer lives any more. Answers what went wrong."""
    ring = in_memory(state, "trace")
    if not ring.exists():
        return ()
    try:
        folder = state.runs / str(read_trace(ring).description.get("run"))
        keep(ring, (folder if folder.is_dir() else state.runs) / TRACE_NAME)
        for old in _newest_first(state)[KEPT_RUNS:]:
            old.unlink(missing_ok=True)
    except TraceError:
        ring.unlink(missing_ok=True)
    except OSError as error:
        return (f"the trace of the wire could not be kept: {error.strerror or error}; it lies in {ring}",)
    return ()


def _newest_first(state: StateDir) -> list[Path]:
    """The traces of runs, the latest first."""
    found = state.runs.glob(f"*/{TRACE_NAME}")
    return sorted(found, key=lambda path: path.stat().st_mtime_ns, reverse=True)


def load(path: Path) -> Trace:
    """The trace in a file. Raises InputError."""
    try:
        return read_trace(path)
    except TraceError as error:
        raise InputError(
            [Mistake(path, "trace", "a file that giornata wrote", str(error), code="trace-file")]
        ) from None
    except OSError as error:
        raise InputError(
            [
                Mistake(
                    path, "trace", "a file that can be read", error.strerror or str(error), code="trace-file"
                )
            ]
        ) from None
