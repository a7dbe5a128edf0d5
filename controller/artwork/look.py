"""What an element looks like, as far as painting asks: its colours, its stroke, whether it is seen at all.

Owns SVG's presentation properties: the order in which attributes, style sheets and ``style`` count, inheritance,
initial values. Knows no geometry and no documents. Colours are read by tinycss2 (CSS Color 4).
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from enum import Enum
from functools import lru_cache
from typing import Any, Final

import tinycss2.color4

from controller.artwork.limits import Limits, TooMuchError, check_nesting
from controller.artwork.model import BEVEL, BUTT, EVENODD, MITER, NONZERO, ROUND, SQUARE
from controller.artwork.sheet import read_inline
from controller.artwork.units import NUMBER, SyntaxMistake, Viewport, finite, read_length, read_number

Notes = list[tuple[str, str]]
"""What of a look is not painted as it is written: (what, why)."""


class Paint(Enum):
    """How an area or a line is coloured; UNSET only for a stroke that nobody mentions (it is then not drawn)."""

    UNSET = "unset"
    NONE = "none"
    FLAT = "flat"
    CURRENT = "current"  # flat, in the value of ``color``
    SERVER = "server"  # a gradient or pattern


@dataclass(frozen=True, slots=True)
class Coat:
    """A fill or stroke as it is written: kind, colour "#rrggbb" (of SERVER: what stands in for it), the server's id."""

    kind: Paint
    colour: str = "#000000"
    server: str = ""


NOTHING: Final = Coat(Paint.NONE)


@dataclass(frozen=True, slots=True)
class Look:
    """Inherited properties of one element; lengths in user units. The defaults are SVG's initial values."""

    fill: Coat = Coat(Paint.FLAT)
    stroke: Coat = Coat(Paint.UNSET)
    colour: str = "#000000"
    colour_seen: bool = True
    fill_seen: bool = True
    stroke_seen: bool = True
    visible: bool = True
    markers: bool = False
    rule: int = NONZERO
    clip_rule: int = NONZERO
    width: float = 1.0
    cap: int = BUTT
    join: int = MITER
    miter: float = 4.0
    dashes: tuple[float, ...] = ()
    dash_offset: float = 0.0

    @property
    def filled(self) -> Coat:
        """The fill that is seen, ``currentColor`` looked up."""
        return self._seen(self.fill) if self.fill_seen else NOTHING

    @property
    def stroked(self) -> Coat:
        """The stroke that is seen, ``currentColor`` looked up."""
        return self._seen(self.stroke) if self.stroke_seen and self.width > 0 else NOTHING

    def _seen(self, ink: Coat) -> Coat:
        if ink.kind is not Paint.CURRENT:
            return ink
        return Coat(Paint.FLAT, self.colour) if self.colour_seen else NOTHING


_INITIAL: Final = {
    "color": "#000000",
    "fill": "#000000",
    "stroke": "none",
    "fill-opacity": "1",
    "stroke-opacity": "1",
    "stroke-width": "1",
    "stroke-dasharray": "none",
    "stroke-dashoffset": "0",
    "stroke-linecap": "butt",
    "stroke-linejoin": "miter",
    "stroke-miterlimit": "4",
    "fill-rule": "nonzero",
    "clip-rule": "nonzero",
    "visibility": "visible",
    "marker": "none",
    "marker-start": "none",
    "marker-mid": "none",
    "marker-end": "none",
    "paint-order": "normal",
}
"""Inherited properties and their initial values."""
_OWN: Final = frozenset(
    (
        "display",
        "opacity",
        "clip-path",
        "mask",
        "filter",
        "mix-blend-mode",
        "overflow",
        "transform",
        "transform-origin",
        "transform-box",
        "vector-effect",
    )
)
GEOMETRY: Final = frozenset(("x", "y", "width", "height", "cx", "cy", "r", "rx", "ry"))
"""Attributes that a style may set too (SVG 2, 7.1); values without a unit count there as well."""
PROPERTIES: Final = frozenset(_INITIAL) | _OWN
_STYLED: Final = PROPERTIES | GEOMETRY | {"d"}
_REFUSED: Final = {
    "mask": "masking is not done; cut the shape itself or use a clip-path",
    "filter": "filters are not applied; take the filter off or draw its result as shapes",
}


