"""What a photograph of a sheet tells: diameters of dots, widths of lines, how far one ink lies off another.

Owns the way from pixels to findings, their intervals, and what is refused. Pure: an array and the sheet's record in,
findings out. Never takes the place of what a person read: that is compared, and the person decides.

How sure a finding is (95 %), by squares: scatter of its repeats in the picture (Student); the scale that the corner
marks carry, as the machine that painted them may be off; the fit of lens and perspective; and half of what it makes
whether pixels are taken for light by the sRGB curve or as they stand, since a phone's own curve is not known.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from controller.calibrate import photo_measure as measure
from controller.calibrate.photo_marks import find_marks
from controller.calibrate.photo_measure import AS_STORED, LINEAR, UnusableError
from controller.calibrate.photo_view import View, first_view, fit_view
from controller.calibrate.sheets.corners import DOT_UNITS, PITCH_MM
from controller.calibrate.sheets.page import Record
from controller.calibrate.values import Measured, PoorFit

Array = npt.NDArray[np.float64]
Pixels = npt.NDArray[np.uint8]

METHOD: Final = "photo"
TILT_MAX_DEG: Final = 32.0
PX_PER_MM_LEAST: Final = 4.0
DOTS_LEAST: Final = 8
"""So many dots tell perspective and the lens, with some to spare that show whether the canvas is flat."""
RESIDUAL_MAX_MM: Final = 0.12
BLUR_MAX_UNITS: Final = 0.3
SCALE_SHARE: Final = 0.002
"""Lengths of a machine that nobody measured may be off by this share, 95 %: a tooth's pitch by 0.2 %."""
DIAMETER_SURE_MM: Final = 0.1
REGISTER_SURE_MM: Final = 0.2
"""Findings less sure than this are refused."""
USED_LEAST: Final = 0.5
"""Share of the places of a finding that can be measured; with fewer it is refused."""
FLOOR_MM: Final = 0.01


@dataclass(frozen=True, slots=True)
class Finding:
    """One size or offset. key: what the sheet calls it; value, half_width (95 %) in mm; n: places that it rests on.

    places_mm: where these are, (n, 2) canvas mm, for a picture of what was measured; size_mm: what was painted, to
    be drawn around them, 0 where there is nothing to draw.
    """

    key: str
    words: str
    value: float
    half_width: float
    n: int
    places_mm: Array
    size_mm: float = 0.0


@dataclass(frozen=True, slots=True)
class PhotoReading:
    """Everything from one photograph. refused: what the picture does not carry, each by its key."""

    findings: tuple[Finding, ...]
    refused: dict[str, PoorFit]
    measured: tuple[Measured, ...]
    view: View
    blur_mm: float
    px_per_mm: float
    tilt_deg: float

    def of(self, key: str) -> Finding:
        """A finding by its key. Raises KeyError."""
        return {one.key: one for one in self.findings}[key]


def read_photo(pixels: Pixels, record: Record) -> PhotoReading:
    """Measure a photograph, (rows, columns, 3) sRGB, of the sheet that ``record`` is of.

    Raises PoorFit where nothing follows from the picture: no marks, a sheet without any, tilt, blur, a canvas that is
    not flat, too few pixels; or where every finding is refused by itself.
    """
    if pixels.ndim != 3 or pixels.shape[2] != 3 or pixels.dtype != np.uint8:
        raise ValueError(
            f"pixels: expected (rows, columns, 3) of uint8, got {pixels.shape} of {pixels.dtype}"
        )
    if not record.of("photo_mark_mm") or record.sheet not in _MAKERS:
        expected = f"a sheet with corner marks, one of {', '.join(_MAKERS)}, of a pen of 3 mm at most"
        raise PoorFit(
            "photograph", expected, f"the sheet {record.sheet} without any", code="photo-wrong-sheet"
        )
    view, blur = view_of(pixels, record)
    unit = record.of("photo_unit_mm")[0]
    if view.tilt_deg() > TILT_MAX_DEG:
        raise PoorFit(
            "photograph",
            f"a tilt of at most {TILT_MAX_DEG:g} degrees",
            f"{view.tilt_deg():.0f}",
            code="photo-tilt",
        )
    if blur > BLUR_MAX_UNITS * unit:
        raise PoorFit(
            "photograph",
            f"edges blurred by at most {BLUR_MAX_UNITS * unit:.2f} mm",
            f"{blur:.2f}",
            code="photo-blur",
        )
    if view.residual_mm > RESIDUAL_MAX_MM:
        words = (
            f"{view.residual_mm:.2f} mm: canvas not flat, play that the file does not state, or another sheet"
        )
        raise PoorFit(
            "photograph", f"dots within {RESIDUAL_MAX_MM:g} mm of their places", words, code="photo-places"
        )
    dots = np.array(record.of("photo_dot_mm")).reshape(-1, 2)
    resolution = min(view.px_per_mm(one) for one in dots)
    measure.need(resolution, PX_PER_MM_LEAST / min(1.0, record.of("tip_mm")[0]), "photograph")
    findings, refused = _MAKERS[record.sheet](pixels, record, view)
    if not findings:
        raise next(iter(refused.values()))
    measured = _measured(record, findings)
    return PhotoReading(tuple(findings), refused, measured, view, blur, resolution, view.tilt_deg())


