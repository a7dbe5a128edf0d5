"""Judges a season by what the simulated gantry's canvas has taken: register between inks, bare traps, twice, missing.

Owns matching contacts to planned strokes and every figure. Of the software it reads the planned strokes (that is what
should be on the canvas) and, to explain what is there twice, the journal's account of interrupted runs; places, widths
and pens are the world's own. Frame: canvas mm, each contact in the frame of the canvas as it hung.
"""

from __future__ import annotations

import contextlib
import json
from collections import Counter
from dataclasses import dataclass, field
from functools import cached_property
from itertools import combinations
from typing import Any

import numpy as np
import numpy.typing as npt
import shapely
from scipy.spatial import cKDTree

from controller.artwork.read import read_drawing
from controller.report.painted import Painted, load_painted
from controller.session.faded import MEND
from controller.session.journal import Journal
from controller.session.prepared import PreparedPass, load_prepared
from controller.strokes.inks import assign
from controller.strokes.regions import regions
from controller.strokes.strokeset import StrokeSet
from controller.strokes.traps import solids, trapped
from controller.strokes.wear import wear_curve
from tests.scenarios.season import Season

Floats = npt.NDArray[np.float64]

SAME_MM = 2.5
"""A whole contact's start, end and length (a quarter of it) together differ by less from its stroke's."""
START_MM = 1.5
"""A contact that was cut short begins so near to its stroke's start."""
NEAR_MM = 100.0
"""Places of two inks that are compared lie within this."""
SAMPLE_MM = 25.0
"""Along strokes, places this far apart are compared too, across the stroke."""
SMOOTH_MM = 0.004
TILE_MM = 120.0
BESIDE_MM = 0.3
"""Bare canvas nearer to what a perfect machine leaves bare belongs to it."""


SEEN_MM = 0.087
"""What an eye tells apart at 300 mm: a gap of one minute of arc, visual acuity 1.0 (ISO 8596; from memory)."""


@dataclass(frozen=True)
class Bare:
    """mm2 of all traps; bare on the canvas; bare by a perfect machine; bare on the canvas and not beside that, in so
    many places, the widest of them so wide (largest circle inside, mm)."""

    traps_mm2: float
    bare_mm2: float
    perfect_mm2: float
    beyond_mm2: float
    places: int
    widest_mm: float


@dataclass
class Contact:
    """One contact. stroke: row in its pass, None for none; whole; points as painted; width_mm of the tip; faint_from:
    row of points from which the pen was dry, None for a good one; seed: the map by which it was told from others."""

    ink: str
    part: str
    chunk: int
    stroke: int | None
    whole: bool
    points_mm: Floats
    width_mm: float
    faint_from: int | None = None
    seed: Floats | None = None

    @property
    def seen_mm(self) -> Floats:
        """The points that are paint."""
        return self.points_mm if self.faint_from is None else self.points_mm[: self.faint_from]


@dataclass
class Places:
    """Of one ink: nominal places (n, 2), how far the paint lies off them (n, 2); along strokes: nominal (m, 2), across
    (m, 2) unit, off across (m,)."""

    at_mm: Floats
    off_mm: Floats
    along_mm: Floats
    across: Floats
    off_across_mm: Floats


@dataclass
class Pair:
    """Two inks: largest error in mm, 99th percentile, places compared, where the largest is; the largest across strokes
    along their length."""

    inks: tuple[str, str]
    largest_mm: float
    p99_mm: float
    places: int
    where_mm: tuple[float, float]
    across_mm: float


@dataclass
class Account:
    """twice: strokes painted more than once that nothing explains; redone: that an interruption explains; missing;
    cut: contacts cut short; stray: contacts of no stroke; faded_m: painted by a dry pen; unmended_m: and not again."""

    strokes: int = 0
    twice: list[str] = field(default_factory=list)
    redone: int = 0
    missing: list[str] = field(default_factory=list)
    cut: int = 0
    stray: list[str] = field(default_factory=list)
    faded_m: float = 0.0
    unmended_m: float = 0.0
    mended: int = 0


