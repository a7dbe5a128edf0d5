"""From what a person says of faded or shifted ink to passes that mend it, with their pictures.

Owns the order of things: what was asked, what it means for each ink, planning, proof. ``session.faded`` tells which
strokes are meant, ``strokes.touchup`` where canvas shows; ``session.mends`` plans and keeps.
"""

from __future__ import annotations

import contextlib
import csv
import math
from dataclasses import asdict, dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np

from controller.artwork.read import read_drawing
from controller.config.counting import counted
from controller.config.errors import InputError, Mistake, RefusedError
from controller.config.job import Job
from controller.config.load import load_job, load_machine
from controller.config.places import StateDir
from controller.report.mendproof import TouchProof, again_picture, touch_picture, touch_proof
from controller.report.proofwanted import WantedPicture, wanted_picture
from controller.session.faded import (
    MEND,
    Faded,
    asked_minutes,
    inside,
    last_ink,
    painted_all,
    painted_inks,
    painted_since,
)
from controller.session.journal import Journal
from controller.session.mends import TOUCH, Mend, make_mend, strokes_again, tip_widths_mm
from controller.session.pens import measured_factors, with_measured_tips
from controller.session.prepare import Progress
from controller.strokes.mending import regions_of
from controller.strokes.order import order_strokes
from controller.strokes.touchup import LEAST_MM, Bare, Shift, bare_places, fit_shift, touch_up
from controller.strokes.travel import TravelCost

POINTS_MAX = 1000
"""Measured shifts that are taken from a file."""
SHIFT_MAX_MM = 50.0
"""An ink that lies off by more is another mistake than one of register."""


@dataclass(frozen=True, slots=True)
class Asked:
    """What a person asks for, as it was written. ``check`` first."""

    job: Path
    machine: Path
    state: StateDir
    inks: tuple[str, ...] = ()
    dry_minutes: float | None = None
    boxes: tuple[str, ...] = ()
    overlays: tuple[Path, ...] = ()
    shifts: tuple[str, ...] = ()
    shifts_file: Path | None = None
    person: str = ""

    @property
    def wants_region(self) -> bool:
        """Whether only a part of the canvas is meant."""
        return bool(self.boxes or self.overlays)

    @property
    def wants_touch_up(self) -> bool:
        """Whether gaps are to be closed."""
        return bool(self.shifts) or self.shifts_file is not None

    @property
    def wants_a_mend(self) -> bool:
        """Whether anything is to be made."""
        return self.dry_minutes is not None or self.wants_region or self.wants_touch_up

    def check(self) -> str:
        """The job's name. Raises InputError for what contradicts itself."""
        job = load_job(self.job)
        if self.wants_touch_up and (self.dry_minutes is not None or self.wants_region):
            expected = "either measured shifts, or minutes and regions"
            raise InputError([Mistake(self.job, "--shift", expected, "both", code="mend-shifts")])
        if self.wants_touch_up and len(self.inks) != 1:
            expected = "--ink NAME once: the ink that lies off"
            raise InputError(
                [Mistake(self.job, "--shift", expected, f"{len(self.inks)} inks", code="mend-shifts")]
            )
        known = [one.name for one in job.inks]
        wrong = [one for one in self.inks if one not in known]
        if wrong:
            raise InputError(
                [
                    Mistake(
                        self.job, "--ink", f"one of {', '.join(known)}", ", ".join(wrong), code="name-unknown"
                    )
                ]
            )
        if self.dry_minutes is not None:
            asked_minutes(self.dry_minutes)
        return job.name


@dataclass(frozen=True, slots=True)
class Made:
    """One mend, or why there is none (``nothing``). rows: a table for people by ``columns``; lines below it."""

    ink: str
    mend: Mend | None
    title: str
    columns: tuple[str, ...] = ()
    rows: tuple[tuple[str, ...], ...] = ()
    lines: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    nothing: str = ""
    figures: dict[str, Any] = field(default_factory=dict)

    @property
    def name(self) -> str:
        """Of its first pass."""
        return "" if self.mend is None else self.mend.name


def make(asked: Asked, progress: Progress) -> tuple[Made, ...]:
    """Make what is asked for, one mend an ink. Raises InputError and RefusedError."""
    asked.check()
    if asked.wants_touch_up:
        return (_touch_up(asked, progress),)
    return _again(asked, progress)


# Painted again ---------------------------------------------------------------------------------------------------


