"""Readings of the frame: play, squareness, lengths, circles, ringing belts, and sag from a wire or a level.

Owns the formulas and what is refused. Places of tables are axis mm, as in machine files. What a sheet shows comes on
top of what the machine file stated when it was drawn, since that was made up for.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Annotated, Final, Literal

import numpy as np
import numpy.typing as npt
from pydantic import Field, ValidationError

from controller.calibrate.identify_play import PlayAt, play_by_place
from controller.calibrate.identify_ring import (
    Ring,
    WaveReading,
    belt_measured,
    ring_of_line,
    swayed,
    together,
)
from controller.calibrate.readings import Answers, Reading, mean_of
from controller.calibrate.sheets.page import Question, Record
from controller.calibrate.smooth import Smooth, smooth, spread_of
from controller.calibrate.values import Measured, PoorFit, numbers_of
from controller.config.counting import counted
from controller.config.errors import InputError, Mistake
from drivers.settings import Positive, Real, Settings

SLOPE_MAX_MM_M: Final = {"length": 10.0, "sag": 20.0}
"""Changes beyond these are refused by the machine file; so is a measurement of them (docs/machine-file.md)."""
SQUARE_MAX_MM_M: Final = 20.0
LENGTH_DEGREE: Final = 3
SAG_DEGREE: Final = 5
"""A belt's and a guide's errors, and a beam on its supports, follow lines of these degrees or none. Ours."""
SAG_RESOLUTION: Final = {"wire": 0.05, "level": 0.02}
"""Half of what one reading leaves open: mm of a rule with a glass, mm a metre of a machinist's level. Common practice,
no source."""


def question_of(record: Record, key: str) -> Question:
    """The question with that key. Raises KeyError."""
    return {question.key: question for question in record.questions}[key]


def _half(record: Record, key: str, answers: Answers) -> tuple[float, float]:
    return mean_of(answers[key], question_of(record, key).resolution)


def play(record: Record, answers: Answers) -> tuple[Measured, ...]:
    """Play of each axis with a comb that was read: the stated one and what the comb shows beyond it.

    One number where the places agree (``identify_play``), else a table by place. Where the file stated a table, which
    goes before a number there, the one number is a table of one place.
    """
    found: list[Measured] = []
    step = record.of("step_mm")[0]
    for axis in ("x", "y"):
        rows: list[PlayAt] = []
        count = 0
        for number, (place, known) in enumerate(
            zip(record.of(f"{axis}_place_mm"), record.of(f"{axis}_stated_mm"), strict=True), 1
        ):
            key = f"{axis}{number}"
            if not answers.get(key):
                continue
            question = question_of(record, key)
            read, half = _half(record, key, answers)
            if read <= question.least + step / 2.0 or read >= question.most - step / 2.0:
                raise PoorFit(
                    f"comb {key.upper()}",
                    f"a tooth within the comb, {question.least:g} to {question.most:g} mm",
                    f"{read:g} at its end: draw the sheet with --most above the play",
                    code="fit-end-of-scale",
                )
            rows.append(PlayAt(round(place, 3), known + read, half))
            count += len(answers[key])
        if not rows:
            continue
        one = replace(play_by_place(axis, rows), method="play sheet", n=count)
        if one.field.endswith("play_mm") and record.of(f"{axis}_table"):
            table = {"position_mm": (rows[0].position_mm,), "play_mm": tuple(numbers_of(one.value))}
            one = replace(one, field=f"axes.{axis}.play_table", value=table)
        found.append(one)
    if not found:
        raise PoorFit("play sheet", "one comb or more that can be read", "none", code="fit-nothing-read")
    return tuple(found)


def square(record: Record, answers: Answers) -> tuple[Measured, ...]:
    """Squareness from two diagonals.

    With x = s_x + q s_y the corners of a rectangle w by h lie so that AD^2 = (w + q h)^2 + h^2 and
    BC^2 = (w - q h)^2 + h^2, hence q = (AD^2 - BC^2) / (4 w h): exact, and of a tape that is wrong by a share e it
    takes 2 e of q, nothing more. Errors of the axes' lengths, alike at both diagonals, fall out in the same way.
    """
    width, height = record.of("size_mm")
    ad, ad_half = _half(record, "AD", answers)
    bc, bc_half = _half(record, "BC", answers)
    nominal = math.hypot(width, height)
    if abs(0.5 * (ad + bc) - nominal) > 0.006 * nominal:
        raise PoorFit(
            "square sheet",
            f"diagonals of {nominal:.0f} mm or so in the mean",
            f"{ad:g} and {bc:g}: another pair of crosses, or the first 100 mm of the tape left in",
            code="fit-other-crosses",
        )
    q = (ad**2 - bc**2) / (4.0 * width * height)
    half = math.hypot(ad * ad_half, bc * bc_half) / (2.0 * width * height) * 1000.0
    value = record.of("stated_mm_m")[0] + 1000.0 * q
    if abs(value) > SQUARE_MAX_MM_M:
        raise PoorFit(
            "square sheet", f"within {SQUARE_MAX_MM_M:g} mm a metre", f"{value:.2f}", code="fit-square"
        )
    note = f"A to D {ad:.2f} mm, B to C {bc:.2f} mm over {width:g} x {height:g} mm"
    count = len(answers["AD"]) + len(answers["BC"])
    return (Measured("geometry.squareness_mm_m", round(value, 4), "mm/m", half, "square sheet", count, note),)


def lengths(record: Record, answers: Answers) -> tuple[Measured, ...]:
    """Length tables: at each tick what the file stated there, and what the tape shows beyond the tick's number.

    Repeated readings are taken tape by tape: each laying has its own zero, and only differences from its first tick
    count. The first tick keeps what was stated: an error that is the same everywhere shifts the picture and no more.
    Where all ticks agree with a smooth line, that is taken (``calibrate.smooth``), on top of what was stated.
    The table is drawn out to the soft limits.
    """
    found: list[Measured] = []
    for axis in ("x", "y"):
        places, nominal = record.of(f"{axis}_place_mm"), record.of(f"{axis}_nominal_mm")
        stated = record.of(f"{axis}_stated_mm")
        keys = [f"{axis}{number}" for number in range(len(places))]
        layings = {len(answers[key]) for key in keys}
        if len(layings) != 1 or not min(layings):
            each = ", ".join(str(len(answers[key])) for key in keys)
            raise PoorFit(
                f"lengths of {axis}",
                "every tick read in every laying of the tape",
                f"{each} readings",
                code="fit-lengths",
            )
        errors, halves = [stated[0]], [0.0]
        resolution = question_of(record, keys[0]).resolution
        for place, key in enumerate(keys[1:], 1):
            differences = [
                Reading(one.value - first.value - nominal[place])
                for one, first in zip(answers[key], answers[keys[0]], strict=True)
            ]
            error, half = mean_of(differences, resolution * math.sqrt(2.0))
            errors.append(stated[place] + error)
            halves.append(half)
        line = _smooth_lengths(np.array(places), np.array(errors), answers, keys, resolution)
        mean = (errors[-1] - errors[0]) / (places[-1] - places[0])
        ends = (mean, mean)
        if line is not None:
            errors = [float(one) for one in line.values - line.values[0] + errors[0]]
            halves, ends = [line.half_width(np.eye(len(places))[1:] - np.eye(len(places))[0])], line.slopes
        slopes = np.diff(errors) / np.diff(places) * 1000.0
        if float(np.abs(slopes).max()) > SLOPE_MAX_MM_M["length"]:
            worst = int(np.abs(slopes).argmax())
            raise PoorFit(
                f"lengths of {axis}",
                f"a change of at most {SLOPE_MAX_MM_M['length']:g} mm a metre",
                f"{slopes[worst]:.1f} between {nominal[worst]:g} and {nominal[worst + 1]:g}: a slip in reading, or a "
                "wrong belt_pitch_mm or pulley_teeth",
                code="fit-slope",
            )
        mean = (errors[-1] - errors[0]) / (places[-1] - places[0]) * 1000.0
        far, off = _drawn_out(places, errors, record.of(f"{axis}_limits_mm"), ends)
        table = {
            "position_mm": tuple(round(one, 3) for one in far),
            "error_mm": tuple(round(one, 4) for one in off),
        }
        count = sum(len(answers[key]) for key in keys)
        note = f"{mean:+.2f} mm a metre from end to end"
        if line is not None:
            note += "; the ticks agree with a smooth line, which was taken"
        found.append(
            Measured(f"axes.{axis}.length_table", table, "mm", max(halves), "lengths sheet", count, note)
        )
    return tuple(found)


def _smooth_lengths(
    places: npt.NDArray[np.float64], errors: npt.NDArray[np.float64], answers: Answers, keys: Sequence[str],
    resolution: float,
) -> Smooth | None:  # fmt: skip
    """The line that all ticks agree with.

    Every laying is shifted to its own mean, so that the first tick weighs no more than any other.
    """
    layings = np.array([[one.value for one in answers[key]] for key in keys])
    layings -= layings.mean(axis=0)
    own = (layings - layings.mean(axis=1, keepdims=True)).tolist()
    return smooth(places, errors, spread_of(own, resolution), degree_max=LENGTH_DEGREE)


def _drawn_out(
    places: Sequence[float], errors: Sequence[float], limits: Sequence[float], slopes: tuple[float, float]
) -> tuple[list[float], list[float]]:
    """The table drawn out to the soft limits by its slope at each end: ticks do not reach the canvas' edges, and a
    table that ends there would bend every line that crosses its end."""
    far, off = list(places), list(errors)
    if limits and limits[0] < far[0]:
        off.insert(0, off[0] + slopes[0] * (limits[0] - far[0]))
        far.insert(0, limits[0])
    if limits and limits[1] > far[-1]:
        off.append(off[-1] + slopes[1] * (limits[1] - far[-1]))
        far.append(limits[1])
    return far, off


def circles(record: Record, answers: Answers) -> tuple[Measured, ...]:
    """Squareness from the diameters at 45 and 135 degrees, the mean of both ways round; coarse beside the diagonals.

    A shear q makes D45 - D135 = q D both ways; an axis x that lags by t more than y adds 2 v t clockwise and takes
    it off against the clock, so half the difference tells t, which is noted.
    """
    ways: dict[str, tuple[float, float]] = {}
    scale: list[float] = []
    diameters = dict(
        zip(("clockwise", "against"), (2.0 * one for one in record.of("radius_mm")), strict=True)
    )
    count = 0
    for name, diameter in diameters.items():
        keys = [f"{name}{angle}" for angle in (45, 135)]
        if all(answers.get(key) for key in keys):
            (d45, h45), (d135, h135) = (_half(record, key, answers) for key in keys)
            ways[name] = ((d45 - d135), math.hypot(h45, h135))
            count += sum(len(answers[key]) for key in keys)
        keys = [f"{name}{angle}" for angle in (0, 90)]
        if all(answers.get(key) for key in keys):
            (d0, _), (d90, _) = (_half(record, key, answers) for key in keys)
            scale.append((d0 - d90) / diameter)
    if len(ways) != 2:
        raise PoorFit(
            "circles sheet",
            "diameters at 45 and 135 degrees of both ways round",
            f"{len(ways)} of 2",
            code="fit-circles",
        )
    across = diameters["clockwise"] + diameters["against"]
    q = (ways["clockwise"][0] + ways["against"][0]) / across
    half = math.hypot(ways["clockwise"][1], ways["against"][1]) / across
    lag_s = (
        (ways["clockwise"][0] - q * diameters["clockwise"]) - (ways["against"][0] - q * diameters["against"])
    ) / (4.0 * record.of("speed_mm_s")[0])
    note = f"x lags y by {1000.0 * lag_s:+.1f} ms on the circles"
    if scale:
        note += f"; x longer than y by {1000.0 * math.fsum(scale) / len(scale):+.1f} mm a metre"
    value = record.of("stated_mm_m")[0] + 1000.0 * q
    return (
        Measured(
            "geometry.squareness_mm_m", round(value, 4), "mm/m", 1000.0 * half, "circles sheet", count, note
        ),
    )


def waves(record: Record, answers: Answers) -> tuple[Measured, ...]:
    """Belt frequency by place and damping, from waves along a line (``identify_ring`` has the formulas).

    The axis that draws on sways on its own belt meanwhile; by how much its own lines tell, or that they show nothing.
    A place that carries no value is left out, and noted; a refusal is the first of them where no place is left.
    """
    acceleration = record.of("acceleration_mm_s2")[0]
    read = {axis: _wave_readings(record, answers, axis) for axis in ("x", "y")}
    poor: dict[str, list[PoorFit]] = {"x": [], "y": []}
    plain = {axis: [ring for _, ring in _rings(rows, poor[axis])] for axis, rows in read.items()}
    found: list[Measured] = []
    for axis, other in (("x", "y"), ("y", "x")):
        left_out: list[PoorFit] = []
        try:
            sway = together(plain[other]) if plain[other] else None
        except PoorFit:
            sway = None
        rings = _rings([(place, swayed(one, acceleration, sway)) for place, one in read[axis]], left_out)
        try:
            if rings:
                one = belt_measured(axis, rings)
                words = f"; {counted(len(left_out), 'place')} left out: {left_out[0]}" if left_out else ""
                found.append(replace(one, note=one.note + words))
        except PoorFit as error:
            left_out.append(error)
        poor[axis] += left_out
    if not found:
        reasons = poor["x"] + poor["y"]
        raise (
            reasons[0]
            if reasons
            else PoorFit(
                "waves sheet", "waves that can be seen at one place or more", "none", code="fit-nothing-read"
            )
        )
    return tuple(found)


def _rings(rows: Sequence[tuple[float, WaveReading]], poor: list[PoorFit]) -> list[tuple[float, Ring]]:
    """Ring-downs of the places that carry one; why not goes to ``poor``."""
    rings: list[tuple[float, Ring]] = []
    for place, one in rows:
        try:
            rings.append((place, ring_of_line(one)))
        except PoorFit as error:
            poor.append(error)
    return rings


def _wave_readings(record: Record, answers: Answers, axis: str) -> list[tuple[float, WaveReading]]:
    """Place and reading of each place of an axis that was read whole."""
    rows: list[tuple[float, WaveReading]] = []
    for number, place in enumerate(record.of(f"{axis}_place_mm"), 1):
        key = f"{axis}{number}"
        parts = [f"{key}{part}" for part in "vnlab"]
        if not all(answers.get(part) for part in parts):
            continue
        speeds, counts = ([one.value for one in answers[part]] for part in parts[:2])
        if len({*speeds}) != 1 or len({*counts}) != 1:
            raise PoorFit(
                f"waves {key.upper()}",
                "one line and one count of waves in all readings",
                f"speeds {speeds}, counts {counts}",
                code="fit-waves",
            )
        (length, doubt), (first, high), (last, low) = (_half(record, part, answers) for part in parts[2:])
        count = round(counts[0])
        reading = WaveReading(
            speed_mm_s=speeds[0],
            waves=count,
            length_mm=length,
            heights=((1, first), (count + 1, last)),
            length_doubt_mm=doubt,
            height_doubt_mm=max(high, low),
        )
        rows.append((round(place, 3), reading))
    return rows


def sag(
    kind: Literal["wire", "level"],
    places_mm: Sequence[float],
    readings: Sequence[Sequence[float]],
    *,
    resolution: float,
    wire_sag_mm: float = 0.0,
) -> tuple[Measured, ...]:
    """The sag of the rail along x, from a taut wire (or a line of light), or from a level.

    places_mm: along x, axis mm, rising. ``wire``: readings at each place, mm from the wire down to the same point of
    the head; more means lower. ``wire_sag_mm``: how far the wire itself hangs in its middle, by which readings there
    are too small: 4 s u (1 - u) at the share u of its length (a parabola, good for a taut wire). ``level``: slopes
    between each place and the next, mm a metre, positive where the right end is lower; one fewer than places.

    What counts is the way from the straight line through both ends: a rail that is straight and not level turns the
    picture and shears it, and the diagonals tell the shear. Raises PoorFit.
    """
    places = np.asarray(places_mm, dtype=np.float64)
    if len(places) < 3 or not bool(np.all(np.diff(places) > 0.0)):
        raise PoorFit(
            "sag",
            "three places or more that rise",
            ", ".join(f"{one:g}" for one in places_mm) or "none",
            code="fit-sag",
        )
    wanted = len(places) - (1 if kind == "level" else 0)
    if len(readings) != wanted or not all(len(one) for one in readings):
        raise PoorFit("sag", f"readings for {wanted} {'places' if kind == 'wire' else 'gaps between places'}",
                      f"{sum(bool(len(one)) for one in readings)}", code="fit-sag")  # fmt: skip
    if not all(math.isfinite(one) for each in readings for one in each):
        raise PoorFit("sag", "finite readings", "something else", code="fit-sag")
    pairs = [mean_of([Reading(one) for one in each], resolution) for each in readings]
    means, halves = np.array([one[0] for one in pairs]), np.array([one[1] for one in pairs])
    line_taken = None
    share = (places - places[0]) / (places[-1] - places[0])
    if kind == "wire":
        height = means + 4.0 * wire_sag_mm * share * (1.0 - share)
        half = float(np.hypot(halves[1:-1], _chord(share[1:-1], halves[0], halves[-1])).max())
        line_taken = smooth(places, height, spread_of(readings, 2.0 * resolution), degree_max=SAG_DEGREE)
        if line_taken is not None:
            height = line_taken.values
            ends = np.eye(len(places))[[0, -1]]
            about = np.eye(len(places)) - np.outer(1.0 - share, ends[0]) - np.outer(share, ends[1])
            half = line_taken.half_width(about)
    else:
        way = np.diff(places) / 1000.0
        height = np.concatenate([[0.0], np.cumsum(means * way)])
        # Errors of slopes add up along the rail, less what the line through the ends takes out.
        var = np.concatenate([[0.0], np.cumsum((halves * way) ** 2)])
        half = float(np.sqrt(var * (1.0 - var / var[-1])).max()) if var[-1] > 0.0 else 0.0
    line = height[0] + (height[-1] - height[0]) * (places - places[0]) / (places[-1] - places[0])
    drop = height - line
    slopes = np.diff(drop) / np.diff(places) * 1000.0
    if float(np.abs(slopes).max()) > SLOPE_MAX_MM_M["sag"]:
        worst = int(np.abs(slopes).argmax())
        raise PoorFit(
            "sag",
            f"a change of at most {SLOPE_MAX_MM_M['sag']:g} mm a metre",
            f"{slopes[worst]:.1f} between {places[worst]:g} and {places[worst + 1]:g} mm: a slip in reading",
            code="fit-slope",
        )
    table = {
        "position_mm": tuple(round(float(one), 3) for one in places),
        "drop_mm": tuple(round(float(one), 4) + 0.0 for one in drop),
    }
    tilt = (height[-1] - height[0]) / (places[-1] - places[0]) * 1000.0
    lowest = int(drop.argmax())
    note = (
        f"flat to {float(np.ptp(drop)):.2f} mm; lowest at {places[lowest]:g} mm; the line through the ends falls "
        f"{tilt:+.2f} mm a metre to the right, left out"
    )
    if line_taken is not None:
        note += "; the places agree with a smooth line, which was taken"
    count = sum(len(one) for one in readings)
    return (Measured("geometry.sag", table, "mm", half, f"sag by {kind}", count, note),)


def _chord(share: npt.NDArray[np.float64], first: float, last: float) -> npt.NDArray[np.float64]:
    """What the line through the ends is unsure by, at shares of its length."""
    unsure: npt.NDArray[np.float64] = np.hypot((1.0 - share) * first, share * last)
    return unsure


def sag_from(given: Mapping[str, object], where: Path) -> tuple[Measured, ...]:
    """The sag from a table: ``kind``, ``places_mm``, ``readings`` (a number or a list at each), and ``wire_sag_mm``.

    Raises InputError for what cannot be used, PoorFit for readings from which nothing follows.
    """
    try:
        table = _SagTable.model_validate(dict(given))
    except ValidationError as error:
        raise InputError(
            [
                Mistake(
                    where,
                    ".".join(str(step) for step in one["loc"]) or "file",
                    one["msg"],
                    f"{one['input']!r}",
                    code="reading-answers",
                )
                for one in error.errors()
            ]
        ) from None
    rows = [list(one) if isinstance(one, tuple) else [one] for one in table.readings]
    resolution = table.resolution if table.resolution is not None else SAG_RESOLUTION[table.kind]
    return sag(table.kind, table.places_mm, rows, resolution=resolution, wire_sag_mm=table.wire_sag_mm)


def ask_sag(ask_line: Callable[[str], str], tell: Callable[[str], None]) -> tuple[Measured, ...]:
    """Ask for a wire's or a level's readings, place by place, until an empty line."""
    kind = ""
    while kind not in ("wire", "level"):
        kind = ask_line("read by wire or by level: ").strip().lower()
        if kind not in ("wire", "level"):
            tell(f"expected wire or level, got {kind[:40]!r}")
    wire = (
        _number(ask_line, tell, "how far the wire hangs in its middle, mm: ", 0.0, 50.0)
        if kind == "wire"
        else 0.0
    )
    places: list[float] = []
    rows: list[list[float]] = []
    what = "mm from the wire down to the head" if kind == "wire" else "mm a metre from here to the next place"
    tell(
        f"one place to a line: where the x axis stands, then {what}, once or several times; an empty line ends"
    )
    if kind == "level":
        tell("positive where the right end is lower; the last place stands alone")
    while True:
        words = ask_line(f"place {len(places) + 1}: ").replace(",", ".").split()
        if not words:
            return sag(
                "wire" if kind == "wire" else "level",
                places,
                rows[:-1] if kind == "level" and rows and not rows[-1] else rows,
                resolution=SAG_RESOLUTION[kind],
                wire_sag_mm=wire,
            )
        try:
            numbers = [float(one) for one in words]
        except ValueError:
            tell(f"expected numbers, got {' '.join(words)[:60]!r}")
            continue
        if not all(math.isfinite(one) for one in numbers):
            tell("expected finite numbers")
        elif places and numbers[0] <= places[-1]:
            tell(f"expected a place above {places[-1]:g}, got {numbers[0]:g}")
        elif kind == "wire" and len(numbers) < 2:
            tell("expected the place and a reading")
        elif kind == "level" and rows and not rows[-1]:
            tell("expected an empty line, as the place before had no reading")
        else:
            places.append(numbers[0])
            rows.append(numbers[1:])


def _number(
    ask_line: Callable[[str], str], tell: Callable[[str], None], words: str, low: float, high: float
) -> float:
    while True:
        said = ask_line(words).strip().replace(",", ".")
        try:
            value = float(said)
        except ValueError:
            value = math.nan
        if low <= value <= high:
            return value
        tell(f"expected {low:g} to {high:g}, got {said[:40]!r}")


class _SagTable(Settings):
    kind: Literal["wire", "level"]
    places_mm: Annotated[tuple[Real, ...], Field(strict=False, max_length=1000)]
    readings: Annotated[
        tuple[Real | Annotated[tuple[Real, ...], Field(strict=False)], ...],
        Field(strict=False, max_length=1000),
    ]
    wire_sag_mm: Annotated[float, Field(ge=0, le=50)] = 0.0
    resolution: Positive | None = None
