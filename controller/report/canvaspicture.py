"""Pictures of the canvas as data and as inline SVG: all that is painted, today's strokes apart, errors along them.

Owns what is drawn where. Strokes of the session are shapes of their own that can be linked to; what earlier sessions
painted is one raster picture, so that the page stays light however long the painting took. The ground is that of the
canvas in dark and in light: inks are seen on it as on the wall.
"""

from __future__ import annotations

import base64
from collections.abc import Sequence
from dataclasses import dataclass
from html import escape
from io import BytesIO

import numpy as np
import numpy.typing as npt
from matplotlib import colormaps
from matplotlib.colors import is_color_like, to_hex, to_rgb
from PIL import Image, ImageDraw

from controller.config.counting import counted
from controller.report.lines import Frame, Sampler, frame_of, paths
from controller.report.links import KINDS, Links, column_identity, stroke_identity
from controller.report.passdata import FALLBACK_COLOUR, PassData
from controller.report.pieces import CANVAS_COLOUR
from controller.report.runticks import RunTicks
from controller.report.strokefigures import Pieces, pieces_of
from controller.strokes.strokeset import StrokeSet

POINTS_MAX = 100_000
"""About so many points are drawn of all strokes together; the step between them grows with what there is."""

PIECES_MAX = 30_000
CLASSES = 7
SCALE_MM = 0.01
"""The scale of errors ends here at least: what nobody could see must not look like trouble."""

THIN = 5.0
"""Narrowest line, units of the picture."""

RASTER_PX = 1_600
JOINTED_POINTS = 50_000
PALE = "#c9c2b2"
"""What earlier sessions painted, where today's strokes shall stand out."""

CASING = "#1d2328"
STYLE = """
.canvas svg { display: block; width: 100%; height: auto; max-height: 92vh; border: 1px solid var(--edge);
  border-radius: 8px; background: var(--canvas); }
.canvas svg path { fill: none; stroke-linecap: round; stroke-linejoin: round; }
.canvas .full { display: none; }
.canvas input:checked ~ svg .full { display: inline; }
.canvas input:checked ~ svg .pale { display: none; }
.canvas label { font-size: 0.92rem; }
.today a:hover path, .today a:focus path { stroke: #d55e00; }
.today a:target path { stroke: #d55e00; stroke-width: 26; filter: drop-shadow(0 0 30px #d55e00); }
.rings circle { fill: none; stroke: #d55e00; stroke-width: 9; }
.rings text { font: 600 105px system-ui, sans-serif; fill: #1d2328; stroke: #faf6ed; stroke-width: 26px;
  paint-order: stroke; }
.steps { display: flex; flex-wrap: wrap; gap: 0.1rem 1rem; list-style: none; margin: 0.4rem 0; padding: 0;
  font-size: 0.88rem; color: var(--quiet); font-variant-numeric: tabular-nums; }
.steps span { display: inline-block; width: 1.6rem; margin-right: 0.4rem; vertical-align: middle; }
.told { min-height: 1.5em; font-variant-numeric: tabular-nums; }
@media print { .canvas svg { max-height: 120mm; width: auto; max-width: 100%; } .steps span { print-color-adjust: exact;
  -webkit-print-color-adjust: exact; } }
"""


@dataclass(frozen=True, slots=True)
class Shown:
    """One pass in the picture. here: finished in this session; begun: begun in it and not finished; earlier: finished
    before it. Indices of strokes."""

    part: PassData
    strokes: StrokeSet
    sampler: Sampler
    here: npt.NDArray[np.int64]
    begun: npt.NDArray[np.int64]
    earlier: npt.NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Canvas:
    """What the pictures show: passes in the order of painting, and the frame."""

    shown: tuple[Shown, ...]
    frame: Frame

    @property
    def has_earlier(self) -> bool:
        """Whether earlier sessions painted any of it."""
        return any(len(one.earlier) for one in self.shown)

    @property
    def step_mm(self) -> float:
        """Between the points of drawn strokes."""
        length = sum(float(one.sampler.lengths_mm[one.here].sum()) for one in self.shown)
        return max(1.5 / self.frame.per_mm, length / POINTS_MAX)


