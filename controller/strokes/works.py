"""From a drawing and a job's techniques to the strokes of every ink, in painting order and cut into passes.

Owns the way through the parts: inks, what is seen, traps, then each work by its technique, each area, line and dot
with the tip as wide as it is when its turn comes, counted from the pen that paints it. Frame: canvas mm.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, Final, Literal

import numpy as np
import numpy.typing as npt
import shapely

from controller.artwork.model import Drawing, Skipped
from controller.config.counting import counted
from controller.config.errors import InputError, Mistake
from controller.config.job import Ink, Job, Technique
from controller.strokes.band import band_paths
from controller.strokes.build import TOUCH_RADIUS_MM, dot_strokes
from controller.strokes.flat import flat_paths
from controller.strokes.inks import AS_DRAWN, Assigned, assign, mistakes_of, painting_order
from controller.strokes.kept import Keeper, NothingKept, kept_order, kept_paths, key_of
from controller.strokes.order import along
from controller.strokes.passes import InkPasses, JobPasses, PassPlan
from controller.strokes.paths import Left, Paths, join_strokes, strokes_of
from controller.strokes.regions import NO_SCREEN, Lines, Work, regions
from controller.strokes.screen import (
    DOTS_MAX,
    Lattice,
    TooManyDotsError,
    diameter_for,
    lattice,
    screen_dots,
)
from controller.strokes.strokeset import StrokeKind, StrokeSet
from controller.strokes.traps import trapped
from controller.strokes.wear import QUANTUM_MM, WearCurve, wear_curve

Floats = npt.NDArray[np.float64]
Geometry = Any
"""A shapely geometry: the library brings no types."""

FREE_ROUNDS: Final = 1
"""So often widths, order and passes are worked out in turn; after that the order stays, and what share of the limits
passes are held to."""
FIXED_ROUNDS: Final = 12
STEP_MM: Final = 0.005
"""Metres painted before an area or a band are rounded to what wears the tip by so much, so that it stays the same
where little has changed before it."""
OFF_MM: Final = 0.05
"""A stroke of an area whose tip is by more than this not as wide as planned is told."""
NAMED_AT_MOST: Final = 1000
"""Places and elements told one by one; the rest are counted."""

_LEFT: Final = {
    "neck": "a strait narrower than the tip",
    "thin": "narrower than the tip",
    "speck": "an area smaller than the tip",
    "line": "a band narrower than the tip",
}


@dataclass(frozen=True, slots=True)
class BuiltStrokes:
    """strokes: by ink name, in their order, of all inks of the job; passes: indices into these, in painting order;
    skipped: all that is not painted as drawn."""

    strokes: dict[str, StrokeSet]
    passes: PassPlan
    skipped: tuple[Skipped, ...]


def is_as_drawn(job: Job) -> bool:
    """Whether the job says no more than which group each ink paints: then everything is painted as drawn."""
    return (
        all(ink.group is not None and ink.tip is None for ink in job.inks)
        and not job.techniques
        and job.traps is None
        and job.canvas_colour is None
        and job.unmatched is None
    )


def build_works(
    drawing: Drawing,
    job: Job,
    job_path: Path,
    making: JobPasses,
    keeper: Keeper | None = None,
    progress: Callable[[str, str, float], None] = lambda _ink, _stage, _fraction: None,
) -> BuiltStrokes:
    """All strokes of a job, by its techniques, and its passes.

    making: nothing taken yet; takes all inks. keeper: keeps paths and orders for the next time. progress: called with
    ink, stage and fraction done. With a wearing tip, strokes, their order and the passes are worked out in turn: the
    width decides the strokes, and they decide how far the pen has painted before each. A stroke's element is the shape
    that it begins in; an area that several shapes share may have strokes through all of them.

    Raises InputError for what does not fit the drawing and, if the job refuses it, what no ink can paint.
    """
    progress("", "sorting by ink", 0.0)
    assigned = assign(drawing, job)
    progress("", "finding what is seen", 0.0)
    found = regions(drawing, assigned, job)
    if mistakes := mistakes_of(drawing, assigned, job, job_path, found.skipped):
        raise InputError(mistakes)
    skipped = [*drawing.skipped, *_unmatched(assigned), *found.skipped]
    progress("", "trapping", 0.0)
    traps = trapped(found.works, job)
    for one in traps.on_top:
        lighter, darker = job.inks[one.lighter].name, job.inks[one.darker].name
        why = f"{lighter} is painted after {darker}, so its overlap will be seen on top"
        skipped.append(Skipped(f"ink {lighter}", "trap", why, "changed"))
    strokes: dict[str, StrokeSet] = {}
    keeps = keeper if keeper is not None else NothingKept()
    for row in painting_order(job):
        works = [work for work in traps.works if work.ink == row]
        task = _InkTask(drawing, job, row, works, making, keeps)
        ordered, cut = task.strokes(progress)
        making.take(ordered, cut)
        strokes[job.inks[row].name] = ordered
        skipped += task.skipped
    return BuiltStrokes(strokes, making.plan(), tuple(skipped))


def unpainted(drawing: Drawing, job: Job, job_path: Path) -> tuple[Skipped, ...]:
    """What no ink paints or the drawing's reading left out. Raises InputError as ``build_works`` does, for these."""
    assigned = assign(drawing, job)
    if mistakes := mistakes_of(drawing, assigned, job, job_path):
        raise InputError(mistakes)
    return (*drawing.skipped, *_unmatched(assigned))