def view_of(pixels: Pixels, record: Record) -> tuple[View, float]:
    """The view through all marks and dots that are found, and the blur of their edges in mm. Raises PoorFit."""
    marks = find_marks(pixels)
    unit = record.of("photo_unit_mm")[0]
    places = np.array(record.of("photo_dot_mm")).reshape(-1, 2)
    corners = np.array(record.of("photo_mark_mm")).reshape(-1, 2)
    view = first_view(corners, marks.corners, (pixels.shape[1], pixels.shape[0]))
    area = np.pi / 4.0 * (DOT_UNITS * unit) ** 2
    for reach in (10.0, 5.0, 2.5):  # what a lens does to the middle of a side comes down as it is fitted
        expected = view.to_px(places)
        chosen: list[int] = []
        seen: list[Array] = []
        for i, (place, px) in enumerate(zip(places, expected, strict=True)):
            here = view.jacobian(place)
            size = area * abs(float(np.linalg.det(here)))
            fits = marks.dots[(marks.dots[:, 2] > 0.5 * size) & (marks.dots[:, 2] < 1.8 * size)]
            if not len(fits):
                continue
            off = np.linalg.solve(here, (fits[:, :2] - px).T).T
            near = np.hypot(off[:, 0], off[:, 1])
            if near.min() < reach * unit:
                chosen.append(i)
                seen.append(fits[int(near.argmin()), :2])
        _enough(len(chosen), len(places))
        view = fit_view(view, places[chosen], np.array(seen))
    blur = 0.0
    for _ in range(2):
        kept, spots, edges = [], [], []
        for i in chosen:
            at = (float(places[i, 0]), float(places[i, 1]))
            try:
                dot = measure.dot_at(pixels, view, at, DOT_UNITS * unit, unit)
            except UnusableError:
                continue
            kept.append(i)
            spots.append(view.to_px([(dot.x, dot.y)])[0])
            edges.append(dot.blur)
        _enough(len(kept), len(places))
        view = fit_view(view, places[kept], np.array(spots))
        blur = float(np.median(edges))
    return view, blur


def _enough(found: int, drawn: int) -> None:
    least = max(DOTS_LEAST, int(0.7 * drawn))
    if drawn < DOTS_LEAST:
        least = drawn
    if found < least:
        raise PoorFit(
            "photograph",
            f"{least} or more of the sheet's {drawn} round dots",
            f"{found}",
            code="photo-places",
        )


def _spread(values: Array) -> tuple[float, float, int, npt.NDArray[np.bool_]]:
    """Median, half width of Student's interval, and what was used: values far out (3.5 times the scaled median
    deviation; B. Iglewicz and D. C. Hoaglin, 1993, from memory) are left out."""
    from scipy.special import stdtrit

    middle = float(np.median(values))
    scatter = max(1.4826 * float(np.median(np.abs(values - middle))), 0.005)
    used = np.abs(values - middle) <= 3.5 * scatter
    kept = values[used]
    n = len(kept)
    # The median of normal values scatters 1.25 times as much as their mean.
    half = 1.2533 * float(stdtrit(n - 1, 0.975)) * float(kept.std(ddof=1)) / np.sqrt(n) if n > 1 else np.inf
    return float(np.median(kept)), float(half), n, used


