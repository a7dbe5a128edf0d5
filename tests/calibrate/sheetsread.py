"""``python -m tests.calibrate.sheetsread [SHEET...]``: waves, circles, tip, dots and wear painted and read, once each.

Every sheet is drawn by a machine file that knows play and lag (circles: not the lag), planned as any job and put
through the twin's mechanics; a person reads it to what an eye and a rule tell. Prints what was true, what was read and
how sure the reading said it was. Exit code 1 where a value lies farther off than its half width.
"""

from __future__ import annotations

import re
import sys
import tempfile
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from scipy.signal import find_peaks

from controller.calibrate.identify_ring import wave_run_up_mm
from controller.calibrate.readings import Reading, measured_from
from controller.calibrate.sheets.catalogue import make_sheet
from controller.calibrate.sheets.circles import WAVE_MM
from controller.calibrate.sheets.page import Question
from controller.calibrate.values import Measured
from controller.config.machine import AXES, Machine
from tests.calibrate.idtwins import BRISK_JERK_MM_S3, BRISK_SHARE
from tests.calibrate.painted import EYE_MM, RULER_MM, Vector, machine_with, painted, ruled

SEED = 11
WAVE_TIP_MM = 0.5
RULE_MM = 0.5
"""To so much is a length of waves read."""
LINE_MM = 1.13
"""True width of the line of a pen that the sheet takes for 1 mm wide."""
WORN_MM, FRESH_MM, WORN_M = 0.45, 0.96, 40.0
"""Width by metres m: fresh + worn (1 - exp(-m / metres))."""
KNOWN = {"play_mm": 0.6, "loop_lag_ms": 8.0, "latency_ms": 2.0}
BELT = {"position_mm": [0.0], "frequency_hz": [12.0], "damping": 0.05}


@dataclass(frozen=True)
class Row:
    """One value: true, read and its 95 % half width (None where the sheet gives none)."""

    sheet: str
    what: str
    unit: str
    true: float
    read: float
    half: float | None

    def holds(self) -> bool:
        """The half width holds the truth."""
        return self.half is None or abs(self.read - self.true) <= self.half + 1e-9


def known(truth: dict[str, Any] | None = None, **more: Any) -> Machine:
    """A gantry whose file has its play, lag and latency, and with ``more`` its belts."""
    axes = {"play_mm": 0.6, "loop_lag_ms": 8.0, "latency_ms": 2.0, "belt": BELT}
    given = truth or {}
    return machine_with(
        given | {"axes": axes | given.get("axes", {})},
        x=KNOWN | {"belt": BELT} | more,
        y=KNOWN | {"belt": BELT} | more,
    )


def one(found: tuple[Measured, ...], field: str) -> Measured:
    """The one measurement of a field."""
    (measured,) = [measured for measured in found if measured.field == field]
    return measured


def first_open(question: Question, gaps_mm: list[float], chance: np.random.Generator) -> list[Reading]:
    """The number of the first pair with canvas between: an eye sees a gap of some hundredths."""
    for number, gap in enumerate(gaps_mm):
        if gap > chance.uniform(0.0, 2.0 * EYE_MM):
            return [Reading(question.least + number * question.step)]
    raise AssertionError("no pair of the ladder is open")


def wave_reading(
    contact: Vector, index: int, speed_mm_s: float, tick_mm: float, chance: np.random.Generator
) -> dict[str, float]:
    """Of one line: speed, waves beyond the tick, their length, the heights of the first and of the one after the last;
    nothing where fewer than two waves can be seen with a loupe that tells tenths."""
    along = contact[:, 1 - index] - contact[0, 1 - index]
    beyond = (along > tick_mm) & (along < WAVE_MM - tick_mm)
    along, side = along[beyond], contact[beyond, index]
    crests, troughs = (find_peaks(sign * side, prominence=0.5 * RULER_MM)[0] for sign in (1.0, -1.0))
    heights: list[float] = []
    for crest in crests:
        after = troughs[troughs > crest]
        height = ruled(float(side[crest] - side[after[0]]), chance, RULER_MM) if len(after) else 0.0
        if height < 2.0 * RULER_MM - 1e-9:
            break
        heights.append(height)
    count = len(heights) - 1
    if count < 2 or heights[0] <= heights[-1]:
        return {}
    length = ruled(float(along[crests[count]] - along[crests[0]]), chance, RULE_MM)
    return {"v": speed_mm_s, "n": float(count), "l": length, "a": heights[0], "b": heights[-1]}


