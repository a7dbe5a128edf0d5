"""The predicted pictures: the whole as it will hang on the wall, one a pass, and where wanted and painted differ.

Owns the sweep over the canvas, a band of rows at a time, so that memory does not grow with the pictures' size; and the
count of pixels that checks the areas computed elsewhere. Knows strokes only as paint.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from contextlib import ExitStack
from dataclasses import dataclass, field
from io import BytesIO
from pathlib import Path
from typing import Final

import numpy as np
import numpy.typing as npt

from controller.report.coverage import Areas
from controller.report.figures import BLUE
from controller.report.gaps import SHOWN
from controller.report.proofpaint import PassPaint
from controller.report.proofpng import PngWriter
from controller.report.proofraster import HALF, BandDrawer, Frame, Mask
from controller.report.proofwanted import Wanted

PAGE_PIXELS: Final = 1600
"""Long side of the pictures in the page, at most; those of passes have half of it."""
LEVELS: Final = 16
"""Shades of a pass in its own picture, and as many of what was painted before it."""
BEFORE_SHARE: Final = 0.16
"""What was painted before a pass is so grey in its picture."""

_NEITHER, _BOTH, _OUTSIDE, _BARE = range(4)

Palette = npt.NDArray[np.uint8]


@dataclass(frozen=True, slots=True)
class Pictures:
    """Small PNG pictures for a page: all of it, by pass, where wanted and painted differ; and the pixels' count.

    raster: by ink, in mm2.
    """

    whole: bytes
    passes: tuple[bytes, ...]
    differences: bytes
    raster: tuple[Areas, ...]


@dataclass(slots=True)
class _Count:
    wanted: int = 0
    painted: int = 0
    covered: int = 0


@dataclass(slots=True)
class _Small:
    """A picture of a page while it grows: bands, each reduced by ``factor``."""

    factor: int
    bands: list[npt.NDArray[np.uint8]] = field(default_factory=list)

    def add(self, band: npt.NDArray[np.uint8], *, largest: bool = False) -> None:
        """Add a band (rows, width) or (rows, width, 3); pixels are averaged, or the largest counts."""
        k = self.factor
        rows, columns = -(-len(band) // k), -(-band.shape[1] // k)
        more = [(0, rows * k - len(band)), (0, columns * k - band.shape[1])] + [(0, 0)] * (band.ndim - 2)
        blocks = np.pad(band, more, mode="edge").reshape(rows, k, columns, k, *band.shape[2:])
        small = blocks.max(axis=(1, 3)) if largest else blocks.mean(axis=(1, 3))
        self.bands.append(np.round(small).astype(np.uint8))

    def png(self, palette: Palette | None = None) -> bytes:
        """As PNG, by a palette if one is given."""
        from PIL import Image

        picture = Image.fromarray(np.concatenate(self.bands))
        if palette is not None:
            picture = picture.convert("L")
            picture.putpalette(palette.reshape(-1).tolist())
        stream = BytesIO()
        picture.save(stream, format="png")
        return stream.getvalue()


def draw_pictures(
    frame: Frame,
    canvas_colour: str,
    passes: Sequence[PassPaint],
    wanted: Sequence[Wanted],
    folder: Path,
    names: Sequence[str],
    progress: Callable[[float], None],
) -> Pictures:
    """Write ``picture.png``, ``differences.png`` and ``passes/<name>.png`` into ``folder``; return them small.

    passes in painting order, ``names`` of their files; wanted by ink.
    """
    long_side = max(frame.width, frame.height)
    factor = -(-long_side // PAGE_PIXELS)
    canvas = rgb(canvas_colour)
    palettes = [_pass_palette(canvas, rgb(one.colour)) for one in passes]
    odd = _odd_palette(canvas_colour)
    whole, differences = _Small(factor), _Small(factor)
    # Of a pass two masks are kept, itself and what came before it.
    small = [(_Small(2 * factor), _Small(2 * factor)) for _ in passes]
    counts = [_Count() for _ in wanted]
    widest = _widest_mm(passes, wanted)
    with ExitStack() as stack:

        def writer(name: str, palette: Palette | None) -> PngWriter:
            made = PngWriter(folder / name, frame.width, frame.height, frame.px_per_mm, palette)
            return stack.enter_context(made)

        picture, odd_places = writer("picture.png", None), writer("differences.png", odd)
        files = [writer(f"passes/{name}.png", palette) for name, palette in zip(names, palettes, strict=True)]
        for low, high in frame.bands(2 * factor):
            drawer = BandDrawer(frame, low, high, widest)
            seen = np.broadcast_to(canvas, (high - low, frame.width, 3)).astype(np.uint8)
            before = np.zeros((high - low, frame.width), dtype=np.uint8)
            of_ink: dict[int, Mask] = {}
            for place, one in enumerate(passes):
                mask = drawer.paint(one)
                files[place].write(_shades(before, mask))
                small[place][0].add(mask)
                small[place][1].add(before)
                seen = _over(seen, mask, rgb(one.colour))
                before = _joined(before, mask)
                of_ink[one.ink] = _joined(of_ink[one.ink], mask) if one.ink in of_ink else mask
            picture.write(seen)
            whole.add(seen)
            places = _differences(drawer, wanted, of_ink, counts)
            odd_places.write(places)
            differences.add(places, largest=True)
            progress(high / frame.height)
    area = 1.0 / frame.px_per_mm**2
    return Pictures(
        whole.png(),
        tuple(
            _pass_png(mask, before, palette) for (mask, before), palette in zip(small, palettes, strict=True)
        ),
        differences.png(odd),
        tuple(Areas(one.wanted * area, one.painted * area, one.covered * area) for one in counts),
    )


def rgb(colour: str) -> npt.NDArray[np.uint8]:
    """(3,) from ``#rrggbb``."""
    return np.frombuffer(bytes.fromhex(colour.removeprefix("#")), dtype=np.uint8)


