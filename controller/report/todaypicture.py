"""The small drawing on the day's sheet: today's strokes in their inks, what is painted already in grey, marks over it.

Owns pixels and the drawing's form. Frame: canvas mm, zero at the top left corner, y down. Nothing is said by colour
alone: where a pass goes on is ringed and bears the pass' number, marks bear their names.
"""

from __future__ import annotations

import base64
import io
from collections.abc import Iterable
from html import escape
from typing import Final

import numpy as np
from PIL import Image, ImageDraw

from controller.report.today import Today
from controller.session.prepared import Prepared
from controller.strokes.strokeset import StrokeSet

WIDTH_PX: Final = 1200
"""Along the longer side; printed 90 mm wide that is about 340 dots an inch."""
PAINTED: Final = "#b9bdc0"
BARE: Final = "#ffffff"


def picture_png(today: Today, prepared: Prepared) -> bytes:
    """The canvas with its strokes, no letters. Passes that are not in the prepared folder are left out."""
    width_mm, height_mm = today.canvas_mm
    scale = WIDTH_PX / max(width_mm, height_mm)
    size = max(1, round(width_mm * scale)), max(1, round(height_mm * scale))
    image = Image.new("RGB", size, today.canvas_colour or BARE)
    draw = ImageDraw.Draw(image)
    left = {one.name: one for one in today.passes}
    for part in prepared.record.passes:
        mine = left.get(part.name)
        if mine is None and part.name not in today.painted:
            continue
        strokes = prepared.strokes(part.name)
        width = max(1, round(part.tip_mm * scale))
        rows = range(len(strokes)) if mine is None or mine.goes_on is None else range(mine.goes_on.stroke)
        if mine is None or mine.goes_on is not None:
            _lines(draw, strokes, rows, scale, width, PAINTED)
        if mine is not None:
            begin = 0 if mine.goes_on is None else mine.goes_on.stroke
            _lines(draw, strokes, range(begin, len(strokes)), scale, width, mine.colour)
    buffer = io.BytesIO()
    image.quantize(64).save(buffer, "PNG", optimize=True)
    return buffer.getvalue()


def _lines(
    draw: ImageDraw.ImageDraw, strokes: StrokeSet, rows: Iterable[int], scale: float, width: int, colour: str
) -> None:
    for row in rows:
        pixels = strokes.stroke_mm(row) * scale
        # Vertices within the same pixel as the one before add nothing.
        whole = np.rint(pixels)
        keep = np.concatenate([[True], np.any(np.diff(whole, axis=0) != 0, axis=1)])
        keep[-1] = True
        draw.line([(x, y) for x, y in pixels[keep].tolist()], fill=colour, width=width, joint="curve")


def drawing(today: Today, png: bytes) -> str:
    """The drawing as HTML: the picture, marks with their names, the swatch, where passes go on."""
    width, height = today.canvas_mm
    unit = max(width, height) / 100.0
    data = base64.b64encode(png).decode("ascii")
    parts = [
        f'<image href="data:image/png;base64,{data}" width="{width:g}" height="{height:g}"/>',
        f'<rect class="frame" width="{width:g}" height="{height:g}"/>',
    ]
    if today.swatch_mm is not None:
        x, y, wide, high = today.swatch_mm
        parts.append(f'<rect class="swatch-place" x="{x:g}" y="{y:g}" width="{wide:g}" height="{high:g}"/>')
        parts.append(_text(x + wide / 2.0, y + high / 2.0 + unit, "swatch", width))
    for mark in today.marks:
        x, y = mark.place_mm
        parts.append(
            f'<path class="mark" d="M{x - 2 * unit:g} {y:g}h{4 * unit:g}M{x:g} {y - 2 * unit:g}v{4 * unit:g}"/>'
        )
        parts.append(_text(x, y + (5.2 * unit if y < height / 2.0 else -2.8 * unit), mark.name, width))
    for one in today.passes:
        if one.goes_on is not None:
            x, y = one.goes_on.at_mm
            parts.append(f'<circle class="ring" cx="{x:g}" cy="{y:g}" r="{2.2 * unit:g}"/>')
            parts.append(_text(x, y - 3.0 * unit, f"{one.number}", width))
    said = f"Canvas of {width:g} by {height:g} mm with {len(today.marks)} marks and today's strokes"
    return (
        f'<svg class="canvas" role="img" aria-label="{escape(said)}" viewBox="{-unit:g} {-unit:g} '
        f'{width + 2 * unit:g} {height + 2 * unit:g}" style="font-size:{3.4 * unit:g}px;'
        f'stroke-width:{0.35 * unit:g}">{"".join(parts)}</svg>'
    )


def _text(x: float, y: float, words: str, width: float) -> str:
    """A text about ``x`` that stays on the canvas."""
    anchor = "start" if x < 0.12 * width else "end" if x > 0.88 * width else "middle"
    return f'<text x="{x:g}" y="{y:g}" text-anchor="{anchor}">{escape(words)}</text>'
