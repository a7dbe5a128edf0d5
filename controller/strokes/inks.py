"""Which ink paints each fill and stroke of a drawing, and by which technique.

Owns the matching: by group, else by the nearest colour; and what is told about shapes that no ink paints. Knows
colours and groups, no geometry.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import numpy as np
import numpy.typing as npt

from controller.artwork.model import Drawing, Skipped
from controller.config.errors import Mistake
from controller.config.job import Job
from controller.strokes.colour import difference, lab_of

NO_INK: Final = -1
BARE_CANVAS: Final = -2
AS_DRAWN: Final = -1
_TIE: Final = 9
"""Colour differences that agree to so many decimals are a tie; the ink that the job lists first has it."""
_NAMED_AT_MOST: Final = 12

Rows = npt.NDArray[np.int32]


@dataclass(frozen=True, slots=True)
class Unmatched:
    """Shapes whose colour no ink paints.

    colour: "#rrggbb"; elements: ids in document order; nearest, distance: the nearest ink that goes by colour and how
    far it is off (CIEDE2000); None and nan where every ink has a group, and the shapes lie in none of them.
    """

    colour: str
    elements: tuple[str, ...]
    nearest: str | None
    distance: float

    def __str__(self) -> str:
        more = len(self.elements) - _NAMED_AT_MOST
        names = ", ".join(self.elements[:_NAMED_AT_MOST]) + (f" and {more} more" if more > 0 else "")
        if self.nearest is None:
            return f"{self.colour} in no ink's group: {names}"
        return f"{self.colour}, nearest ink {self.nearest} at {self.distance:.2f}: {names}"


@dataclass(frozen=True, slots=True)
class Assigned:
    """What paints each shape of a drawing.

    fill_ink, stroke_ink: (S,) int32, row of ``job.inks``; NO_INK where there is nothing to paint or nothing to paint
    it with; BARE_CANVAS where it has the canvas' own colour: it covers what is below and is not painted.
    fill_technique, stroke_technique: (S,) int32, row of ``job.techniques``, or AS_DRAWN.
    unmatched: colours that no ink paints, each once, in document order.
    """

    fill_ink: Rows
    stroke_ink: Rows
    fill_technique: Rows
    stroke_technique: Rows
    unmatched: tuple[Unmatched, ...]


def lightness(job: Job) -> npt.NDArray[np.float64]:
    """L* (0 black to 100 white) of every ink of the job."""
    return lab_of([ink.colour for ink in job.inks])[:, 0]


def painting_order(job: Job) -> tuple[int, ...]:
    """Rows of ``job.inks`` in the order in which they are painted; inks of one lightness keep the file's order."""
    if job.order == "as-listed":
        return tuple(range(len(job.inks)))
    return tuple(int(row) for row in np.argsort(-lightness(job), kind="stable"))


def assign(drawing: Drawing, job: Job) -> Assigned:
    """Find ink and technique of every shape.

    A shape inside an ink's group is that ink's, whatever its colours; of nested groups the innermost counts. Any
    other fill or stroke goes to the ink without a group whose colour is nearest, if it is within
    ``job.colour_distance_max``. Techniques: those of the innermost named layer first, then those without a layer; of
    these the first in the file whose ink fits.
    """
    shapes = drawing.shapes
    by_layer = _ink_of_layer(drawing, job)
    grouped = by_layer[shapes["layer"]] if len(by_layer) else np.full(len(shapes), NO_INK, np.int32)
    by_colour, nearest, distance = _ink_of_colour(drawing, job)
    inks: dict[str, Rows] = {}
    for part in ("fill", "stroke"):
        colour = shapes[part]
        own = np.full(len(shapes), NO_INK, dtype=np.int32)
        there = colour >= 0
        own[there] = by_colour[colour[there]]
        inks[part] = np.where(there & (grouped >= 0), grouped, own).astype(np.int32)
    bare = shapes["bare"] & (grouped >= 0)
    inks["stroke"][bare] = grouped[bare]
    unmatched = _unmatched(drawing, job, inks, nearest, distance)
    table = _technique_table(drawing, job)
    return Assigned(
        inks["fill"],
        inks["stroke"],
        _technique_of(table, shapes["layer"], inks["fill"]),
        _technique_of(table, shapes["layer"], inks["stroke"]),
        unmatched,
    )


