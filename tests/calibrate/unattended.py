"""A gantry commissioned without anybody there: lag, combs, waves, tape, wire, diagonals, in the order of a builder.

Owns the order and the person's readings. Every schedule is planned by the file as it stands and played on the gantry's
mechanics past the wire (``tests.calibrate.wired`` has it painted over the wire); every value comes from production's
own fits and readings and is written into the file as ``Measured`` says. The truth reaches this module through paint and
encoders alone.
"""

from __future__ import annotations

import contextlib
import copy
import tempfile
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from scipy.signal import find_peaks

from controller.calibrate.identify import fit_loop
from controller.calibrate.identify_ring import wave_run_up_mm
from controller.calibrate.readings import Reading, measured_from
from controller.calibrate.readings_frame import sag
from controller.calibrate.sheets.catalogue import make_sheet
from controller.calibrate.sheets.circles import WAVE_MM
from controller.calibrate.sheets.page import Sheet
from controller.calibrate.values import Measured, PoorFit
from controller.config.errors import InputError
from controller.config.machine import AXES, Machine
from tests.calibrate.gantries import Axis, Gantry, Given, heed, stated
from tests.calibrate.idtwins import BRISK_JERK_MM_S3, BRISK_SHARE, steps_samples
from tests.calibrate.painted import EYE_MM, Vector, near, painted, ruled

TAPE_MM, WIRE_MM, RULER_MM, LOUPE_MM = 0.1, 0.1, 0.5, 0.1
"""What a person tells: a tape's half-millimetre marks and a rule at a wire to a tenth with a glass, lengths of waves to
half a millimetre, heights with a loupe to a tenth (common practice, no source). Others: ``tests.calibrate.bounds``."""

ALIKE_MM = 0.03
"""Teeth that lie apart by less look alike; the first and the last of them are given."""

LAYINGS = 3
"""So often a comb and a wave are read."""
TAPE_LAYINGS = WIRE_LAYINGS = 5
"""So often a tape is laid and a rule held to the wire: docs/commissioning-figures.md, what reading leaves."""
WIRE_PLACES = 25
FINE_STEP_MM, FINE_MOST_MM = 0.02, 0.4
"""Of the second comb, which shows what the first has left."""
WAVE_TIP_MM = 0.5
WAVES_LEAST_MM = 0.3


Paint = Callable[[Sheet, Machine, Path, str, Sequence[int] | None], list[Vector]]
"""As ``painted``: what the tip leaves of one ink of a sheet that is painted by a file."""


@dataclass
class Commissioned:
    """``file`` as it stands at the end; what was measured, the last of each field counting; what was refused, and
    why; how sheets are painted; the mark to which a tape is read."""

    file: Given
    measured: dict[str, Measured] = field(default_factory=dict)
    refused: dict[str, str] = field(default_factory=dict)
    paint: Paint = painted
    tape_mm: float = TAPE_MM

    def machine(self) -> Machine:
        """By the file."""
        return stated(self.file)

    def keep(self, found: Sequence[Measured]) -> None:
        """Into the file."""
        for one in found:
            *path, last = one.field.split(".")
            table: Given = self.file
            for name in path:
                table = table.setdefault(name, {})
            table[last] = one.plain()
            self.measured[one.field] = one

    def heed(self) -> None:
        """Lower the jerk where the file as it is asks for it."""
        heed(self.file)


def commissioned(
    gantry: Gantry, *, rounds: int = 2, places: int = 3, tape_mm: float = TAPE_MM
) -> Commissioned:
    """The whole way, every step refusing for itself; the second round sees what the first has left.

    places: combs and waving lines of each axis.
    """
    done = Commissioned(copy.deepcopy(gantry.file), tape_mm=tape_mm)
    _loops(done, gantry, repeats=1 + rounds)
    read(done, gantry, rounds, places)
    return done


def read(done: Commissioned, gantry: Gantry, rounds: int, places: int, *, stiff: bool = False) -> None:
    """Everything that a person reads off, once lag and latency are known; stiff: belts are taken to be so, without
    their sheet."""
    chance = gantry.reader()
    _rail(done, gantry, chance)
    with tempfile.TemporaryDirectory(prefix="giornata-seed-") as name:
        folder = Path(name)
        for number in range(rounds):
            with _refusing(done, "play"):
                most_mm, step_mm = (1.7, 0.05) if number == 0 else (FINE_MOST_MM, FINE_STEP_MM)
                done.keep(_combs(done, folder, chance, most_mm, step_mm, places))
            if not stiff:
                _belts(done, folder, chance, places)
                done.heed()
        with _refusing(done, "lengths"):
            done.keep(_lengths(done, folder, chance))
        with _refusing(done, "squareness"):
            done.keep(_square(done, folder, chance))


@contextlib.contextmanager
def _refusing(done: Commissioned, what: str) -> Any:
    try:
        yield
        done.refused.pop(what, None)
    except PoorFit as poor:
        done.refused[what] = str(poor)