def _widest_mm(passes: Sequence[PassPaint], wanted: Sequence[Wanted]) -> float:
    widths = [one.stretches.width_mm.max(initial=0.0) for one in passes]
    widths += [kind.width_mm for one in passes for kind in one.dots]
    widths += [one.lines.width_mm.max(initial=0.0) for one in wanted]
    return float(max(widths, default=0.0))


def _over(seen: npt.NDArray[np.uint8], mask: Mask, colour: npt.NDArray[np.uint8]) -> npt.NDArray[np.uint8]:
    """Paint over a band (rows, width, 3)."""
    flat, some = seen.reshape(-1, 3), np.flatnonzero(mask)
    share = mask.reshape(-1)[some, None].astype(np.uint16)
    flat[some] = ((flat[some] * (255 - share) + colour * share + 127) // 255).astype(np.uint8)
    return seen


def _joined(one: Mask, other: Mask) -> Mask:
    """Share covered by either, as if their edges were independent of each other."""
    left = (255 - one.astype(np.uint16)) * (255 - other.astype(np.uint16))
    return (255 - (left + 127) // 255).astype(np.uint8)


def _differences(
    drawer: BandDrawer, wanted: Sequence[Wanted], of_ink: dict[int, Mask], counts: list[_Count]
) -> npt.NDArray[np.uint8]:
    """Where paint lies as wanted, where beside it, and where none lies; pixels are counted by the way."""
    shape = (drawer.high - drawer.low, drawer.frame.width)
    any_paint = np.zeros(shape, dtype=np.bool_)
    any_wish, beside = any_paint.copy(), any_paint.copy()
    for row, one in enumerate(wanted):
        wish = drawer.wanted(one) >= HALF
        paint = of_ink[row] >= HALF if row in of_ink else np.zeros(shape, dtype=np.bool_)
        counts[row].wanted += int(np.count_nonzero(wish))
        counts[row].painted += int(np.count_nonzero(paint))
        counts[row].covered += int(np.count_nonzero(wish & paint))
        any_wish |= wish
        any_paint |= paint
        beside |= paint & ~wish
    found = np.full(shape, _NEITHER, dtype=np.uint8)
    found[any_paint] = _BOTH
    found[beside] = _OUTSIDE
    found[any_wish & ~any_paint] = _BARE
    return found


def agreed_colour(canvas_colour: str) -> str:
    """Of places that are painted as wanted, in the picture of differences."""
    shade = np.round(rgb(canvas_colour) * 0.8 + 40 * 0.2).astype(np.uint8)
    return f"#{shade.tobytes().hex()}"


def _odd_palette(canvas_colour: str) -> Palette:
    return np.vstack([rgb(canvas_colour), rgb(agreed_colour(canvas_colour)), rgb(BLUE), rgb(SHOWN)])


def _pass_palette(canvas: npt.NDArray[np.uint8], ink: npt.NDArray[np.uint8]) -> Palette:
    """LEVELS shades of grey for what was painted before, each with LEVELS shades of the ink over it."""
    steps = np.linspace(0.0, 1.0, LEVELS)
    grey = np.full(3, 40.0)
    below = canvas + (grey - canvas) * (BEFORE_SHARE * steps[:, None])
    mixed = below[:, None, :] + (ink - below[:, None, :]) * steps[None, :, None]
    return np.round(mixed).astype(np.uint8).reshape(-1, 3)


def _shades(before: Mask, mask: Mask) -> npt.NDArray[np.uint8]:
    """Entries of ``_pass_palette``."""
    step = 255 // (LEVELS - 1)
    below, above = ((one.astype(np.uint16) + step // 2) // step for one in (before, mask))
    return (below * LEVELS + above).astype(np.uint8)


def _pass_png(mask: _Small, before: _Small, palette: Palette) -> bytes:
    shades = _Small(1)
    for one, other in zip(mask.bands, before.bands, strict=True):
        shades.bands.append(_shades(other, one))
    return shades.png(palette)
