"""A sheet as files: the drawing, the job, what its reading needs, and a page for the person who reads it.

Owns their form. Writes into the folder that it is told and nowhere else.
"""

from __future__ import annotations

import html
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import numpy as np

from controller.calibrate.sheets.page import CAPTION_COLOUR, Look, Record, Sheet, SheetInk
from controller.config.errors import InputError, Mistake

DRAWING: Final = "sheet.svg"
JOB: Final = "job.toml"
RECORD: Final = "sheet.json"
PAGE: Final = "sheet.html"
LOOK_WIDTH_MM: Final = 170.0
ASIDE_COLOUR: Final = "#2a7f4f"
"""Of what is on a picture and not on the canvas."""
MARK_ARM_MM: Final = 10.0
"""As jobs have it that do not say otherwise."""


@dataclass(frozen=True, slots=True)
class Written:
    """Files of a sheet."""

    job: Path
    drawing: Path
    record: Path
    page: Path


def write_sheet(sheet: Sheet, folder: Path) -> Written:
    """Write a sheet into ``folder``, which is made where it is missing. Files of an earlier sheet are replaced."""
    folder.mkdir(parents=True, exist_ok=True)
    files = Written(folder / JOB, folder / DRAWING, folder / RECORD, folder / PAGE)
    files.drawing.write_text(drawing_of(sheet), encoding="utf-8")
    files.job.write_text(job_of(sheet), encoding="utf-8")
    files.record.write_text(sheet.record.model_dump_json(indent=1) + "\n", encoding="utf-8")
    files.page.write_text(page_of(sheet), encoding="utf-8")
    return files


def read_record(folder: Path) -> Record:
    """What ``write_sheet`` kept for the reading. Raises InputError where there is none."""
    path = folder / RECORD if folder.is_dir() else folder
    try:
        return Record.model_validate_json(path.read_text(encoding="utf-8"))
    except OSError as error:
        got = (error.strerror or str(error)).lower()
        raise InputError(
            [Mistake(path, "file", "a sheet that giornata sheet has written", got, code="sheet-record")]
        ) from None
    except ValueError:
        raise InputError(
            [Mistake(path, "file", "a sheet's record", "something else", code="sheet-record")]
        ) from None


def _number(value: float) -> str:
    return f"{value:.4f}".rstrip("0").rstrip(".")


def _path(points: np.ndarray[tuple[int, ...], np.dtype[np.float64]], *, closed: bool) -> str:
    steps = " L ".join(f"{_number(x)} {_number(y)}" for x, y in points.tolist())
    return f"M {steps}{' Z' if closed else ''}"


def _group(ink: SheetInk, *, shifted: str = "", by_mm: tuple[float, float] = (0.0, 0.0)) -> list[str]:
    rows = [
        (
            f'<g id="{ink.name}" fill="none" stroke="{ink.colour}" stroke-width="{_number(ink.tip_mm)}" '
            'stroke-linecap="round" stroke-linejoin="round">'
        )
    ]
    for (points, closed), tag in zip(ink.lines, ink.tags, strict=True):
        moved = points + by_mm if shifted and tag == shifted else points
        rows.append(f'<path d="{_path(moved, closed=closed)}"/>')
    rows += [
        f'<circle cx="{_number(x)}" cy="{_number(y)}" r="{_number(size / 2.0)}" fill="{ink.colour}" stroke="none"/>'
        for x, y, size in ink.dots
    ]
    return [*rows, "</g>"]


def drawing_of(sheet: Sheet) -> str:
    """The SVG: the canvas' size in mm, a group for each ink, everything in painting order."""
    width, height = (_number(one) for one in sheet.size_mm)
    rows = [
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{width}mm" height="{height}mm" viewBox="0 0 {width} {height}">'
    ]
    for ink in sheet.inks:
        rows += _group(ink)
    return "\n".join([*rows, "</svg>"]) + "\n"


