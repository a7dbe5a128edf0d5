"""A photograph's file: read within bounds, and written again with what was measured drawn over it.

Owns what files are taken. Nothing of a file is decoded before its kind and size are known, and nothing about it is
believed but its pixels and which way up they are.
"""

from __future__ import annotations

import io
import warnings
from pathlib import Path
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from controller.calibrate.photo import PhotoReading
from controller.calibrate.sheets.corners import DOT_UNITS
from controller.calibrate.sheets.page import Record
from controller.config.errors import InputError, Mistake

Pixels = npt.NDArray[np.uint8]

FORMATS: Final = ("JPEG", "PNG")
PIXELS_MAX: Final = 64_000_000
"""Phones have 50 million at most that are their own; decoded it takes a gigabyte with what is reckoned from it."""
BYTES_MAX: Final = 100_000_000
SIDE_LEAST: Final = 400


def load_photo(path: Path) -> Pixels:
    """Pixels (rows, columns, 3) of a photograph, turned as its EXIF orientation tells.

    Raises InputError for what is no JPEG or PNG, for broken files, and for pictures too large or too small.
    """
    from PIL import Image, ImageOps

    def refuse(expected: str, got: str) -> InputError:
        return InputError([Mistake(path, "photograph", expected, got, code="photo-file")])

    try:
        size = path.stat().st_size
        if size > BYTES_MAX:
            raise refuse(f"a file of at most {BYTES_MAX // 1_000_000} MB", f"{size / 1e6:.0f} MB")
        data = path.read_bytes()
    except OSError as error:
        raise refuse("a file that can be read", (error.strerror or str(error)).lower()) from None
    bound = PIXELS_MAX if Image.MAX_IMAGE_PIXELS is None else min(PIXELS_MAX, Image.MAX_IMAGE_PIXELS)
    try:
        with warnings.catch_warnings():
            warnings.simplefilter(
                "ignore"
            )  # a phone's own notes in the file may be odd; its pixels are what counts
            warnings.simplefilter("error", Image.DecompressionBombWarning)
            with Image.open(io.BytesIO(data), formats=FORMATS) as picture:
                width, height = picture.size
                if width * height > bound:
                    raise refuse(f"at most {bound // 1_000_000} million pixels", f"{width} x {height}")
                if min(width, height) < SIDE_LEAST:
                    raise refuse(f"{SIDE_LEAST} pixels or more each way", f"{width} x {height}")
                upright = ImageOps.exif_transpose(picture)
                return np.array(upright.convert("RGB"), dtype=np.uint8)
    except InputError:
        raise
    except (Image.DecompressionBombWarning, Image.DecompressionBombError):
        raise refuse(f"at most {bound // 1_000_000} million pixels", "more") from None
    except Exception as error:  # noqa: BLE001 - a decoder fed with a stranger's bytes may raise anything
        words = "none of these" if type(error).__name__ == "UnidentifiedImageError" else "a broken one"
        raise refuse("a JPEG or PNG picture", words) from None


def drawn_over(pixels: Pixels, record: Record, read: PhotoReading | None) -> bytes:
    """The photograph as PNG with outlines where dots, lines and crosses were found, at the sizes that were found."""
    from PIL import Image, ImageDraw

    picture = Image.fromarray(pixels)
    if read is not None:
        draw = ImageDraw.Draw(picture)
        width = max(1, round(min(pixels.shape[:2]) / 900))
        turn = np.linspace(0.0, 2.0 * np.pi, 73)
        circle = np.column_stack([np.cos(turn), np.sin(turn)]) / 2.0

        def line(places: npt.ArrayLike, colour: str) -> None:
            points: Any = [tuple(one) for one in read.view.to_px(places).tolist()]
            draw.line(points, fill=colour, width=width)

        unit = record.of("photo_unit_mm")[0]
        for at in np.array(record.of("photo_dot_mm")).reshape(-1, 2):
            line(at + circle * DOT_UNITS * unit, "#ff9d00")
        low, high = record.of("pair_span_mm") or (0.0, 0.0)
        for one in read.findings:
            for place in one.places_mm:
                if one.size_mm:
                    line(place + circle * one.size_mm, "#00e05a")
                elif record.sheet == "tip":
                    for side in (-0.5, 0.5):
                        x = place[0] + side * one.value
                        line([(x, low), (x, high)], "#00e05a")
                else:
                    for away in ((2.5, 0.0), (0.0, 2.5)):
                        line([place - np.array(away), place + np.array(away)], "#00e05a")
    file = io.BytesIO()
    picture.save(file, "PNG")
    return file.getvalue()
