"""Sheets painted in virtual time on a simulated gantry that is not what the machine file says, and a person who reads.

Owns the way from a sheet to what its tip left on the canvas: the sheet's own files, read as any job's, planned as any
pass and put through the twin's mechanics. The reader sees contacts of the tip alone, to what an eye and a ruler tell.
"""

from __future__ import annotations

import copy
import tomllib
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from controller.artwork.read import read_artwork
from controller.calibrate.sheets.page import Sheet
from controller.calibrate.sheets.write import write_sheet
from controller.config.load import load_job, machine_from
from controller.config.machine import Machine
from controller.config.places import shipped
from controller.motion.plan import plan_pass
from controller.strokes.build import build_strokes
from tests.bench.accuracy_play import Player

Vector = npt.NDArray[np.float64]

RULER_MM = 0.1
"""What a person tells apart with a ruler and a glass."""
EYE_MM = 0.02
"""Two lines end to end may stand so far apart unseen: vernier acuity at reading distance (from memory)."""


def machine_with(
    truth: dict[str, Any] | None = None, stated: dict[str, Any] | None = None, **axes: dict[str, Any]
) -> Machine:
    """The reference gantry with nothing measured (no play, lag, belt in its file), ``stated`` and ``axes`` on top.

    truth: fields of the simulated gantry; its ``axes`` hold for both axes, ``x`` and ``y`` for one.
    """
    data = tomllib.loads(shipped("machines/reference-twin.toml").read_text())
    for axis in ("x", "y"):
        one = data["axes"][axis]
        del one["belt"]
        one |= {"play_mm": 0.0, "loop_lag_ms": 0.0, "latency_ms": 0.0} | copy.deepcopy(axes.get(axis, {}))
    given = copy.deepcopy(truth or {})
    for axis in ("x", "y"):
        data["twin"]["axes"][axis] |= given.get("axes", {}) | given.get(axis, {})
    data["twin"] |= {key: value for key, value in given.items() if key not in ("axes", "x", "y")}
    return machine_from(data | copy.deepcopy(stated or {}), Path("reference.toml"))


def painted(
    sheet: Sheet, machine: Machine, folder: Path, ink: str, take: Sequence[int] | None = None
) -> list[Vector]:
    """What the tip left of one ink of a sheet: canvas mm (n, 2) of each contact, 1 ms apart, in order of time.

    take: only these of its strokes.
    """
    files = write_sheet(sheet, folder)
    job = load_job(files.job)
    artwork = read_artwork(job, files.job)
    assert artwork.skipped == ()
    of = {one.name: one for one in job.inks}[ink]
    strokes = build_strokes(artwork.inks[ink], of)
    if take is not None:
        strokes = strokes.take(np.array(take, dtype=np.int64))
    schedule = plan_pass(strokes, of, machine, machine.park_mm)
    contacts = Player(machine, schedule.start_quanta).paint(schedule)
    assert len(contacts) == len(strokes)
    return contacts


def near(contact: Vector, axis: int, from_mm: float, to_mm: float) -> Vector:
    """The places of a contact between two places along an axis."""
    low, high = min(from_mm, to_mm), max(from_mm, to_mm)
    inside: Vector = contact[(contact[:, axis] >= low) & (contact[:, axis] <= high)]
    assert len(inside)
    return inside


def ruled(value: float, chance: np.random.Generator, mark_mm: float = RULER_MM) -> float:
    """A length as a person reads it: to the nearest mark, the eye off by up to half a mark."""
    return round((value + chance.uniform(-0.5, 0.5) * mark_mm) / mark_mm) * mark_mm
