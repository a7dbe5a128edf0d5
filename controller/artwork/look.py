"""What an element looks like, as far as painting asks: filled, stroked, seen at all.

Owns SVG's presentation properties, as attributes and in ``style``. Knows no geometry. Style sheets are not applied;
the reader reports them.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, replace
from enum import Enum

import svgelements

from controller.artwork.units import NUMBER


class Paint(Enum):
    """How an area or a line is coloured; UNSET only for a stroke that nobody mentions (it is then not drawn)."""

    UNSET = "unset"
    NONE = "none"
    FLAT = "flat"
    SERVER = "server"  # a gradient or pattern


@dataclass(frozen=True, slots=True)
class Look:
    """Inherited properties of one element. SVG's initial values: filled, not stroked, visible."""

    fill: Paint = Paint.FLAT
    stroke: Paint = Paint.UNSET
    fill_seen: bool = True
    stroke_seen: bool = True
    visible: bool = True
    dashed: bool = False
    markers: bool = False

    @property
    def filled(self) -> Paint:
        """The fill that is seen."""
        return self.fill if self.fill_seen else Paint.NONE

    @property
    def stroked(self) -> Paint:
        """The stroke that is seen."""
        return self.stroke if self.stroke_seen else Paint.NONE


_DECLARATION = re.compile(r"\s*([-\w]+)\s*:\s*([^;]*?)\s*(?:!\s*important\s*)?(?:;|$)")
_COMMENT = re.compile(r"/\*.*?\*/", re.DOTALL)
_LEADING = re.compile(rf"\s*({NUMBER})\s*(%?)")
_INHERITED = (
    "fill",
    "stroke",
    "fill-opacity",
    "stroke-opacity",
    "stroke-width",
    "stroke-dasharray",
    "visibility",
    "marker",
    "marker-start",
    "marker-mid",
    "marker-end",
)
_OWN = (
    "display",
    "opacity",
    "clip-path",
    "mask",
    "filter",
    "transform",
    "transform-origin",
    "transform-box",
)
PROPERTIES = frozenset(_INHERITED + _OWN)
_REFUSED = {
    "clip-path": "clipping is not done; painted whole it would go beyond its edge",
    "mask": "masking is not done; painted whole it would go beyond its mask",
    "filter": "filters are not applied",
}


def properties(attributes: Mapping[str, str]) -> tuple[dict[str, str], frozenset[str]]:
    """The presentation properties that an element sets itself, and which of them stand in its ``style``."""
    found = {name: attributes[name].strip() for name in PROPERTIES if name in attributes}
    styled: set[str] = set()
    if style := attributes.get("style"):
        for name, value in _DECLARATION.findall(_COMMENT.sub("", style)):
            if name in PROPERTIES:
                found[name] = value
                styled.add(name)
    return found, frozenset(styled)


def _amount(text: str) -> float:
    """A number or percentage; 1 for what cannot be read (as if it were not set)."""
    match = _LEADING.match(text)
    return 1.0 if not match else float(match[1]) / (100.0 if match[2] else 1.0)


def _paint(text: str) -> Paint:
    if text in ("none", "transparent"):
        return Paint.NONE
    if text.startswith("url("):
        return Paint.SERVER
    if text.isalnum():
        return Paint.FLAT  # a name; the library would also take hex digits without their # for a colour
    try:
        # What the library does not know, it takes for black: a colour that is seen.
        return Paint.FLAT if svgelements.Color(text).alpha > 0 else Paint.NONE
    except (ValueError, OverflowError):  # numbers that the library did not foresee, such as rgb(1e999, 0, 0)
        return Paint.FLAT


def inherit(parent: Look, found: Mapping[str, str]) -> Look:
    """The look of a child that sets ``found``."""
    if not found:
        return parent
    look = parent
    for name in _INHERITED:
        value = found.get(name)
        if value is None or value == "inherit":
            continue
        if name == "fill":
            look = replace(look, fill=_paint(value))
        elif name == "stroke":
            look = replace(look, stroke=_paint(value))
        elif name == "fill-opacity":
            look = replace(look, fill_seen=_amount(value) > 0)
        elif name in ("stroke-opacity", "stroke-width"):
            look = replace(look, stroke_seen=_amount(value) > 0)
        elif name == "stroke-dasharray":
            look = replace(look, dashed=value not in ("none", "0", ""))
        elif name == "visibility":
            look = replace(look, visible=value == "visible")
        else:
            look = replace(look, markers=value != "none")
    return look


def hindrance(found: Mapping[str, str], styled: frozenset[str]) -> tuple[str, str] | None:
    """Why an element is left out with all that it holds: (property, reason), or None."""
    if found.get("display") == "none":
        return "display", "display is none: not seen"
    if "opacity" in found and _amount(found["opacity"]) <= 0:
        return "opacity", "opacity is 0: not seen"
    for name, why in _REFUSED.items():
        if found.get(name, "none") not in ("none", ""):
            return name, why
    for name in ("transform", "transform-origin", "transform-box"):
        if (name in styled or name != "transform") and found.get(name, "none") not in ("none", ""):
            return name, "only the transform attribute is understood; its place would be wrong"
    return None
