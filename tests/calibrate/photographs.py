"""Photographs of sheets, rendered: what a pen painted, seen by a camera that is held askew.

Owns paint, machine's errors, pinhole, lens, canvas' bulge, light, blur, noise and JPEG, all by itself: nothing of what
measures photographs is used here. Light is linear until it is stored. Distances in mm, pixels from the middle of the
top left one.
"""

from __future__ import annotations

import io
import itertools
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from controller.calibrate.sheets.page import Sheet

Array = npt.NDArray[np.float64]
RASTER_PX_MM = 12.0
MARGIN_MM = 14.0
CANVAS = np.array([0.82, 0.80, 0.74])
COLOURS = {
    "navy": (0.014, 0.042, 0.107),
    "rust": (0.40, 0.055, 0.03),
    "black": (0.02, 0.02, 0.022),
    "moss": (0.05, 0.16, 0.06),
    "ochre": (0.60, 0.35, 0.03),
}
"""Linear reflectances."""


@dataclass(frozen=True)
class Paint:
    """What the machine and its pens truly did. wider_mm: line and dot beyond what the sheet states, by ink; shift_mm:
    an ink's offset; scale, shear: the machine's own lengths and squareness; jitter_mm: of each stroke."""

    wider_mm: dict[str, float] = field(default_factory=dict)
    shift_mm: dict[str, tuple[float, float]] = field(default_factory=dict)
    colour: dict[str, str] = field(default_factory=dict)
    scale: tuple[float, float] = (1.0, 1.0)
    shear: float = 0.0
    jitter_mm: float = 0.015
    stain_mm: tuple[float, float, float] | None = None


@dataclass(frozen=True)
class Camera:
    """How the picture was taken. tilt towards ``azimuth``, roll in the picture's plane; fill: share of the width that
    the sheet takes; k1, k2 in focal lengths; bulge_mm: the canvas' middle stands out; glint: a spot of light."""

    size_px: tuple[int, int] = (2000, 1500)
    focal: float = 0.8
    tilt_deg: float = 0.0
    azimuth_deg: float = 0.0
    roll_deg: float = 0.0
    fill: float = 0.86
    k1: float = 0.0
    k2: float = 0.0
    blur_px: float = 0.8
    noise: float = 1.0
    uneven: tuple[float, float] = (0.0, 0.0)
    vignette: float = 0.1
    exposure: float = 0.85
    curve: float = 0.0
    quality: int = 92
    bulge_mm: float = 0.0
    glint: tuple[float, float, float] | None = None
    mirrored: bool = False
    samples: int = 2


def box_of(sheet: Sheet) -> tuple[float, float, float, float]:
    """Left, top, right, low of the corner marks' paint."""
    marks = np.array(sheet.record.of("photo_mark_mm")).reshape(-1, 2)
    half = 8.5 * sheet.record.of("photo_unit_mm")[0]
    (left, top), (right, low) = marks.min(axis=0) - half, marks.max(axis=0) + half
    return float(left), float(top), float(right), float(low)


def _stamp(cover: npt.NDArray[np.float32], origin: Array, points: Array, width: float) -> None:
    """Paint a line with round ends of ``width`` through points (n, 2), edges shared over a sample."""
    for a, b in itertools.pairwise(points):
        low = np.floor((np.minimum(a, b) - width - origin) * RASTER_PX_MM).astype(int)
        high = np.ceil((np.maximum(a, b) + width - origin) * RASTER_PX_MM).astype(int)
        low, high = np.maximum(low, 0), np.minimum(high, np.array(cover.shape[::-1]))
        if (high <= low).any():
            continue
        x = origin[0] + (np.arange(low[0], high[0]) + 0.5) / RASTER_PX_MM
        y = origin[1] + (np.arange(low[1], high[1]) + 0.5) / RASTER_PX_MM
        along = b - a
        square = float(along @ along)
        px, py = x[None] - a[0], y[:, None] - a[1]
        t = np.clip((px * along[0] + py * along[1]) / square, 0.0, 1.0) if square else 0.0
        away = np.hypot(px - t * along[0], py - t * along[1])
        part = cover[low[1] : high[1], low[0] : high[0]]
        np.maximum(part, np.clip(0.5 + (width / 2.0 - away) * RASTER_PX_MM, 0.0, 1.0), out=part)