class Judge:
    """Everything of one season."""

    def __init__(self, season: Season, only: tuple[str, ...] = ()) -> None:
        self.season, self.only = season, only
        self.job = season.loaded_job()
        self.strokes: dict[str, StrokeSet] = {}
        self.parts: dict[str, PreparedPass] = {}
        folder = season.state.root
        for place in [
            folder / "prepared" / self.job.name,
            *sorted((folder / "mends" / self.job.name).glob("*-*")),
        ]:
            if (place / "prepared.json").exists():
                prepared = load_prepared(place)
                for one in prepared.record.passes:
                    self.strokes[one.name], self.parts[one.name] = prepared.strokes(one.name), one
        self.contacts = self._contacts()

    # What is on the canvas ------------------------------------------------------------------------------------

    def _contacts(self) -> list[Contact]:
        notes = [json.loads(line) for line in (self.season.canvases / "hands.jsonl").read_text().splitlines()]
        found: list[Contact] = []
        metres: dict[str, float] = {}
        last: dict[str, Any] = {}
        for chunk in sorted({one["chunk"] for one in notes}):
            mine = [one for one in notes if one["chunk"] == chunk]
            loads = [one for one in mine if "pass" in one]
            for one in loads:
                if one["fresh"]:
                    metres[one["ink"]] = 0.0
                last = one
            path = self.season.canvases / f"{chunk:03d}.npz"
            if not path.exists():
                continue
            assert loads or last
            dry_ns = next((one["dry_ns"] for one in mine if "dry_ns" in one), None)
            seed = next((np.array(one["hang"]) for one in mine if "hang" in one), None)
            found += self._of_chunk(
                chunk, load_painted(path), last["pass"], last["ink"], dry_ns, seed, metres
            )
        return found

    def _of_chunk(
        self, chunk: int, painted: Painted, part: str, ink: str, dry_ns: int | None, seed: Floats | None,
        metres: dict[str, float],
    ) -> list[Contact]:  # fmt: skip
        strokes = self.strokes[part]
        first, last = strokes.offsets[:-1], strokes.offsets[1:] - 1
        begin, end, length = strokes.points_mm[first], strokes.points_mm[last], strokes.lengths_mm()
        begin, end = _moved(begin, seed), _moved(end, seed)
        whole = cKDTree(np.column_stack([begin, end, length / 4.0]))
        starts = cKDTree(begin)
        found: list[Contact] = []
        for row in range(len(painted.ink)):
            rows = slice(painted.offsets[row], painted.offsets[row + 1])
            points, t_ns = painted.points_mm[rows], painted.t_ns[rows]
            way = float(np.hypot(*np.diff(points, axis=0).T).sum())
            away, nearest = whole.query([*points[0], *points[-1], way / 4.0])
            stroke: int | None = int(nearest) if away < SAME_MM else None
            if stroke is None:
                near = [one for one in starts.query_ball_point(points[0], START_MM) if way < length[one]]
                stroke = _on_path(points, strokes, near, seed)
            width = self.season.width_mm(ink, metres.get(ink, 0.0) + way / 2000.0)
            metres[ink] = metres.get(ink, 0.0) + way / 1000.0
            faint = None
            if dry_ns is not None and t_ns[-1] > dry_ns:
                faint = int(np.searchsorted(t_ns, dry_ns))
            found.append(Contact(ink, part, chunk, stroke, away < SAME_MM, points, width, faint, seed))
        return found

    # Register -------------------------------------------------------------------------------------------------

    @cached_property
    def places(self) -> dict[str, Places]:
        """By ink."""
        found: dict[str, list[list[Floats]]] = {}
        for one in self.contacts:
            if one.stroke is None or one.faint_from is not None:
                continue
            plan = self.strokes[one.part].stroke_mm(one.stroke)
            columns = found.setdefault(one.ink, [[], [], [], [], []])
            if one.whole:
                columns[0].append(plan[[0, -1]])
                columns[1].append(one.points_mm[[0, -1]] - plan[[0, -1]])
                along = _across(one.points_mm, plan, _moved(plan, one.seed))
                for column, values in zip(columns[2:], along, strict=True):
                    column.append(values)
            else:
                columns[0].append(plan[:1])
                columns[1].append(one.points_mm[:1] - plan[:1])
        return {ink: Places(*(np.concatenate(one) for one in columns)) for ink, columns in found.items()}

    def register(self) -> list[Pair]:
        """Every pair of inks."""
        pairs: list[Pair] = []
        for one, other in combinations(self.places, 2):
            a, b = self.places[one], self.places[other]
            error, where = _errors(a.at_mm, a.off_mm, b)
            across = [_across_errors(a, b), _across_errors(b, a)]
            if not len(error):
                continue
            worst = int(error.argmax())
            x, y = where[worst].tolist()
            largest = float(error[worst])
            pairs.append(
                Pair(
                    (one, other), largest, float(np.percentile(error, 99.0)), len(error), (x, y),
                    float(np.concatenate(across).max(initial=0.0)),
                )
            )  # fmt: skip
        return pairs

    # Twice and missing ----------------------------------------------------------------------------------------

    def account(self) -> Account:
        """Strokes on the canvas against strokes of the plan."""
        found = Account()
        with contextlib.closing(Journal.read(self.season.state.journal)) as journal:
            explained: Counter[tuple[str, int]] = Counter()
            unknown: Counter[str] = Counter()
            for row in journal.passes():
                for entry in journal.interruptions(row.id):
                    # A power cut may take the order itself: then it is only known that a run was interrupted.
                    unknown[row.name] += "no readable order" in entry.note or "cannot be read" in entry.note
                    explained.update(
                        (row.name, stroke) for stroke in {entry.stroke, *entry.doubtful} - {None}
                    )
        for part, strokes in self.strokes.items():
            if self.only and part not in self.only:
                continue
            mine = [one for one in self.contacts if one.part == part]
            found.stray += [
                f"{part}: chunk {one.chunk} at {one.points_mm[0].round(1)}"
                for one in mine
                if one.stroke is None
            ]
            times = Counter(one.stroke for one in mine if one.whole)
            cut = Counter(one.stroke for one in mine if not one.whole)
            found.cut += sum(cut.values())
            found.strokes += len(strokes)
            if MEND in part:
                found.mended += len(strokes)
            for stroke in range(len(strokes)):
                if times[stroke] == 0:
                    found.missing.append(f"{part} {stroke}")
                more = times[stroke] + cut[stroke] - 1
                if more > explained[part, stroke] + unknown[part]:
                    found.twice.append(f"{part} {stroke}")
                elif more > 0:
                    found.redone += 1
        self._faded(found)
        return found

    def _faded(self, found: Account) -> None:
        """What a dry pen painted, and how much of it no later contact of the ink covers."""
        later: dict[tuple[str, int], cKDTree] = {}
        for one in self.contacts:
            if one.faint_from is None:
                continue
            faint = one.points_mm[max(one.faint_from - 1, 0) :]
            if (one.ink, one.chunk) not in later:
                later[one.ink, one.chunk] = cKDTree(
                    np.concatenate(
                        [
                            other.points_mm
                            for other in self.contacts
                            if other.ink == one.ink and other.chunk > one.chunk and other.faint_from is None
                        ]
                    )
                )
            legs = np.hypot(*np.diff(faint, axis=0).T)
            found.faded_m += float(legs.sum()) / 1000.0
            away, _ = later[one.ink, one.chunk].query(faint[1:], distance_upper_bound=1.0)
            found.unmended_m += float(legs[away > 0.6].sum()) / 1000.0

    # Bare traps -----------------------------------------------------------------------------------------------

    def traps(self) -> shapely.Geometry:
        """Where two inks' solid areas overlap by the job, away from the painted areas' outer edge: canvas mm."""
        drawing = read_drawing(self.job, self.season.job)
        works = trapped(regions(drawing, assign(drawing, self.job), self.job).works, self.job).works
        areas = [one for one in solids(works, len(self.job.inks)) if not one.is_empty]
        both = [shapely.intersection(one, other) for one, other in combinations(areas, 2)]
        inside = shapely.buffer(shapely.union_all(areas), -BESIDE_MM)
        strips = shapely.intersection(shapely.union_all(both), inside)
        shapely.prepare(strips)
        return strips

    def bare(self) -> Bare:
        """What of the traps shows canvas."""
        strips = self.traps()
        truly = _Paint([(one.seen_mm, one.width_mm) for one in self.contacts if len(one.seen_mm) > 1])
        ideal = _Paint(self._planned())
        x0, y0, x1, y1 = strips.bounds
        whole = painted = perfect = beyond = widest = 0.0
        places = 0
        for left in np.arange(x0, x1, TILE_MM):
            for top in np.arange(y0, y1, TILE_MM):
                part = shapely.clip_by_rect(strips, left, top, left + TILE_MM, top + TILE_MM)
                if part.is_empty:
                    continue
                whole += part.area
                left_bare, ideal_bare = truly.bare(part), ideal.bare(part)
                painted, perfect = painted + left_bare.area, perfect + ideal_bare.area
                pieces = shapely.get_parts(
                    shapely.difference(left_bare, shapely.buffer(ideal_bare, BESIDE_MM))
                )
                for piece in pieces[shapely.area(pieces) > 0.0]:
                    beyond, places = beyond + piece.area, places + 1
                    widest = max(
                        widest, 2.0 * shapely.maximum_inscribed_circle(piece, tolerance=0.001).length
                    )
        return Bare(whole, painted, perfect, beyond, places, widest)

    def _planned(self) -> list[tuple[Floats, float]]:
        found = []
        factors = load_prepared(self.season.state.root / "prepared" / self.job.name).record.tip_factors
        for name, strokes in self.strokes.items():
            if MEND in name:
                continue
            part = self.parts[name]
            ink = next(one for one in self.job.inks if one.name == part.ink)
            ends = np.cumsum(strokes.lengths_mm()) / 1000.0 + part.pen_m
            widths = np.full(len(strokes), ink.tip_mm)
            if ink.tip is not None:
                table = self.job.tips[ink.tip]
                widths = wear_curve(table.metres, table.width_mm).width_mm(
                    ends - strokes.lengths_mm() / 2000.0
                )
            widths = widths * factors.get(part.ink, 1.0)
            found += [(strokes.stroke_mm(row), float(widths[row])) for row in range(len(strokes))]
        return found


