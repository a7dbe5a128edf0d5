"""A driven test's files: figures and readings as CSV, plots, and one page that holds it all.

Owns the files' names, the page's words and what figures point to. Reckons nothing.
"""

from __future__ import annotations

import csv
from collections.abc import Sequence
from dataclasses import dataclass
from html import escape
from io import StringIO
from pathlib import Path

from controller.config.counting import counted
from controller.config.errors import InputError, Mistake
from controller.config.places import StateDir
from controller.motion.probe import AxisTest, CircleTest, LineTest, MeasuringTest, Test
from controller.motion.probesteps import BrakeTest, StepsTest
from controller.report.files import into, write_whole
from controller.report.html import Picture
from controller.report.pieces import NONE, document, figure, table
from controller.report.probed import SOURCES, Probed, read_probed
from controller.report.probefigures import CAUSES, AxisSource, Evaluated, FigureRow, evaluate, figure_rows
from controller.report.probeplots import axis_plot, circle_plot, line_plot, unrolled_plot

SHORT = {"motors": "motors", "model": "head (model)", "simulation": "head (simulation)"}
"""Name of a source to the head of its column."""


@dataclass(frozen=True, slots=True)
class ProbeFiles:
    """What was written."""

    page: Path
    figures: Path
    readings: Path
    plots: tuple[Path, ...]


@dataclass(frozen=True, slots=True)
class ProbeReport:
    """A test evaluated and written down."""

    probed: Probed
    evaluated: Evaluated
    rows: tuple[FigureRow, ...]
    files: ProbeFiles

    @property
    def notes(self) -> tuple[str, ...]:
        """What is left out or doubtful."""
        return (*self.probed.notes, *self.evaluated.left_out)


def build_probe_report(state_dir: Path, session_id: int, folder: Path | None = None) -> ProbeReport:
    """Evaluate a session's test and write its files into ``folder`` (``reports/NNNN`` when None).

    Raises InputError when the session drove no test to its end, no source holds the whole of it, or the folder cannot
    be written.
    """
    probed = read_probed(state_dir, session_id)
    evaluated = evaluate(probed)
    if not evaluated.sources:
        why = "; ".join((*probed.notes, *evaluated.left_out)) or "none"
        raise InputError(
            [Mistake(probed.run.folder, "readings", "a whole test", why, code="measure-incomplete")]
        )
    rows = tuple(figure_rows(evaluated))
    place = folder if folder is not None else StateDir(state_dir).reports / f"{session_id:04d}"
    pictures = _pictures(evaluated, probed.test)
    kind = probed.test.kind
    with into(place):
        plots = []
        for picture in pictures:
            write_whole(place / picture.name, picture.png)
            plots.append(place / picture.name)
        files = ProbeFiles(
            place / f"{kind}.html",
            place / f"{kind}-figures.csv",
            place / f"{kind}-readings.csv",
            tuple(plots),
        )
        write_whole(files.figures, _figures_csv(rows, evaluated.sources))
        write_whole(files.readings, _readings_csv(probed))
        notes = (*probed.notes, *evaluated.left_out)
        write_whole(files.page, _page(probed, evaluated, rows, pictures, notes))
    return ProbeReport(probed, evaluated, rows, files)