@dataclass(frozen=True, slots=True)
class Found:
    """The properties that an element sets itself.

    values: name to value, the winner of attribute, sheets and ``style``. styled: names whose winner is no attribute.
    unread: declarations passed over since nobody can read their colour.
    """

    values: Mapping[str, str]
    styled: frozenset[str]
    unread: tuple[tuple[str, str], ...] = ()


_NOTHING_FOUND: Final = Found({}, frozenset())
_NO_SHEET: Final[tuple[dict[str, str], dict[str, str]]] = ({}, {})


def properties(
    attributes: Mapping[str, str], sheets: tuple[dict[str, str], dict[str, str]] = _NO_SHEET
) -> Found:
    """What an element sets itself, in the order of CSS Cascade 4: attributes, sheets, ``style``, then the important.

    Raises SyntaxMistake.
    """
    values = {name: text.strip() for name, text in attributes.items() if name in PROPERTIES}
    style = attributes.get("style", "")
    if not style and not sheets[0] and not sheets[1] and _KEYWORDS.isdisjoint(values.values()):
        return Found(values, frozenset()) if values else _NOTHING_FOUND
    inline = read_inline(style) if style else ((), ())
    styled: set[str] = set()
    unread: list[tuple[str, str]] = []
    for layer in (sheets[0].items(), inline[0], sheets[1].items(), inline[1]):
        for name, text in layer:
            if name not in _STYLED:
                continue
            if not valid(name, text):
                unread.append((name, text))
                continue
            values[name] = text
            styled.add(name)
    for name in list(values):
        keyword = values[name].lower()
        if keyword in _KEYWORDS:
            del values[name]
            styled.discard(name)
            if keyword == "initial" and name in _INITIAL:
                values[name] = _INITIAL[name]
    return Found(values, frozenset(styled), tuple(unread))


def valid(name: str, text: str) -> bool:
    """Whether a declaration counts: one with a colour that nobody can read leaves the one before it in force."""
    return name not in ("fill", "stroke", "color") or text.lower() in _KEYWORDS or _paint(text) is not None


_KEYWORDS: Final = frozenset(("inherit", "initial", "unset", "revert"))
_LEADING = re.compile(rf"\s*({NUMBER})\s*(%?)\s*")
_URL = re.compile(r"""\s*url\(\s*(?:"([^"]*)"|'([^']*)'|([^"'()\s]*))\s*\)\s*(.*)""", re.DOTALL)


def read_url(text: str) -> tuple[str, str] | None:
    """What ``url(...)`` points at, and what follows it; None for anything else."""
    match = _URL.fullmatch(text) if len(text) <= 1000 else None
    if not match:
        return None
    return next((one for one in match.groups()[:3] if one is not None), ""), match[4].strip()


@lru_cache(maxsize=4096)
def read_colour(text: str) -> tuple[str, float] | None:
    """A colour as ("#rrggbb", alpha), ``currentColor`` as ("current", 1); None where it cannot be read."""
    if len(text) > 200:
        return None
    check_nesting(text)
    try:
        colour: Any = tinycss2.color4.parse_color(text)
        if colour is None:
            return None
        if isinstance(colour, str):
            return "current", 1.0
        parts: Any = colour.to("srgb")
        red, green, blue = (min(max(float(part or 0.0), 0.0), 1.0) for part in parts[:3])
        alpha = min(max(float(parts.alpha), 0.0), 1.0)
    except (NotImplementedError, ValueError, OverflowError, TypeError, ZeroDivisionError):
        return None  # a colour space without a way to sRGB here, or numbers that the library did not foresee
    if not all(map(math.isfinite, (red, green, blue, alpha))):
        return None
    return "#" + "".join(f"{math.floor(part * 255.0 + 0.5):02x}" for part in (red, green, blue)), alpha