def painted_canvas(sheet: Sheet, paint: Paint, seed: int) -> tuple[npt.NDArray[np.float32], Array]:
    """Linear reflectance (rows, columns, 3) about the marks, and where its corner lies in true mm."""
    chance = np.random.default_rng(seed)
    left, top, right, low = box_of(sheet)
    origin = np.array([left - MARGIN_MM, top - MARGIN_MM])
    far = np.array([right + MARGIN_MM, low + MARGIN_MM])
    columns, rows = np.ceil((far - origin) * RASTER_PX_MM).astype(int)
    true = np.array([[paint.scale[0], paint.shear], [0.0, paint.scale[1]]])
    middle = 0.5 * (origin + far)
    canvas = np.empty((rows, columns, 3), dtype=np.float32)
    canvas[:] = CANVAS
    weave = chance.normal(0.0, 0.02, (rows // 8 + 1, columns // 8 + 1)).astype(np.float32)
    canvas *= 1.0 + np.kron(weave, np.ones((8, 8), dtype=np.float32))[:rows, :columns, None]
    for ink in sheet.inks:
        cover = np.zeros((rows, columns), dtype=np.float32)
        wider = paint.wider_mm.get(ink.name, 0.0)
        shift = np.array(paint.shift_mm.get(ink.name, (0.0, 0.0)))
        strokes = [(np.vstack([p, p[:1]]) if closed else p, ink.tip_mm + wider) for p, closed in ink.lines]
        strokes += [(np.array([[x, y], [x, y]]), size + wider) for x, y, size in ink.dots]
        for points, width in strokes:
            if (points.min(axis=0) < origin + 2.0).any() or (points.max(axis=0) > far - 2.0).any():
                continue
            moved = (points - middle) @ true.T + middle + shift + chance.normal(0.0, paint.jitter_mm, 2)
            _stamp(cover, origin, moved, width)
        colour = np.array(COLOURS[paint.colour.get(ink.name, "navy")], dtype=np.float32)
        canvas += cover[..., None] * (colour - canvas)
    if paint.stain_mm is not None:
        cover = np.zeros((rows, columns), dtype=np.float32)
        spot = np.array([paint.stain_mm[:2]] * 2)
        _stamp(cover, origin, spot, paint.stain_mm[2])
        canvas += cover[..., None] * (np.array(COLOURS["moss"], dtype=np.float32) - canvas)
    return canvas, origin


def _turn(axis: int, degrees: float) -> Array:
    c, s = np.cos(np.radians(degrees)), np.sin(np.radians(degrees))
    turn = np.eye(3)
    i, j = [(1, 2), (2, 0), (0, 1)][axis]
    turn[i, i], turn[i, j], turn[j, i], turn[j, j] = c, -s, s, c
    return turn


def photograph(
    canvas: npt.NDArray[np.float32],
    origin: Array,
    camera: Camera,
    box_mm: tuple[float, float, float, float],
    seed: int,
) -> npt.NDArray[np.uint8]:
    """The picture as a phone stores it, decoded again: (rows, columns, 3) sRGB."""
    from PIL import Image
    from scipy.ndimage import gaussian_filter

    chance = np.random.default_rng(seed)
    width, height = camera.size_px
    focal = camera.focal * width
    middle = np.array([0.5 * (box_mm[0] + box_mm[2]), 0.5 * (box_mm[1] + box_mm[3])])
    span = np.array([box_mm[2] - box_mm[0], box_mm[3] - box_mm[1]])
    turned = abs(np.sin(np.radians(camera.roll_deg))) > 0.7
    wide, tall = (span[1], span[0]) if turned else (span[0], span[1])
    distance = focal * max(wide / (camera.fill * width), tall / (camera.fill * height))
    # World: the canvas at z = 0, x right, y down, z away from the camera, which looks along +z from -distance.
    pose = _turn(2, camera.roll_deg) @ _turn(2, camera.azimuth_deg) @ _turn(0, camera.tilt_deg)
    pose = pose @ _turn(2, -camera.azimuth_deg)
    px, py = np.meshgrid(np.arange(width), np.arange(height))
    u, v = (px - (width - 1) / 2.0) / focal, (py - (height - 1) / 2.0) / focal
    if camera.mirrored:
        u = -u
    bent = np.hypot(u, v)
    r = bent.copy()
    for _ in range(5 if camera.k1 or camera.k2 else 0):  # Newton: bent = r (1 + k1 r^2 + k2 r^4)
        value = r * (1.0 + camera.k1 * r**2 + camera.k2 * r**4) - bent
        r -= value / (1.0 + 3.0 * camera.k1 * r**2 + 5.0 * camera.k2 * r**4)
    straight = r / np.maximum(bent, 1e-12)
    # A point of the canvas is pose @ (x, y, z) + (0, 0, distance): the ray (u, v, 1) in the canvas' frame.
    ray = [u * straight * pose[0, i] + v * straight * pose[1, i] + pose[2, i] for i in range(3)]
    eye = -distance * pose[2]
    z = np.zeros_like(u)
    for _ in range(3 if camera.bulge_mm else 1):
        reach = (z - eye[2]) / ray[2]
        x, y = eye[0] + reach * ray[0], eye[1] + reach * ray[1]
        z = -camera.bulge_mm * np.cos(np.clip(np.pi * x / span[0], -np.pi / 2, np.pi / 2))
    at = np.stack([(y + middle[1] - origin[1]), (x + middle[0] - origin[0])]) * RASTER_PX_MM - 0.5
    down, right = np.gradient(at, axis=1), np.gradient(at, axis=2)
    many = camera.samples
    light = np.zeros((height, width, 3), dtype=np.float32)
    for dy in (np.arange(many) + 0.5) / many - 0.5:
        for dx in (np.arange(many) + 0.5) / many - 0.5:
            rows, columns = np.rint(at + dy * down + dx * right).astype(np.int32)
            np.clip(rows, 0, canvas.shape[0] - 1, out=rows)
            np.clip(columns, 0, canvas.shape[1] - 1, out=columns)
            light += canvas[rows, columns]
    light /= many**2
    px, py = np.meshgrid(np.linspace(-1, 1, width), np.linspace(-1, 1, height))
    even = camera.exposure * (1.0 + camera.uneven[0] * px + camera.uneven[1] * py)
    light *= (even * (1.0 - camera.vignette * (px**2 + py**2) / 2.0)).astype(np.float32)[..., None]
    if camera.glint is not None:
        gx, gy, size = camera.glint
        spot = 1.5 * np.exp(-((px - gx) ** 2 + (py - gy) ** 2) / (2.0 * size**2))
        light += spot.astype(np.float32)[..., None]
    for c in range(3):
        light[..., c] = gaussian_filter(light[..., c], camera.blur_px)
    grain = chance.standard_normal(light.shape, dtype=np.float32)
    light += np.float32(camera.noise) * np.sqrt(np.maximum(light, 0.0) / 3600.0 + 0.003**2) * grain
    steps = np.linspace(0.0, 1.0, 4096)
    stored = np.where(steps <= 0.0031308, 12.92 * steps, 1.055 * steps ** (1 / 2.4) - 0.055)
    stored += camera.curve * stored * (1.0 - stored) * (2.0 * stored - 1.0)
    values = np.round(255.0 * np.clip(stored, 0.0, 1.0)).astype(np.uint8)
    picture = values[np.clip(np.rint(light * 4095.0), 0, 4095).astype(np.int32)]
    file = io.BytesIO()
    Image.fromarray(picture).save(file, "JPEG", quality=camera.quality)
    return np.asarray(Image.open(file).convert("RGB"))
