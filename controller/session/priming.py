"""Priming strokes on the swatch: a short zigzag at a fresh place, before a pass with a fresh pen or one that waited.

Owns when a pen is primed, where, and which places of the swatch are used up. A place counts as used from before the pen
comes down on it, whatever becomes of the run. The zigzag is a schedule of its own, from and back to the park position.
"""

from __future__ import annotations

import math
import shutil
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Final

import numpy as np
import numpy.typing as npt

from controller.config.counting import counted
from controller.config.errors import InputError, Mistake, RefusedError
from controller.config.job import Ink, Job
from controller.config.machine import Machine
from controller.session import pens
from controller.session.journal import Journal
from controller.session.prepared import Prepared, PreparedPass, PreparedSwatch
from controller.strokes.mending import box_region, within
from controller.strokes.strokeset import StrokeKind, StrokeSet

if TYPE_CHECKING:
    from controller.session.service import Service

ROW_MM: Final = 60.0
"""Length of a zigzag's rows, where the swatch is wide enough."""
PITCH: Final = 1.5
"""From one row to the next, in tips: lines that are seen one by one show whether they are full."""
CLEAN: Final = "put a clean sheet there and tell with giornata pens --clean-swatch"
HOMING: Final = "homing"
"""What a run that homes is called in the journal."""
HOMINGS_SEEN: Final = 10
USED: Final = "prime"
"""Kind of the journal's event by which a place is used."""