def test_words(test: Test) -> str:
    """The test in one line."""
    match test:
        case CircleTest():
            return (
                f"circle of radius {test.radius_mm:g} mm about ({test.centre_mm[0]:g}, {test.centre_mm[1]:g}) on the "
                f"canvas, a turn each way at {test.speed_mm_s:g} mm/s"
            )
        case AxisTest():
            return (
                f"axis {test.axis}: {len(test.targets_mm)} targets from {test.targets_mm[0]:g} to "
                f"{test.targets_mm[-1]:g} mm on the canvas, {test.repeats} approaches from each side, at "
                f"{test.speed_mm_s:g} mm/s"
            )
        case LineTest():
            return (
                f"line from ({test.start_mm[0]:g}, {test.start_mm[1]:g}) to ({test.end_mm[0]:g}, {test.end_mm[1]:g}) "
                f"on the canvas, there and back at {test.speed_mm_s:g} mm/s"
            )
        case StepsTest():
            return (
                f"axis {test.axis}: a staircase of speeds up to {test.speed_mm_s:g} mm/s about {test.along_mm:g} mm on "
                f"the canvas, {counted(test.repeats, 'time')} there and back"
            )
        case BrakeTest():
            return (
                f"axis {test.axis}: braked from {test.speed_mm_s:g} mm/s at {counted(len(test.places_mm), 'place')} "
                f"of the canvas, then {test.rest_s:g} s at rest"
            )


def value_text(value: float | None, digits: int) -> str:
    """A figure with its decimals, a minus that is one, no negative zero."""
    if value is None:
        return NONE
    rounded = round(value, digits) + 0.0
    return f"{rounded:.{digits}f}".replace("-", "\u2212")


def _pictures(evaluated: Evaluated, test: MeasuringTest) -> list[Picture]:
    if isinstance(test, CircleTest):
        found = [
            Picture(
                f"circle-{one.source}.png",
                "circle",
                circle_plot(one, test),
                f"{SOURCES[one.source]}: both ways round the circle, their deviation from the nominal radius magnified",
                "About the least-squares centre of both ways, which may be off its place (centre x, y in the table); "
                "seen facing the wall. The black circle has the nominal radius.",
            )
            for one in evaluated.circles
        ]
        return [
            *found,
            Picture(
                "circle-unrolled.png",
                "circle",
                unrolled_plot(evaluated.circles, test),
                "Radial deviation over the angle, both ways, one panel a source",
                "About the same centre; each panel has its own scale. x reverses at 0° and 180°, y at 90° and 270°.",
            ),
        ]
    if isinstance(test, AxisTest):
        return [
            Picture(
                f"axis-{test.axis}.png",
                "axis",
                axis_plot(evaluated.axes, test),
                "Mean deviation at every target from both sides, one panel a source",
                "Each panel has its own scale. The distance of the two curves is the reversal value.",
            )
        ]
    return [
        Picture(
            "line.png",
            "line",
            line_plot(evaluated.lines, test),
            "Sideways distance from the nominal line over the way, there and back, one panel a source",
            "Each panel has its own scale. To the right of the way there is positive.",
        )
    ]


def _figures_csv(rows: Sequence[FigureRow], sources: Sequence[str]) -> str:
    """RFC 4180; a column a source."""
    stream = StringIO(newline="")
    writer = csv.writer(stream)
    writer.writerow(["group", "figure", "meaning", "unit", *sources])
    for row in rows:
        writer.writerow(
            [row.group, row.symbol, row.words, row.unit]
            + ["" if value is None else f"{value:.6f}" for value in row.values]
        )
    return stream.getvalue()


def _readings_csv(probed: Probed) -> str:
    """Every reading of every part, by source."""
    stream = StringIO(newline="")
    writer = csv.writer(stream)
    writer.writerow(["source", "part", "target", "repeat", "time_ns", "x_canvas_mm", "y_canvas_mm"])
    for readings in probed.sources:
        for part, (begin, end) in zip(probed.parts, probed.windows_ns.tolist(), strict=True):
            if not part.what or begin < 0:
                continue
            numbers = ["" if value < 0 else str(value) for value in (part.target, part.repeat)]
            t_ns, places = readings.between(begin, end)
            writer.writerows(
                [readings.source, part.what, *numbers, t, f"{x:.5f}", f"{y:.5f}"]
                for t, (x, y) in zip(t_ns.tolist(), places.tolist(), strict=True)
            )
    return stream.getvalue()