def job_of(sheet: Sheet) -> str:
    """The job file."""
    rows = [
        f"# {sheet.title}: a sheet for machine {sheet.record.machine}, to be painted and read ({PAGE}).",
        "format = 1",
        f'name = "sheet-{sheet.record.sheet}"',
        f'artwork = "{DRAWING}"',
        "origin_mm = [0.0, 0.0]",
    ]
    for ink in sheet.inks:
        rows += [
            "",
            "[[inks]]",
            f'name = "{ink.name}"',
            f'group = "{ink.name}"',
            f'colour = "{ink.colour}"',
            f"tip_mm = {ink.tip_mm!r}",
        ]
        if ink.speed_mm_s is not None:
            rows.append(f"paint_speed_mm_s = {ink.speed_mm_s!r}")
        if ink.in_sequence:
            rows.append('sequence = "as-drawn"  # where every stroke comes from is what the sheet shows')
    if sheet.marks_mm:
        rows += ["", "[register.marks_mm]"]
        rows += [f"{name} = [{x!r}, {y!r}]" for name, (x, y) in sheet.marks_mm.items()]
    return "\n".join(rows) + "\n"


def _look(sheet: Sheet, look: Look, least_mm: float = 0.0) -> str:
    """least_mm: no line is shown finer."""
    x, y, width, height = look.box_mm
    tall = LOOK_WIDTH_MM * height / width
    rows = [
        (
            f'<svg viewBox="{_number(x)} {_number(y)} {_number(width)} {_number(height)}" '
            f'style="width:100%;max-height:{min(tall, 150.0):.0f}mm">'
        )
    ]
    for ink in sheet.inks:
        near = SheetInk(ink.name, max(ink.tip_mm, least_mm), colour=ink.colour)
        if look.instead and look.tag in ink.tags:
            lines = look.instead if ink.name in _first_with(sheet, look.tag) else ()
            for line in lines:
                near.line(line)
            rows += _group(near)
            continue
        for (points, closed), tag in zip(ink.lines, ink.tags, strict=True):
            low, high = points.min(axis=0), points.max(axis=0)
            if (low <= (x + width, y + height)).all() and (high >= (x, y)).all():
                near.line(points, tag, closed=closed)
        near.dots = [one for one in ink.dots if x <= one[0] <= x + width and y <= one[1] <= y + height]
        rows += _group(near, shifted=look.tag, by_mm=look.shifted_mm)
    rows += [
        f'<path d="M {_number(mx - MARK_ARM_MM)} {_number(my)} h {2 * MARK_ARM_MM:g} M {_number(mx)} '
        f'{_number(my - MARK_ARM_MM)} v {2 * MARK_ARM_MM:g}" stroke="{CAPTION_COLOUR}" fill="none" '
        f'stroke-width="{_number(max(sheet.inks[0].tip_mm, least_mm))}"/>'
        for mx, my in sheet.marks_mm.values()
        if x <= mx <= x + width and y <= my <= y + height
    ]
    if look.ring_mm is not None:
        cx, cy, radius = look.ring_mm
        rows.append(
            f'<circle cx="{_number(cx)}" cy="{_number(cy)}" r="{_number(radius)}" fill="none" stroke="{ASIDE_COLOUR}" '
            f'stroke-width="{_number(width / 300.0)}"/>'
        )
    rows += [_aside(words, ax, ay, height / 22.0) for words, ax, ay in look.aside]
    if least_mm > 0.0:
        rows += _map(sheet)
    return "\n".join([*rows, "</svg>"]).replace('<g id="', '<g class="')


def _first_with(sheet: Sheet, tag: str) -> tuple[str, ...]:
    """Name of the first ink that has lines with a tag."""
    return tuple(ink.name for ink in sheet.inks if tag in ink.tags)[:1]


def _aside(words: str, x: float, y: float, high_mm: float, anchor: str = "start") -> str:
    """Words on a picture that nobody paints, their middle at ``y``."""
    return (
        f'<text x="{_number(x)}" y="{_number(y + 0.35 * high_mm)}" font-size="{_number(high_mm)}" '
        f'fill="{ASIDE_COLOUR}" text-anchor="{anchor}">{html.escape(words)}</text>'
    )


