"""Contradictions in what motion is told of belts, play, tables, the plane of the canvas, and the pen.

Owns these rules; controller/config/rules.py says how rules work. Bounds here are no physical limits: beyond them a
number is far more likely a slip (a unit, a sign, a column) than a machine.
"""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise

from controller.config.contradictions import AXES, Contradiction, Rule, UnknownValueError, Values
from controller.config.plane import LEVEL, Plane, Table, slopes

PLACE_MAX_MM = 100_000.0
PLACES_APART_MM = 0.001

LENGTH_SLOPE_MAX_MM_M = 10.0
"""1 %: a wrong tooth count shows as more, a stretched belt as less."""

PLAY_SLOPE_MAX_MM_M = 10.0
SAG_SLOPE_MAX_MM_M = 20.0
SQUARENESS_MAX_MM_M = 20.0

BELT_HZ_MIN = 1.0
BELT_PERIOD_TICKS_MIN = 4
"""A shorter period cannot be followed in ticks; a belt so stiff moves by little and is better left out."""

DELAY_MAX_MS = 200.0
"""Lag or latency of a drive."""

LEAN_MAX_MM = 2.0
LANDING_MAX_MM = 5.0
REVERSAL_ERROR_MIN_MM = 0.005
CORNER_TOLERANCE_MAX_MM = 5.0
JERK_TIME_MAX_S = 1.0

COLUMNS = {"play_table": "play_mm", "belt": "frequency_hz", "length_table": "error_mm"}
"""An axis' tables and the column beside ``position_mm``."""


def motion_rules() -> tuple[Rule, ...]:
    """Every rule of this module; those of a table once for each, so that one bad table hides no other."""
    tables = [(f"axes.{axis}.{table}", column) for axis in AXES for table, column in COLUMNS.items()]
    tables.append(("geometry.sag", "drop_mm"))
    slanted = [
        *((f"axes.{axis}.length_table", "error_mm", LENGTH_SLOPE_MAX_MM_M) for axis in AXES),
        *((f"axes.{axis}.play_table", "play_mm", PLAY_SLOPE_MAX_MM_M) for axis in AXES),
        ("geometry.sag", "drop_mm", SAG_SLOPE_MAX_MM_M),
    ]
    per_axis = (_canvas_reach, _belt_frequency)
    return (
        *(
            (lambda values, rule=rule, where=where, column=column: rule(values, where, column))
            for where, column in tables
            for rule in (_table_lengths, _table_rises)
        ),
        *(
            (lambda values, where=where, column=column, most=most: _slope(values, where, column, most))
            for where, column, most in slanted
        ),
        *((lambda values, rule=rule, axis=axis: rule(values, axis)) for axis in AXES for rule in per_axis),
        *(
            (lambda values, axis=axis, name=name: _delay(values, axis, name))
            for axis in AXES
            for name in ("loop_lag_ms", "latency_ms")
        ),
        _squareness,
        _lean,
        _landing,
        _reversal_error,
        _corner_tolerance,
        _jerk,
    )


def _table_lengths(values: Values, where: str, column: str) -> Iterator[Contradiction]:
    places, others = values(f"{where}.position_mm"), values(f"{where}.{column}")
    if len(places) != len(others):
        yield Contradiction(
            f"{where}.{column}",
            f"as many numbers as position_mm has ({len(places)})",
            f"{len(others)}",
            code="table-shape",
        )


def _table_rises(values: Values, where: str, _column: str) -> Iterator[Contradiction]:
    places = values(f"{where}.position_mm")
    far = next((place for place in places if abs(place) > PLACE_MAX_MM), None)
    if far is not None:
        yield Contradiction(
            f"{where}.position_mm",
            f"places within {PLACE_MAX_MM:g} mm of zero",
            f"{far:g}",
            code="table-shape",
        )
        return
    for before, after in pairwise(places):
        if not after - before >= PLACES_APART_MM:
            yield Contradiction(
                f"{where}.position_mm",
                f"places that rise, by {PLACES_APART_MM:g} mm or more",
                f"{after:.10g} after {before:.10g}",
                code="table-shape",
            )
            return


def _table(values: Values, where: str, column: str) -> Table:
    """A table that holds. Raises UnknownValueError when it is missing or another rule refuses it."""
    for rule in (_table_lengths, _table_rises):
        if any(rule(values, where, column)):
            raise UnknownValueError(where)
    return values(f"{where}.position_mm"), values(f"{where}.{column}")


def _slope(values: Values, where: str, column: str, most_mm_m: float) -> Iterator[Contradiction]:
    table = _table(values, where, column)
    for (low, high), slope in zip(pairwise(table[0]), slopes(table), strict=True):
        if abs(slope) * 1000 > most_mm_m * (1 + 1e-9):
            yield Contradiction(
                f"{where}.{column}",
                f"a change of at most {most_mm_m:g} mm a metre along position_mm",
                f"{slope * 1000:.4g} mm a metre between {low:g} and {high:g} mm",
                code="table-slope",
            )
            return


