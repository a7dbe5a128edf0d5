"""One dot of the demo picture from the drawing to the wire and back, in real values.

``python -m tests.docs.onedot`` shows the blocks of docs/contributing/one-dot.md as they are, ``--write`` puts them into
the page. Owns what is shown of each stage, and no stage: the dot is prepared and painted by the commands that anybody
would use, in virtual time, and what is shown is read from the files that they leave.
"""

from __future__ import annotations

import contextlib
import io
import math
import re
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path

import numpy as np

from controller.artwork.model import InkShapes
from controller.artwork.read import read_artwork
from controller.cli.main import main as giornata
from controller.cli.trace import line_text
from controller.config.load import load_job, load_machine
from controller.config.machine import Machine
from controller.config.places import shipped
from controller.motion.frames import quanta_per_mm
from controller.motion.schedule import Schedule, SegmentKind
from controller.stream.timinglog import read_timing_log
from controller.strokes.build import dot_strokes
from controller.strokes.strokeset import StrokeSet
from drivers.tracefile import read_trace
from drivers.tracewords import Decoder
from drivers.twin.canvas import Canvas

PAGE = Path(__file__).parents[2] / "docs" / "contributing" / "one-dot.md"
JOB, MACHINE = shipped("jobs/low-tide/job.toml"), shipped("machines/boathouse.toml")
ELEMENT = "shade-inner"
"""The group of the moon's shade in which a single dot lies."""
INK, PASS = "ochre", "ochre-1"
_BLOCK = re.compile(r"(<!-- dot: (\w+) -->\n\n```text\n)(.*?)(```\n)", re.DOTALL)

Blocks = dict[str, str]


def _dot_of(shapes: InkShapes) -> int:
    (found,) = [
        row for row, element in enumerate(shapes.dot_element) if ELEMENT in shapes.element_ids[element]
    ]
    return found


def _lines(rows: list[str]) -> str:
    return "\n".join(rows) + "\n"


def _xy(point: object, digits: int = 4) -> str:
    x, y = np.asarray(point, dtype=float)
    return f"{x:.{digits}f}, {y:.{digits}f}"


def _signed(pair: object, digits: int = 1) -> str:
    x, y = np.asarray(pair, dtype=float)
    return f"{x:+.{digits}f}, {y:+.{digits}f}"


def shape_and_stroke() -> Blocks:
    """What reading and building alone say of the dot: no schedule, no machine."""
    text = JOB.with_name("low-tide.svg").read_text(encoding="utf-8")
    around = ("<svg", 'id="moon"', 'transform="translate(608', 'id="moon-shade"', f'id="{ELEMENT}"')
    lines = text.splitlines()
    shown = [line for line in lines if any(word in line for word in around)]
    at = next(number for number, line in enumerate(lines) if f'id="{ELEMENT}"' in line)
    shown.append(lines[at + 1])
    job = load_job(JOB)
    ink = next(one for one in job.inks if one.name == INK)
    shapes = read_artwork(job, JOB).inks[INK]
    dot = _dot_of(shapes)
    strokes = dot_strokes(
        shapes.dot_centre_mm[dot : dot + 1],
        shapes.dot_diameter_mm[dot : dot + 1],
        np.zeros(1, dtype=np.int32),
        (shapes.element_ids[shapes.dot_element[dot]],),
        ink.tip_mm,
        ink.step_mm / ink.tip_mm,
        shapes.tolerance_mm,
    )
    path = strokes.stroke_mm(0)
    ring_mm = np.hypot(*(path[0] - shapes.dot_centre_mm[dot]))
    return {
        "svg": _lines([line.rstrip() for line in shown]),
        "shape": _lines(
            [
                f"element    {shapes.element_ids[shapes.dot_element[dot]]}",
                f"ink        {INK}",
                f"centre     {_xy(shapes.dot_centre_mm[dot])}  canvas mm",
                f"diameter   {shapes.dot_diameter_mm[dot]:.4f}  mm",
            ]
        ),
        "stroke": _lines(
            [
                f"vertices   {len(path)}",
                f"first      {_xy(path[0])}  canvas mm, {ring_mm:.4f} mm from the centre",
                f"second     {_xy(path[1])}",
                f"last       {_xy(path[-1])}",
                f"length     {strokes.lengths_mm()[0]:.4f}  mm",
            ]
        ),
    }


