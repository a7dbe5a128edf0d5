"""Ways between the plots and the picture: which peak belongs to which stroke, and where a stroke stands in the plots.

Owns the identities on the page: ``s-PASS-STROKE`` a stroke in the picture, ``t-N`` a column of time over the plots,
``p-KIND-N`` a row in the table of peaks. Draws nothing.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from controller.report.chart import Column, Peak, spread
from controller.report.columns import Columns, Extremes
from controller.report.passdata import PassData

PEAKS = 6
"""So many of the largest of each kind are numbered."""

APART = 0.06
"""Peaks that are numbered keep this share of the chart's width from each other."""

LINKED_MAX = 4_000
"""In a session of more strokes only those of peaks, and the worst of each column, are shapes of their own; the others
of a column are one shape together, so that the page stays light."""

Table = npt.NDArray[np.void]
KINDS: Mapping[str, tuple[str, str, str]] = {
    "lateness": ("max_us", "lateness", "µs"),
    "following": ("following_max_mm", "following error", "mm"),
    "contour": ("contour_max_mm", "contour error", "mm"),
}
"""Kind of peak to its column of the segment table, its words and its unit."""


def stroke_identity(pass_id: int, stroke: int) -> str:
    """Of a stroke in the picture."""
    return f"s-{pass_id}-{stroke}"


def column_identity(column: int) -> str:
    """Of a column of time."""
    return f"t-{column}"


@dataclass(frozen=True, slots=True)
class PeakRow:
    """One numbered peak. at_s: of its column's middle, from the session's first tick; stroke: -1 where none is near;
    during: what the head did; column: of time."""

    kind: str
    number: int
    value: float
    at_s: float
    pass_id: int
    stroke: int
    during: str
    column: int


@dataclass(frozen=True, slots=True)
class Links:
    """rows: peaks by kind, largest first. strokes: the stroke table. linked: (pass, stroke) that are shapes of their
    own in the picture. column_of: where each stroke began; names: of the passes."""

    rows: Mapping[str, tuple[PeakRow, ...]]
    strokes: Table
    linked: frozenset[tuple[int, int]]
    column_of: Mapping[tuple[int, int], int]
    names: Mapping[int, str]

    @property
    def peaks(self) -> dict[str, tuple[Peak, ...]]:
        """Peaks by kind, x in seconds."""
        return {kind: tuple(self._peak(row) for row in rows) for kind, rows in self.rows.items()}

    def _peak(self, row: PeakRow) -> Peak:
        _, words, unit = KINDS[row.kind]
        where = f", stroke {row.stroke} of {self.names[row.pass_id]}" if self.is_linked(row) else ""
        target = (
            stroke_identity(row.pass_id, row.stroke) if self.is_linked(row) else f"p-{row.kind}-{row.number}"
        )
        return Peak(row.number, row.at_s, row.value, target, f"{words} {row.value:.4g} {unit}{where}")

    def is_linked(self, row: PeakRow) -> bool:
        """Whether the picture shows the peak's stroke by itself."""
        return (row.pass_id, row.stroke) in self.linked

    def columns(self, columns: Columns, unit_s: float) -> tuple[Column, ...]:
        """Every column of time in which a stroke began, leading to the one that erred most."""
        found: list[Column] = []
        for at, key in worst_by_column(self.strokes, columns).items():
            left = at * columns.width_s
            found.append(
                Column(
                    left / unit_s,
                    (left + columns.width_s) / unit_s,
                    column_identity(at),
                    stroke_identity(*key) if key in self.linked else "",
                    f"stroke {key[1]} of {self.names.get(key[0], '?')}",
                )
            )
        return tuple(found)