def _again(asked: Asked, progress: Progress) -> tuple[Made, ...]:
    machine, job = load_machine(asked.machine), load_job(asked.job)
    region = _region(asked, job)
    if not asked.state.journal.exists():
        raise RefusedError("nothing has been painted yet", "run giornata paint", code="nothing-painted")
    found: list[Faded] = []
    with contextlib.closing(Journal.read(asked.state.journal, machine.name)) as journal:
        if asked.dry_minutes is not None:
            for ink in asked.inks or (last_ink(journal, job.name),):
                progress(ink, "reading timing logs", 0.0)
                found.append(painted_since(journal, asked.state, machine, job.name, ink, asked.dry_minutes))
        else:
            inks = asked.inks or painted_inks(journal, job.name)
            found += [painted_all(journal, job.name, ink) for ink in inks]
    made = []
    for all_of_it in found:
        progress(all_of_it.ink, "choosing strokes", 0.1)
        faded = all_of_it if region is None else inside(all_of_it, region)
        # Inks that a region does not hold are not spoken of, unless they were asked for.
        if faded.strokes or asked.inks or asked.dry_minutes is not None:
            made.append(_again_in(asked, job, faded, all_of_it, region, progress))
    if not made:
        raise RefusedError(
            "nothing has been painted in this region", "choose another, canvas mm", code="mend-nothing"
        )
    return tuple(made)


def _again_in(asked: Asked, job: Job, faded: Faded, context: Faded, region: Any, progress: Progress) -> Made:
    machine = load_machine(asked.machine)
    strokes = strokes_again(faded)
    if not len(strokes):
        return Made(faded.ink, None, "", notes=faded.notes, nothing="nothing to paint again")
    ink = next(one for one in job.inks if one.name == faded.ink)
    why = _words(asked)
    rows = tuple(
        (
            one.row.name, one.since, str(len(one.parts)), f"{one.parts.length_mm / 1000.0:.2f}",
            f"{one.minutes:.1f}" if one.minutes else "-", *_extent(one.strokes, one.parts),
        )
        for one in faded.passes
    )  # fmt: skip
    figures = {
        "strokes": len(strokes),
        "metres": float(strokes.lengths_mm().sum()) / 1000.0,
        "passes": [
            {"pass": one.row.name, "strokes": one.parts.stroke.tolist(),
             "from_mm": np.round(one.parts.begin_mm, 2).tolist(), "to_mm": np.round(one.parts.end_mm, 2).tolist()}
            for one in faded.passes
        ],
    }  # fmt: skip

    def picture(name: str) -> bytes:
        title = f"{name}: {counted(len(strokes), 'stroke')}, {figures['metres']:.2f} m painted again ({why})"
        shown = [one.strokes for one in context.passes]
        return again_picture(machine.canvas.size_mm, shown, strokes, ink.colour, ink.tip_mm, title, region)

    mend = make_mend(
        asked.job, asked.machine, asked.state, faded.ink, MEND, strokes, _about(asked, why, figures),
        picture, progress,
    )  # fmt: skip
    return Made(
        faded.ink, mend, why, ("pass", "from", "strokes", "metres", "minutes", "x mm", "y mm"), rows,
        _lines(mend), faded.notes, "", figures,
    )  # fmt: skip


def _extent(strokes: Any, parts: Any) -> tuple[str, str]:
    """Where the strokes lie that are meant, wholly or in part."""
    x0, y0, x1, y1 = strokes.take(parts.stroke).bounds_mm()
    return f"{x0:.0f} to {x1:.0f}", f"{y0:.0f} to {y1:.0f}"


def _region(asked: Asked, job: Job) -> Any:
    if not asked.wants_region:
        return None
    boxes = [_numbers(one, 4, "--region", "X0,Y0,X1,Y1 in canvas mm") for one in asked.boxes]
    drawings = [
        read_drawing(job.model_copy(update={"artwork": str(path.absolute())}), asked.job)
        for path in asked.overlays
    ]
    try:
        return regions_of([(one[0], one[1], one[2], one[3]) for one in boxes], drawings)
    except ValueError as error:
        raise InputError([Mistake(asked.job, "region", str(error), "none", code="mend-nothing")]) from None


def _words(asked: Asked) -> str:
    words = [f"dry for {asked.dry_minutes:.3g} min"] if asked.dry_minutes is not None else []
    words += [f"region {one}" for one in asked.boxes] + [f"region of {one.name}" for one in asked.overlays]
    return ", ".join(words)


# Touch-up --------------------------------------------------------------------------------------------------------


