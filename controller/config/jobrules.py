"""Contradictions between a job's inks, tips and techniques.

Owns the rules about how a picture is painted; controller/config/rules.py says what a rule is and runs them. Knows no
models and no drawing.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator
from typing import Any, Final

from controller.config.contradictions import Contradiction, Rule, UnknownValueError, Values

SOLID: Final = {"square": math.sqrt(2.0), "hexagonal": 2.0 / math.sqrt(3.0)}
"""Diameter, in pitches, from which the dots of a lattice cover everything: the farthest point's distance, twice."""

_SCREEN_ONLY = ("pitch_mm", "diameter_mm", "tint")


def picture_rules() -> tuple[Rule, ...]:
    """Every rule about colours, tips and techniques."""
    return (
        _colours_differ,
        _canvas_differs,
        _tables_fit,
        _tips_known,
        _techniques_reached,
        _technique_inks,
        _screens_whole,
        _screens_open,
        _unused_fields,
        _painted_again,
        _sequence_kept,
    )


def _each(values: Values, table: str) -> Iterator[str]:
    for index in range(len(values(table))):
        yield f"{table}.{index}"


def _known(values: Values, path: str) -> Any:
    """The value, or None when it is missing or bad."""
    try:
        return values(path)
    except UnknownValueError:
        return None


def _ink_name(values: Values, where: str) -> str:
    name = _known(values, f"{where}.name")
    return f'"{name}"' if isinstance(name, str) else where


def _colours_differ(values: Values) -> Iterator[Contradiction]:
    """Of two inks of one colour, neither with a group, the second would never be used."""
    seen: dict[str, str] = {}
    for where in _each(values, "inks"):
        try:
            group, colour = values(f"{where}.group"), values(f"{where}.colour")
        except UnknownValueError:
            continue
        if group is not None:
            continue
        if colour.lower() in seen:
            yield Contradiction(
                f"{where}.colour",
                f"another colour than ink {seen[colour.lower()]}'s, or a group",
                f'"{colour}" for both',
                code="ink-clash",
            )
        seen.setdefault(colour.lower(), _ink_name(values, where))


def _canvas_differs(values: Values) -> Iterator[Contradiction]:
    canvas = values("canvas_colour")
    if canvas is None:
        return
    for where in _each(values, "inks"):
        group, colour = _known(values, f"{where}.group"), _known(values, f"{where}.colour")
        if group is None and isinstance(colour, str) and colour.lower() == canvas.lower():
            yield Contradiction(
                f"{where}.colour", "another colour than canvas_colour", f'"{colour}"', code="ink-clash"
            )


def _tables_fit(values: Values) -> Iterator[Contradiction]:
    for name in values("tips"):
        where = f"tips.{name}"
        metres, width_mm = _known(values, f"{where}.metres"), _known(values, f"{where}.width_mm")
        if isinstance(metres, tuple | list):
            if metres[:1] and metres[0] != 0:
                yield Contradiction(
                    f"{where}.metres", "0 first: the width of a new tip", f"{metres[0]:g}", code="tip-table"
                )
            for before, after in itertools.pairwise(metres):
                if after <= before:
                    yield Contradiction(
                        f"{where}.metres",
                        "each number above the one before",
                        f"{after:g} after {before:g}",
                        code="tip-table",
                    )
                    break
        lists = isinstance(metres, tuple | list) and isinstance(width_mm, tuple | list)
        if lists and len(metres) != len(width_mm):
            expected = f"as many numbers as metres has ({len(metres)})"
            yield Contradiction(f"{where}.width_mm", expected, f"{len(width_mm)}", code="tip-table")


def _tips_known(values: Values) -> Iterator[Contradiction]:
    known = values("tips")
    for where in _each(values, "inks"):
        try:
            tip, tip_mm = values(f"{where}.tip"), values(f"{where}.tip_mm")
        except UnknownValueError:
            continue
        if tip is None:
            continue
        if tip not in known:
            names = ", ".join(f"[tips.{name}]" for name in known) or "a [tips] table"
            yield Contradiction(
                f"{where}.tip", f"a tip's table in this file ({names})", f'"{tip}"', code="tip-table"
            )
            continue
        width_mm = _known(values, f"tips.{tip}.width_mm")
        if isinstance(width_mm, tuple | list) and width_mm and width_mm[0] != tip_mm:
            yield Contradiction(
                f"{where}.tip_mm",
                f"the new width of tips.{tip} ({width_mm[0]:g})",
                f"{tip_mm:g}",
                code="tip-table",
            )


def _techniques_reached(values: Values) -> Iterator[Contradiction]:
    """A technique that an earlier one always comes before would never count."""
    seen: set[tuple[object, object]] = set()
    for where in _each(values, "techniques"):
        try:
            layer, ink = values(f"{where}.layer"), values(f"{where}.ink")
        except UnknownValueError:
            continue
        if (layer, ink) in seen or (layer, None) in seen:
            what = " and ".join(
                words
                for words in (
                    f'layer "{layer}"' if layer is not None else "",
                    f'ink "{ink}"' if ink is not None else "",
                )
                if words
            )
            yield Contradiction(
                where,
                "shapes that no earlier technique takes",
                what or "all shapes again",
                code="technique-covered",
            )
        seen.add((layer, ink))


