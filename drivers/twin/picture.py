"""The canvas as a picture: marks at tip width with round ends, in ink colours, true to scale, antialiased.

Owns the drawing only; loaded lazily because of the imaging library.
"""

from __future__ import annotations

import os
from pathlib import Path

import numpy as np
from PIL import Image, ImageColor, ImageDraw

from drivers.twin.canvas import Canvas
from drivers.twin.record import Floats

WARM_WHITE = (250, 246, 237)
_FALLBACK = (40, 40, 40)
_FINER = 3  # supersampling


def render(canvas: Canvas, longest_px: int = 2400) -> Image.Image:
    """Draw the canvas; its longer side gets ``longest_px`` pixels (less on a small canvas: at most 8 px a mm)."""
    scale = min(8.0, longest_px / max(canvas.size_mm))
    size = tuple(max(1, round(side * scale)) for side in canvas.size_mm)
    picture = Image.new("RGB", (size[0], size[1]), WARM_WHITE)
    left, top, right, bottom = _painted_px(canvas, scale, size)
    if left >= right or top >= bottom:
        return picture
    fine = scale * _FINER
    image = Image.new("RGB", (size[0] * _FINER, size[1] * _FINER), WARM_WHITE)
    draw = ImageDraw.Draw(image)
    offsets = canvas.offsets
    for stroke in range(canvas.strokes):
        pen = canvas.pens[int(canvas.ink[stroke])]
        points = canvas.points_mm[offsets[stroke] : offsets[stroke + 1]] * fine
        _draw_stroke(draw, _thin(points), pen.tip_mm * fine, _colour(pen.colour))
    # Means are taken only where there is paint.
    painted = image.crop((left * _FINER, top * _FINER, right * _FINER, bottom * _FINER))
    picture.paste(painted.reduce(_FINER), (left, top))
    return picture


def _painted_px(canvas: Canvas, scale: float, size: tuple[int, ...]) -> tuple[int, int, int, int]:
    """Left, top, right and bottom of a box of pixels that holds every mark, within a picture of ``size``."""
    points = canvas.points_mm
    if not len(points):
        return 0, 0, 0, 0
    reach = max(pen.tip_mm for pen in canvas.pens) * scale / 2 + 2.0
    low = np.clip(np.floor(points.min(axis=0) * scale - reach), 0, size)
    high = np.clip(np.ceil(points.max(axis=0) * scale + reach), 0, size)
    return int(low[0]), int(low[1]), int(high[0]), int(high[1])


def save_picture(canvas: Canvas, path: Path, longest_px: int = 2400) -> None:
    """Write ``canvas.png``; the old picture stays whole until the new one is."""
    partial = path.with_name(path.name + ".part")
    render(canvas, longest_px).save(partial, format="PNG")
    os.replace(partial, path)  # noqa: PTH105


def _colour(text: str) -> tuple[int, int, int]:
    try:
        red, green, blue = ImageColor.getrgb(text)[:3]
    except ValueError:
        return _FALLBACK
    return red, green, blue


def _thin(points_px: Floats) -> Floats:
    """Drop points closer than about one fine pixel to the last kept one; the ends stay."""
    if len(points_px) < 3:
        return points_px
    steps = np.hypot(*np.diff(points_px, axis=0).T)
    bins = np.floor(np.concatenate(([0.0], np.cumsum(steps))))
    keep = np.concatenate(([True], bins[1:] != bins[:-1]))
    keep[-1] = True
    return points_px[keep]


def _draw_stroke(
    draw: ImageDraw.ImageDraw, points_px: Floats, width_px: float, colour: tuple[int, int, int]
) -> None:
    """A round brush along the points: a disc at each, a straight band between neighbours."""
    radius = max(width_px / 2, 0.5)
    flat = [(float(x), float(y)) for x, y in points_px]
    if radius > 1.0:
        for x, y in flat:
            draw.ellipse((x - radius, y - radius, x + radius, y + radius), fill=colour)
    if len(flat) > 1:
        draw.line(flat, fill=colour, width=max(1, round(2 * radius)))