def _loops(done: Commissioned, gantry: Gantry, repeats: int) -> None:
    """Lag and dead time of both axes from a staircase."""
    machine = gantry.trembling()
    axes: tuple[Axis, Axis] = ("x", "y")
    for axis in axes:
        with _refusing(done, f"{axis} loop"):
            fit = fit_loop(
                steps_samples(machine, axis, repeats=repeats),
                1.0 / float(machine.axes[axis].drive.counts_per_mm),
            )
            done.keep(fit.measured(axis))


def _combs(
    done: Commissioned, folder: Path, chance: np.random.Generator, most_mm: float, step_mm: float, places: int
) -> tuple[Measured, ...]:
    machine = done.machine()
    sheet = make_sheet("play", machine, most_mm=most_mm, step_mm=step_mm, places=places)
    teeth = done.paint(sheet, machine, folder, "teeth", None)
    each = len(teeth) // len(sheet.record.questions)
    answers = {
        question.key: [
            comb_reading(sheet, number, teeth[each * number : each * (number + 1)], chance)
            for _ in range(LAYINGS)
        ]
        for number, question in enumerate(sheet.record.questions)
    }
    return measured_from(sheet.record, answers)


def comb_reading(sheet: Sheet, number: int, contacts: list[Vector], chance: np.random.Generator) -> Reading:
    """The label of the tooth that goes on straight: seen where two teeth meet, by nothing but where the paint lies.

    contacts: of comb ``number``, the first row's teeth from the lowest label up, the second's from the highest down.
    """
    (step,) = sheet.record.of("step_mm")
    question = sheet.record.questions[number]
    index = "xy".index(question.key[0])
    count = len(contacts) // 2
    first, second = contacts[:count], contacts[count:][::-1]
    seam = np.median([contact[-1, 1 - index] for contact in first])
    apart = []
    for upper, lower in zip(first, second, strict=True):
        a, b = (
            at_seam(near(one, 1 - index, seam + side * 1.0, seam + side * 6.0), index, seam)
            for one, side in ((upper, -1), (lower, 1))
        )
        apart.append(b - a + chance.uniform(-EYE_MM, EYE_MM))
    off = np.abs(apart)
    alike = np.flatnonzero(off <= max(ALIKE_MM, float(off.min())))
    low, high = (question.least + step * int(alike[end]) for end in (0, -1))
    return Reading(0.5 * (low + high), 0.5 * (high - low))


def at_seam(tooth: Vector, index: int, seam: float) -> float:
    """Where a tooth would meet the seam: both rows may be drawn aslant, alike."""
    along = tooth[:, 1 - index] - seam
    return float(np.polynomial.Polynomial.fit(along, tooth[:, index], 1)(0.0))


def brisk(machine: Machine, stiff: Sequence[str], share: float = BRISK_SHARE) -> Machine:
    """The file that lets lines wave: these belts left out, paths as hard as the axes bear."""
    hardest = min(axis.acceleration_max_mm_s2 for axis in machine.axes.values())
    motion = machine.motion.model_copy(
        update={"acceleration_mm_s2": share * hardest, "jerk_mm_s3": BRISK_JERK_MM_S3}
    )
    axes = {
        name: axis.model_copy(update={"belt": None if name in stiff else axis.belt})
        for name, axis in machine.axes.items()
    }
    return machine.model_copy(update={"axes": axes, "motion": motion})


def _belts(done: Commissioned, folder: Path, chance: np.random.Generator, places: int) -> None:
    """Waving lines of both axes; then of each by itself, the other's belt stated, so that it draws on without swaying.
    An axis that shows none stays stiff."""
    if not any(done.file["axes"][axis].get("belt") for axis in AXES):
        _waves(done, folder, chance, AXES, places)
    for axis in AXES:
        for share in (BRISK_SHARE, 0.5 * BRISK_SHARE):
            # What a stated belt wants of its motor at such an acceleration may be more than it has: planning refuses.
            with contextlib.suppress(InputError):
                _waves(done, folder, chance, (axis,), places, share)
                break


def _waves(
    done: Commissioned,
    folder: Path,
    chance: np.random.Generator,
    axes: Sequence[str],
    places: int,
    share: float = BRISK_SHARE,
) -> None:
    machine = brisk(done.machine(), axes, share)
    sheet = make_sheet("waves", machine, tip_mm=WAVE_TIP_MM, places=places)
    count = {axis: len(sheet.record.of(f"{axis}_place_mm")) for axis in AXES}
    first = {"x": 0, "y": count["x"]}
    answers: dict[str, list[Reading]] = {}
    taken = [first[axis] + number for axis in axes for number in range(count[axis])]
    lines = {
        speed: dict(zip(taken, done.paint(sheet, machine, folder, f"speed-{speed:g}", taken), strict=True))
        for speed in sheet.record.of("speed_mm_s")
    }
    for axis in axes:
        for number in range(count[axis]):
            best: dict[str, list[float]] = {}
            for speed, contacts in lines.items():
                contact = contacts[first[axis] + number]
                seen = wave_reading(machine, "xy".index(axis), speed, contact, chance)
                if seen and (not best or seen["l"][0] > best["l"][0]):
                    best = seen
            answers |= {
                f"{axis}{number + 1}{part}": [Reading(value) for value in values]
                for part, values in best.items()
            }
    with _refusing(done, "belts"):
        done.keep(measured_from(sheet.record, answers))
    done.refused.pop("belts", None)
    for axis in axes:
        if f"axes.{axis}.belt" not in done.measured:
            done.refused[f"{axis} belt"] = "no line of it could be read"
        else:
            done.refused.pop(f"{axis} belt", None)


