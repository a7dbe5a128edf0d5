"""Two machine files side by side: fields that differ, derived numbers that change, and what has to be done anew.

Owns the comparison as data. Draws nothing. Fields that a file leaves out stand with their default. What must be planned
again is what planning itself goes by (``controller/session/schedules.py``), not a list of its own.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from controller.config.derived import MachineNumbers, machine_numbers
from controller.config.load import load_machine
from controller.config.machine import AXES, Machine
from controller.motion.geometry import GeometryMap
from controller.session.doctorrate import wire_tick_ns
from controller.session.schedules import planned_from
from controller.session.stopproof import stops_digest, wanted
from controller.strokes.travel import TravelCost

UNITS: tuple[tuple[str, str], ...] = (
    ("_counts_s2", "counts/s²"),
    ("_counts_s", "counts/s"),
    ("_counts", "counts"),
    ("_mm_s3", "mm/s³"),
    ("_mm_s2", "mm/s²"),
    ("_mm_s", "mm/s"),
    ("_mm_m", "mm/m"),
    ("_mm_h", "mm/h"),
    ("_ppm_h", "ppm/h"),
    ("_bit_s", "bit/s"),
    ("_per_turn", "a turn"),
    ("_per_mm", "a mm"),
    ("_per_s", "1/s"),
    ("_minutes", "min"),
    ("_min", "min"),
    ("_days", "days"),
    ("_deg", "°"),
    ("_mm", "mm"),
    ("_um", "µm"),
    ("_km", "km"),
    ("_hz", "Hz"),
    ("_ms", "ms"),
    ("_us", "µs"),
    ("_ns", "ns"),
    ("_kg", "kg"),
    ("_n", "N"),
    ("_j", "J"),
    ("_h", "h"),
    ("_s", "s"),
    ("_m", "m"),
)
"""Unit by the end of a field's name, the longest first (docs/nomenclature.md)."""

NUMBERS: tuple[tuple[str, str, str], ...] = (
    ("travel_per_turn_mm", "travel a motor turn", "mm"),
    ("counts_per_mm", "counts a mm", ""),
    ("resolution_um", "one count", "µm"),
    ("counter_span_m", "travel until the counter repeats", "m"),
    ("velocity_step_mm_s", "one velocity unit", "mm/s"),
    ("tick_step_um", "one velocity unit for one tick", "µm"),
    ("top_speed_units", "top speed in drive units", ""),
    ("lease_stop_mm", "stopping distance, guard", "mm"),
    ("drive_stop_mm", "stopping distance, drive alone", "mm"),
    ("overrun_mm", "head runs on after a quick stop", "mm"),
    ("energy_j", "kinetic energy at travel speed", "J"),
    ("canvas_mm", "canvas on the axis", "mm"),
    ("lag_mm", "behind the command at paint speed", "mm"),
    ("play_mm", "play, the largest", "mm"),
    ("take_up_ms", "time to take up the play", "ms"),
    ("stretch_mm", "belt gives at full acceleration", "mm"),
    ("motor_acceleration_mm_s2", "motor's acceleration on a path", "mm/s²"),
)
"""Derived numbers of an axis: field, words, unit."""

GRID = 25
"""Places of the canvas along each side at which two files are held against each other."""

SAME = 1e-9
"""Derived numbers that differ by less than this share are the same."""


@dataclass(frozen=True, slots=True)
class Change:
    """One field or number. old, new: as the file or the reckoning has it, None where there is none.

    plan: schedules are made from it.
    """

    where: str
    unit: str
    old: Any
    new: Any
    plan: bool = False


@dataclass(frozen=True, slots=True)
class MachineChanges:
    """What differs between two machine files. anew: sentences, what has to be done again before painting."""

    old: Path
    new: Path
    names: tuple[str, str]
    fields: tuple[Change, ...]
    numbers: tuple[Change, ...]
    warnings_gone: tuple[str, ...]
    warnings_come: tuple[str, ...]
    anew: tuple[str, ...]