def _unmatched(assigned: Assigned) -> Iterator[Skipped]:
    for one in assigned.unmatched:
        off = f"; {one.nearest} is nearest, off by {one.distance:.2f}" if one.nearest is not None else ""
        why = f"no ink paints {one.colour}{off}"
        for element in one.elements[:NAMED_AT_MOST]:
            yield Skipped(element, "ink", why)
        if len(one.elements) > NAMED_AT_MOST:
            yield Skipped("others", "ink", f"{why}: {len(one.elements) - NAMED_AT_MOST} more")


# What is painted at a stretch: each has numbers, from ``first`` on, by which its strokes are known ------------------


@dataclass(frozen=True, slots=True)
class _Area:
    """One connected area, filled."""

    first: int
    work: int
    area: Geometry
    how: Technique
    contour: bool


@dataclass(frozen=True, slots=True)
class _Band:
    """One line of a band that is whole: row ``line`` of the work's lines."""

    first: int
    work: int
    line: int
    how: Technique


@dataclass(frozen=True, slots=True)
class _Lines:
    """All single lines of a work, a number each."""

    first: int
    work: int


@dataclass(frozen=True, slots=True)
class _Dots:
    """Dots of a work, a number each; element (D,), or None where the places decide.

    painted_mm: (D,) how wide they are from the first time, where this is the second.
    """

    first: int
    work: int
    centre_mm: Floats
    diameter_mm: Floats
    element: npt.NDArray[np.int32] | None
    painted_mm: Floats | None = None


_Part = _Area | _Band | _Lines | _Dots