def mistakes_of(
    drawing: Drawing, assigned: Assigned, job: Job, job_path: Path, more: Sequence[Skipped] = ()
) -> list[Mistake]:
    """What in the job does not fit the drawing: groups that are missing or there twice, layers that are missing and,
    if the job refuses them, shapes without an ink and elements that are left out.

    more: what was left out after the drawing was read, such as ``Regions.skipped``.
    """
    drawing_path = job_path.parent / job.artwork
    known = ", ".join(sorted(set(drawing.group_ids))) or "none has an id"
    expected = f"the id of a group in {drawing_path.name} ({known})"
    found: list[Mistake] = []
    for ink in job.inks:
        if ink.group is None:
            continue
        count = drawing.group_ids.count(ink.group)
        if count == 0:
            found.append(
                Mistake(job_path, f"inks[{ink.name}].group", expected, f'"{ink.group}"', code="group-missing")
            )
        elif count > 1:
            found.append(
                Mistake(
                    drawing_path,
                    f"group {ink.group}",
                    "an id given once",
                    f"{count} groups with it",
                    code="group-twice",
                )
            )
    for row, technique in enumerate(job.techniques):
        if technique.layer is not None and technique.layer not in drawing.group_ids:
            found.append(
                Mistake(
                    job_path,
                    f"techniques[#{row + 1}].layer",
                    expected,
                    f'"{technique.layer}"',
                    code="group-missing",
                )
            )
    if not job.refuses_unmatched:
        return found
    for one in assigned.unmatched:
        wanted = f'an ink within {job.colour_distance_max:g} of it, or unmatched = "skip"'
        found.append(Mistake(drawing_path, f"colour {one.colour}", wanted, str(one), code="colour-unmatched"))
    for skipped in (*drawing.skipped, *more):
        if skipped.kind == "left out":
            where = f"{skipped.element_id} ({skipped.what})"
            found.append(
                Mistake(
                    drawing_path,
                    where,
                    'what can be painted, or unmatched = "skip"',
                    skipped.why,
                    code="artwork-unpaintable",
                )
            )
    return found


def _ink_of_layer(drawing: Drawing, job: Job) -> Rows:
    """(layers,): the ink whose group is innermost, or NO_INK."""
    ink_of_group = {ink.group: row for row, ink in enumerate(job.inks) if ink.group is not None}
    return np.array(
        [
            next((ink_of_group[group] for group in reversed(layer) if group in ink_of_group), NO_INK)
            for layer in drawing.layers
        ],
        dtype=np.int32,
    )


def _ink_of_colour(drawing: Drawing, job: Job) -> tuple[Rows, Rows, npt.NDArray[np.float64]]:
    """Of every colour of the drawing: the ink (or BARE_CANVAS, NO_INK), the nearest ink (-1 none), its distance."""
    count = len(drawing.colours)
    rows = np.array([row for row, ink in enumerate(job.inks) if ink.group is None], dtype=np.int32)
    nearest = np.full(count, NO_INK, dtype=np.int32)
    least = np.full(count, np.nan)
    chosen = np.full(count, NO_INK, dtype=np.int32)
    if count == 0:
        return chosen, nearest, least
    lab = lab_of(drawing.colours)
    if len(rows):
        away = difference(lab[:, None, :], lab_of([job.inks[row].colour for row in rows])[None, :, :])
        first = np.argmin(np.round(away, _TIE), axis=1)
        nearest, least = rows[first], away[np.arange(count), first]
        chosen = np.where(least <= job.colour_distance_max, nearest, NO_INK).astype(np.int32)
    if job.canvas_colour is not None:
        bare = difference(lab, lab_of([job.canvas_colour]))
        nearer = ~(np.round(least, _TIE) <= np.round(bare, _TIE))
        chosen[nearer & (bare <= job.colour_distance_max)] = BARE_CANVAS
    return chosen, nearest, least


def _unmatched(
    drawing: Drawing, job: Job, inks: dict[str, Rows], nearest: Rows, distance: npt.NDArray[np.float64]
) -> tuple[Unmatched, ...]:
    elements: dict[int, dict[int, None]] = {}
    lost = [(drawing.shapes[part] >= 0) & (inks[part] == NO_INK) for part in ("fill", "stroke")]
    for row in np.flatnonzero(lost[0] | lost[1]):
        for part, mask in zip(("fill", "stroke"), lost, strict=True):
            if mask[row]:
                colour = int(drawing.shapes[part][row])
                elements.setdefault(colour, {})[int(drawing.shapes["element"][row])] = None
    return tuple(
        Unmatched(
            drawing.colours[colour],
            tuple(drawing.element_ids[one] for one in rows),
            job.inks[nearest[colour]].name if nearest[colour] >= 0 else None,
            float(distance[colour]),
        )
        for colour, rows in elements.items()
    )


def _technique_table(drawing: Drawing, job: Job) -> Rows:
    """(layers, inks): row of ``job.techniques`` or AS_DRAWN."""
    table = np.full((len(drawing.layers), len(job.inks)), AS_DRAWN, dtype=np.int32)
    for place, layer in enumerate(drawing.layers):
        for row, ink in enumerate(job.inks):
            for group in (*reversed(layer), None):
                fits = (
                    number
                    for number, one in enumerate(job.techniques)
                    if one.layer == group and one.ink in (None, ink.name)
                )
                if (first := next(fits, None)) is not None:
                    table[place, row] = first
                    break
    return table


def _technique_of(table: Rows, layer: Rows, ink: Rows) -> Rows:
    technique = np.full(len(ink), AS_DRAWN, dtype=np.int32)
    painted = ink >= 0
    technique[painted] = table[layer[painted], ink[painted]]
    return technique
