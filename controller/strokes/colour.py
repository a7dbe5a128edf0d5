"""Colours as eyes compare them: sRGB to CIELAB, and the colour difference CIEDE2000.

Owns the two formulas. Knows no inks and no drawing. Sources: IEC 61966-2-1 (sRGB: transfer curve, primaries, white
point D65), ISO/CIE 11664-4 (CIELAB), ISO/CIE 11664-6 (CIEDE2000), with the hue rules of Sharma, Wu & Dalal, "The
CIEDE2000 color-difference formula", Color Research & Application 30 (2005) 21-30.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]

_TO_XYZ: Final = np.array(
    [
        [0.4124564, 0.3575761, 0.1804375],
        [0.2126729, 0.7151522, 0.0721750],
        [0.0193339, 0.1191920, 0.9503041],
    ]
)
_WHITE_D65: Final = np.array([0.95047, 1.0, 1.08883])
_LINEAR_BELOW: Final = 216.0 / 24389.0
_SLOPE: Final = 24389.0 / 27.0 / 116.0


def rgb_of(colours: Sequence[str]) -> npt.NDArray[np.uint8]:
    """(n, 3) of texts ``#rrggbb``."""
    return np.array([list(bytes.fromhex(one[1:])) for one in colours], dtype=np.uint8).reshape(-1, 3)


def lab_of_rgb(rgb: npt.ArrayLike) -> Array:
    """CIELAB (..., 3) under D65, 2 degree observer, of sRGB values 0 to 255 (..., 3)."""
    share = np.asarray(rgb, dtype=np.float64) / 255.0
    linear = np.where(share <= 0.04045, share / 12.92, ((share + 0.055) / 1.055) ** 2.4)
    ratio = linear @ _TO_XYZ.T / _WHITE_D65
    root = np.where(ratio > _LINEAR_BELOW, np.cbrt(ratio), _SLOPE * ratio + 16.0 / 116.0)
    x, y, z = root[..., 0], root[..., 1], root[..., 2]
    return np.stack([116.0 * y - 16.0, 500.0 * (x - y), 200.0 * (y - z)], axis=-1)


def lab_of(colours: Sequence[str]) -> Array:
    """CIELAB (n, 3) of texts ``#rrggbb``."""
    return lab_of_rgb(rgb_of(colours))


def difference(one: npt.ArrayLike, other: npt.ArrayLike) -> Array:
    """CIEDE2000 between CIELAB colours (..., 3), broadcast against each other, with kL = kC = kH = 1."""
    a, b = np.asarray(one, dtype=np.float64), np.asarray(other, dtype=np.float64)
    chroma_mean = (np.hypot(a[..., 1], a[..., 2]) + np.hypot(b[..., 1], b[..., 2])) / 2.0
    g = 0.5 * (1.0 - _grey_share(chroma_mean))
    a_red, b_red = (1.0 + g) * a[..., 1], (1.0 + g) * b[..., 1]
    a_chroma, b_chroma = np.hypot(a_red, a[..., 2]), np.hypot(b_red, b[..., 2])
    a_hue, b_hue = _degrees(a[..., 2], a_red), _degrees(b[..., 2], b_red)
    coloured = a_chroma * b_chroma > 0.0

    hue = b_hue - a_hue
    hue = np.where(hue > 180.0, hue - 360.0, np.where(hue < -180.0, hue + 360.0, hue))
    hue = np.where(coloured, hue, 0.0)
    d_lightness = b[..., 0] - a[..., 0]
    d_chroma = b_chroma - a_chroma
    d_hue = 2.0 * np.sqrt(a_chroma * b_chroma) * np.sin(np.radians(hue) / 2.0)

    lightness = (a[..., 0] + b[..., 0]) / 2.0
    chroma = (a_chroma + b_chroma) / 2.0
    total = a_hue + b_hue
    wrapped = np.where(total < 360.0, total + 360.0, total - 360.0)
    mean = np.where(np.abs(a_hue - b_hue) <= 180.0, total, wrapped) / 2.0
    mean = np.where(coloured, mean, total)

    weight = (
        1.0
        - 0.17 * np.cos(np.radians(mean - 30.0))
        + 0.24 * np.cos(np.radians(2.0 * mean))
        + 0.32 * np.cos(np.radians(3.0 * mean + 6.0))
        - 0.20 * np.cos(np.radians(4.0 * mean - 63.0))
    )
    offset = (lightness - 50.0) ** 2
    s_lightness = 1.0 + 0.015 * offset / np.sqrt(20.0 + offset)
    s_chroma = 1.0 + 0.045 * chroma
    s_hue = 1.0 + 0.015 * chroma * weight
    turn = np.radians(60.0 * np.exp(-(((mean - 275.0) / 25.0) ** 2)))
    rotation = -2.0 * _grey_share(chroma) * np.sin(turn)
    light, chrom, hues = d_lightness / s_lightness, d_chroma / s_chroma, d_hue / s_hue
    squared: Array = light**2 + chrom**2 + hues**2 + rotation * chrom * hues
    return np.sqrt(np.maximum(squared, 0.0))


def _grey_share(chroma: Array) -> Array:
    seventh = chroma**7
    share: Array = np.sqrt(seventh / (seventh + 25.0**7))
    return share


def _degrees(y: Array, x: Array) -> Array:
    angle: Array = np.degrees(np.arctan2(y, x)) % 360.0
    return angle