class Swatch:
    """The places of a swatch: equal cells, one row after another from its first corner."""

    def __init__(self, settings: PreparedSwatch) -> None:
        self.settings = settings
        tip = settings.tip_mm
        width, height = settings.size_mm
        self._row_mm = min(ROW_MM, width - 2.0 * tip)
        self._rows = max(math.ceil(settings.prime_mm / self._row_mm), 1) if self._row_mm > tip else 0
        self._cell_mm = self._row_mm + 2.0 * tip, (self._rows - 1) * PITCH * tip + 2.0 * tip
        fits = self._rows > 0
        self._across = math.floor(width / self._cell_mm[0] + 1e-9) if fits else 0
        self.places = self._across * math.floor(height / self._cell_mm[1] + 1e-9) if fits else 0

    @property
    def key(self) -> str:
        """The area in words; another area is another swatch."""
        (x, y), (width, height) = self.settings.origin_mm, self.settings.size_mm
        return f"swatch at {x:g},{y:g} of {width:g} x {height:g} mm"

    def zigzag_mm(self, place: int) -> npt.NDArray[np.float64]:
        """The stroke (n, 2) at a place, canvas mm; its paint stays within the place's cell."""
        tip = self.settings.tip_mm
        x = self.settings.origin_mm[0] + (place % self._across) * self._cell_mm[0] + tip
        y = self.settings.origin_mm[1] + (place // self._across) * self._cell_mm[1] + tip
        rows = np.repeat(np.arange(self._rows), 2)
        right = np.tile([0, 1, 1, 0], (self._rows + 1) // 2)[: len(rows)]
        return np.column_stack([x + right * self._row_mm, y + rows * PITCH * tip])

    def used(self, journal: Journal) -> int:
        """Places used since somebody last made it clean."""
        count = 0
        for event in journal.events():
            if event.kind == pens.SWATCH_CLEAN:
                count = 0
            elif event.kind == USED and event.text.startswith(f"{self.key}, place "):
                count += 1
        return count


def swatch_of(job: Job) -> PreparedSwatch | None:
    """What a prepared folder keeps of a job's swatch."""
    if job.swatch is None:
        return None
    widest = max(
        max((ink.tip_mm, *(job.tips[ink.tip].width_mm if ink.tip is not None else ()))) for ink in job.inks
    )
    return PreparedSwatch(
        origin_mm=job.swatch.origin_mm,
        size_mm=job.swatch.size_mm,
        prime_mm=job.swatch.prime_mm,
        prime_after_s=job.swatch.prime_after_s,
        tip_mm=widest,
        speeds_mm_s={ink.name: ink.paint_speed_mm_s for ink in job.inks},
    )


def check_swatch(strokes_by_ink: Mapping[str, StrokeSet], job: Job, machine: Machine, job_path: Path) -> None:
    """The swatch has a place, lies on the canvas and clear of all strokes. Raises InputError."""
    settings = swatch_of(job)
    if settings is None:
        return
    (x, y), (width, height) = settings.origin_mm, settings.size_mm
    canvas = machine.canvas.size_mm
    mistakes: list[Mistake] = []
    if not (x >= 0.0 and y >= 0.0 and x + width <= canvas[0] and y + height <= canvas[1]):
        expected = f"an area on the canvas of {canvas[0]:g} x {canvas[1]:g} mm"
        mistakes.append(Mistake(job_path, "swatch", expected, Swatch(settings).key, code="swatch-place"))
    if Swatch(settings).places < 1:
        expected = f"room for {settings.prime_mm:g} mm of zigzag with a tip of {settings.tip_mm:g} mm"
        mistakes.append(
            Mistake(job_path, "swatch.size_mm", expected, f"{width:g} x {height:g} mm", code="swatch-place")
        )
    half = settings.tip_mm / 2.0
    region = box_region(x - half, y - half, x + width + half, y + height + half)
    mistakes += [
        Mistake(
            job_path,
            "swatch",
            "an area clear of the picture",
            f"strokes of {name} in it",
            code="swatch-place",
        )
        for name, strokes in strokes_by_ink.items()
        if len(strokes) and len(within(strokes, region))
    ]
    if mistakes:
        raise InputError(mistakes)


def why_prime(journal: Journal, prepared: Prepared, part: PreparedPass, ahead_s: float = 0.0) -> str:
    """Why a pen is primed before a pass, in words; nothing when it is not. ``ahead_s``: how long its tip will wait."""
    settings = prepared.record.swatch
    if settings is None:
        return ""
    if part.fresh_pen:
        return "it is fresh"
    mine = [use for use in pens.uses(journal) if use.pen.ink == part.ink]
    if not mine or mine[-1].up_since_ms is None:
        return "it is fresh"
    if not mine[-1].up_is_known:
        return "the computer's clock was set back since its tip went up, nobody knows how long ago"
    waited_s = (journal.pens.now_ms() - mine[-1].up_since_ms) / 1000.0
    if waited_s > settings.prime_after_s:
        return f"its tip was up for {waited_s:.0f} s"
    if waited_s + ahead_s > settings.prime_after_s:
        return f"its tip will have been up for {waited_s + ahead_s:.0f} s or more by the time the machine has homed"
    return ""


def homing_s(journal: Journal) -> float:
    """How long homing takes at the least, by the last ones that came to their end; 0 where nobody knows."""
    took_s = [
        (run.ended_ms - run.begun_ms) / 1000.0
        for run in journal.runs()
        if run.what == HOMING and run.end == "done" and run.ended_ms is not None
    ]
    # A clock that was set meanwhile makes one of them longer or shorter than it was; the shortest promises least.
    return max(min(took_s[-HOMINGS_SEEN:], default=0.0), 0.0)


def check_places(
    service: Service, prepared: Prepared, part: PreparedPass, later: Iterable[PreparedPass], *, homes: bool
) -> None:
    """Whether the swatch has a place for the pen of ``part``, before anything moves: before anybody is asked for it,
    and again when the pen is in, since a tip dries while a person is asked.

    later: passes of the same session after it; where there are not places for their fresh pens, that is told. homes:
    the machine homes first, so the tip waits for that as well. Raises RefusedError when there is none for ``part``.
    """
    settings, journal = prepared.record.swatch, service.journal
    if settings is None:
        return
    why = why_prime(journal, prepared, part, homing_s(journal) if homes else 0.0)
    if not why:
        return
    swatch = Swatch(settings)
    left = max(swatch.places - swatch.used(journal), 0)
    if not left:
        raise _used_up(swatch, prepared, part, why)
    wanted = 1 + sum(one.fresh_pen for one in later)
    if wanted > left:
        service.watcher.note(
            f"the {swatch.key} has {_primings(left)} left and {wanted} are wanted: {CLEAN} by then"
        )


def _primings(count: int) -> str:
    return counted(count, "priming")


def _used_up(swatch: Swatch, prepared: Prepared, part: PreparedPass, why: str) -> RefusedError:
    return RefusedError(
        f"the {part.ink} pen of {part.name} has to be primed ({why}) and the {swatch.key} of {prepared.record.job} is "
        f"used up: {counted(swatch.places, 'place')} in all, 0 primings left",
        f"{CLEAN}; or give [swatch] another place in the job file",
        code="swatch-used-up",
    )


async def prime(service: Service, prepared: Prepared, part: PreparedPass) -> None:
    """Prime the pen in the head for a pass, where that is due.

    Raises RefusedError when the swatch is used up; else what streaming raises.
    """
    journal, settings = service.journal, prepared.record.swatch
    why = why_prime(journal, prepared, part)
    if settings is None or not why:
        return
    swatch = Swatch(settings)
    place = swatch.used(journal)
    if place >= swatch.places:
        raise _used_up(swatch, prepared, part, why)
    folder = service.state_dir.root / "prime"
    shutil.rmtree(folder, ignore_errors=True)
    plan_zigzag(swatch, place, part, service.machine, prepared, folder)
    journal.note(
        USED, f"{swatch.key}, place {place + 1} of {swatch.places}: {part.ink}, {part.name}", service.session
    )
    service.watcher.note(
        f"priming the {part.ink} pen on the swatch, place {place + 1} of {swatch.places}: {why}"
    )
    await service.drive(f"prime-{part.ink}", folder, part)


def plan_zigzag(
    swatch: Swatch, place: int, part: PreparedPass, machine: Machine, prepared: Prepared, folder: Path
) -> None:
    """Write the schedule of one priming stroke."""
    from controller.motion.plan import plan_pass

    settings = swatch.settings
    points = swatch.zigzag_mm(place)
    strokes = StrokeSet(
        points, np.array([0, len(points)], dtype=np.int64), np.array([StrokeKind.LINE], dtype=np.uint8),
        np.zeros(1, dtype=np.int32), ("swatch",),
    )  # fmt: skip
    ink = Ink(
        name=part.ink, colour=part.colour, tip_mm=settings.tip_mm,
        paint_speed_mm_s=settings.speeds_mm_s.get(part.ink),
    )  # fmt: skip
    plan_pass(
        strokes, ink, machine, machine.park_mm, folder=folder, registration=prepared.record.register_map
    )