def _share(view: View, places: Array) -> float:
    """Half the 95 % interval of the scale about a finding's places, as a share."""
    fitted = 1.96 * max(view.scale_share(places.mean(axis=0)), view.scale_share(places[0]))
    # Dots that stand off by the residual at either end of a pitch: what is bent between them bends the scale so.
    bent = 2.0 * view.residual_mm / PITCH_MM
    return float(np.sqrt(SCALE_SHARE**2 + fitted**2 + bent**2))


def _each(count: int, one: Callable[[int], float], what: str) -> tuple[Array, list[int]]:
    """Values of the places that can be measured. Raises PoorFit where these are too few, with the commonest reason."""
    values, used, reasons = [], [], []
    for i in range(count):
        try:
            values.append(one(i))
            used.append(i)
        except UnusableError as error:
            reasons.append(str(error))
    if len(used) < max(3, USED_LEAST * count):
        common = max(set(reasons), key=reasons.count) if reasons else "none"
        raise PoorFit(
            what,
            f"half of {count} places that can be measured",
            f"{len(used)} ({common})",
            code="photo-unusable",
        )
    return np.array(values), used


def _sure(what: str, half: float, allowed: float) -> None:
    if not half <= allowed:
        raise PoorFit(what, f"a half width of at most {allowed:g} mm", f"{half:.3f}", code="photo-unsure")


Found = tuple[list[Finding], dict[str, PoorFit]]


def _dots(pixels: Pixels, record: Record, view: View) -> Found:
    unit = record.of("photo_unit_mm")[0]
    findings: list[Finding] = []
    refused: dict[str, PoorFit] = {}
    for row, size in enumerate(record.of("size_mm"), 1):
        key = f"row{row}"
        pairs = np.array(record.of(f"{key}_pair_mm")).reshape(-1, 3)

        def diameter(i: int, curve: Array = LINEAR, pairs: Array = pairs, size: float = size) -> float:
            x, y, apart = (float(one) for one in pairs[i])
            return measure.dot_pair(pixels, view, (x, y), apart, size, unit, curve)

        try:
            values, used = _each(len(pairs), diameter, key)
            value, scatter, n, kept = _spread(values)
            chosen = [i for i, good in zip(used, kept, strict=True) if good]
            stored = np.array([diameter(i, AS_STORED) for i in chosen])
            tone = 0.5 * abs(float(np.median(stored)) - value)
            places = pairs[chosen, :2]
            half = float(np.sqrt(scatter**2 + (_share(view, places) * value) ** 2 + tone**2 + FLOOR_MM**2))
            _sure(key, half, DIAMETER_SURE_MM)
        except (PoorFit, UnusableError) as error:
            refused[key] = (
                error
                if isinstance(error, PoorFit)
                else PoorFit(key, "dots", str(error), code="photo-unusable")
            )
            continue
        both = np.concatenate([places, places + np.column_stack([np.zeros(n), pairs[chosen, 2]])])
        findings.append(Finding(key, f"dots drawn {size:g} mm wide", value, half, n, both, value))
    return findings, refused


def _tip(pixels: Pixels, record: Record, view: View) -> Found:
    unit, tip = record.of("photo_unit_mm")[0], record.of("tip_mm")[0]
    x = np.array(record.of("pair_x_mm")).reshape(-1, 2)
    low, high = record.of("pair_span_mm")
    key = "width"

    def widths(curve: Array) -> tuple[Array, list[int]]:
        bands: dict[int, measure.Band] = {}

        def band(i: int) -> float:
            left, right = (float(one) for one in x[i])
            bands[i] = measure.band_of(pixels, view, left, right - left, (low, high), tip, unit, curve)
            return 0.0

        _, used = _each(len(x), band, key)
        depth = measure.ink_depth([bands[i] for i in used], tip)
        return np.array([measure.line_width(bands[i], depth) for i in used]), used

    try:
        values, used = widths(LINEAR)
        value, scatter, n, kept = _spread(values)
        tone = 0.5 * abs(float(np.median(widths(AS_STORED)[0][kept])) - value)
        chosen = [i for i, good in zip(used, kept, strict=True) if good]
        places = np.column_stack([x[chosen, 0], np.full(n, 0.5 * (low + high))])
        half = float(np.sqrt(scatter**2 + (_share(view, places) * value) ** 2 + tone**2 + FLOOR_MM**2))
        _sure(key, half, DIAMETER_SURE_MM)
    except (PoorFit, UnusableError) as error:
        return [], {
            key: error
            if isinstance(error, PoorFit)
            else PoorFit(key, "lines", str(error), code="photo-unusable")
        }
    both = np.concatenate([places, np.column_stack([x[chosen, 1], places[:, 1]])])
    return [Finding(key, "width of the line", value, half, n, both)], {}