def waves(folder: Path, chance: np.random.Generator) -> Iterator[Row]:
    """Frequencies and damping of both belts, from a file without them and paths as hard as the axes bear."""
    true = {"x": (9.0, 0.04), "y": (13.0, 0.06)}
    truth = {
        axis: {"belt": {"position_mm": [0.0], "frequency_hz": [hertz], "damping": damping}}
        for axis, (hertz, damping) in true.items()
    }
    machine = known(truth)
    hardest = min(axis.acceleration_max_mm_s2 for axis in machine.axes.values())
    motion = machine.motion.model_copy(
        update={"acceleration_mm_s2": BRISK_SHARE * hardest, "jerk_mm_s3": BRISK_JERK_MM_S3}
    )
    axes = {name: axis.model_copy(update={"belt": None}) for name, axis in machine.axes.items()}
    machine = machine.model_copy(update={"axes": axes, "motion": motion})
    sheet = make_sheet("waves", machine, tip_mm=WAVE_TIP_MM, places=1)
    best: dict[str, dict[str, float]] = {axis: {} for axis in AXES}
    for speed in sheet.record.of("speed_mm_s"):
        tick = wave_run_up_mm(speed, motion.acceleration_mm_s2, motion.jerk_mm_s3)
        for index, contact in enumerate(painted(sheet, machine, folder, f"speed-{speed:g}")):
            seen, before = wave_reading(contact, index, speed, tick, chance), best["xy"[index]]
            if seen and (not before or seen["a"] * seen["n"] > before["a"] * before["n"]):
                best["xy"[index]] = seen
    answers = {
        f"{axis}1{part}": [Reading(value)] for axis, seen in best.items() for part, value in seen.items()
    }
    found = measured_from(sheet.record, answers)
    for axis in AXES:
        belt = one(found, f"axes.{axis}.belt")
        value: Any = belt.plain()
        yield Row(
            "waves", f"{axis} frequency", "Hz", true[axis][0], value["frequency_hz"][0], belt.half_width
        )
        yield Row("waves", f"{axis} damping", "", true[axis][1], value["damping"], None)


def across(contact: Vector, centre: Vector, degrees: float) -> float:
    """Diameter of a closed line along a straight line through ``centre``: the middle of the line to both sides."""
    angle = np.radians(degrees)
    along = (contact - centre) @ np.array([np.cos(angle), np.sin(angle)])
    beside = (contact - centre) @ np.array([-np.sin(angle), np.cos(angle)])
    ends = [float(along[side][np.abs(beside[side]).argmin()]) for side in (along > 0.0, along < 0.0)]
    return ends[0] - ends[1]


def circles(folder: Path, chance: np.random.Generator) -> Iterator[Row]:
    """Squareness and the lag by which the axes differ, with a rule that reads tenths."""
    truth = {"squareness_mm_m": 2.5, "x": {"loop_lag_ms": 14.0}, "y": {"loop_lag_ms": 8.0}}
    machine = known(truth)
    sheet = make_sheet("circles", machine)
    contacts = painted(sheet, machine, folder, "circles")
    points = sheet.inks[1].lines[0][0]
    centre = 0.5 * (points.min(axis=0) + points.max(axis=0))
    answers = {
        f"{name}{angle}": [
            Reading(ruled(across(contacts[at], centre, angle), chance, RULER_MM)) for _ in range(3)
        ]
        for at, name in enumerate(("clockwise", "against"))
        for angle in (0, 45, 90, 135)
    }
    found = one(measured_from(sheet.record, answers), "geometry.squareness_mm_m")
    yield Row("circles", "squareness", "mm/m", 2.5, float(np.asarray(found.value)), found.half_width)
    lag = re.search(r"x lags y by ([+-][\d.]+) ms", found.note)
    assert lag is not None
    yield Row("circles", "x lags y", "ms", 6.0, float(lag[1]), None)


def ladder_gaps(contacts: list[Vector], widths_mm: list[float]) -> list[float]:
    """Canvas between the lines of each pair of a ladder, where it is least. Widths: of every line."""
    gaps = []
    for at in range(0, len(contacts), 2):
        left, right = contacts[at : at + 2]
        low, high = float(left[0, 1]) + 2.0, float(left[-1, 1]) - 2.0
        a, b = (line[(line[:, 1] >= low) & (line[:, 1] <= high)] for line in (left, right))
        gaps.append(float(b[:, 0].min() - a[:, 0].max()) - 0.5 * (widths_mm[at] + widths_mm[at + 1]))
    return gaps