@lru_cache(maxsize=4096)
def _paint(text: str) -> tuple[Coat, float] | None:
    """A value of ``fill`` or ``stroke``, and its alpha; None where it cannot be read."""
    if text.lower() == "none":
        return NOTHING, 1.0
    if (url := read_url(text)) is not None:
        target, rest = url
        stand_in = (_paint(rest) if rest else None) or (NOTHING, 1.0)
        colour = stand_in[0].colour if stand_in[0].kind is Paint.FLAT else ""
        return Coat(Paint.SERVER, colour, target), 1.0
    found = read_colour(text)
    if found is None:
        return None
    colour, alpha = found
    if alpha <= 0:
        return NOTHING, 1.0
    return (Coat(Paint.CURRENT) if colour == "current" else Coat(Paint.FLAT, colour)), alpha


def _amount(text: str) -> float:
    """A number or percentage; 1 for what cannot be read (as if it were not set)."""
    match = _LEADING.match(text)
    return 1.0 if not match else float(match[1]) / (100.0 if match[2] else 1.0)


_CAPS: Final = {"butt": BUTT, "round": ROUND, "square": SQUARE}
_JOINS: Final = {"miter": MITER, "round": ROUND, "bevel": BEVEL, "miter-clip": MITER, "arcs": MITER}
_RULES: Final = {"nonzero": NONZERO, "evenodd": EVENODD}


def inherit(
    parent: Look, found: Found, viewport: Viewport, limits: Limits | None = None
) -> tuple[Look, Notes]:
    """The look of a child that sets ``found``, and what of that is painted otherwise. Raises SyntaxMistake."""
    if not found.values:
        return parent, []
    changes: dict[str, Any] = {}
    notes: Notes = []
    for name, value in found.values.items():
        if name in _READERS:
            try:
                _READERS[name](name, value, changes, notes, viewport)
            except SyntaxMistake as error:
                raise SyntaxMistake(f"in {name} {error.expected}", error.got) from error
    if limits is not None and len(changes.get("dashes", ())) > limits.dash_lengths:
        raise TooMuchError("lengths in a dash pattern", limits.dash_lengths)
    return (replace(parent, **changes) if changes else parent), notes


Reader = Callable[[str, str, dict[str, Any], Notes, Viewport], None]


def _read_paint(name: str, value: str, changes: dict[str, Any], notes: Notes, _: Viewport) -> None:
    found = _paint(value)
    if found is None:
        notes.append((f"{name} colour", f"{value[:40]!r} cannot be read; it counts as not set"))
        return
    changes[name] = found[0]
    if found[1] < 1:
        notes.append((name, f"a colour of opacity {found[1]:g} is painted solid"))


def _read_current(name: str, value: str, changes: dict[str, Any], notes: Notes, _: Viewport) -> None:
    found = read_colour(value)
    if found is None:
        notes.append((name, f"{value[:40]!r} cannot be read; it counts as not set"))
    elif found[0] != "current":
        changes["colour"], changes["colour_seen"] = found[0], found[1] > 0


def _read_opacity(name: str, value: str, changes: dict[str, Any], notes: Notes, _: Viewport) -> None:
    amount = _amount(value)
    changes["fill_seen" if name == "fill-opacity" else "stroke_seen"] = amount > 0
    if 0 < amount < 1:
        notes.append((name, f"an opacity of {amount:g} is painted solid"))


def _length(value: str, viewport: Viewport) -> float:
    length = read_length(value, viewport.along("r"))
    return finite(length, value)


def _read_width(_: str, value: str, changes: dict[str, Any], __: Notes, viewport: Viewport) -> None:
    width = _length(value, viewport)
    if width < 0:
        raise SyntaxMistake("a length of zero or more", repr(value))
    changes["width"] = width


def _read_dashes(_: str, value: str, changes: dict[str, Any], __: Notes, viewport: Viewport) -> None:
    if value.lower() in ("none", ""):
        changes["dashes"] = ()
        return
    lengths = [_length(part, viewport) for part in re.split(r"\s*,\s*|\s+", value)]
    if min(lengths) < 0:
        raise SyntaxMistake("lengths of zero or more", repr(value[:40]))
    # An odd number of lengths is gone through twice; lengths that are all zero are no dashes (SVG 2, 13.5.6).
    changes["dashes"] = tuple(lengths * (1 + len(lengths) % 2)) if sum(lengths) > 0 else ()


