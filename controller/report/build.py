"""A session's report as files: the page, every picture as PNG, every table as CSV and, where asked for, as Parquet.

Owns the order of things: gather, measure, sum up, draw, write. The page is written last, and whole.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt

from controller.config.places import StateDir
from controller.report import sessiontables as tables
from controller.report.canvaspicture import Canvas, ErrorMap, canvas_of, error_maps
from controller.report.canvaspng import map_png, picture_png
from controller.report.chart import Chart
from controller.report.chartpng import chart_png
from controller.report.columns import Columns, columns_of
from controller.report.deviation import measure
from controller.report.files import into, write_whole
from controller.report.frames import Frame, refuse_without_parquet, write_csv, write_parquet
from controller.report.gather import SessionData, gather
from controller.report.glance import findings
from controller.report.html import Parts, Picture, page
from controller.report.links import Links, find_links
from controller.report.pictures import (
    Layer,
    deviation_histogram,
    deviation_map,
    planned_and_painted,
    worst_places,
)
from controller.report.registercharts import homing_chart, marks_chart, used_chart
from controller.report.stops import StopRow, stops_of
from controller.report.strokefigures import stroke_table, strokes_frame
from controller.report.tables import (
    Lateness,
    PassSummary,
    all_segments,
    kinds_frame,
    pass_summary,
    segments_frame,
)
from controller.report.timecharts import (
    lateness_counts,
    lateness_edges,
    lateness_histogram,
    over_time,
    timing_histogram,
)

DEVIATION_LIMIT_MM = 0.5
"""Drawn into the histogram of deviations as the yardstick: the machine paints every stroke within this."""

Table = npt.NDArray[np.void]
Progress = Callable[[str, float], None]
"""Called with what is being done and the fraction done of all."""


@dataclass(frozen=True, slots=True)
class ReportFiles:
    """Where the parts of a report are: ``pictures`` the folder of the PNG files, ``tables`` that of all tables, ``csv``
    the one of segments."""

    html: Path
    csv: Path
    pictures: Path
    tables: Path


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


@dataclass(frozen=True, slots=True)
class Evidence:
    """What the page and the files are made from, once a report is summed up.

    columns is None when no tick was logged; canvas None when no stroke is known.
    """

    report: Report
    segments: Table
    strokes: Table
    columns: Columns | None
    links: Links
    canvas: Canvas | None
    maps: tuple[ErrorMap, ...]
    stops: tuple[StopRow, ...]


def evidence_of(report: Report) -> Evidence:
    """Segments, strokes, columns of time, links and the canvas of a report."""
    data = report.data
    segments = all_segments(data)
    strokes = stroke_table(segments)
    columns = columns_of(data.ticks)
    canvas = canvas_of(data.history.passes, strokes)
    links = find_links(segments, strokes, columns, data.passes, timed=not data.is_virtual)
    maps = error_maps(canvas, data.ticks, links) if canvas is not None else ()
    return Evidence(report, segments, strokes, columns, links, canvas, maps, stops_of(data.events, data.runs))


def charts_of(evidence: Evidence) -> dict[str, tuple[Chart, ...]]:
    """Every chart by the section of the page that it stands in."""
    report, data = evidence.report, evidence.report.data
    errors: list[Chart | None] = []
    if evidence.columns is not None:
        errors.append(over_time(data, evidence.columns, evidence.segments, evidence.links))
        if not data.is_virtual:
            one = report.overall
            errors.append(lateness_histogram(data, (one.p50_us, one.p99_us, one.p999_us), one.max_us))
            errors.append(timing_histogram(data, evidence.segments))
    register = [used_chart(data.history), marks_chart(data.history.maps, data.history.traps_mm)]
    homing = [homing_chart(data.homing_history, data.session.id)]
    return {
        "errors": tuple(one for one in errors if one is not None),
        "homing": tuple(one for one in homing if one is not None),
        "register": tuple(one for one in register if one is not None),
    }


def frames_of(evidence: Evidence) -> tuple[Frame, ...]:
    """Every table, whether it has rows or not: who reads many sessions finds the same files in each."""
    report, data = evidence.report, evidence.report.data
    frames = [
        segments_frame(evidence.segments),
        kinds_frame(evidence.segments),
        strokes_frame(evidence.strokes, data.passes, evidence.columns.zero_ns if evidence.columns else 0),
        tables.passes_frame(report.passes),
        tables.pens_frame(data.history),
        tables.homings_frame(data.homing_history, data.session.id),
        tables.register_frame(data.history),
        tables.marks_frame(data.history),
        tables.stops_frame(evidence.stops),
        tables.events_frame(data),
    ]
    if evidence.columns is not None:
        edges = lateness_edges(data)
        frames += [
            tables.timeline_frame(evidence.columns),
            tables.peaks_frame(evidence.links),
            tables.histogram_frame("lateness-histogram", "us", edges, lateness_counts(data, edges)),
        ]
    return tuple(frames)


def build_report(
    state_dir: Path,
    session_id: int | None,
    out_dir: Path | None = None,
    progress: Progress | None = None,
    *,
    parquet: bool = False,
) -> ReportFiles:
    """Write the report of a session (the latest if None) into ``out_dir`` (the state's own reports folder if None).

    parquet: every table as Parquet as well. Raises InputError when there is nothing to report on, the folder cannot be
    written, or Parquet is asked for and its library is missing.
    """
    if parquet:
        refuse_without_parquet()
    tell: Progress = progress if progress is not None else _silent
    tell("reading journal and logs", 0.0)
    report = summarise(state_dir, session_id)
    folder = out_dir if out_dir is not None else StateDir(state_dir).reports / f"{report.data.session.id:04d}"
    tell("summing up segments", 0.35)
    evidence = evidence_of(report)
    charts = charts_of(evidence)
    with into(folder):
        pictures_folder, tables_folder = folder / "pictures", folder / "tables"
        for one in (pictures_folder, tables_folder):
            one.mkdir(parents=True, exist_ok=True)
        frames = frames_of(evidence)
        for frame in frames:
            write_csv(tables_folder / f"{frame.name}.csv", frame)
            if parquet:
                write_parquet(tables_folder / f"{frame.name}.parquet", frame)
        tell("drawing", 0.5)
        pictures = _pictures(report)
        files = {picture.name: picture.png for picture in pictures} | _drawn(evidence, charts)
        for name, content in files.items():
            write_whole(pictures_folder / name, content)
        tell("writing the page", 0.95)
        html_path = folder / "report.html"
        beside = [
            *(f"pictures/{name}" for name in files),
            *(f"tables/{frame.name}.csv" for frame in frames),
            *(f"tables/{frame.name}.parquet" for frame in frames if parquet),
        ]
        write_whole(html_path, page_of(evidence, charts, pictures, beside))
    tell("done", 1.0)
    return ReportFiles(html_path, tables_folder / "segments.csv", pictures_folder, tables_folder)


def page_of(
    evidence: Evidence,
    charts: dict[str, tuple[Chart, ...]],
    pictures: Sequence[Picture] = (),
    files: Sequence[str] = (),
) -> str:
    """The page as HTML."""
    report = evidence.report
    zero_ns = evidence.columns.zero_ns if evidence.columns is not None else 0
    return page(
        Parts(
            report.data,
            report.passes,
            report.overall,
            findings(report.data, report.passes, report.overall, evidence.segments, evidence.stops),
            evidence.canvas,
            evidence.maps,
            charts,
            evidence.links,
            strokes_frame(evidence.strokes, report.data.passes, zero_ns),
            kinds_frame(evidence.segments),
            evidence.stops,
            pictures,
            files,
        )
    )


def _drawn(evidence: Evidence, charts: dict[str, tuple[Chart, ...]]) -> dict[str, bytes]:
    """What the page holds as SVG, as PNG by name of the file."""
    found = {f"{one.name}.png": chart_png(one) for of in charts.values() for one in of}
    if evidence.canvas is not None:
        found["so-far.png"] = picture_png(evidence.canvas)
        found |= {f"{one.kind}-map.png": map_png(evidence.canvas, one) for one in evidence.maps}
    return found


def _pictures(report: Report) -> list[Picture]:
    """What the simulated gantry's canvas shows beside the plan; nothing without one."""
    painted, layers = report.data.painted, report.layers
    if painted is None:
        return []
    found = (
        (
            "planned-painted.png",
            planned_and_painted(layers, painted),
            "The painted lines in their inks with the planned paths drawn thin over them",
            "Painted lines as wide as their tips. Where a planned path shows in vermillion, nothing was painted.",
        ),
        (
            "deviation-map.png",
            deviation_map(layers, painted),
            "The painted lines coloured by their distance from the planned paths",
            "The scale ends at the largest deviation of this session.",
        ),
        (
            "deviation-histogram.png",
            deviation_histogram(layers, DEVIATION_LIMIT_MM),
            "Histograms of the distance from the planned path: all painted points, and the largest of each stroke",
            "Left: all points, the number on a logarithmic scale. Right: the largest of each stroke.",
        ),
        (
            "worst-places.png",
            worst_places(layers),
            "Close-ups of the strokes that are farthest from their planned paths",
            "The ring marks the place of the largest deviation.",
        ),
    )
    return [
        Picture(name, "canvas", png, alternative, caption)
        for name, png, alternative, caption in found
        if png is not None
    ]


def _silent(_what: str, _fraction: float) -> None:
    """Progress that nobody watches."""