def tip(folder: Path, chance: np.random.Generator) -> Iterator[Row]:
    """Width of a line."""
    machine = known()
    sheet = make_sheet("tip", machine)
    contacts = painted(sheet, machine, folder, "pen")
    gaps = ladder_gaps(contacts, [LINE_MM] * len(contacts))
    found = one(
        measured_from(sheet.record, {"width": first_open(sheet.record.questions[0], gaps, chance)}),
        "job.tip_mm",
    )
    yield Row("tip", "width", "mm", LINE_MM, float(np.asarray(found.value)), found.half_width)


def dots(folder: Path, chance: np.random.Generator) -> Iterator[Row]:
    """Width of a tip by how much wider than drawn its dots come out."""
    machine = known()
    sheet = make_sheet("dots", machine)
    centres = np.array([(x, y) for x, y, _ in sheet.inks[1].dots])
    edges = np.column_stack([np.full(len(centres), np.inf), np.full(len(centres), -np.inf)])
    for contact in painted(sheet, machine, folder, "pen"):
        at = int(np.hypot(*(centres - 0.5 * (contact.min(axis=0) + contact.max(axis=0))).T).argmin())
        edges[at] = min(edges[at, 0], contact[:, 1].min()), max(edges[at, 1], contact[:, 1].max())
    gaps = (edges[1::2, 0] - edges[::2, 1] - LINE_MM).tolist()
    half = len(gaps) // 2
    answers = {
        question.key: first_open(question, gaps[row * half : (row + 1) * half], chance)
        for row, question in enumerate(sheet.record.questions)
    }
    found = one(measured_from(sheet.record, answers), "job.tip_mm")
    yield Row("dots", "width", "mm", LINE_MM, float(np.asarray(found.value)), found.half_width)


def worn_mm(metres: float) -> float:
    """True width after so many metres."""
    return FRESH_MM + WORN_MM * (1.0 - float(np.exp(-metres / WORN_M)))


def wear(folder: Path, chance: np.random.Generator) -> Iterator[Row]:
    """Widths by metres, the tip wearing by every millimetre that it truly touches."""
    machine = known()
    sheet = make_sheet("wear", machine)
    painted_m = 0.0
    answers: dict[str, list[Reading]] = {}
    questions = {question.key: question for question in sheet.record.questions}
    middles: list[float] = []
    for ink in sheet.inks[1:]:
        contacts = painted(sheet, machine, folder, ink.name)
        widths, begin = [], painted_m
        for contact in contacts:
            painted_m += float(np.hypot(*np.diff(contact, axis=0).T).sum()) / 1000.0
            widths.append(worn_mm(painted_m))
        if ink.name.startswith("ladder"):
            key = ink.name.replace("-", "")
            answers[key] = first_open(questions[key], ladder_gaps(contacts, widths), chance)
            middles.append(0.5 * (begin + painted_m))
    found = one(measured_from(sheet.record, answers), "job.tips")
    value: Any = found.plain()
    for said, true_m, width in zip(value["metres"], middles, value["width_mm"], strict=True):
        yield Row("wear", f"width after {said:.1f} m", "mm", worn_mm(true_m), width, found.half_width)
    yield Row("wear", "metres at the last ladder", "m", middles[-1], value["metres"][-1], None)


READ: dict[str, Callable[[Path, np.random.Generator], Iterator[Row]]] = {
    "waves": waves,
    "circles": circles,
    "tip": tip,
    "dots": dots,
    "wear": wear,
}


def rows(name: str, seed: int = SEED) -> list[Row]:
    """One sheet, painted and read."""
    with tempfile.TemporaryDirectory(prefix="giornata-sheet-") as folder:
        return list(READ[name](Path(folder), np.random.default_rng(seed)))


def text(row: Row) -> str:
    """A row of the table."""
    half = f"{row.half:.3f}" if row.half is not None else "-"
    off = "" if row.holds() else "  beyond its half width"
    figures = f"{row.true:9.3f} {row.read:9.3f} {row.read - row.true:+8.3f} {half:>7s}"
    return f"{row.sheet:8s} {row.what:26s} {figures} {row.unit}{off}"


def main() -> int:
    """Print the table."""
    names = sys.argv[1:] or list(READ)
    bad = 0
    print(f"{'sheet':8s} {'what':26s} {'true':>9s} {'read':>9s} {'off':>8s} {'half':>7s}")
    for name in names:
        for row in rows(name):
            print(text(row), flush=True)
            bad += not row.holds()
    return 1 if bad else 0


if __name__ == "__main__":
    sys.exit(main())
