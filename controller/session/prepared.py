"""The prepared folder: what it holds, and whether it is whole and fresh.

Owns its records and reading it; ``prepare`` writes it. The folder::

    prepared.json            PreparedJob: digests of what it was made from, every pass with its digest, sums by ink
    <pass>/strokes.npz       StrokeSet in painting order
    <pass>/schedule/         Schedule

A pass is called by its ink and its number, ``teal-2``.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Literal

from pydantic import BaseModel, ConfigDict, ValidationError

from controller.config.errors import InputError, Mistake
from controller.session.rows import Matrix

if TYPE_CHECKING:
    from controller.motion.schedule import Schedule
    from controller.strokes.strokeset import StrokeSet

PREPARED_FILE = "prepared.json"
FORMAT = 2

CutBy = Literal["end", "metres", "pen minutes", "watch"]
"""Why a pass ends: all is painted; the pen's metres; its minutes; as long as one person watches."""


class _Record(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)


class PreparedPass(_Record):
    """One pass ready to paint.

    name: ``<ink>-<number>``, the number from 1 within the ink's ``of``. turn: 0, or 1 where dots are painted a second
    time. tip_mm, tip_end_mm: width of the tip as the pass begins and ends. metres with the pen down; pen_m: metres that
    its pen has painted before. seconds: of the whole pass, by its ticks. fresh_pen: a pen is put in before it.
    too_long: it passes a limit, as a single stroke does. wet_strokes: painted beside another ink that is not dry by
    then; wet_minutes: how much longer the worst of them would have to wait. plan_key: what its schedule was made from
    but for the register map.
    """

    name: str
    ink: str
    number: int
    of: int
    turn: int
    colour: str
    tip_mm: float
    tip_end_mm: float
    strokes: int
    metres: float
    pen_m: float
    ticks: int
    seconds: float
    fresh_pen: bool
    cut_by: CutBy
    too_long: bool
    wet_strokes: int
    wet_minutes: float
    digest: str
    plan_key: str = ""


class PreparedInk(_Record):
    """One ink by all its passes. ``tip_mm``: width of a new tip; ``pens``: as many are used up or begun."""

    name: str
    colour: str
    tip_mm: float
    passes: int
    strokes: int
    metres: float
    seconds: float
    pens: int


class SkippedElement(_Record):
    """Something in the artwork that is not painted, or not as it is there, and why; kinds as the drawing's."""

    element_id: str
    what: str
    why: str
    kind: Literal["left out", "changed", "unseen"] = "left out"


class PreparedSwatch(_Record):
    """Where pens are primed, canvas mm, and how. tip_mm: the widest of the job; speeds_mm_s: by ink, None for the
    machine's."""

    origin_mm: tuple[float, float]
    size_mm: tuple[float, float]
    prime_mm: float
    prime_after_s: float
    tip_mm: float
    speeds_mm_s: dict[str, float | None]


class PreparedJob(_Record):
    """Contents of ``prepared.json``. ``sources``: SHA-256 by absolute path of the files that it was made from.

    Passes and inks in painting order. change_minutes: from one pass to the next. deferred: strokes put off because of
    wet paint. traps_mm: their width, None without traps. register_map: that the schedules were planned under.
    tip_factors: by ink, how much wider its line was measured than the job says.
    """

    format: Literal[2] = 2
    job: str
    job_digest: str
    machine: str
    sources: dict[str, str]
    inks: tuple[PreparedInk, ...]
    passes: tuple[PreparedPass, ...]
    change_minutes: float
    deferred: int
    skipped: tuple[SkippedElement, ...]
    traps_mm: float | None = None
    register_map: Matrix | None = None
    tip_factors: dict[str, float] = {}
    swatch: PreparedSwatch | None = None

    @property
    def metres(self) -> float:
        """With the pen down, in all."""
        return sum(ink.metres for ink in self.inks)

    @property
    def seconds(self) -> float:
        """Of all passes, breaks not counted."""
        return sum(ink.seconds for ink in self.inks)

    @property
    def pens(self) -> int:
        """Used up or begun."""
        return sum(ink.pens for ink in self.inks)

    @property
    def pen_changes(self) -> int:
        """How often a pen is put in after the first."""
        return max(self.pens - 1, 0)

    @property
    def breaks_minutes(self) -> float:
        """Between all passes."""
        return self.change_minutes * max(len(self.passes) - 1, 0)