def _map(sheet: Sheet) -> list[str]:
    """Frames and names of a sheet's parts."""
    rows: list[str] = []
    wide, _ = sheet.size_mm
    high = wide / 42.0
    for name, (x, y, width, height) in sheet.places:
        rows.append(
            f'<rect x="{_number(x)}" y="{_number(y)}" width="{_number(width)}" height="{_number(height)}" fill="none" '
            f'stroke="{ASIDE_COLOUR}" stroke-width="{_number(wide / 1000.0)}"/>'
        )
        if x + width + high * (1.0 + 0.7 * len(name)) < wide:
            rows.append(_aside(name, x + width + 0.4 * high, y + height / 2.0, high))
        else:
            rows.append(_aside(name, x - 0.4 * high, y + height / 2.0, high, "end"))
    return rows


_STYLE: Final = """
body { font: 15px/1.5 sans-serif; color: #1c2430; max-width: 190mm; margin: 8mm auto; padding: 0 4mm; }
h1 { font-size: 22px; } h2 { font-size: 17px; margin-top: 7mm; }
svg { background: #fbfaf5; border: 1px solid #c9c4b4; display: block; }
figcaption { color: #444; margin: 1mm 0 5mm; } figure { margin: 0; }
table { border-collapse: collapse; width: 100%; }
td, th { border: 1px solid #c9c4b4; padding: 1mm 2mm; text-align: left; }
td.write { width: 45mm; }
svg text { font-family: sans-serif; }
@media (max-width: 600px) { td.write { width: 20mm; } td, th { padding: 1mm; } ol { padding-left: 8mm; } }
@media print { body { margin: 0; } figure, tr { break-inside: avoid; } }
"""


def _coded(words: str) -> str:
    """HTML of a sentence; what stands between backticks is typed."""
    parts = [html.escape(part) for part in words.split("`")]
    return "".join(f"<code>{part}</code>" if at % 2 else part for at, part in enumerate(parts))


def page_of(sheet: Sheet) -> str:
    """One HTML page, no network: how the sheet is read, parts of it large, all of it small, room for the readings."""
    words = [f"<li>{_coded(one)}</li>" for one in sheet.how]
    looks = [
        f"<figure>{_look(sheet, look)}<figcaption>{html.escape(look.words)}</figcaption></figure>"
        for look in sheet.looks
    ]
    whole = _look(sheet, Look("", (0.0, 0.0, *sheet.size_mm)), sheet.size_mm[0] / 700.0)
    rows = [
        f"<tr><td>{html.escape(one.key)}</td><td>{html.escape(one.words)}</td>"
        f'<td>{html.escape(one.unit)}</td><td class="write"></td></tr>'
        for one in sheet.record.questions
    ]
    inks = [
        f"<li>{html.escape(ink.name)}: tip {ink.tip_mm:g} mm"
        + (f", {ink.speed_mm_s:g} mm/s" if ink.speed_mm_s is not None else "")
        + "</li>"
        for ink in sheet.inks
    ]
    title = html.escape(f"{sheet.title}: a sheet for {sheet.record.machine}")
    table = (
        f"<h2>Readings</h2><table><tr><th>key</th><th>what</th><th>unit</th><th>read</th></tr>{''.join(rows)}</table>"
        f"<p>Enter them with <code>giornata reading {html.escape(sheet.record.sheet)}</code>.</p>"
        if rows
        else ""
    )
    return (
        f'<!doctype html>\n<html lang="en"><head><meta charset="utf-8"><title>{title}</title><style>{_STYLE}</style>'
        f"</head><body>\n<h1>{title}</h1>\n<ol>{''.join(words)}</ol>\n{''.join(looks)}\n"
        f"<h2>The whole sheet</h2>\n<figure>{whole}<figcaption>{sheet.size_mm[0]:g} x {sheet.size_mm[1]:g} mm"
        ", lines shown broader than they are. Names and frames in green are not painted.</figcaption></figure>\n"
        f"<h2>Pens, in this order</h2><ol>{''.join(inks)}</ol>\n{table}\n"
        "</body></html>\n"
    )
