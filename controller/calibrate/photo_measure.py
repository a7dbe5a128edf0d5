"""Sizes and places of paint in patches of a photograph that are laid flat: dots, pairs of lines, crosses.

Owns how much of a pixel is paint and what follows from the sum of it. Sums, not thresholds: blur moves paint's light
about and does not change its sum, so an area or the middle of a line stays what it was. Shares of paint are linear
in light alone, so pixels are decoded by the sRGB curve (IEC 61966-2-1) first. Frame: canvas mm.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from controller.calibrate.photo_view import View
from controller.calibrate.values import PoorFit

Array = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]
Pixels = npt.NDArray[np.uint8]

OVERSAMPLED: Final = 1.5
"""Samples for a pixel, each way."""
CLIPPED: Final = 251
"""Values from here on count as clipped: how bright the canvas truly was is lost."""
CLIPPED_SHARE: Final = 0.01
UNEVEN: Final = 0.05
"""Canvas about a dot or line may depart so far from an even slope of light, after smoothing over 0.5 mm: a shadow's
edge or a glint does more."""
CONTRAST_LEAST: Final = 0.25


class UnusableError(ValueError):
    """A patch from which nothing is taken; says why."""


def srgb_to_light() -> Array:
    """Light by pixel value, (256,), 0 to 1."""
    value = np.arange(256) / 255.0
    light: Array = np.where(value <= 0.04045, value / 12.92, ((value + 0.055) / 1.055) ** 2.4)
    return light


LINEAR: Final = srgb_to_light()
AS_STORED: Final = np.arange(256) / 255.0
"""The pixel values themselves: what a phone's own tone curve might make of light lies between this and LINEAR."""


@dataclass(frozen=True, slots=True)
class Patch:
    """A part of the photograph laid flat. x, y: canvas mm of columns and rows; light: (rows, columns, 3)."""

    x: Array
    y: Array
    light: Array
    step_mm: float

    def grid(self) -> tuple[Array, Array]:
        """x and y of every sample."""
        x, y = np.meshgrid(self.x, self.y)
        return x, y


def patch_of(
    pixels: Pixels, view: View, box_mm: tuple[float, float, float, float], curve: Array = LINEAR
) -> Patch:
    """The rectangle (x, y, width, height). Raises UnusableError where it leaves the picture or is clipped."""
    from scipy.ndimage import map_coordinates

    left, top, width, height = box_mm
    step = 1.0 / (OVERSAMPLED * max(view.px_per_mm((left + width / 2.0, top + height / 2.0)), 0.5))
    columns, rows = max(int(width / step), 4), max(int(height / step), 4)
    x = left + (np.arange(columns) + 0.5) * width / columns
    y = top + (np.arange(rows) + 0.5) * height / rows
    places = np.stack(np.meshgrid(x, y), axis=-1).reshape(-1, 2)
    px = view.to_px(places)
    low, high = np.floor(px.min(axis=0)).astype(int), np.ceil(px.max(axis=0)).astype(int) + 1
    if (low < 0).any() or high[0] >= pixels.shape[1] or high[1] >= pixels.shape[0]:
        raise UnusableError("beyond the picture's edge")
    cut = pixels[low[1] : high[1] + 1, low[0] : high[0] + 1]
    if float((cut >= CLIPPED).any(axis=2).mean()) > CLIPPED_SHARE:
        raise UnusableError("too bright: light is clipped")
    at = (px - low).T[::-1]
    light = np.stack(
        [map_coordinates(curve[cut[..., c]], at, order=1, mode="nearest") for c in range(3)], axis=-1
    )
    return Patch(x, y, light.reshape(rows, columns, 3), step)


