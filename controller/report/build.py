"""A session's report as files: the page, the segments as CSV, every picture beside them.

Owns the order of things: gather, measure, sum up, draw, write. The page is written last, and whole.
"""

from __future__ import annotations

import os
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt

from controller.config.errors import InputError, Mistake
from controller.config.places import StateDir
from controller.report.deviation import measure
from controller.report.gather import SessionData, gather
from controller.report.html import Picture, page
from controller.report.pictures import (
    Layer,
    deviation_histogram,
    deviation_map,
    planned_and_painted,
    worst_places,
)
from controller.report.plots import (
    following_by_segment,
    homing_history,
    lateness_by_segment,
    lateness_histogram,
    lateness_over_time,
)
from controller.report.tables import (
    Lateness,
    PassSummary,
    all_segments,
    pass_summary,
    write_segments_csv,
)

DEVIATION_LIMIT_MM = 0.5
"""Drawn into the histogram of deviations as the yardstick: the machine paints every stroke within this."""

Progress = Callable[[str, float], None]
"""Called with what is being done and the fraction done of all."""


@dataclass(frozen=True, slots=True)
class ReportFiles:
    """Where the parts of a report are; ``pictures`` is the folder of the PNG files."""

    html: Path
    csv: Path
    pictures: Path


@dataclass(frozen=True, slots=True)
class Report:
    """A report before it is written: everything but the files."""

    data: SessionData
    layers: tuple[Layer, ...]
    passes: tuple[PassSummary, ...]
    overall: Lateness


def summarise(state_dir: Path, session_id: int | None = None) -> Report:
    """Gather a session and sum it up; draws nothing. Raises InputError."""
    data = gather(state_dir, session_id)
    layers: list[Layer] = []
    for part in data.passes:
        measured, contacts = None, np.zeros(0, dtype=np.int64)
        window = data.window_ns(part)
        if data.painted is not None and window is not None:
            contacts = data.painted.of(part.row.ink, window)
            if part.strokes is not None:
                measured = measure(data.painted, part.strokes, part.row.ink, window)
        layers.append(Layer(part, measured, contacts))
    summaries = tuple(pass_summary(data, layer.part, layer.measured) for layer in layers)
    late = np.concatenate([np.zeros(0, dtype=np.int64), *(one.lateness_ns for one in data.ticks)])
    return Report(data, tuple(layers), summaries, Lateness.of(late))


def build_report(
    state_dir: Path, session_id: int | None, out_dir: Path | None = None, progress: Progress | None = None
) -> ReportFiles:
    """Write the report of a session (the latest if None) into ``out_dir`` (the state's own reports folder if None).

    Raises InputError when there is nothing to report on or the folder cannot be written.
    """
    tell: Progress = progress if progress is not None else _silent
    tell("reading journal and logs", 0.0)
    report = summarise(state_dir, session_id)
    folder = out_dir if out_dir is not None else StateDir(state_dir).reports / f"{report.data.session.id:04d}"
    try:
        pictures_folder = folder / "pictures"
        pictures_folder.mkdir(parents=True, exist_ok=True)
        tell("summing up segments", 0.25)
        table = all_segments(report.data)
        csv_path = folder / "segments.csv"
        write_segments_csv(csv_path, table)
        pictures: list[Picture] = []
        for step, draw in enumerate(_DRAWERS):
            tell("drawing", 0.3 + 0.65 * step / len(_DRAWERS))
            picture = draw(report, table)
            if picture is not None:
                pictures.append(picture)
        for picture in pictures:
            _write(pictures_folder / picture.name, picture.png)
        tell("writing the page", 0.97)
        html_path = folder / "report.html"
        _write(html_path, page(report.data, report.passes, report.overall, pictures).encode())
    except OSError as error:
        raise InputError(
            [
                Mistake(
                    folder,
                    "report folder",
                    "a folder that can be written",
                    error.strerror or str(error),
                    code="file-unwritable",
                )
            ]
        ) from None
    tell("done", 1.0)
    return ReportFiles(html_path, csv_path, pictures_folder)


