"""A run's files, as every reader of logs takes them: where its folder stands, its spec, the scale of its counts.

Owns the rule by which counts become mm: by what the run's log says of the machine as it was then; a log that does not
say takes today's machine file, and whoever reads it says so.
"""

from __future__ import annotations

import zipfile
import zlib
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass, replace
from math import isfinite
from typing import Any, Final

import numpy as np
import numpy.typing as npt
from pydantic import ValidationError

from controller.config.counting import counted
from controller.config.errors import InputError
from controller.config.machine import AXES, Machine
from controller.config.places import StateDir
from controller.session.journal import Journal
from controller.session.rows import RunRow
from controller.stream.spec import StreamSpec
from controller.stream.timinglog import Damage

FLAG_FRESH: Final = 1
"""Of a record: fresh word came from both drives."""

TODAYS_SCALE: Final = (
    "its logs do not say how many counts a mm has; the machine file as it stands today was used"
)

UNREADABLE: Final = (
    OSError, ValueError, KeyError, TypeError, IndexError, EOFError, zipfile.BadZipFile, zlib.error, InputError,
)  # fmt: skip
"""All that reading a damaged plan, schedule or set of strokes may raise: one bad file costs its own figures only."""


@dataclass(frozen=True, slots=True)
class Scale:
    """counts_per_mm: signed, by axis; following_max_mm: the following error that the machine file allowed, by axis."""

    counts_per_mm: tuple[float, float]
    following_max_mm: tuple[float, float]


def machine_scale(machine: Machine) -> Scale:
    """Of a machine file."""
    x, y = (machine.axes[axis] for axis in AXES)
    return Scale(
        (x.drive.direction * float(x.drive.counts_per_mm), y.drive.direction * float(y.drive.counts_per_mm)),
        (x.following_error_max_mm, y.following_error_max_mm),
    )


def logged_scale(meta: Mapping[str, Any]) -> Scale | None:
    """What a log's meta block says; None where it says nothing, or nothing that can be."""
    counts, limit = (_pair(meta.get(name)) for name in ("counts_per_mm", "following_error_max_mm"))
    return None if counts is None or limit is None or 0.0 in counts else Scale(counts, limit)


def _pair(found: Any) -> tuple[float, float] | None:
    with suppress(TypeError, ValueError):
        x, y = (float(one) for one in found)
        if isfinite(x) and isfinite(y):
            return x, y
    return None


def in_place(run: RunRow, state: StateDir) -> RunRow:
    """The run with its folder where the state folder stands today, should that have been moved."""
    if run.folder.is_dir() or not run.folder.name:
        return run
    return replace(run, folder=state.runs / run.folder.name)


def painting_ids(journal: Journal) -> list[int]:
    """Sessions that had a pass, oldest first."""
    return sorted({run.session for run in journal.runs() if run.pass_id is not None})


def spec_of(run: RunRow) -> StreamSpec | None:
    """The run's spec; None where it cannot be read."""
    with suppress(OSError, ValidationError):
        return StreamSpec.model_validate_json((run.folder / "spec.json").read_bytes())
    return None


def is_fresh(records: npt.NDArray[np.void]) -> npt.NDArray[np.bool_]:
    """(n,) of a log's records: in which fresh word came from both drives."""
    fresh: npt.NDArray[np.bool_] = ((records["flags"] & FLAG_FRESH) != 0) & (records["feedback_ns"] > 0)
    return fresh


def damage_words(run: RunRow, damage: Damage) -> str:
    """What of a run's log was left out."""
    return (
        f"run {run.id} ({run.what}): timing log at byte {damage.offset}, {counted(damage.length, 'byte')} "
        f"left out: {damage.what}"
    )