def even_light(patch: Patch, canvas: Mask) -> Array:
    """The patch as shares of its canvas' light, which is taken to slope evenly. Raises UnusableError if it does not."""
    from scipy.ndimage import uniform_filter

    if int(canvas.sum()) < 30:
        raise UnusableError("too little canvas around it")
    x, y = patch.grid()
    slope = np.stack([np.ones_like(x), x - x.mean(), y - y.mean()], axis=-1)
    within = slope[canvas]
    shares = np.empty_like(patch.light)
    planes = slope @ np.linalg.solve(within.T @ within, within.T @ patch.light[canvas])
    size = max(int(0.5 / patch.step_mm), 1)
    weight = np.maximum(uniform_filter(canvas.astype(np.float64), size), 1e-9)
    for colour in range(3):
        seen = patch.light[..., colour]
        plane = planes[..., colour]
        if float(plane.min()) < 0.02:
            raise UnusableError("too dark")
        shares[..., colour] = seen / plane
        left = np.where(canvas, shares[..., colour] - 1.0, 0.0)
        smooth = uniform_filter(left, size) / weight
        if float(np.sqrt((smooth[canvas] ** 2).mean())) > UNEVEN:
            raise UnusableError(
                "light is uneven: a shadow's edge, a glint, or paint that does not belong there"
            )
    return shares


def paint_of(shares: Array, depth: Array) -> Array:
    """How much of each sample is paint that takes away ``depth`` (3,) of the canvas' light."""
    if float(depth.max()) < CONTRAST_LEAST:
        raise UnusableError("paint too pale")
    covered: Array = (1.0 - shares) @ depth / float(depth @ depth)
    return covered


@dataclass(frozen=True, slots=True)
class DotSeen:
    """A dot's middle and diameter in canvas mm, and the blur of its edge as a Gaussian's standard deviation."""

    x: float
    y: float
    diameter: float
    blur: float


def dot_at(
    pixels: Pixels, view: View, place_mm: tuple[float, float], diameter_mm: float, unit_mm: float
) -> DotSeen:
    """One dot that stands alone, looked for within half its diameter."""
    half = diameter_mm / 2.0
    at = np.array(place_mm)
    seen = DotSeen(*place_mm, diameter_mm, 0.0)
    for _ in range(2):
        reach = half + 1.9 * unit_mm
        patch = patch_of(pixels, view, (at[0] - reach, at[1] - reach, 2.0 * reach, 2.0 * reach))
        x, y = patch.grid()
        radius = np.hypot(x - at[0], y - at[1])
        shares = even_light(patch, (radius > half + 0.8 * unit_mm) & (radius < half + 1.8 * unit_mm))
        core = 1.0 - np.median(shares[radius < 0.5 * half], axis=0)
        paint = paint_of(shares, core) * (radius < half + 1.2 * unit_mm)
        total = float(paint.sum())
        moved = np.array([float((paint * x).sum()), float((paint * y).sum())]) / max(total, 1e-9)
        if np.hypot(*(moved - np.array(place_mm))) > half:
            raise UnusableError("no dot where one should be")
        at = moved
        area = total * float((patch.x[1] - patch.x[0]) * (patch.y[1] - patch.y[0]))
        size = 2.0 * np.sqrt(max(area, 0.0) / np.pi)
        near = np.abs(radius - size / 2.0) < 1.0 * unit_mm
        ideal = (radius < size / 2.0).astype(np.float64)
        # Over a straight edge blurred by s the mean of |share - step| times its width is s sqrt(2 / pi).
        spread = float(np.abs(paint - ideal)[near].mean()) * 2.0 * unit_mm
        seen = DotSeen(float(at[0]), float(at[1]), float(size), spread * float(np.sqrt(np.pi / 2.0)))
    return seen


def union_mm2(diameter: float, apart: float) -> float:
    """Area of two equal discs whose middles are ``apart`` (the lens: plane geometry)."""
    whole = np.pi * diameter**2 / 2.0
    if apart >= diameter:
        return float(whole)
    r = diameter / 2.0
    lens = 2.0 * r**2 * np.arccos(apart / diameter) - apart / 2.0 * np.sqrt(diameter**2 - apart**2)
    return float(whole - lens)