class _Paint:
    """Lines with widths, and what they leave bare."""

    def __init__(self, lines: list[tuple[Floats, float]]) -> None:
        pieces: list[Any] = []
        half: list[float] = []
        for points, width in lines:
            thin = shapely.get_coordinates(shapely.simplify(shapely.linestrings(points), SMOOTH_MM))
            for begin in range(0, len(thin) - 1, 64):
                pieces.append(shapely.linestrings(thin[begin : begin + 65]))
                half.append(width / 2.0)
        self._lines, self._half = np.array(pieces, dtype=object), np.array(half)
        self._tree = shapely.STRtree(self._lines)
        self._widest = float(self._half.max())

    def bare(self, area: shapely.Geometry) -> shapely.Geometry:
        """What of an area no line covers."""
        near = np.unique(self._tree.query(area, predicate="dwithin", distance=self._widest))
        if not len(near):
            return area
        return shapely.difference(
            area, shapely.union_all(shapely.buffer(self._lines[near], self._half[near], quad_segs=24))
        )


def _moved(points_mm: Floats, seed: Floats | None) -> Floats:
    """Planned places (n, 2) where a canvas that hangs as ``seed`` ((2, 3), a map) would have them."""
    return points_mm if seed is None else points_mm @ seed[:, :2].T + seed[:, 2]