def _write(path: Path, content: bytes) -> None:
    """Write a file whole or not at all."""
    partial = path.with_name(f".{path.name}.part")
    partial.write_bytes(content)
    os.replace(partial, path)  # noqa: PTH105


def _silent(_what: str, _fraction: float) -> None:
    """Progress that nobody watches."""


Table = npt.NDArray[np.void]


def _over_time(report: Report, _table: Table) -> Picture | None:
    if report.data.is_virtual or report.overall.ticks == 0:
        return None
    return Picture(
        "lateness-over-time.png",
        "timing",
        lateness_over_time(report.data),
        "Lateness of ticks over the session's time, in microseconds on a logarithmic scale, run by run",
        "Each line spans from the median to the largest lateness of its moment.",
    )


def _histogram(report: Report, _table: Table) -> Picture | None:
    if report.data.is_virtual or report.overall.ticks == 0:
        return None
    return Picture(
        "lateness-histogram.png",
        "timing",
        lateness_histogram(report.data),
        "Histogram of the lateness of all ticks with its quantiles; both scales logarithmic",
        "Both scales are logarithmic: a bar of one is a single tick.",
    )


def _by_segment(report: Report, table: Table) -> Picture | None:
    if report.data.is_virtual or len(table) == 0:
        return None
    return Picture(
        "lateness-by-segment.png",
        "timing",
        lateness_by_segment(table, report.data.ticks[0].tick_ns),
        "The latest tick of every segment, by what the head did in it",
        "One mark for each segment; all of them, with their quantiles, are in segments.csv.",
    )


def _following(_report: Report, table: Table) -> Picture | None:
    drawn = following_by_segment(table) if len(table) else None
    if drawn is None:
        return None
    return Picture(
        "following-error.png",
        "position",
        drawn,
        "The largest following error of every segment in millimetres, by what the head did in it",
        "What the drives' own encoders said against the plan passed through their known lag. Play between motor "
        "and head is not in it.",
    )


def _planned_painted(report: Report, _table: Table) -> Picture | None:
    painted = report.data.painted
    drawn = planned_and_painted(report.layers, painted) if painted is not None else None
    if drawn is None:
        return None
    return Picture(
        "planned-painted.png",
        "canvas",
        drawn,
        "The painted lines in their inks with the planned paths drawn thin over them",
        "Painted lines at the width of their tips, in the order of the passes. Where a planned path shows in "
        "vermillion, nothing was painted.",
    )


def _map(report: Report, _table: Table) -> Picture | None:
    painted = report.data.painted
    drawn = deviation_map(report.layers, painted) if painted is not None else None
    if drawn is None:
        return None
    return Picture(
        "deviation-map.png",
        "canvas",
        drawn,
        "The painted lines coloured by their distance from the planned paths",
        "The scale ends at the largest deviation of this session.",
    )


def _deviations(report: Report, _table: Table) -> Picture | None:
    drawn = deviation_histogram(report.layers, DEVIATION_LIMIT_MM)
    if drawn is None:
        return None
    return Picture(
        "deviation-histogram.png",
        "canvas",
        drawn,
        "Histograms of the distance from the planned path: all painted points, and the largest of each stroke",
        "Left: all points, the number on a logarithmic scale. Right: the largest of each stroke.",
    )


def _worst(report: Report, _table: Table) -> Picture | None:
    drawn = worst_places(report.layers)
    if drawn is None:
        return None
    return Picture(
        "worst-places.png",
        "canvas",
        drawn,
        "Close-ups of the strokes that are farthest from their planned paths",
        "The ring marks the place of the largest deviation.",
    )


def _homing(report: Report, _table: Table) -> Picture | None:
    drawn = homing_history(report.data.homing_history, report.data.session.id)
    if drawn is None:
        return None
    return Picture(
        "homing.png",
        "homing",
        drawn,
        "Spread of the touches and difference from the last homing, over all homings in the journal",
        "All homings in the journal; those of this session are shaded where there are others. A cross marks a "
        "refused one.",
    )


_DRAWERS: tuple[Callable[[Report, Table], Picture | None], ...] = (
    _over_time,
    _histogram,
    _by_segment,
    _following,
    _planned_painted,
    _map,
    _deviations,
    _worst,
    _homing,
)