def _touch_up(asked: Asked, progress: Progress) -> Made:
    machine, job = load_machine(asked.machine), load_job(asked.job)
    job = with_measured_tips(job, measured_factors(asked.state, machine.name, job))
    row = next(place for place, one in enumerate(job.inks) if one.name == asked.inks[0])
    ink = job.inks[row]
    places, shifts = measured_shifts(asked)
    try:
        shift = fit_shift(places, shifts)
    except ValueError as error:
        raise InputError(
            [Mistake(asked.shifts_file or asked.job, "--shift", str(error), "other", code="mend-shifts")]
        ) from None
    progress(ink.name, "reading the artwork", 0.0)
    bare = _bare(asked, job, wanted_picture(job, asked.job), row, shift)
    words = _shift_words(shift, len(places))
    notes = (
        [f"{bare.narrow_mm2:.2f} mm2 of gaps narrower than {LEAST_MM:g} mm are left"]
        if bare.narrow_mm2
        else []
    )
    if bare.gaps.is_empty:
        why = f"{words}: no canvas shows" + (", the traps hold" if job.traps is not None else "")
        return Made(ink.name, None, words, notes=tuple(notes), nothing=why)
    progress(ink.name, "building strokes", 0.2)
    tip_mm = tip_widths_mm(job, ink, 0.0, 0.0)[0]
    found = touch_up(bare, tip_mm, job.flatten_tolerance_mm)
    park, origin = machine.park_mm, machine.canvas.origin_mm
    here = park[0] - origin[0], park[1] - origin[1]
    strokes = order_strokes(found.strokes, here, here, TravelCost.of(machine))
    proof = touch_proof(bare, row, strokes, tip_mm)
    if found.over_mm:
        notes.append(
            f"along {found.over_mm:.0f} mm gap and own paint are narrower than the tip: other paint is touched"
        )
    figures = {
        "shift": asdict(shift),
        "gaps": len(bare.gaps.geoms),
        "strokes": len(strokes),
        "metres": float(strokes.lengths_mm().sum()) / 1000.0,
        **asdict(proof),
    }

    def picture(name: str) -> bytes:
        shown = f"canvas shows on {_mm2(proof.before_mm2)}, afterwards on {_mm2(proof.after_mm2)}"
        title = f"{name}: {words}\n{shown}"
        return touch_picture(job, bare, strokes, tip_mm, title)

    mend = make_mend(
        asked.job, asked.machine, asked.state, ink.name, TOUCH, strokes, _about(asked, words, figures),
        picture, progress,
    )  # fmt: skip
    rows = tuple(
        (f"gap {place}", f"{one.area:.2f}", f"{one.bounds[0]:.0f} to {one.bounds[2]:.0f}",
         f"{one.bounds[1]:.0f} to {one.bounds[3]:.0f}")
        for place, one in enumerate(sorted(bare.gaps.geoms, key=lambda one: -one.area)[:GAPS_SHOWN], 1)
    )  # fmt: skip
    more = len(bare.gaps.geoms) - len(rows)
    lines = (*((f"{more} smaller gaps",) if more else ()), *_proof_lines(proof), *_lines(mend))
    return Made(ink.name, mend, words, ("", "mm2", "x mm", "y mm"), rows, lines, tuple(notes), "", figures)


GAPS_SHOWN = 12
"""Gaps listed one by one, the largest first."""


def _bare(asked: Asked, job: Job, wanted: WantedPicture, row: int, shift: Shift) -> Bare:
    name = job.inks[row].name
    if not wanted.works:
        expected = "a job with techniques: flats and bands have gaps, dots as drawn have none"
        raise InputError(
            [
                Mistake(
                    asked.job,
                    "--shift",
                    expected,
                    f"ink {name} of a job painted as drawn",
                    code="mend-shifts",
                )
            ]
        )
    try:
        return bare_places(wanted.works, wanted.with_traps, job, row, shift)
    except ValueError as error:
        raise InputError(
            [Mistake(asked.job, f"ink {name}", str(error), "none", code="mend-nothing")]
        ) from None