def painted(folder: Path) -> Blocks:
    """Prepare the demo and paint its first pass under a trace, in ``folder``; what the files say of the dot then."""
    state = folder / "state"
    common = ["--machine", str(MACHINE), "--state", str(state), "--json"]
    for verb in (
        ["prepare", str(JOB)],
        ["home", "--virtual", "--yes"],
        ["trace", "on"],
        ["paint", str(JOB), "--virtual", "--yes", "--pass", PASS],
    ):
        with contextlib.redirect_stdout(io.StringIO()):
            code = giornata([*verb, *common])
        if code:
            raise RuntimeError(f"giornata {verb[0]}: exit {code}")
    machine = load_machine(MACHINE)
    place = state / "prepared" / "low-tide" / PASS
    strokes, schedule = StrokeSet.load(place / "strokes.npz"), Schedule.load(place / "schedule")
    (stroke,) = [
        row
        for row, element in enumerate(strokes.element)
        if ELEMENT in strokes.element_ids[element] and strokes.kind[row] == 2
    ]
    (run,) = (state / "runs").glob(f"*-{PASS}")
    found = {"pass": _pass(strokes, schedule, stroke)}
    first = _first_tick(schedule, stroke) + SHOWN_AT
    found["ticks"] = _ticks(schedule, machine, first)
    found.update(_sent(run, schedule, machine, first))
    found["canvas"] = _canvas(state / "twin" / "canvas.npz", strokes, stroke)
    return found


SHOWN_AT = 10
"""The tick that is followed to the wire, counted from the stroke's first."""


def _first_tick(schedule: Schedule, stroke: int) -> int:
    table = schedule.segments
    (row,) = np.flatnonzero((table["stroke"] == stroke) & (table["kind"] == SegmentKind.STROKE))
    return int(table["first_tick"][row])


def _pass(strokes: StrokeSet, schedule: Schedule, stroke: int) -> str:
    rows = [f"stroke {stroke + 1} of {len(strokes)}", "", "segment    first tick   ticks      ms        mm"]
    rows += [
        f"{SegmentKind(part['kind']).name.lower().replace('_', '-'):<10} {part['first_tick']:>10} {part['ticks']:>7} "
        f"{part['ticks'] * schedule.tick_ns / 1e6:>7.0f} {part['length_mm']:>9.3f}"
        for part in schedule.segments[schedule.segments["stroke"] == stroke]
    ]
    return _lines(rows)


def _ticks(schedule: Schedule, machine: Machine, first: int) -> str:
    at = schedule.boundaries_quanta()
    per_mm = quanta_per_mm(machine)
    rows = ["tick    x quanta     y quanta      x mm      y mm    x units   y units    mm/s"]
    for tick in range(first, first + 3):
        units = schedule.velocity_units[tick]
        mm = at[tick] / per_mm
        speed = np.hypot(*(units / per_mm)) * 1e9 / schedule.tick_ns
        rows.append(
            f"{tick} {at[tick][0]:>12} {at[tick][1]:>12} {mm[0]:>9.4f} {mm[1]:>9.4f} {units[0]:>10} {units[1]:>9} "
            f"{speed:>7.2f}"
        )
    return _lines(rows)