def compare_machines(old_path: Path, new_path: Path) -> MachineChanges:
    """Compare two machine files. Raises InputError with the mistakes of the first that does not hold."""
    old, new = load_machine(old_path), load_machine(new_path)
    first, second = machine_numbers(old), machine_numbers(new)
    gone, come = ([str(one) for one in numbers.warnings] for numbers in (first, second))
    return MachineChanges(
        old=old_path,
        new=new_path,
        names=(old.name, new.name),
        fields=tuple(_fields(old, new)),
        numbers=tuple(_numbers((old, first), (new, second))),
        warnings_gone=tuple(one for one in gone if one not in come),
        warnings_come=tuple(one for one in come if one not in gone),
        anew=tuple(_anew(old, new)),
    )


def flat(values: Any, where: str = "") -> Iterator[tuple[str, Any]]:
    """(path, value) of every field of a nested mapping; a list of values stays whole, tables in one go by number."""
    if isinstance(values, Mapping):
        for name, value in values.items():
            yield from flat(value, f"{where}.{name}" if where else str(name))
    elif isinstance(values, list) and any(isinstance(one, Mapping) for one in values):
        for number, value in enumerate(values, 1):
            yield from flat(value, f"{where}[{number}]")
    else:
        yield where, values


def unit_of(where: str) -> str:
    """Unit of a field by the end of its name; empty for none."""
    name = where.rpartition(".")[2]
    return next((unit for end, unit in UNITS if name.endswith(end)), "")


def _fields(old: Machine, new: Machine) -> Iterator[Change]:
    before, after = (dict(flat(one.model_dump(mode="json"))) for one in (old, new))
    planned = {where for one in (old, new) for where, _ in flat(planned_from(one))}
    for where in dict.fromkeys([*after, *before]):
        a, b = before.get(where), after.get(where)
        # A table that only one file has stands as its fields; that the other has none is told by them.
        if a == b or (a is None and _has_parts(where, after)) or (b is None and _has_parts(where, before)):
            continue
        yield Change(where, unit_of(where), a, b, where in planned)


def _has_parts(where: str, fields: Mapping[str, Any]) -> bool:
    return any(name.startswith((f"{where}.", f"{where}[")) for name in fields)


def _numbers(old: tuple[Machine, MachineNumbers], new: tuple[Machine, MachineNumbers]) -> Iterator[Change]:
    for axis, (a, b) in zip(AXES, zip(old[1].axes, new[1].axes, strict=True), strict=True):
        for field, words, unit in NUMBERS:
            yield from _changed(f"{words}, {axis}", unit, getattr(a, field), getattr(b, field))
    for field, words, unit in _WHOLE:
        yield from _changed(words, unit, getattr(old[1], field), getattr(new[1], field))
    for one, other in zip(old[1].dots, new[1].dots, strict=True):
        yield from _changed(
            f"speed round a dot of radius {one.radius_mm:g} mm", "mm/s", one.speed_mm_s, other.speed_mm_s
        )
    ticks = [wire_tick_ns(one[0], ()) * 1e-3 for one in (old, new)]
    yield from _changed("shortest tick that the wire carries", "µs", *ticks)
    yield from _changed("highest tick rate that the wire carries", "Hz", *(1e6 / tick for tick in ticks))
    yield from _changed("tick rate", "Hz", *(1e6 / one[0].tick_us for one in (old, new)))


_WHOLE = (
    ("bus_bits_per_tick", "bus bits a tick, worst case", "bit"),
    ("bus_load", "bus load at the tick, worst case, 1 is all", ""),
    ("reaction_ms", "reaction: lease and guard", "ms"),
    ("jerk_ms", "acceleration is built up in", "ms"),
)


def _changed(words: str, unit: str, old: Any, new: Any) -> Iterator[Change]:
    a, b = _plain(old), _plain(new)
    one_missing = a is None or b is None
    if a is not b if one_missing else not np.allclose(a, b, rtol=SAME, atol=0.0):
        yield Change(words, unit, a, b)


def _plain(value: Any) -> Any:
    if isinstance(value, tuple):
        return [float(one) for one in value]
    return value if value is None or isinstance(value, int) else float(value)