@dataclass(slots=True)
class _InkTask:
    """The works of one ink on their way to strokes."""

    drawing: Drawing
    job: Job
    row: int
    works: list[Work]
    making: JobPasses
    keeper: Keeper
    skipped: list[Skipped] = field(default_factory=list)
    parts: list[_Part] = field(default_factory=list)
    count: int = 0
    owners: dict[int, _Owners] = field(default_factory=dict)

    @property
    def ink(self) -> Ink:
        return self.job.inks[self.row]

    def strokes(self, progress: Callable[[str, str, float], None]) -> tuple[StrokeSet, InkPasses]:
        """In their order, and cut into passes. Each number's width is that of the tip where its first stroke begins."""
        for row, work in enumerate(self.works):
            self.cut_up(row, work)
        curve = None
        if self.ink.tip is not None:
            table = self.job.tips[self.ink.tip]
            curve = wear_curve(table.metres, table.width_mm)
        turn_of = np.zeros(self.count, dtype=np.int64)
        for part in self.parts:
            if isinstance(part, _Dots) and part.painted_mm is not None:
                turn_of[part.first : part.first + len(part.diameter_mm)] = 1
        begin_m = np.zeros(self.count)
        rank: npt.NDArray[np.int64] | None = None
        shares: tuple[float, ...] = ()
        rounds = 1 if curve is None else FREE_ROUNDS + FIXED_ROUNDS
        for turn in range(rounds):
            built, left = self.build(curve, begin_m, progress)
            progress(self.ink.name, "ordering strokes", 0.0)
            ordered = self.ordered(built, turn_of, rank)
            found = self.making.cut(self.row, ordered, turn_of[ordered.element], shares)
            if curve is None:
                break
            pen_m = _pen_metres(ordered, found)
            begun_m = _begun_m(ordered, found, pen_m, self.count)
            change_mm = np.abs(curve.width_mm(begun_m) - curve.width_mm(begin_m))
            off_mm = float(change_mm.max(initial=0.0))
            if off_mm <= QUANTUM_MM / 2.0:
                self.tell_wear(curve, built, ordered, begin_m, pen_m)
                break
            if turn == rounds - 1:
                why = f"the tip's width settles to {off_mm:.3f} mm only; it wears too much within a stroke"
                self.skipped.append(Skipped(f"ink {self.ink.name}", "wear", why, "changed"))
            if turn == FREE_ROUNDS - 1:
                sequence = found.sequence()
                rank = np.full(self.count, self.count, dtype=np.int64)
                np.minimum.at(rank, ordered.element[sequence], np.arange(len(sequence)))
                shares = found.shares
            # What hardly changes stays as it is, and need not be built again.
            begin_m = np.where(change_mm > STEP_MM, begun_m, begin_m)
        self.tell(left)
        return self.named(ordered), found

    def ordered(
        self, built: StrokeSet, turn_of: npt.NDArray[np.int64], rank: npt.NDArray[np.int64] | None
    ) -> StrokeSet:
        """In a good order, each turn for itself, or by the ``rank`` of their numbers."""
        park_mm, cost = self.making.park_mm, self.making.cost
        sets: list[StrokeSet] = []
        for turn in np.unique(turn_of[built.element]).tolist():
            mine = built.take(np.flatnonzero(turn_of[built.element] == turn).astype(np.int64))
            if rank is None:
                sets.append(kept_order(self.keeper, mine, park_mm, cost))
            else:
                order = np.argsort(rank[mine.element], kind="stable").astype(np.int64)
                sets.append(along(mine.take(order), park_mm, park_mm, cost))
        return join_strokes(sets) if sets else built

    def tell_wear(
        self, curve: WearCurve, built: StrokeSet, ordered: StrokeSet, begin_m: Floats, pen_m: Floats
    ) -> None:
        """Report where a tip paints farther than it was measured to, and where an area is planned for another width
        than the tip has by then: where a pen is changed between its strokes, or they are not painted in one go."""
        furthest_m = float((pen_m + ordered.lengths_mm() / 1000.0).max(initial=0.0))
        if furthest_m > curve.measured_to_m:
            why = (
                f"the tip was measured to {curve.measured_to_m:g} m and paints {furthest_m:.1f} m; "
                "its width stays as last measured"
            )
            self.skipped.append(Skipped(f"ink {self.ink.name}", "wear", why, "changed"))
        lengths_m = built.lengths_mm() / 1000.0
        # Strokes of a number, in the order in which they were planned, follow one another in ``built``.
        begins = np.concatenate([[True], np.diff(built.element) != 0])[: len(built)]
        before_m = np.cumsum(lengths_m) - lengths_m
        before_m -= before_m[begins][np.cumsum(begins) - 1]
        planned_mm = curve.width_mm(begin_m[built.element] + before_m)
        many = np.bincount(built.element, minlength=self.count)
        for number in np.flatnonzero(many > 1).tolist():
            # Which stroke is which is lost in ordering; the spread of widths says enough.
            mine = curve.width_mm(pen_m[ordered.element == number])
            theirs = planned_mm[built.element == number]
            off_mm = float(np.abs(np.sort(mine) - np.sort(theirs)).max())
            if off_mm > OFF_MM:
                place = built.points_mm[built.offsets[np.flatnonzero(built.element == number)[0]]]
                part = self.parts[
                    int(np.searchsorted([one.first for one in self.parts], number, "right")) - 1
                ]
                element = int(self.owner(part.work).of(place[None])[0])
                why = (
                    f"its strokes are painted far apart or with two pens: up to {off_mm:.2f} mm wider or narrower "
                    "than planned"
                )
                self.skipped.append(Skipped(self.drawing.element_ids[element], "wear", why, "changed"))

    def how(self, work: Work) -> Technique:
        return Technique() if work.technique == AS_DRAWN else self.job.techniques[work.technique]

    def cut_up(self, row: int, work: Work) -> None:
        """Add the parts of a work."""
        how = self.how(work)
        if work.kind == "flat":
            self.add_areas(row, [part for piece in work.pieces for part in piece.geoms], how)
        elif work.kind == "screen":
            self.add_screen(row, work, how)
        elif work.kind == "band":
            for line in work.whole_lines().tolist():
                self.add(_Band(self.count, row, line, how))
            self.add_areas(row, list(work.cut_area.geoms), how, contour=True)
        elif work.kind == "line":
            assert work.lines is not None
            self.add(_Lines(self.count, row), len(work.lines))
        else:
            assert work.dots is not None
            dots = work.dots
            self.add_dots(_Dots(self.count, row, dots.centre_mm, dots.diameter_mm, dots.element), how)

    def add(self, part: _Part, numbers: int = 1) -> None:
        self.parts.append(part)
        self.count += numbers

    def add_dots(self, dots: _Dots, how: Technique) -> None:
        """Dots, and the same again where the technique paints them twice."""
        self.add(dots, len(dots.diameter_mm))
        if how.again is not None:
            wider_mm = dots.diameter_mm + (how.enlarge_mm or 0.0)
            again = replace(dots, first=self.count, diameter_mm=wider_mm, painted_mm=dots.diameter_mm)
            self.add(again, len(wider_mm))

    def add_areas(
        self, row: int, areas: Sequence[Geometry], how: Technique, *, contour: bool = False
    ) -> None:
        for area in areas:
            self.add(_Area(self.count, row, area, how, contour or how.style == "contour"))

    def add_screen(self, row: int, work: Work, how: Technique) -> None:
        if work.screen != NO_SCREEN:
            drawn = self.drawing.screens[work.screen]
            places, diameter_mm = Lattice(drawn.pitch_mm, drawn.origin_mm), drawn.diameter_mm
        else:
            assert how.pitch_mm is not None  # the job file's rules
            places = lattice(how.lattice, how.pitch_mm, how.angle_deg)
            diameter_mm = (
                how.diameter_mm
                if how.diameter_mm is not None
                else float(diameter_for(how.tint or 0.0, how.lattice)) * how.pitch_mm
            )
        name = self.drawing.element_ids[work.elements[0]]
        try:
            found = screen_dots(work.area, places, diameter_mm, how.borders, self.drawing.tolerance_mm)
        except TooManyDotsError as error:
            what = f"a screen of at most {DOTS_MAX} dots: a wider pitch"
            got, code = f"about {error.dots:.3g}", "screen-too-many-dots"
            raise InputError([Mistake(Path(self.job.artwork), name, what, got, code=code)]) from None
        if found.dropped and how.borders == "dropped":
            dots = counted(found.dropped, "dot across an edge is", "dots across an edge are")
            why = f"{dots} left out, as its borders say"
            self.skipped.append(Skipped(name, "screen", why, "changed"))
        least_mm = self.ink.tip_mm + 2.0 * TOUCH_RADIUS_MM
        if diameter_mm < least_mm:
            why = (
                f"dots of {diameter_mm:.2f} mm are painted {least_mm:.2f} mm wide, the least that the tip can"
            )
            self.skipped.append(Skipped(name, "screen", why, "changed"))
        self.add_dots(_Dots(self.count, row, found.centre_mm, found.diameter_mm, None), how)
        self.add_areas(row, found.clipped, how, contour=True)

    def build(
        self, curve: WearCurve | None, begin_m: Floats, progress: Callable[[str, str, float], None]
    ) -> tuple[StrokeSet, list[tuple[int, Left]]]:
        """Strokes with their part's number for an element, and what the tip is too wide for, by row of ``works``."""
        sets: list[StrokeSet] = [strokes_of([], [], ())]
        paths: list[Paths] = []
        numbers: list[int] = []
        left: list[tuple[int, Left]] = []
        for place, part in enumerate(self.parts):
            progress(self.ink.name, "building strokes", place / len(self.parts))
            if isinstance(part, _Lines):
                sets.append(self.lines(part))
            elif isinstance(part, _Dots):
                sets.append(self.dots(part, curve, begin_m))
            else:
                made = self.filled(part, curve, float(begin_m[part.first]))
                paths.append(made)
                numbers.append(part.first)
                left += [(part.work, one) for one in made.left]
        return join_strokes([*sets, strokes_of(paths, numbers, ())]), left

    def filled(self, part: _Area | _Band, curve: WearCurve | None, begin_m: float) -> Paths:
        how, tolerance_mm = part.how, self.drawing.tolerance_mm
        if curve is not None:
            begin_m = _rounded_m(curve, begin_m)
        if isinstance(part, _Band):
            lines = self.works[part.work].lines
            assert lines is not None
            row = part.line
            tip_mm = self.ink.tip_mm if curve is None else float(curve.quantised_mm(begin_m))
            points = lines.line_mm(row)
            form = (
                float(lines.width_mm[row]),
                int(lines.cap[row]),
                int(lines.join[row]),
                float(lines.miter[row]),
                tip_mm,
                how.overlap,
                tolerance_mm,
            )
            return kept_paths(self.keeper, "bands", key_of(points, form), lambda: band_paths(points, *form))
        style: Literal["contour", "hatch"] = "contour" if part.contour else "hatch"
        wear = None if curve is None else (curve.metres, curve.widths_mm, begin_m, QUANTUM_MM)
        key = key_of(
            shapely.to_wkb(part.area),
            self.ink.tip_mm,
            wear,
            how.overlap,
            style,
            how.hatch_angle_deg,
            tolerance_mm,
        )
        return kept_paths(
            self.keeper,
            "flats",
            key,
            lambda: flat_paths(
                part.area,
                self.ink.tip_mm if curve is None else curve.from_metres(begin_m),
                how.overlap,
                style,
                how.hatch_angle_deg,
                tolerance_mm,
            ),
        )

    def lines(self, part: _Lines) -> StrokeSet:
        lines = self.works[part.work].lines
        assert lines is not None
        return _line_strokes(lines, part.first)

    def dots(self, part: _Dots, curve: WearCurve | None, begin_m: Floats) -> StrokeSet:
        count = len(part.diameter_mm)
        return dot_strokes(
            part.centre_mm,
            part.diameter_mm,
            np.arange(part.first, part.first + count, dtype=np.int32),
            (),
            self.ink.tip_mm
            if curve is None
            else curve.quantised_mm(begin_m[part.first : part.first + count]),
            self.ink.step_mm / self.ink.tip_mm,
            self.drawing.tolerance_mm,
            # The same way a second time is a dot as the first, not the little that would make it wider.
            part.painted_mm if part.painted_mm is not None and self.grows(part) else None,
        )

    def grows(self, part: _Dots) -> bool:
        return self.how(self.works[part.work]).again == "enlarge"

    def tell(self, left: list[tuple[int, Left]]) -> None:
        """Report what the tip is too wide for, the first so many by element and place."""
        for work, one in left[:NAMED_AT_MOST]:
            element = int(self.owner(work).of(np.array([one.place_mm]))[0])
            x, y = one.place_mm
            done = "painted as wide as the tip" if one.painted else "not painted"
            size = f"{one.width_mm:.2f} mm wide, {one.length_mm:.1f} mm long"
            why = f"{_LEFT[one.kind]}, {size}, near x {x:.1f} y {y:.1f} mm: {done}"
            kind: Any = "changed" if one.painted else "left out"
            self.skipped.append(Skipped(self.drawing.element_ids[element], one.kind, why, kind))
        if len(left) > NAMED_AT_MOST:
            why = f"{len(left) - NAMED_AT_MOST} more places narrower than the tip"
            self.skipped.append(Skipped(f"ink {self.ink.name}", "others", why))

    def owner(self, work: int) -> _Owners:
        if work not in self.owners:
            self.owners[work] = _Owners(self.drawing, self.works[work])
        return self.owners[work]

    def named(self, strokes: StrokeSet) -> StrokeSet:
        """The same strokes with elements of the drawing for their parts' numbers; only the ids that occur are kept."""
        first = np.array([part.first for part in self.parts] or [0], dtype=np.int64)
        # A part without any number begins where the next one does; the last of equals holds the number.
        part_of = np.searchsorted(first, strokes.element, side="right") - 1
        element = np.empty(len(strokes), dtype=np.int32)
        begins = strokes.points_mm[strokes.offsets[:-1]]
        for row in np.unique(part_of):
            part, mine = self.parts[int(row)], part_of == row
            number = strokes.element[mine] - part.first
            if isinstance(part, _Dots) and part.element is not None:
                element[mine] = part.element[number]
            elif isinstance(part, _Lines | _Band):
                lines = self.works[part.work].lines
                assert lines is not None
                element[mine] = lines.element[part.line if isinstance(part, _Band) else number]
            else:
                element[mine] = self.owner(part.work).of(begins[mine])
        used, row_of = np.unique(element, return_inverse=True)
        return StrokeSet(
            strokes.points_mm,
            strokes.offsets,
            strokes.kind,
            row_of.reshape(-1).astype(np.int32),
            tuple(self.drawing.element_ids[one] for one in used.tolist()),
        )