def wave_reading(
    machine: Machine, index: int, speed_mm_s: float, contact: Vector, chance: np.random.Generator
) -> dict[str, list[float]]:
    """Speed, waves, their length and two heights, as the sheet asks for them; nothing where nothing is to be read."""
    motion = machine.motion
    ramp = wave_run_up_mm(speed_mm_s, motion.acceleration_mm_s2, motion.jerk_mm_s3)
    begin = contact[0, 1 - index]
    along, side = contact[:, 1 - index] - begin, contact[:, index]
    behind = (along > ramp) & (along < WAVE_MM - ramp - 1.0)
    first = int(np.flatnonzero(np.abs(along) > 1.0)[0]) if np.any(np.abs(along) > 1.0) else 0
    behind[:first] = False
    along, side = along[behind], side[behind]
    if len(side) < 10:
        return {}
    crests, _ = find_peaks(side, prominence=0.5 * LOUPE_MM)
    troughs, _ = find_peaks(-side, prominence=0.5 * LOUPE_MM)
    heights: list[float] = []
    for crest in crests:
        after = troughs[troughs > crest]
        if not len(after):
            break
        height = ruled(float(side[crest] - side[after[0]]), chance, LOUPE_MM)
        if height < 2.0 * LOUPE_MM - 1e-9:
            break
        heights.append(height)
    waves = len(heights) - 1
    if waves < 2 or heights[0] < WAVES_LEAST_MM - 1e-9 or heights[-1] >= heights[0]:
        return {}
    length = float(along[crests[waves]] - along[crests[0]])
    lengths = [ruled(length, chance, RULER_MM) for _ in range(LAYINGS)]
    speeds, counts = [speed_mm_s] * LAYINGS, [float(waves)] * LAYINGS
    return {"v": speeds, "n": counts, "l": lengths, "a": heights[:1], "b": heights[-1:]}


def _rail(done: Commissioned, gantry: Gantry, chance: np.random.Generator) -> None:
    """The rail against a taut wire that hangs at an angle of its own."""
    machine = gantry.machine()
    low, high = machine.axes["x"].min_mm, machine.axes["x"].max_mm
    places = np.linspace(low, high, WIRE_PLACES).round()
    twin = gantry.file["twin"]["sag"]
    true = np.interp(places, twin["position_mm"], twin["drop_mm"])
    wire = 12.0 + chance.uniform(-3.0, 3.0) * places / places[-1]
    readings = [[ruled(float(mm), chance, WIRE_MM) for _ in range(WIRE_LAYINGS)] for mm in wire + true]
    with _refusing(done, "sag"):
        done.keep(sag("wire", places.tolist(), readings, resolution=0.5 * WIRE_MM))


def _lengths(done: Commissioned, folder: Path, chance: np.random.Generator) -> tuple[Measured, ...]:
    machine = done.machine()
    sheet = make_sheet("lengths", machine, resolution_mm=done.tape_mm)
    contacts = done.paint(sheet, machine, folder, "ticks", None)
    answers: dict[str, list[Reading]] = {}
    begin = 0
    for index, axis in enumerate(AXES):
        count = len(sheet.record.of(f"{axis}_place_mm"))
        ticks = []
        for contact in contacts[begin : begin + count]:
            middle = contact[-1, 1 - index] - 10.0
            ticks.append(near(contact, 1 - index, middle - 2.0, middle + 2.0).mean(axis=0))
        zeros = [100.0 + chance.uniform(-0.5, 0.5) for _ in range(TAPE_LAYINGS)]
        for number, tick in enumerate(ticks):
            far = float(np.hypot(*(tick - ticks[0])))
            answers[f"{axis}{number}"] = [Reading(ruled(zero + far, chance, done.tape_mm)) for zero in zeros]
        begin += count
    return measured_from(sheet.record, answers)


def _square(done: Commissioned, folder: Path, chance: np.random.Generator) -> tuple[Measured, ...]:
    machine = done.machine()
    sheet = make_sheet("square", machine, resolution_mm=done.tape_mm)
    contacts = done.paint(sheet, machine, folder, "crosses", None)
    centres = {}
    for name, upright, level in zip("ABCD", contacts[::2], contacts[1::2], strict=True):
        y = float(near(level, 0, upright[-1, 0] - 2.0, upright[-1, 0] + 2.0)[:, 1].mean())
        centres[name] = np.array([float(near(upright, 1, y - 2.0, y + 2.0)[:, 0].mean()), y])
    answers = {
        key: [
            Reading(ruled(float(np.hypot(*(centres[key[0]] - centres[key[1]]))), chance, done.tape_mm))
            for _ in range(TAPE_LAYINGS)
        ]
        for key in ("AD", "BC")
    }
    return measured_from(sheet.record, answers)