def _page(
    probed: Probed,
    evaluated: Evaluated,
    rows: Sequence[FigureRow],
    pictures: Sequence[Picture],
    notes: Sequence[str],
) -> str:
    title = f"{probed.test.kind.capitalize()} measured on {probed.machine.name}"
    clock = "virtual time" if probed.session.clock == "virtual" else "real time over the wire"
    facts = (
        ("session", str(probed.session.id)),
        ("test", test_words(probed.test)),
        ("clock", clock + (", simulated gantry" if probed.machine.wire.is_simulated else "")),
        *((SHORT[source], SOURCES[source]) for source in evaluated.sources),
    )
    body = [
        f"<h1>{escape(title)}</h1>",
        "<dl>" + "".join(f"<dt>{escape(a)}</dt><dd>{escape(b)}</dd>" for a, b in facts) + "</dl>",
    ]
    if notes:
        items = "".join(f"<li>{escape(note)}</li>" for note in notes)
        body.append(f'<div class="notes"><strong>Left out or doubtful</strong><ul>{items}</ul></div>')
    for group in dict.fromkeys(row.group for row in rows):
        body.append(f"<h2>{escape(group[:1].upper() + group[1:])}</h2>")
        body.append(_table([row for row in rows if row.group == group], evaluated.sources))
        body.append(f'<p class="quiet">{escape(_words(group, probed))}</p>')
    if evaluated.axes:
        body.append("<h2>By target</h2>")
        body.extend(_targets(one) for one in evaluated.axes)
    body.extend(figure(one.png, one.alternative, escape(one.caption)) for one in pictures)
    return document(title, body, _STYLE)


_STYLE = """
dl { grid-template-columns: minmax(5rem, max-content) 1fr; }
td.words { min-width: 9rem; }
h3 { font-size: 1rem; margin: 1.2rem 0 0.4rem; }
figure img { max-width: 54rem; }
@media (max-width: 40rem) { dl { grid-template-columns: 1fr; gap: 0; } dd { margin-bottom: 0.4rem; }
  th, td { padding: 0.35rem 0.5rem; } td.words { white-space: nowrap; } }
"""


def _table(rows: Sequence[FigureRow], sources: Sequence[str]) -> str:
    head = ["figure", *(SHORT[source].replace(" (", "\n(") for source in sources), "unit", "meaning"]
    cells = [
        [
            escape(row.symbol),
            *(value_text(value, row.digits) for value in row.values),
            escape(row.unit),
            escape(row.words),
        ]
        for row in rows
    ]
    return table(head, cells, words={len(head) - 1})


def _targets(one: AxisSource) -> str:
    found = one.figures
    head = ("target, mm", "mean up, mm", "mean down, mm", "B, mm", "s up, mm", "s down, mm", "R, mm")
    columns = (
        [value_text(float(value), 3) for value in found.targets_mm],
        *(
            [value_text(float(value), 4) for value in values]
            for values in (
                found.mean_up_mm, found.mean_down_mm, found.reversal_i_mm, found.s_up_mm, found.s_down_mm,
                found.repeatability_i_mm,
            )
        ),
    )  # fmt: skip
    return f"<h3>{escape(SOURCES[one.source])}</h3>" + table(head, list(zip(*columns, strict=True)))


def _words(group: str, probed: Probed) -> str:
    if group == CAUSES:
        return (
            "Shapes of known faults fitted to both ways at once, to first order. In the motors' column play is "
            "negative where the motors cross it on purpose: read the head's columns for what is left."
        )
    match probed.test:
        case CircleTest():
            return (
                "cw: clockwise as seen facing the wall, acw: anticlockwise. Definitions from memory, the standard's "
                "text was not read. Reversals are not slowed down for, other than in a pass."
            )
        case AxisTest():
            return (
                "Deviation: place less target, mean over the second half of the rest. Definitions from memory, the "
                "standard's text was not read; its separate procedure for axes longer than 2 m is not followed."
            )
        case LineTest():
            return "Readings while the head moves, acceleration and braking with it."