def _sent(run: Path, schedule: Schedule, machine: Machine, first: int) -> Blocks:
    records = read_timing_log(run / "timing.gtl").records
    table = schedule.segments
    segment = int(np.searchsorted(table["first_tick"], first, side="right")) - 1
    within = first - int(table["first_tick"][segment])
    mine = records[records["segment"] == segment]
    one = mine[within]
    per_mm = quanta_per_mm(machine)
    trim = one["trim_units"] / per_mm * 1e9 / schedule.tick_ns
    error = (one["planned_counts"] - one["measured_counts"]) / float(
        machine.axes["x"].drive.counts_per_mm
    ) * 1000.0  # fmt: skip
    log = [
        f"tick            {one['tick']}",
        f"sent            {one['sent_ns'] - one['scheduled_ns']} ns after its instant (virtual time)",
        f"velocity_units  {one['velocity_units'][0]}, {one['velocity_units'][1]}",
        f"trim_units      {one['trim_units'][0]}, {one['trim_units'][1]}   ({_signed(trim, 4)} mm/s)",
        f"planned_counts  {one['planned_counts'][0]}, {one['planned_counts'][1]}",
        f"measured_counts {one['measured_counts'][0]}, {one['measured_counts'][1]}   ({_signed(error)} um behind)",
        f"statusword      {one['statusword'][0]:04X}h, {one['statusword'][1]:04X}h",
        f"segment         {one['segment']}",
        f"head            {one['head']}",
    ]
    return {"wire": _wire(run, int(one["sent_ns"]), schedule.tick_ns), "log": _lines(log)}


def _wire(run: Path, sent_ns: int, tick_ns: int) -> str:
    trace = read_trace(run / "wire.gtr")
    words = Decoder(trace.description).lines(trace.pieces())
    rows, before = [], sent_ns
    for line in words:
        if sent_ns <= line.instant_ns < sent_ns + tick_ns:
            text = line_text(line.instant_ns - sent_ns, line.instant_ns - before, line)
            rows.append(text.strip())
            before = line.instant_ns
        if line.instant_ns > sent_ns + tick_ns:
            break
    return _lines(rows)


def _contacts(canvas: Canvas) -> Iterator[np.ndarray]:
    for begin, end in zip(canvas.offsets, canvas.offsets[1:], strict=False):
        yield canvas.points_mm[begin:end]


def _canvas(path: Path, strokes: StrokeSet, stroke: int) -> str:
    """Where the simulated tip was: the contact that is the dot, its outermost ring fitted by its extremes."""
    canvas = Canvas.load(path)
    planned = strokes.stroke_mm(stroke)
    middle = (planned.min(axis=0) + planned.max(axis=0)) / 2.0
    contact = min(_contacts(canvas), key=lambda points: math.dist(points.mean(axis=0), middle))
    low, high = contact.min(axis=0), contact.max(axis=0)
    rows = [
        f"contacts   {len(canvas.offsets) - 1}",
        f"points     {len(contact)}",
        f"middle     {_xy((low + high) / 2.0, 3)}  canvas mm (planned {_xy(middle, 3)})",
        f"extent     {_xy(high - low, 3)}  mm (planned {_xy(planned.max(axis=0) - planned.min(axis=0), 3)})",
    ]
    return _lines(rows)


def all_blocks() -> Blocks:
    """Every block of the page."""
    with tempfile.TemporaryDirectory() as folder:
        return shape_and_stroke() | painted(Path(folder))


def filled(page: str, blocks: Blocks) -> str:
    """The page with these blocks. Raises KeyError for a block of the page that is none of them."""
    return _BLOCK.sub(lambda match: match[1] + blocks[match[2]] + match[4], page)


def blocks_of(page: str) -> Blocks:
    """The blocks that the page shows."""
    return {match[2]: match[3] for match in _BLOCK.finditer(page)}


def main() -> int:
    """Show the blocks, or write them into the page."""
    blocks = all_blocks()
    if "--write" in sys.argv[1:]:
        PAGE.write_text(filled(PAGE.read_text(encoding="utf-8"), blocks), encoding="utf-8")
        return 0
    for name, text in blocks.items():
        sys.stdout.write(f"{name}\n{text}\n")
    return 0


if __name__ == "__main__":
    sys.exit(main())