@dataclass(frozen=True, slots=True)
class Prepared:
    """A prepared folder, read."""

    folder: Path
    record: PreparedJob

    def pass_folder(self, name: str) -> Path:
        """Folder of one pass."""
        return self.folder / name

    def part(self, name: str) -> PreparedPass:
        """One pass' record. Raises InputError naming the known ones."""
        for one in self.record.passes:
            if one.name == name:
                return one
        raise self._unknown("pass", name, (one.name for one in self.record.passes))

    def ink(self, name: str) -> PreparedInk:
        """One ink's sums. Raises InputError naming the known ones."""
        for ink in self.record.inks:
            if ink.name == name:
                return ink
        raise self._unknown("ink", name, (ink.name for ink in self.record.inks))

    def passes_of(self, ink: str) -> tuple[PreparedPass, ...]:
        """The passes of an ink. Raises InputError naming the known inks."""
        name = self.ink(ink).name
        return tuple(one for one in self.record.passes if one.ink == name)

    def chosen(self, inks: Sequence[str], passes: Sequence[str]) -> tuple[PreparedPass, ...]:
        """The passes of these inks and these by name, in painting order, each once; all when nothing is named."""
        if not inks and not passes:
            return self.record.passes
        names = {self.part(name).name for name in passes}
        names |= {one.name for ink in inks for one in self.passes_of(ink)}
        return tuple(one for one in self.record.passes if one.name in names)

    def strokes(self, name: str) -> StrokeSet:
        """The strokes of one pass, in painting order. Raises InputError when their file is damaged."""
        from controller.strokes.strokeset import StrokeSet

        path = self.pass_folder(name) / "strokes.npz"
        try:
            return StrokeSet.load(path)
        except (OSError, ValueError) as error:
            wanted = "whole strokes (run giornata prepare)"
            raise InputError(
                [Mistake(path, "strokes", wanted, str(error), code="prepared-damaged")]
            ) from None

    def ink_strokes(self, ink: str) -> StrokeSet:
        """The strokes of all passes of one ink, in painting order."""
        from controller.strokes.paths import join_strokes

        return join_strokes([self.strokes(one.name) for one in self.passes_of(ink)])

    def schedule(self, name: str) -> Schedule:
        """The schedule of one pass. Raises InputError when its files are damaged."""
        from controller.motion.schedule import Schedule

        folder = self.pass_folder(name) / "schedule"
        try:
            schedule = Schedule.load(folder)
        except (OSError, ValueError, KeyError) as error:
            raise InputError(
                [
                    Mistake(
                        folder,
                        "schedule",
                        "whole files (run giornata prepare)",
                        str(error),
                        code="prepared-damaged",
                    )
                ]
            ) from None
        if schedule.digest() != self.part(name).digest:
            raise InputError(
                [
                    Mistake(
                        folder,
                        "digest",
                        self.part(name).digest[:12],
                        schedule.digest()[:12],
                        code="prepared-damaged",
                    )
                ]
            )
        return schedule

    def stale(self) -> list[str]:
        """The source files that have changed or gone since; empty when the folder is fresh."""
        return [path for path, digest in self.record.sources.items() if file_digest(Path(path)) != digest]

    def _unknown(self, what: str, name: str, known: Iterable[str]) -> InputError:
        return InputError(
            [
                Mistake(
                    self.folder / PREPARED_FILE,
                    what,
                    f"one of {', '.join(known)}",
                    repr(name),
                    code="name-unknown",
                )
            ]
        )


def load_prepared(folder: Path) -> Prepared:
    """Read a prepared folder. Raises InputError when it is none, or of an earlier format."""
    path = folder / PREPARED_FILE
    try:
        text = path.read_bytes()
    except OSError as error:
        why = error.strerror or str(error)
        raise InputError(
            [
                Mistake(
                    path,
                    "prepared job",
                    "a file that giornata prepare wrote",
                    why,
                    code="prepared-damaged",
                )
            ]
        ) from None
    if (found := _format_of(text)) is not None and found != FORMAT:
        expected = f"{FORMAT}: prepare the job again (giornata prepare)"
        raise InputError([Mistake(path, "format", expected, str(found), code="prepared-damaged")])
    try:
        return Prepared(folder, PreparedJob.model_validate_json(text))
    except ValidationError as error:
        first = error.errors(include_url=False)[0]
        where = ".".join(map(str, first["loc"])) or "prepared job"
        raise InputError(
            [Mistake(path, where, "what giornata prepare writes", first["msg"], code="prepared-damaged")]
        ) from None


def _format_of(text: bytes) -> int | None:
    try:
        found = json.loads(text)
    except ValueError:
        return None
    number = found.get("format") if isinstance(found, dict) else None
    return number if isinstance(number, int) else None


def file_digest(path: Path) -> str | None:
    """SHA-256 of a file's bytes; None when it cannot be read."""
    try:
        with path.open("rb") as stream:
            return hashlib.file_digest(stream, "sha256").hexdigest()
    except OSError:
        return None