def canvas_of(passes: Sequence[PassData], stroke_table: npt.NDArray[np.void]) -> Canvas | None:
    """The picture so far; None when no stroke of it is known."""
    found: list[Shown] = []
    for part in passes:
        if part.strokes is None:
            continue
        n = len(part.strokes)
        touched = np.unique(stroke_table["stroke"][stroke_table["pass_id"] == part.row.id]).astype(np.int64)
        begun = np.setdiff1d(touched[touched < n], np.concatenate([part.finished, part.earlier]))
        here, earlier = part.finished[part.finished < n], part.earlier[part.earlier < n]
        found.append(Shown(part, part.strokes, Sampler(part.strokes), here, begun, earlier))
    frame = frame_of(
        [(one.strokes, np.concatenate([one.here, one.begun, one.earlier]), one.part.tip_mm) for one in found]
    )
    return None if frame is None else Canvas(tuple(found), frame)


def ink(colour: str) -> str:
    """A colour that can be drawn."""
    return colour if is_color_like(colour) else FALLBACK_COLOUR


def picture_svg(canvas: Canvas, links: Links) -> str:
    """All that is painted, today's strokes on top, each a link to its place in the plots."""
    wide, high = canvas.frame.size
    parts: list[str] = []
    if canvas.has_earlier:
        for kind in ("pale", "full"):
            data = base64.b64encode(earlier_png(canvas, pale=kind == "pale")).decode("ascii")
            parts.append(
                f'<image class="{kind}" width="{wide}" height="{high}" preserveAspectRatio="none" '
                f'href="data:image/png;base64,{data}"/>'
            )
    groups: list[str] = []
    for one in canvas.shown:
        width = max(one.part.tip_mm * canvas.frame.per_mm, THIN)
        for chosen, dashes in ((one.here, ""), (one.begun, ' stroke-dasharray="40 30"')):
            if not len(chosen):
                continue
            drawn = _paths(canvas, one, chosen)
            groups.append(
                f'<g stroke="{ink(one.part.colour)}" stroke-width="{width:.1f}"{dashes}>'
                f"{_linked(one.part.row.id, chosen, drawn, links)}</g>"
            )
    return (
        f'<svg viewBox="0 0 {wide} {high}" aria-hidden="true">{"".join(parts)}'
        f'<g class="today">{"".join(groups)}</g></svg>'
    )


def _paths(canvas: Canvas, one: Shown, chosen: npt.NDArray[np.int64]) -> list[str]:
    points, offsets = one.sampler.lines(chosen, canvas.step_mm)
    return paths(canvas.frame.units(points), offsets)


def _linked(pass_id: int, chosen: npt.NDArray[np.int64], drawn: Sequence[str], links: Links) -> str:
    found: list[str] = []
    together: dict[int, list[tuple[int, str]]] = {}
    alone: list[str] = []
    for stroke, path in zip(chosen.tolist(), drawn, strict=True):
        key = (pass_id, stroke)
        if key in links.linked:
            column = column_identity(links.column_of[key]) if key in links.column_of else "errors"
            found.append(
                f'<a id="{stroke_identity(*key)}" href="#{column}" tabindex="-1"><path d="{path}"/></a>'
            )
        elif key in links.column_of:
            together.setdefault(links.column_of[key], []).append((stroke, path))
        else:
            alone.append(path)
    for place, members in together.items():
        first, last = min(members)[0], max(members)[0]
        found.append(
            f'<a href="#{column_identity(place)}" tabindex="-1"><title>strokes {first} to {last}</title>'
            f'<path d="{"".join(path for _, path in members)}"/></a>'
        )
    return (f'<path d="{"".join(alone)}"/>' if alone else "") + "".join(found)