def _register(pixels: Pixels, record: Record, view: View) -> Found:
    unit, tip, arm = (record.of(name)[0] for name in ("photo_unit_mm", "tip_mm", "arm_mm"))
    first = np.array(record.of("first_mm")).reshape(-1, 2, 2)
    second = np.array(record.of("second_mm")).reshape(-1, 2, 2)
    findings: list[Finding] = []
    refused: dict[str, PoorFit] = {}
    for number, groups in enumerate(zip(first, second, strict=True), 1):
        try:
            off, half, places = _offset(pixels, view, groups, arm, tip, unit)
            _sure(f"place{number}", float(half.max()), REGISTER_SURE_MM)
        except (PoorFit, UnusableError) as error:
            key = f"place{number}"
            refused[key] = (
                error
                if isinstance(error, PoorFit)
                else PoorFit(key, "four crosses", str(error), code="photo-unusable")
            )
            continue
        for axis, key, words in ((0, "x", "to the right"), (1, "y", "down")):
            told = f"place {number}: the second ink lies off {words} by"
            found = Finding(f"place{number}{key}", told, float(off[axis]), float(half[axis]), 4, places)
            findings.append(found)
    return findings, refused


def _offset(
    pixels: Pixels, view: View, groups: tuple[Array, Array], arm: float, tip: float, unit: float
) -> tuple[Array, Array, Array]:
    """Second less first at a place, half widths, and the four middles that were seen."""
    middles, seen, variance, tone = [], [], np.zeros(2), np.zeros(2)
    for places in groups:
        off, stored = [], []
        for place in places:
            at = (float(place[0]), float(place[1]))
            one = measure.cross_at(pixels, view, at, arm, tip, unit)
            other = measure.cross_at(pixels, view, at, arm, tip, unit, AS_STORED)
            off.append((one.x - at[0], one.y - at[1]))
            stored.append((other.x - at[0], other.y - at[1]))
            seen.append((one.x, one.y))
            variance += np.array([one.sigma_x, one.sigma_y]) ** 2 / 4.0
        middles.append(np.array(off))
        tone = np.mean(np.array(off) - np.array(stored), axis=0) - tone
    value = middles[1].mean(axis=0) - middles[0].mean(axis=0)
    # The two crosses of an ink were painted alike: what they differ by is what the picture and the machine leave open.
    apart = sum((np.diff(one, axis=0)[0] / 2.0) ** 2 for one in middles)
    # The scale, however wrong, is in the difference of both pairs alike, and goes out; what is bent does not.
    bent = 2.0 * view.residual_mm
    half = np.sqrt(1.96**2 * (variance + apart) + tone**2 + bent**2 + FLOOR_MM**2)
    return value, half, np.array(seen)


_MAKERS: Final[dict[str, Callable[[Pixels, Record, View], Found]]] = {
    "dots": _dots,
    "tip": _tip,
    "register": _register,
}


def _measured(record: Record, findings: list[Finding]) -> tuple[Measured, ...]:
    """What belongs into a job file: as ``readings_pen`` makes it of a person's reading, the method being the photo."""
    if record.sheet == "tip":
        (one,) = findings
        return (
            Measured(
                "job.tip_mm", round(one.value, 4), "mm", one.half_width, METHOD, one.n, "at teeth's speed"
            ),
        )
    if record.sheet == "dots":
        sizes = record.of("size_mm")
        rows = [(sizes[int(one.key.removeprefix("row")) - 1], one) for one in findings]
        over = [one.value - size for size, one in rows]
        words = "; ".join(f"{size:g} mm came out {one.value:.2f}" for size, one in rows)
        half = max(max(one.half_width for _, one in rows), (max(over) - min(over)) / 2.0)
        value = record.of("tip_mm")[0] + sum(over) / len(over)
        return (
            Measured("job.tip_mm", round(value, 4), "mm", half, METHOD, sum(one.n for _, one in rows), words),
        )
    return ()