def measured_shifts(asked: Asked) -> tuple[np.ndarray[Any, Any], np.ndarray[Any, Any]]:
    """Places and shifts (n, 2) of all that was measured. Raises InputError naming what cannot be read."""
    rows: list[tuple[float, ...]] = []
    for text in asked.shifts:
        place, _, shift = text.partition(":")
        expected = "X,Y:DX,DY in canvas mm"
        rows.append((*_numbers(place, 2, "--shift", expected), *_numbers(shift, 2, "--shift", expected)))
    if asked.shifts_file is not None:
        rows += _rows_of(asked.shifts_file)
    if not rows:
        raise InputError(
            [Mistake(asked.shifts_file or asked.job, "shifts", "one or more", "none", code="mend-shifts")]
        )
    table = np.array(rows, dtype=np.float64)
    worst = float(np.hypot(*table[:, 2:].T).max())
    if worst > SHIFT_MAX_MM:
        expected = f"shifts up to {SHIFT_MAX_MM:g} mm"
        raise InputError(
            [
                Mistake(
                    asked.shifts_file or asked.job, "--shift", expected, f"{worst:g} mm", code="mend-shifts"
                )
            ]
        )
    return table[:, :2], table[:, 2:]


def _rows_of(path: Path) -> list[tuple[float, ...]]:
    try:
        lines = list(csv.reader(path.read_text(encoding="utf-8-sig").splitlines()))
    except (OSError, UnicodeDecodeError) as error:
        raise InputError([Mistake(path, "--shifts", "a CSV file", str(error), code="mend-shifts")]) from None
    found: list[tuple[float, ...]] = []
    mistakes: list[Mistake] = []
    for number, line in enumerate(lines, 1):
        if not any(cell.strip() for cell in line):
            continue
        try:
            found.append(_numbers(",".join(line), 4, f"line {number}", "x, y, dx, dy in canvas mm", path))
        except InputError as error:
            if number > 1 or any(cell.strip()[:1].isdigit() for cell in line):  # else a line of names
                mistakes += error.mistakes
    if len(found) > POINTS_MAX:
        mistakes.append(Mistake(path, "lines", f"at most {POINTS_MAX}", str(len(found)), code="mend-shifts"))
    if mistakes:
        raise InputError(mistakes)
    return found


def _numbers(
    text: str, count: int, where: str, expected: str, file: Path = Path("mend")
) -> tuple[float, ...]:
    try:
        found = tuple(float(one) for one in text.split(","))
    except ValueError:
        found = ()
    if len(found) != count or not all(map(math.isfinite, found)):
        raise InputError([Mistake(file, where, expected, repr(text), code="mend-shifts")])
    return found


def _shift_words(shift: Shift, points: int) -> str:
    x, y = shift.offset_mm
    words = f"off by {x:+.2f} mm in x and {y:+.2f} mm in y"
    return (
        words if points == 1 else f"{words} on the mean of {points} places, {shift.rms_mm:.2f} mm left (rms)"
    )


def _proof_lines(proof: TouchProof) -> tuple[str, ...]:
    before, after, error = map(_mm2, (proof.before_mm2, proof.after_mm2, proof.error_mm2))
    others, canvas = map(_mm2, (proof.on_others_mm2, proof.on_canvas_mm2))
    return (
        f"canvas shows on {before}; after the touch-up on {after} (error up to {error})",
        f"painted beside gaps and own paint: {others} on other inks, {canvas} on bare canvas",
    )


def _lines(mend: Mend) -> tuple[str, ...]:
    record = mend.prepared.record
    passes = counted(len(record.passes), "pass", "passes")
    return (f"{passes}, {record.metres:.2f} m, {record.seconds / 60.0:.1f} min; a fresh pen before each",)


def _mm2(area: float) -> str:
    return f"{area:.0f} mm2" if area >= 100.0 else f"{area:.2f} mm2"


def _about(asked: Asked, why: str, figures: dict[str, Any]) -> dict[str, Any]:
    return {
        "why": why,
        "at": datetime.now(UTC).isoformat(timespec="milliseconds"),
        "person": asked.person,
        **figures,
    }


# As JSON ---------------------------------------------------------------------------------------------------------


def mend_json(mend: Mend, begun: set[str]) -> dict[str, Any]:
    """A mend as it lies in the state."""
    return {
        "name": mend.name,
        "passes": [
            {"pass": one.name, "ink": one.ink, "strokes": one.strokes, "metres": one.metres,
             "seconds": one.seconds, "begun": one.name in begun}
            for one in mend.prepared.record.passes
        ],
        "picture": str(mend.picture),
        "about": dict(mend.about),
    }  # fmt: skip


def made_json(made: Made) -> dict[str, Any]:
    """A mend that was made, or why it was not."""
    common = {"ink": made.ink, "notes": list(made.notes), "nothing": made.nothing}
    return common if made.mend is None else {**common, **mend_json(made.mend, set())}