def earlier_png(canvas: Canvas, *, pale: bool) -> bytes:
    """What earlier sessions painted, as a raster: in its own colours, or pale and with a dark edge for the strokes of
    this session, which are drawn over it."""
    wide, high = canvas.frame.size
    scale = RASTER_PX / max(wide, high)
    image = Image.new("RGB", (2 * round(wide * scale), 2 * round(high * scale)), CANVAS_COLOUR)
    draw = ImageDraw.Draw(image)
    for one in canvas.shown:
        width = 2 * scale * max(one.part.tip_mm * canvas.frame.per_mm, THIN)
        _raster(draw, canvas, one, one.earlier, PALE if pale else to_hex(ink(one.part.colour)), width)
    for one in canvas.shown if pale else ():
        width = 2 * scale * (max(one.part.tip_mm * canvas.frame.per_mm, THIN) + 8)
        _raster(draw, canvas, one, np.concatenate([one.here, one.begun]), CASING, width)
    image = image.resize((image.width // 2, image.height // 2), Image.Resampling.LANCZOS)
    stream = BytesIO()
    image.quantize(32).save(stream, "PNG", optimize=True)
    return stream.getvalue()


def _raster(
    draw: ImageDraw.ImageDraw,
    canvas: Canvas,
    one: Shown,
    chosen: npt.NDArray[np.int64],
    colour: str,
    width: float,
) -> None:
    """Strokes on a raster of twice the size that it will have."""
    if not len(chosen):
        return
    scale = 2.0 * RASTER_PX / max(canvas.frame.size)
    points, offsets = one.sampler.lines(chosen, max(canvas.step_mm, 2.0 / (canvas.frame.per_mm * scale)))
    pixels = (points - np.array(canvas.frame.low)) * canvas.frame.per_mm * scale
    wide = max(round(width), 2)
    # Rounded joints take most of the time; in a crowd of strokes nobody sees them.
    joint = "curve" if len(points) < JOINTED_POINTS else None
    for a, b in zip(offsets[:-1].tolist(), offsets[1:].tolist(), strict=True):
        draw.line(pixels[a:b].ravel().tolist(), fill=colour, width=wide, joint=joint)


@dataclass(frozen=True, slots=True)
class ErrorMap:
    """Errors along the strokes. kind: following or contour; edges: (CLASSES + 1,) mm; places: pieces as lines of canvas
    mm, three points each (m, 3, 2); number: (m,) class of each; rings: peaks' numbers with their places and strokes."""

    kind: str
    edges: npt.NDArray[np.float64]
    places: npt.NDArray[np.float64]
    number: npt.NDArray[np.int64]
    rings: tuple[tuple[int, tuple[float, float], tuple[int, int]], ...]
    lengths_mm: npt.NDArray[np.float64]

    @property
    def colours(self) -> tuple[str, ...]:
        """Of the classes: cividis, light where the error is small, dark where it is large."""
        return tuple(to_hex(colormaps["cividis"](1.0 - k / (CLASSES - 1))) for k in range(CLASSES))

    def width(self, number: int) -> float:
        """Of a class' lines, units: they grow with the error, so that colour is not alone in telling it."""
        return 9.0 + 5.0 * number


def piece_mm(canvas: Canvas) -> float:
    """Length of the pieces in which errors are told: about two points of a screen, more on long sessions."""
    length = sum(float(one.sampler.lengths_mm[one.here].sum()) for one in canvas.shown)
    return max(12.0 / canvas.frame.per_mm, length / PIECES_MAX)


def error_maps(canvas: Canvas, ticks: Sequence[RunTicks], links: Links) -> tuple[ErrorMap, ...]:
    """Following and contour error along the session's strokes, as far as the drives told them."""
    pieces = pieces_of([one.part for one in canvas.shown], ticks, piece_mm(canvas))
    if not len(pieces.stroke):
        return ()
    along = (pieces.low_mm, 0.5 * (pieces.low_mm + pieces.high_mm), pieces.high_mm)
    places = np.empty((len(pieces.stroke), 3, 2))
    for number, one in enumerate(canvas.shown):
        mine = pieces.part == number
        for k in range(3):
            places[mine, k] = one.sampler.at(pieces.stroke[mine], along[k][mine])
    found = [
        _error_map(canvas, pieces, places, kind, values, links)
        for kind, values in (("following", pieces.following_mm), ("contour", pieces.contour_mm))
    ]
    return tuple(one for one in found if one is not None)


def _error_map(
    canvas: Canvas, pieces: Pieces, places: npt.NDArray[np.float64], kind: str, values: npt.NDArray[np.float64],
    links: Links,
) -> ErrorMap | None:  # fmt: skip
    known = np.flatnonzero(~np.isnan(values))
    if not len(known):
        return None
    edges = np.linspace(0.0, max(float(values[known].max()), SCALE_MM), CLASSES + 1)
    number = np.clip(np.searchsorted(edges, values[known], side="left") - 1, 0, CLASSES - 1)
    length: npt.NDArray[np.float64] = np.bincount(
        number, pieces.high_mm[known] - pieces.low_mm[known], minlength=CLASSES
    ).astype(np.float64)
    ids = np.array([one.part.row.id for one in canvas.shown])[pieces.part]
    rings: list[tuple[int, tuple[float, float], tuple[int, int]]] = []
    for row in links.rows[kind]:
        mine = np.flatnonzero((ids == row.pass_id) & (pieces.stroke == row.stroke))
        if row.during == "stroke" and len(mine) and links.is_linked(row):
            at = places[mine[int(np.argmax(np.nan_to_num(values[mine], nan=-1.0)))], 1]
            rings.append((row.number, (float(at[0]), float(at[1])), (row.pass_id, row.stroke)))
    return ErrorMap(kind, edges, places[known], number.astype(np.int64), tuple(rings), length)


def map_svg(canvas: Canvas, one: ErrorMap) -> str:
    """Errors along the strokes, small ones first; the numbered peaks ringed, each a link to its stroke."""
    wide, high = canvas.frame.size
    drawn: list[str] = []
    for number, colour in enumerate(one.colours):
        chosen = one.places[one.number == number]
        if len(chosen):
            units = canvas.frame.units(chosen.reshape(-1, 2))
            d = "".join(paths(units, np.arange(0, len(units) + 1, 3)))
            drawn.append(f'<path stroke="{colour}" stroke-width="{one.width(number):.0f}" d="{d}"/>')
    rings = "".join(_ring(canvas.frame, *ring) for ring in one.rings)
    return f'<svg viewBox="0 0 {wide} {high}" aria-hidden="true">{"".join(drawn)}<g class="rings">{rings}</g></svg>'


def _ring(frame: Frame, number: int, place_mm: tuple[float, float], key: tuple[int, int]) -> str:
    (x, y) = frame.units(np.array([place_mm]))[0].tolist()
    beside = x + 70 if x < frame.size[0] - 180 else x - 150
    return (
        f'<a href="#{stroke_identity(*key)}" tabindex="-1"><circle cx="{x}" cy="{y}" r="52"/>'
        f'<text x="{beside}" y="{y + 36}">{number}</text></a>'
    )


def map_steps(one: ErrorMap) -> str:
    """The map's legend: colour and width of each class, its bounds, and how many metres of line lie in it."""
    items = "".join(
        f'<li><span style="height:{2 + number}px;background:{colour}"></span>'
        f"{bounds(one, number)}: {one.lengths_mm[number] / 1000:,.2f} m</li>"
        for number, colour in enumerate(one.colours)
    )
    return f'<ul class="steps">{items}</ul>'


def bounds(one: ErrorMap, number: int) -> str:
    """From where to where a class reaches, in words."""
    low, high = one.edges[number], one.edges[number + 1]
    if one.edges[-1] < 0.1:
        return f"{1000 * low:.1f} to {1000 * high:.1f} µm"
    return f"{low:.3f} to {high:.3f} mm"


def map_title(one: ErrorMap) -> str:
    """What the map shows."""
    words = KINDS[one.kind][1]
    return f"{words[0].upper()}{words[1:]} along the strokes"


def is_light(colour: str) -> bool:
    """Whether a colour is light, by its relative luminance (Rec. 709 weights)."""
    red, green, blue = to_rgb(ink(colour))
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue > 0.45


def text_alternative(canvas: Canvas) -> str:
    """What the picture shows, in words."""
    here = sum(len(one.here) for one in canvas.shown)
    earlier = sum(len(one.earlier) for one in canvas.shown)
    inks = ", ".join(dict.fromkeys(one.part.row.ink for one in canvas.shown if len(one.here)))
    before = f", over {counted(earlier, 'stroke', spec=',')} of earlier sessions" if earlier else ""
    return escape(
        f"The canvas with this session's {counted(here, 'stroke', spec=',')} ({inks or 'no ink'}){before}."
    )