def worst_by_column(strokes: Table, columns: Columns) -> dict[int, tuple[int, int]]:
    """For each column of time in which strokes began, the one that erred most: by lateness, then by following error."""
    if not len(strokes):
        return {}
    number = columns.of(strokes["at_ns"])
    order = np.lexsort((-np.nan_to_num(strokes["following_max_mm"]), -strokes["lateness_max_us"], number))
    rows = order[np.flatnonzero(np.diff(number[order], prepend=-1))]
    keys = zip(strokes["pass_id"][rows].tolist(), strokes["stroke"][rows].tolist(), strict=True)
    return dict(zip(number[rows].tolist(), keys, strict=True))


def find_links(
    segments: Table, strokes: Table, columns: Columns | None, passes: Sequence[PassData], *, timed: bool
) -> Links:
    """Peaks of each kind (of lateness only where time was real) and the strokes that can be linked.

    columns: None when no tick was logged; then there is nothing to link.
    """
    names = {part.row.id: part.row.name for part in passes}
    if columns is None:
        return Links(dict.fromkeys(KINDS, ()), strokes, frozenset(), {}, names)
    shown = {part.row.id: len(part.strokes) for part in passes if part.strokes is not None}
    # Peaks of the passes alone: a homing has none that a stroke could answer for.
    painting = segments[(segments["pass_id"] >= 0) & (segments["segment"] >= 0)]
    rows: dict[str, tuple[PeakRow, ...]] = {}
    for kind, (name, _, _) in KINDS.items():
        extremes = {
            "lateness": columns.lateness_us,
            "following": columns.following_mm,
            "contour": columns.contour_mm,
        }
        if kind == "lateness" and not timed:
            rows[kind] = ()
        else:
            rows[kind] = _peaks(kind, painting, painting[name].astype(np.float64), columns, extremes[kind])
    keys = list(zip(strokes["pass_id"].tolist(), strokes["stroke"].tolist(), strict=True))
    wanted = set(keys) if len(keys) <= LINKED_MAX else set(worst_by_column(strokes, columns).values())
    wanted |= {(row.pass_id, row.stroke) for kind in rows.values() for row in kind}
    linked = frozenset(key for key in wanted if 0 <= key[1] < shown.get(key[0], 0))
    at = columns.of(strokes["at_ns"]).tolist() if len(strokes) else []
    return Links(rows, strokes, linked, dict(zip(keys, at, strict=True)), names)


def _peaks(
    kind: str, segments: Table, values: npt.NDArray[np.float64], columns: Columns, extremes: Extremes
) -> tuple[PeakRow, ...]:
    if not len(segments):
        return ()
    at_s = (segments["at_ns"] - columns.zero_ns) * 1e-9
    found: list[PeakRow] = []
    for row in spread(values.tolist(), PEAKS, APART * columns.end_s, at_s.tolist()):
        if not values[row] > 0.0:
            continue
        first = int(columns.of(segments["at_ns"][row]))
        last = int(columns.of(segments["at_ns"][row] + round(segments["actual_ms"][row] * 1e6)))
        # Among the columns that the segment reaches over, the one that shows its largest.
        inside = np.flatnonzero((columns.number >= first) & (columns.number <= last))
        column = first
        if len(inside):
            column = int(
                columns.number[inside[int(np.nanargmin(np.abs(extremes.high[inside] - values[row])))]]
            )
        near = _near(segments, row)
        found.append(
            PeakRow(
                kind,
                len(found) + 1,
                float(values[row]),
                (column + 0.5) * columns.width_s,
                int(segments["pass_id"][near]) if near >= 0 else -1,
                int(segments["stroke"][near]) if near >= 0 else -1,
                str(segments["kind"][row]),
                column,
            )
        )
    return tuple(found)


def _near(segments: Table, row: int) -> int:
    """The row of the stroke that a segment belongs or leads to, else that it comes from; -1 when its run has none."""
    if segments["stroke"][row] >= 0:
        return row
    mine = np.flatnonzero(
        (segments["run"] == segments["run"][row]) & (segments["stroke"] >= 0) & (segments["kind"] == "stroke")
    )
    if not len(mine):
        return -1
    after = mine[mine > row]
    return int(after[0]) if len(after) else int(mine[-1])