def _anew(old: Machine, new: Machine) -> Iterator[str]:
    """What has to be done again, the gravest first."""
    if old.name != new.name:
        yield (
            f"the name differs: {new.name} has a state folder of its own, and history, homings and register maps of "
            f"{old.name} stay with that"
        )
    if stops_digest(old) != stops_digest(new) and wanted(new):
        yield "the wiring of stops differs: every stop is proved again before anything moves (giornata commission)"
    if any(_counter(old, axis) != _counter(new, axis) for axis in AXES):
        yield "counts, direction or place of a home switch differ: home again before anything else"
    shift = canvas_shift_mm(old, new)
    if shift is None:
        yield "the canvas hangs otherwise or has another size: what is painted and what comes do not belong together"
    elif shift.max() > SHIFT_TOLD_MM:
        x, y = shift.tolist()
        yield (
            f"the same place of the canvas is driven to otherwise, by up to {x:.3f} mm along x and {y:.3f} mm along y: "
            "in the middle of a picture measure its marks (giornata marks)"
        )
    planned = [dict(flat(planned_from(one))) for one in (old, new)]
    differ = [
        where
        for where in dict.fromkeys([*planned[0], *planned[1]])
        if planned[0].get(where) != planned[1].get(where)
    ]
    if differ:
        yield (
            f"plan keys: {len(differ)} of the fields that schedules are made from differ, so every pass is planned "
            "anew, and one that was begun does not go on without being asked"
        )
        if _order(old) != _order(new):
            yield "the order of strokes is sought anew, and with it what each pass holds"
    else:
        yield "plan keys: no schedule depends on what differs; passes keep their keys, prepared or begun"


SHIFT_TOLD_MM = 0.001


def _counter(machine: Machine, axis: str) -> tuple[Any, ...]:
    one = machine.axes[axis]
    return one.drive.counts_per_mm, one.drive.direction, one.homing.position_mm, one.homing.towards


def _order(machine: Machine) -> tuple[Any, ...]:
    return (*machine.park_mm, *TravelCost.of(machine).rules().tolist())


def canvas_shift_mm(old: Machine, new: Machine) -> np.ndarray[tuple[int, ...], np.dtype[np.float64]] | None:
    """(2,): how far apart the two files drive to the same place of the canvas, by axis, the largest over the canvas.

    In motor turns from the home switch's edge, so that belt pitch and teeth count as well, told in the old file's mm.
    None where the canvas itself differs in size.
    """
    if old.canvas.size_mm != new.canvas.size_mm:
        return None
    width, height = old.canvas.size_mm
    across, down = np.meshgrid(np.linspace(0.0, width, GRID), np.linspace(0.0, height, GRID))
    places = np.column_stack([across.ravel(), down.ravel()])
    ways = [_turns(one, places) for one in (old, new)]
    a_turn = np.array([float(old.axes[axis].drive.travel_per_turn_mm) for axis in AXES])
    apart: np.ndarray[tuple[int, ...], np.dtype[np.float64]] = np.abs(ways[1] - ways[0]).max(axis=0) * a_turn
    return apart


def _turns(
    machine: Machine, places_mm: np.ndarray[Any, np.dtype[np.float64]]
) -> np.ndarray[Any, np.dtype[np.float64]]:
    edge = np.array([machine.axes[axis].homing.position_mm for axis in AXES])
    a_turn = np.array([float(machine.axes[axis].drive.travel_per_turn_mm) for axis in AXES])
    turns: np.ndarray[Any, np.dtype[np.float64]] = (
        GeometryMap.of(machine, None).to_axes(places_mm) - edge
    ) / a_turn
    return turns


def machines_json(changes: MachineChanges) -> dict[str, Any]:
    """The same for a program."""
    return {
        "old": str(changes.old),
        "new": str(changes.new),
        "names": list(changes.names),
        "fields": [
            {"field": one.where, "unit": one.unit, "old": one.old, "new": one.new, "plan": one.plan}
            for one in changes.fields
        ],
        "numbers": [
            {"number": one.where, "unit": one.unit, "old": one.old, "new": one.new} for one in changes.numbers
        ],
        "warnings_gone": list(changes.warnings_gone),
        "warnings_come": list(changes.warnings_come),
        "anew": list(changes.anew),
    }