def dot_pair(
    pixels: Pixels,
    view: View,
    upper_mm: tuple[float, float],
    apart_mm: float,
    diameter_mm: float,
    unit_mm: float,
    curve: Array = LINEAR,
) -> float:
    """Diameter of two dots one above the other, that may run together: that of which the area is what is painted."""
    from scipy.optimize import brentq

    half = diameter_mm / 2.0
    shift = np.zeros(2)
    for _ in range(2):
        at = np.array(upper_mm) + shift
        reach = half + 1.8 * unit_mm
        box = (at[0] - reach, at[1] - reach, 2.0 * reach, 2.0 * reach + apart_mm)
        patch = patch_of(pixels, view, box, curve)
        x, y = patch.grid()
        near = np.minimum(np.hypot(x - at[0], y - at[1]), np.hypot(x - at[0], y - at[1] - apart_mm))
        shares = even_light(patch, (near > half + 0.9 * unit_mm) & (near < half + 1.7 * unit_mm))
        depth = 1.0 - np.median(shares[near < 0.55 * half], axis=0)
        paint = paint_of(shares, depth) * (near < half + 1.2 * unit_mm)
        total = float(paint.sum())
        middle = np.array([float((paint * x).sum()), float((paint * y).sum())]) / max(total, 1e-9)
        shift = shift + middle - (at + np.array([0.0, apart_mm / 2.0]))
        if np.hypot(*shift) > half:
            raise UnusableError("no dots where they should be")
    area = total * float((patch.x[1] - patch.x[0]) * (patch.y[1] - patch.y[0]))
    low, high = 0.3 * diameter_mm, 2.0 * diameter_mm
    if not union_mm2(low, apart_mm) < area < union_mm2(high, apart_mm):
        raise UnusableError("no dots of about their size")
    return float(brentq(lambda size: union_mm2(size, apart_mm) - area, low, high))


@dataclass(frozen=True, slots=True)
class Band:
    """Two upright lines, seen: shares of light by strip along them and place across, and their spacing."""

    shares: Array
    dx_mm: float
    apart_mm: float


def band_of(
    pixels: Pixels, view: View, x_mm: float, apart_mm: float, span_mm: tuple[float, float], tip_mm: float,
    unit_mm: float, curve: Array = LINEAR,
) -> Band:  # fmt: skip
    """Two upright lines whose middles are at ``x_mm`` and ``apart_mm`` right of it, in strips of about 1 mm."""
    out = 0.8 * tip_mm + 1.7 * unit_mm
    box = (x_mm - out, span_mm[0], apart_mm + 2.0 * out, span_mm[1] - span_mm[0])
    patch = patch_of(pixels, view, box, curve)
    x, _ = patch.grid()
    beside = np.maximum(x_mm - x, x - x_mm - apart_mm)
    shares = even_light(patch, beside > 0.8 * tip_mm + 0.7 * unit_mm)
    count = max(int(span_mm[1] - span_mm[0]), 3)
    rows = np.array_split(shares, count, axis=0)
    return Band(np.stack([one.mean(axis=0) for one in rows]), float(patch.x[1] - patch.x[0]), apart_mm)