class _Owners:
    """Which element of a work a place belongs to: of the nearest ones, the one on top."""

    def __init__(self, drawing: Drawing, work: Work) -> None:
        self.elements = np.array(work.elements, dtype=np.int32)
        if len(self.elements) == 1:
            return
        shapes, first = drawing.shapes, drawing.first_outline()
        geometries: list[Geometry] = []
        owner: list[int] = []
        for row in np.flatnonzero(np.isin(shapes["element"], self.elements)).tolist():
            for outline in range(int(first[row]), int(first[row + 1])):
                points = drawing.outline_mm(outline)
                ring = len(points) > 2 and work.kind in ("flat", "screen")
                geometries.append(shapely.Polygon(points) if ring else shapely.LineString(points))
                owner.append(int(shapes["element"][row]))
            if first[row] == first[row + 1]:
                place = shapely.Point(shapes["dot_x"][row], shapes["dot_y"][row])
                geometries.append(shapely.buffer(place, shapes["dot_mm"][row] / 2.0))
                owner.append(int(shapes["element"][row]))
        self.owner = np.array(owner, dtype=np.int32)
        self.tree = shapely.STRtree(geometries)

    def of(self, places_mm: Floats) -> npt.NDArray[np.int32]:
        """Element of each place (n, 2)."""
        if len(self.elements) == 1:
            return np.full(len(places_mm), self.elements[0], dtype=np.int32)
        place, found = self.tree.query_nearest(shapely.points(places_mm), all_matches=True)
        top = np.zeros(len(places_mm), dtype=np.int64)
        np.maximum.at(top, place, found)
        owners: npt.NDArray[np.int32] = self.owner[top]
        return owners