def _on_path(points: Floats, strokes: StrokeSet, near: list[int], seed: Floats | None) -> int | None:
    """Of the strokes that begin there, the one whose path the contact keeps to, as long as the axes had power."""
    some = points[np.unique(np.linspace(0, len(points) - 1, 40).astype(int))]
    best: tuple[float, int | None] = (1.0, None)
    for stroke in near:
        line = shapely.linestrings(_moved(strokes.stroke_mm(stroke), seed))
        # Without power the head coasts straight on, a few millimetres off the path.
        away = float(shapely.distance(line, shapely.points(some[: len(some) // 3])).max())
        best = min(best, (away, stroke), key=lambda one: one[0])
    return best[1]


def _across(points: Floats, plan: Floats, moved: Floats) -> tuple[Floats, Floats, Floats]:
    """Along a stroke: nominal places, unit vectors across it, how far the paint lies off across. moved: the plan about
    where the paint lies, as long as it is, so that a far track of the same stroke is not taken for the near one."""
    line = shapely.linestrings(plan)
    way = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(points, axis=0).T))])
    if way[-1] < 2.0 * SAMPLE_MM:
        return np.empty((0, 2)), np.empty((0, 2)), np.empty(0)
    inner = np.arange(SAMPLE_MM, way[-1] - SAMPLE_MM / 2.0, SAMPLE_MM)
    some = np.column_stack([np.interp(inner, way, points[:, k]) for k in range(2)])
    at = shapely.line_locate_point(shapely.linestrings(moved), shapely.points(some))
    here = shapely.get_coordinates(shapely.line_interpolate_point(line, at))
    step = 0.2
    before = shapely.get_coordinates(shapely.line_interpolate_point(line, np.maximum(at - step, 0.0)))
    after = shapely.get_coordinates(shapely.line_interpolate_point(line, np.minimum(at + step, line.length)))
    ahead = after - before
    size = np.hypot(*ahead.T)
    straight = size > 1.999 * step  # where the way bends sharply, across has no direction
    ahead = ahead[straight] / size[straight, None]
    across = np.column_stack([-ahead[:, 1], ahead[:, 0]])
    off = np.einsum("ij,ij->i", some[straight] - here[straight], across)
    return here[straight], across, off


def _errors(at_mm: Floats, off_mm: Floats, other: Places) -> tuple[Floats, Floats]:
    """(n,) largest distance between the offsets here and those of the other ink's three nearest places, and where."""
    count = min(3, len(other.at_mm))
    away, row = cKDTree(other.at_mm).query(at_mm, k=count, distance_upper_bound=NEAR_MM)
    away, row = away.reshape(len(at_mm), count), row.reshape(len(at_mm), count)
    there = np.isfinite(away)
    error = np.hypot(*np.moveaxis(off_mm[:, None] - other.off_mm[np.where(there, row, 0)], -1, 0))
    error = np.where(there, error, -1.0).max(axis=1)
    return error[error >= 0.0], at_mm[error >= 0.0]


def _across_errors(one: Places, other: Places) -> Floats:
    """(n,) along one ink's strokes, across them, against the other ink's nearest place."""
    away, row = cKDTree(other.at_mm).query(one.along_mm, distance_upper_bound=NEAR_MM)
    there = np.isfinite(away)
    theirs = np.einsum("ij,ij->i", other.off_mm[row[there]], one.across[there])
    error: Floats = np.abs(one.off_across_mm[there] - theirs)
    return error