def _plane_table(values: Values, where: str, column: str, most_mm_m: float) -> Table:
    """A table of the plane, level when it is left out. Raises UnknownValueError when a rule refuses it."""
    if values(where) is None:
        return LEVEL
    if any(_slope(values, where, column, most_mm_m)):
        raise UnknownValueError(where)
    return _table(values, where, column)


def plane_of(values: Values, axis: str) -> Plane:
    """What of the plane decides where ``axis`` has to go. Raises UnknownValueError when a part of it is refused."""
    sag = _plane_table(values, "geometry.sag", "drop_mm", SAG_SLOPE_MAX_MM_M)
    needed = AXES if sag is not LEVEL else (axis,)
    lengths = {
        name: _plane_table(values, f"axes.{name}.length_table", "error_mm", LENGTH_SLOPE_MAX_MM_M)
        if name in needed
        else LEVEL
        for name in AXES
    }
    if any(_squareness(values)):
        raise UnknownValueError("geometry.squareness_mm_m")
    return Plane((lengths["x"], lengths["y"]), sag, values("geometry.squareness_mm_m") * 1e-3)


def _canvas_reach(values: Values, axis: str) -> Iterator[Contradiction]:
    index = AXES.index(axis)
    x, y = values("canvas.origin_mm")
    width, height = values("canvas.size_mm")
    low, high = plane_of(values, axis).extent_mm((x, y), (x + width, y + height))
    least, most = values(f"axes.{axis}.min_mm"), values(f"axes.{axis}.max_mm")
    if low[index] < least or high[index] > most:
        yield Contradiction(
            "canvas",
            f"to lie within axes.{axis}, {least} to {most} mm",
            f"{low[index]:.8g} to {high[index]:.8g} mm on that axis",
            code="canvas-outside-travel",
        )


def _belt_frequency(values: Values, axis: str) -> Iterator[Contradiction]:
    where = f"axes.{axis}.belt.frequency_hz"
    frequencies, tick_us = values(where), values("tick_us")
    most = 1e6 / (BELT_PERIOD_TICKS_MIN * tick_us)
    if min(frequencies) < BELT_HZ_MIN:
        yield Contradiction(
            where, f"at least {BELT_HZ_MIN:g} Hz", f"{min(frequencies):g}", code="belt-frequency"
        )
    if max(frequencies) > most:
        yield Contradiction(
            where,
            f"at most {most:.4g} Hz, {BELT_PERIOD_TICKS_MIN} ticks a period (leave a stiffer belt out)",
            f"{max(frequencies):g}",
            code="belt-frequency",
        )


def _delay(values: Values, axis: str, name: str) -> Iterator[Contradiction]:
    where = f"axes.{axis}.{name}"
    if values(where) > DELAY_MAX_MS:
        yield Contradiction(
            where, f"at most {DELAY_MAX_MS:g} ms", f"{values(where):g}", code="value-unlikely"
        )


def _squareness(values: Values) -> Iterator[Contradiction]:
    where = "geometry.squareness_mm_m"
    if abs(values(where)) > SQUARENESS_MAX_MM_M:
        yield Contradiction(
            where,
            f"between -{SQUARENESS_MAX_MM_M:g} and {SQUARENESS_MAX_MM_M:g}",
            f"{values(where):g}",
            code="value-unlikely",
        )


def _lean(values: Values) -> Iterator[Contradiction]:
    lean = values("pen.lean_mm")
    if max(lean) > LEAN_MAX_MM:
        yield Contradiction("pen.lean_mm", f"at most {LEAN_MAX_MM:g} mm", _pair(lean), code="value-unlikely")


def _landing(values: Values) -> Iterator[Contradiction]:
    landing = values("pen.landing_mm")
    if max(map(abs, landing)) > LANDING_MAX_MM:
        yield Contradiction(
            "pen.landing_mm",
            f"at most {LANDING_MAX_MM:g} mm either way",
            _pair(landing),
            code="value-unlikely",
        )


def _pair(pair: tuple[float, float]) -> str:
    return f"[{pair[0]:g}, {pair[1]:g}]"


def _reversal_error(values: Values) -> Iterator[Contradiction]:
    where = "motion.reversal_error_mm"
    if values(where) < REVERSAL_ERROR_MIN_MM:
        yield Contradiction(
            where,
            f"at least {REVERSAL_ERROR_MIN_MM:g} (for less, strokes would nearly stand still)",
            f"{values(where):g}",
            code="value-unlikely",
        )


def _corner_tolerance(values: Values) -> Iterator[Contradiction]:
    where = "motion.corner_tolerance_mm"
    if values(where) > CORNER_TOLERANCE_MAX_MM:
        yield Contradiction(
            where, f"at most {CORNER_TOLERANCE_MAX_MM:g}", f"{values(where):g}", code="value-unlikely"
        )


def _jerk(values: Values) -> Iterator[Contradiction]:
    jerk, acceleration = values("motion.jerk_mm_s3"), values("motion.acceleration_mm_s2")
    if acceleration > jerk * JERK_TIME_MAX_S:
        yield Contradiction(
            "motion.jerk_mm_s3",
            f"at least {acceleration / JERK_TIME_MAX_S:g}: acceleration_mm_s2 is built up within a second",
            f"{jerk:g}",
            code="jerk-too-low",
        )