def _read_offset(_: str, value: str, changes: dict[str, Any], __: Notes, viewport: Viewport) -> None:
    changes["dash_offset"] = _length(value, viewport)


def _read_miter(_: str, value: str, changes: dict[str, Any], notes: Notes, __: Viewport) -> None:
    limit = read_number(value)
    if limit < 1:
        notes.append(("stroke-miterlimit", f"{value} is below 1; it counts as not set"))
    else:
        changes["miter"] = limit


def _read_choice(name: str, value: str, changes: dict[str, Any], notes: Notes, _: Viewport) -> None:
    key, choices = {
        "stroke-linecap": ("cap", _CAPS),
        "stroke-linejoin": ("join", _JOINS),
        "fill-rule": ("rule", _RULES),
        "clip-rule": ("clip_rule", _RULES),
    }[name]
    choice = value.lower()
    if choice not in choices:
        notes.append((name, f"{value[:40]!r} is not known; it counts as not set"))
        return
    if choice in ("miter-clip", "arcs"):
        notes.append((name, f"{choice} is painted as miter"))
    changes[key] = choices[choice]


def _read_visibility(_: str, value: str, changes: dict[str, Any], __: Notes, ___: Viewport) -> None:
    changes["visible"] = value.lower() == "visible"


def _read_marker(_: str, value: str, changes: dict[str, Any], __: Notes, ___: Viewport) -> None:
    changes["markers"] = value.lower() not in ("none", "")


def _read_order(name: str, value: str, _: dict[str, Any], notes: Notes, __: Viewport) -> None:
    if value.lower().split()[:1] not in (["normal"], ["fill"], []):
        notes.append((name, "the stroke is painted over the fill, as without this property"))


_READERS: Final[dict[str, Reader]] = {
    "fill": _read_paint,
    "stroke": _read_paint,
    "color": _read_current,
    "fill-opacity": _read_opacity,
    "stroke-opacity": _read_opacity,
    "stroke-width": _read_width,
    "stroke-dasharray": _read_dashes,
    "stroke-dashoffset": _read_offset,
    "stroke-miterlimit": _read_miter,
    "stroke-linecap": _read_choice,
    "stroke-linejoin": _read_choice,
    "fill-rule": _read_choice,
    "clip-rule": _read_choice,
    "visibility": _read_visibility,
    "marker": _read_marker,
    "marker-start": _read_marker,
    "marker-mid": _read_marker,
    "marker-end": _read_marker,
    "paint-order": _read_order,
}


def hindrance(found: Found) -> tuple[str, str, bool] | None:
    """Why an element is left out with all that it holds: (property, reason, whether it would be seen), or None."""
    values = found.values
    if not values:
        return None
    if values.get("display", "").lower() == "none":
        return "display", "display is none: not seen", False
    if "opacity" in values and _amount(values["opacity"]) <= 0:
        return "opacity", "opacity is 0: not seen", False
    for name, why in _REFUSED.items():
        if values.get(name, "none").lower() not in ("none", ""):
            return name, why, True
    for name in ("transform", "transform-origin", "transform-box"):
        if (name in found.styled or name != "transform") and values.get(name, "none").lower() not in (
            "none",
            "",
        ):
            return name, "only the transform attribute is understood; its place would be wrong", True
    if "d" in found.styled:
        return "d", "path data in a style are not read; put them into the attribute d", True
    return None


def own_notes(found: Found) -> Notes:
    """What of an element's own, not inherited, look is painted otherwise."""
    notes: Notes = [
        (f"{name} colour", f"{text[:40]!r} cannot be read; it counts as not set")
        for name, text in found.unread
    ]
    if "opacity" in found.values and (amount := _amount(found.values["opacity"])) < 1:
        notes.append(("opacity", f"an opacity of {amount:g} is painted solid"))
    if found.values.get("mix-blend-mode", "normal").lower() != "normal":
        notes.append(("mix-blend-mode", "colours are not blended; the upper one covers"))
    return notes