def ink_depth(bands: list[Band], tip_mm: float) -> Array:
    """What the ink takes away where it is whole: in the middle of the deepest of the pairs, which run together."""
    depths = []
    for band in bands:
        profile = 1.0 - band.shares.mean(axis=0)
        size = max(int(0.15 * tip_mm / band.dx_mm), 1)
        smooth = np.stack(
            [np.convolve(profile[:, c], np.ones(size) / size, "same") for c in range(3)], axis=-1
        )
        depths.append(smooth[int(smooth.sum(axis=1).argmax())])
    order = np.argsort([float(one.sum()) for one in depths])[::-1]
    best = np.array([depths[i] for i in order[: max(3, len(depths) // 4)]])
    deepest: Array = np.median(best, axis=0)
    return deepest


def line_width(band: Band, depth: Array) -> float:
    """Width of each of two equal lines: half of what is painted across both, or all of it less how far they overlap."""
    painted = float(paint_of(band.shares, depth).sum(axis=1).mean()) * band.dx_mm
    return painted / 2.0 if painted < 2.0 * band.apart_mm else painted - band.apart_mm


@dataclass(frozen=True, slots=True)
class CrossSeen:
    """A cross' middle in canvas mm, with standard deviations from how straight its arms are."""

    x: float
    y: float
    sigma_x: float
    sigma_y: float


def cross_at(
    pixels: Pixels, view: View, place_mm: tuple[float, float], arm_mm: float, tip_mm: float, unit_mm: float,
    curve: Array = LINEAR,
) -> CrossSeen:  # fmt: skip
    """The middle of a cross, looked for within 3 units: where straight lines through the arms' middles meet."""
    reach = arm_mm + 0.5 * unit_mm
    patch = patch_of(
        pixels, view, (place_mm[0] - reach, place_mm[1] - reach, 2.0 * reach, 2.0 * reach), curve
    )
    x, y = patch.grid()
    inside = arm_mm - 0.5 * tip_mm - 1.0 * unit_mm
    seen = patch.light.sum(axis=2)
    middles = []
    for axis in (0, 1):
        along = patch.x if axis == 0 else patch.y
        profile = np.median(seen) - seen.mean(axis=axis)
        size = max(int(tip_mm / patch.step_mm), 1)
        smooth = np.convolve(profile, np.ones(size) / size, "same")
        allowed = np.abs(along - place_mm[axis]) < 3.2 * unit_mm
        middles.append(float(along[allowed][int(smooth[allowed].argmax())]))
    # Canvas between the arms: the hooks at their beginnings lie farther out, and move with the cross.
    right, down = np.abs(x - middles[0]), np.abs(y - middles[1])
    clear = 0.5 * tip_mm + 1.5 * unit_mm
    shares = even_light(patch, (np.minimum(right, down) > clear) & (np.maximum(right, down) < inside))
    dark = (1.0 - shares).sum(axis=2)
    ink = (1.0 - shares[dark > 0.6 * np.quantile(dark, 0.98)]).mean(axis=0)
    depth = paint_of(shares, ink)
    lines = [_arm(patch, depth, axis, middles, inside, tip_mm, unit_mm) for axis in (0, 1)]
    (a, b, sigma_x), (c, d, sigma_y) = lines  # x = a + b (y - y0), y = c + d (x - x0)
    x0, y0 = middles
    at_x = (a + b * (c - y0) - b * d * x0) / (1.0 - b * d)
    at_y = c + d * (at_x - x0)
    if max(abs(at_x - place_mm[0]), abs(at_y - place_mm[1])) > 3.0 * unit_mm:
        raise UnusableError("no cross within 3 mm of where one should be")
    return CrossSeen(float(at_x), float(at_y), sigma_x, sigma_y)


def _arm(
    patch: Patch, depth: Array, axis: int, middles: list[float], inside: float,
    tip_mm: float, unit_mm: float,
) -> tuple[float, float, float]:  # fmt: skip
    """Of the arm that crosses ``axis``: its place there, its slope along the other one, and the place's deviation."""
    from scipy.ndimage import uniform_filter1d

    across, along = (patch.x, patch.y) if axis == 0 else (patch.y, patch.x)
    seen = depth if axis == 0 else depth.T
    seen = uniform_filter1d(seen, max(int(0.5 / patch.step_mm), 1), axis=0)
    off = np.abs(along - middles[1 - axis])
    use = (off > 0.5 * tip_mm + 1.0 * unit_mm) & (off < inside)
    if int(use.sum()) < 8:
        raise UnusableError("arms too short for the resolution")
    centre = np.full(int(use.sum()), middles[axis])
    rows = seen[use]
    for _ in range(4):
        window = np.clip(
            (0.5 * tip_mm + 1.1 * unit_mm - np.abs(across[None] - centre[:, None])) / patch.step_mm, 0.0, 1.0
        )
        weight = rows * window
        total = weight.sum(axis=1)
        if float(total.min()) * patch.step_mm < 0.1 * tip_mm:
            raise UnusableError("an arm is missing")
        centre = (weight * across[None]).sum(axis=1) / total
    design = np.column_stack([np.ones(len(centre)), along[use] - middles[1 - axis]])
    answer, *_ = np.linalg.lstsq(design, centre, rcond=None)
    left = centre - design @ answer
    if float(np.sqrt((left**2).mean())) > 0.15 * unit_mm:
        raise UnusableError("an arm is not straight")
    # Neighbouring rows share pixels and the strip over which they were smoothed.
    free = max(float(np.ptp(along[use])) / 1.0, 3.0)
    sigma = float(np.sqrt((left**2).sum() / max(len(left) - 2, 1) / free))
    return float(answer[0]), float(answer[1]), sigma


def need(px_per_mm: float, least: float, what: str) -> None:
    """Raises PoorFit where the picture resolves less than ``least``."""
    if px_per_mm < least:
        raise PoorFit(
            what, f"{least:g} pixels a mm or more: go nearer", f"{px_per_mm:.1f}", code="photo-resolution"
        )