def _technique_inks(values: Values) -> Iterator[Contradiction]:
    names = [_known(values, f"{where}.name") for where in _each(values, "inks")]
    for where in _each(values, "techniques"):
        ink = _known(values, f"{where}.ink")
        if ink is not None and ink not in names and None not in names:
            yield Contradiction(
                f"{where}.ink",
                f"an ink of this job ({', '.join(map(str, names))})",
                f'"{ink}"',
                code="name-unknown",
            )


def _screens_whole(values: Values) -> Iterator[Contradiction]:
    for where in _each(values, "techniques"):
        try:
            if values(f"{where}.fill") != "screen":
                continue
            pitch, diameter, tint = (values(f"{where}.{name}") for name in _SCREEN_ONLY)
        except UnknownValueError:
            continue
        if pitch is None:
            yield Contradiction(
                f"{where}.pitch_mm",
                'a number above 0, as fill is "screen"',
                "nothing",
                code="technique-fields",
            )
        if diameter is None and tint is None:
            yield Contradiction(
                f"{where}.diameter_mm",
                "diameter_mm or tint, for a screen",
                "neither",
                code="technique-fields",
            )
        if diameter is not None and tint is not None:
            yield Contradiction(f"{where}.tint", "diameter_mm or tint", "both", code="technique-fields")


def _screens_open(values: Values) -> Iterator[Contradiction]:
    for where in _each(values, "techniques"):
        try:
            if values(f"{where}.fill") != "screen":
                continue
            pitch, diameter = values(f"{where}.pitch_mm"), values(f"{where}.diameter_mm")
            lattice = values(f"{where}.lattice")
        except UnknownValueError:
            continue
        if pitch is None or diameter is None or lattice not in SOLID:
            continue
        most = SOLID[lattice] * pitch
        if diameter >= most:
            yield Contradiction(
                f"{where}.diameter_mm",
                f'below {most:.6g}, from where the dots cover everything (fill = "flat" does that)',
                f"{diameter:g}",
                code="screen-too-dense",
            )


def _unused_fields(values: Values) -> Iterator[Contradiction]:
    """A field that nothing would read is a misunderstanding."""
    for where in _each(values, "techniques"):
        try:
            fill = values(f"{where}.fill")
        except UnknownValueError:
            continue
        if fill != "screen":
            for name in _SCREEN_ONLY:
                if (given := _known(values, f"{where}.{name}")) is not None:
                    yield Contradiction(
                        f"{where}.{name}",
                        'nothing unless fill is "screen"',
                        f"{given:g}",
                        code="technique-fields",
                    )
        style, angle = _known(values, f"{where}.style"), _known(values, f"{where}.hatch_angle_deg")
        if fill != "flat" and style == "hatch":
            yield Contradiction(
                f"{where}.style", 'no hatch unless fill is "flat"', '"hatch"', code="technique-fields"
            )
        if style == "contour" and isinstance(angle, float | int) and angle != 0:
            yield Contradiction(
                f"{where}.hatch_angle_deg",
                'no angle unless style is "hatch"',
                f"{angle:g}",
                code="technique-fields",
            )


def _painted_again(values: Values) -> Iterator[Contradiction]:
    """A second time is for dots, and wider only by a given width."""
    for where in _each(values, "techniques"):
        try:
            fill, again = values(f"{where}.fill"), values(f"{where}.again")
        except UnknownValueError:
            continue
        enlarge_mm = _known(values, f"{where}.enlarge_mm")
        if again is not None and fill not in ("dots", "screen"):
            yield Contradiction(
                f"{where}.again",
                'nothing unless fill is "dots" or "screen"',
                f'"{again}"',
                code="technique-fields",
            )
        elif again == "enlarge" and enlarge_mm is None:
            yield Contradiction(
                f"{where}.enlarge_mm",
                'a number above 0, as again is "enlarge"',
                "nothing",
                code="technique-fields",
            )
        if again != "enlarge" and enlarge_mm is not None:
            yield Contradiction(
                f"{where}.enlarge_mm",
                'nothing unless again is "enlarge"',
                f"{enlarge_mm:g}",
                code="technique-fields",
            )


def _sequence_kept(values: Values) -> Iterator[Contradiction]:
    """Strokes have the drawing's sequence only where they are the drawing's: every ink by its group, nothing else."""
    kept = [where for where in _each(values, "inks") if _known(values, f"{where}.sequence") == "as-drawn"]
    if not kept:
        return
    other = ""
    for where in _each(values, "inks"):
        if _known(values, f"{where}.group") is None:
            other = f"ink {_ink_name(values, where)} without a group"
        elif _known(values, f"{where}.tip") is not None:
            other = f"a tip of ink {_ink_name(values, where)}"
    if _known(values, "techniques"):
        other = "techniques"
    for name in ("traps", "canvas_colour", "unmatched"):
        if _known(values, name) is not None:
            other = name
    if other:
        for where in kept:
            expected = 'a job that is painted as drawn (every ink a group, no techniques), or "best"'
            yield Contradiction(
                f"{where}.sequence", expected, f'"as-drawn" beside {other}', code="sequence-mixed"
            )
