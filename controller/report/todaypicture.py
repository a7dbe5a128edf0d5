"""The small drawing on the day's sheet: today's strokes in their inks, what is painted already in grey, marks over it.

Owns pixels and the drawing's form. Frame: canvas mm, zero at the top left corner, y down. Nothing is said by colour
alone: where a pass goes on is ringed and bears the pass' number, marks bear their names.
"""

from __future__ import annotations

import base64
import io
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from html import escape
from typing import Final

import numpy as np
from PIL import Image, ImageDraw

from controller.config.counting import counted
from controller.report.today import Today
from controller.session.prepared import Prepared
from controller.strokes.strokeset import StrokeSet

WIDTH_PX: Final = 1200
"""Along the longer side; printed 90 mm wide that is about 340 dots an inch."""
ROOM: Final = 0.04
"""Shown beyond what lies farthest out, as a share of what is shown."""
PAINTED: Final = "#b9bdc0"
BARE: Final = "#ffffff"


@dataclass(frozen=True, slots=True)
class Picture:
    """Part of the canvas from its corner (x, y) on, width by height, canvas mm; ``png`` holds just that."""

    corner_mm: tuple[float, float]
    size_mm: tuple[float, float]
    png: bytes


def picture_of(today: Today, prepared: Prepared) -> Picture:
    """The canvas as far as strokes, marks and swatch reach, without letters: painted strokes, then today's."""
    sets: list[tuple[StrokeSet, range, float, str]] = []
    left = {one.name: one for one in today.passes}
    for part in prepared.record.passes:
        mine = left.get(part.name)
        if mine is None and part.name not in today.painted:
            continue
        strokes = prepared.strokes(part.name)
        begin = len(strokes) if mine is None else 0 if mine.goes_on is None else mine.goes_on.stroke
        sets.append((strokes, range(begin), part.tip_mm, PAINTED))
        if mine is not None:
            sets.append((strokes, range(begin, len(strokes)), part.tip_mm, mine.colour))
    corner, size_mm = _part(today, [strokes for strokes, *_ in sets])
    scale = WIDTH_PX / max(size_mm)
    pixels = max(1, round(size_mm[0] * scale)), max(1, round(size_mm[1] * scale))
    image = Image.new("RGB", pixels, today.canvas_colour or BARE)
    draw = ImageDraw.Draw(image)
    for strokes, rows, tip_mm, colour in sets:
        _lines(draw, strokes, rows, corner, scale, max(1, round(tip_mm * scale)), colour)
    buffer = io.BytesIO()
    image.quantize(64).save(buffer, "PNG", optimize=True)
    return Picture(corner, size_mm, buffer.getvalue())


def _part(today: Today, sets: Sequence[StrokeSet]) -> tuple[tuple[float, float], tuple[float, float]]:
    """Corner and size of the part of the canvas that is shown: all of it where marks lie far out."""
    wide, high = today.canvas_mm
    places = [np.array(one.place_mm).reshape(1, 2) for one in today.marks]
    places += [np.array(one.bounds_mm()).reshape(2, 2) for one in sets if len(one)]
    if today.swatch_mm is not None:
        x, y, width, height = today.swatch_mm
        places.append(np.array([[x, y], [x + width, y + height]]))
    if not places:
        return (0.0, 0.0), (wide, high)
    every = np.concatenate(places)
    room = ROOM * max(np.ptp(every, axis=0).max(), 1.0)
    low = np.clip(every.min(axis=0) - room, 0.0, None)
    high_end = np.minimum(every.max(axis=0) + room, (wide, high))
    width, height = np.maximum(high_end - low, 1.0).tolist()
    return (float(low[0]), float(low[1])), (width, height)


def _lines(
    draw: ImageDraw.ImageDraw, strokes: StrokeSet, rows: Iterable[int], corner: tuple[float, float], scale: float,
    width: int, colour: str,
) -> None:  # fmt: skip
    for row in rows:
        pixels = (strokes.stroke_mm(row) - corner) * scale
        # Vertices within the same pixel as the one before add nothing.
        whole = np.rint(pixels)
        keep = np.concatenate([[True], np.any(np.diff(whole, axis=0) != 0, axis=1)])
        keep[-1] = True
        draw.line([(x, y) for x, y in pixels[keep].tolist()], fill=colour, width=width, joint="curve")


def drawing(today: Today, picture: Picture) -> str:
    """The drawing as HTML: the picture, marks with their names, the swatch, where passes go on."""
    (left, top), (width, height) = picture.corner_mm, picture.size_mm
    unit = max(width, height) / 100.0
    data = base64.b64encode(picture.png).decode("ascii")
    place = f'x="{left:g}" y="{top:g}" width="{width:g}" height="{height:g}"'
    parts = [
        f'<image href="data:image/png;base64,{data}" {place}/>',
        f'<rect class="frame" {place}/>',
    ]
    if today.swatch_mm is not None:
        x, y, wide, high = today.swatch_mm
        parts.append(f'<rect class="swatch-place" x="{x:g}" y="{y:g}" width="{wide:g}" height="{high:g}"/>')
        parts.append(_text(x + wide / 2.0, y + high / 2.0 + unit, "swatch", picture))
    for mark in today.marks:
        x, y = mark.place_mm
        parts.append(
            f'<path class="mark" d="M{x - 2 * unit:g} {y:g}h{4 * unit:g}M{x:g} {y - 2 * unit:g}v{4 * unit:g}"/>'
        )
        parts.append(
            _text(x, y + (5.2 * unit if y < top + height / 2.0 else -2.8 * unit), mark.name, picture)
        )
    for one in today.passes:
        if one.goes_on is not None:
            x, y = one.goes_on.at_mm
            parts.append(f'<circle class="ring" cx="{x:g}" cy="{y:g}" r="{2.2 * unit:g}"/>')
            parts.append(_text(x, y - 3.0 * unit, f"{one.number}", picture))
    said = (
        f"Canvas from {left:.0f}, {top:.0f} to {left + width:.0f}, {top + height:.0f} mm with "
        f"{counted(len(today.marks), 'mark')} and today's strokes"
    )
    return (
        f'<svg class="canvas" role="img" aria-label="{escape(said)}" viewBox="{left - unit:g} {top - unit:g} '
        f'{width + 2 * unit:g} {height + 2 * unit:g}" style="font-size:{3.4 * unit:g}px;'
        f'stroke-width:{0.35 * unit:g}">{"".join(parts)}</svg>'
    )


def _text(x: float, y: float, words: str, picture: Picture) -> str:
    """A text about ``x`` that stays within the picture."""
    share = (x - picture.corner_mm[0]) / picture.size_mm[0]
    anchor = "start" if share < 0.12 else "end" if share > 0.88 else "middle"
    return f'<text x="{x:g}" y="{y:g}" text-anchor="{anchor}">{escape(words)}</text>'