def _line_strokes(lines: Lines, first: int) -> StrokeSet:
    return StrokeSet(
        lines.points_mm,
        lines.offsets,
        np.where(lines.closed, StrokeKind.LOOP, StrokeKind.LINE).astype(np.uint8),
        np.arange(first, first + len(lines), dtype=np.int32),
        (),
    )


def _rounded_m(curve: WearCurve, metres: float) -> float:
    """``metres`` to whole steps in which the tip, where it wears fastest, wears by ``STEP_MM``."""
    fastest = max(
        (
            (after - before) / (to - first)
            for (first, to), (before, after) in zip(
                itertools.pairwise(curve.metres), itertools.pairwise(curve.widths_mm), strict=True
            )
        ),
        key=abs,
        default=0.0,
    )
    if fastest == 0.0:
        return 0.0
    step_m = STEP_MM / abs(fastest)
    return round(metres / step_m) * step_m


def _pen_metres(strokes: StrokeSet, found: InkPasses) -> Floats:
    """Metres that its pen has painted before each stroke (S,)."""
    lengths_m = strokes.lengths_mm() / 1000.0
    pen_m = np.zeros(len(strokes))
    for one in found.passes:
        each = lengths_m[one.strokes]
        pen_m[one.strokes] = one.pen_m + np.cumsum(each) - each
    return pen_m


def _begun_m(strokes: StrokeSet, found: InkPasses, pen_m: Floats, count: int) -> Floats:
    """``pen_m`` at the first painted stroke of each of ``count`` numbers; 0 for a number without strokes."""
    sequence = found.sequence()
    begun = np.zeros(count)
    # Of equal numbers the last one written stays: the earliest.
    begun[strokes.element[sequence[::-1]]] = pen_m[sequence[::-1]]
    return begun
