"""The walk over the document: every element that is drawn, with its place, look and clip, into the tables.

Owns which elements draw what, groups, nested viewports, ``use``, and the reports of what is not painted. Nothing is
dropped in silence. Knows no inks and no pens. Clips and patterns that need finished outlines are only noted here
(``finish.py`` works them out).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Final

from controller.artwork import shapes
from controller.artwork.document import GROUPS, REFERRED, Index, children, local_name, reference
from controller.artwork.flatten import FARTHEST_MM
from controller.artwork.limits import Limits, TooMuchError
from controller.artwork.look import (
    GEOMETRY,
    NOTHING,
    Coat,
    Found,
    Look,
    Paint,
    hindrance,
    inherit,
    own_notes,
    properties,
    read_url,
)
from controller.artwork.model import Clip
from controller.artwork.pathdata import Recording
from controller.artwork.rows import Reports, ShapeRow, Tables, made_name
from controller.artwork.sheet import ROOT, Reach, Sheet
from controller.artwork.units import (
    MM_PER_PX,
    Matrix,
    SyntaxMistake,
    Viewport,
    apply,
    compose,
    fit_view_box,
    read_length,
    read_transform,
    read_view_box,
    stretches,
)

if TYPE_CHECKING:
    from xml.etree.ElementTree import Element

ROUND_WITHIN: Final = 1e-6  # two radii that differ by less than this share are one
ANISOTROPIC: Final = 0.01  # a stroke whose width differs by direction by less than this share has one width
RECORDED: Final = 1_000_000  # segments kept to be drawn again

_SILENT: Final = frozenset({"title", "desc", "metadata", "style", "defs", "view"}) | REFERRED
_WHY_NOT: Final = {
    "text": "letters are not outlined here; turn them into paths in the drawing",
    "image": "pictures are not painted; trace it into shapes",
    "switch": "conditional content is not painted; keep the one branch that is wanted",
    "foreignObject": "foreign content is not painted",
}
_UNSEEN: Final = {
    "script": "scripts are not run",
    "animate": "nothing moves on a wall",
    "animateTransform": "nothing moves on a wall",
    "animateMotion": "nothing moves on a wall",
    "set": "nothing moves on a wall",
}
_SERVERS: Final = {
    "linearGradient": "gradients are not painted; give it a flat colour",
    "radialGradient": "gradients are not painted; give it a flat colour",
}


@dataclass(frozen=True, slots=True)
class Place:
    """What an element inherits from where it stands.

    clip: row of the clips that all here is cut by, -1 none; inside: whether a ``use`` repeats it.
    """

    path: str
    matrix: Matrix
    viewport: Viewport
    look: Look = field(default_factory=Look)
    reach: Reach = ROOT
    layer: int = 0
    clip: int = -1
    inside: bool = False
    depth: int = 1


@dataclass(slots=True)
class BoxClip:
    """A clip in units of the bounding box of shapes first:last, whose outlines have to be finished first."""

    row: int
    element: Element
    name: str
    matrix: Matrix
    within: int
    first: int
    last: int = -1


@dataclass(frozen=True, slots=True)
class Frame:
    """A clip that is the edge of a viewport: x, y, width, height under ``matrix``."""

    matrix: Matrix
    box: tuple[float, float, float, float]


@dataclass(frozen=True, slots=True)
class PatternFill:
    """A shape whose fill is a pattern: its row, name, the pattern, and the map of its user units."""

    row: int
    name: str
    element: Element
    matrix: Matrix
    viewport: Viewport


class Walker:
    """Walks elements and fills ``tables``. ``clip_of`` is asked for the row of a clip path's clip."""

    def __init__(self, index: Index, sheet: Sheet, limits: Limits, reports: Reports) -> None:
        self.index, self.sheet, self.limits, self.reports = index, sheet, limits, reports
        self.tables = Tables(limits)
        self.clips: list[Clip] = []
        self.box_clips: list[BoxClip] = []
        self.frames: dict[int, Frame] = {}
        self.patterns: list[PatternFill] = []
        self.clip_of: Callable[[Element, str, Matrix, Viewport, int], int | None] = _no_clips
        self.used: dict[int, bool] = {}  # id() of elements that the walk is inside of
        self._drawn = self._chars = self._recorded = 0
        self._recordings: dict[int, tuple[Recording, str | None]] = {}

    # Elements

    def children(self, parent: Element, place: Place) -> None:
        """Draw all that an element holds."""
        self._drawn += len(parent)
        for child, tag, number in children(parent):
            self.element(child, tag, made_name(child.get("id"), place.path, tag, number, place.inside), place)

    def count_one(self, element: Element) -> None:
        """An element that no group of the walk holds is looked at. Raises TooMuchError."""
        self._drawn += 1
        self.count(element)

    def count(self, element: Element) -> None:
        """An element is looked at. Raises TooMuchError."""
        self._chars += sum(map(len, element.attrib.values()))
        for name in ("d", "points"):
            if name in element.attrib:
                self._chars -= len(element.attrib[name])
        if self._drawn > self.limits.drawn:
            raise TooMuchError("elements drawn, repetitions counted", self.limits.drawn)
        if self._chars > self.limits.drawn_chars:
            raise TooMuchError("characters of attributes, repetitions counted", self.limits.drawn_chars)

    def element(self, element: Element, tag: str, name: str, place: Place) -> None:
        """Draw one element as it stands in ``place``."""
        self.count(element)
        if tag in _SILENT:
            return
        if place.depth > self.limits.depth:
            raise TooMuchError("elements nested in each other, repetitions counted", self.limits.depth)
        if tag in _WHY_NOT:
            self.reports.skip(name, tag, _WHY_NOT[tag])
            return
        if tag not in GROUPS and tag != "use" and tag not in shapes.DRAWN:
            why = _UNSEEN.get(tag)
            self.reports.skip(
                name, tag, why or "not an element that is painted", "unseen" if why else "left out"
            )
            return
        self.drawn(element, tag, name, place)

    def drawn(self, element: Element, tag: str, name: str, place: Place) -> None:
        """Draw a group, a ``use``, a symbol or a shape."""
        where = name
        try:
            found, reach = self.properties(element, tag, place.reach)
            if reason := hindrance(found):
                self.reports.skip(name, reason[0], reason[1], "left out" if reason[2] else "unseen")
                return
            where = f"{name} attribute transform"
            matrix = place.matrix
            if "transform" in element.attrib:
                matrix = compose(matrix, read_transform(element.attrib["transform"]))
            where = name
            look, notes = inherit(place.look, found, place.viewport, self.limits)
            for what, why in (*notes, *own_notes(found)):
                self.reports.skip(name, what, why, "changed")
            here = Place(
                name,
                matrix,
                place.viewport,
                look,
                reach,
                place.layer,
                place.clip,
                place.inside,
                place.depth + 1,
            )
            boxes = len(self.box_clips)
            where = f"{name} ({tag})"
            clip = self.clip(found, name, here)
            if clip is None:
                return
            if clip != here.clip:
                here = replace(here, clip=clip)
            if tag == "use":
                self.use(element, name, here)
            elif tag in shapes.DRAWN:
                self.shape(element, tag, name, here, found)
            else:
                self.group(element, tag, here, found)
            for box in self.box_clips[boxes:]:
                if box.last < 0:
                    box.last = len(self.tables)
        except SyntaxMistake as error:
            self.reports.mistake(where, error.expected, error.got)

    def properties(self, element: Element, tag: str, parent: Reach) -> tuple[Found, Reach]:
        """The properties that an element sets, and its reach for its children. Raises SyntaxMistake."""
        if len(element.attrib.get("style", "")) > self.limits.style_chars:
            raise TooMuchError("characters of one element's style", self.limits.style_chars)
        if not self.sheet:
            return properties(element.attrib), ROOT
        reach, values = self.sheet.match(tag, element.attrib, parent)
        return properties(element.attrib, values), reach

    def clip(self, found: Found, name: str, here: Place) -> int | None:
        """The row of the clip that an element with these properties has; None where it must be left out."""
        text = found.values.get("clip-path", "none")
        if text.lower() in ("none", ""):
            return here.clip
        url = read_url(text)
        target = self.index.refer(url[0]) if url and not url[1] else None
        if target is None or local_name(target.tag) != "clipPath":
            why = "no clipPath of this drawing" if url else "only url(#...) is understood"
            self.reports.skip(name, "clip-path", f"{why}; painted whole it would go beyond its edge")
            return None
        return self.clip_of(target, name, here.matrix, here.viewport, here.clip)

    # Groups

    def group_root(self, root: Element, place: Place) -> None:
        """Draw the whole document."""
        if group_id := root.get("id"):
            place = replace(place, layer=self.tables.layer(place.layer, group_id))
        self.used[id(root)] = True
        self.children(root, place)

    def report_unused(self) -> None:
        """Report the definitions that nothing refers to."""
        for number, name, tag in self.index.definitions:
            if number not in self.index.used:
                self.reports.skip(
                    name, tag, "drawn only where something refers to it: nothing does", "unseen"
                )

    def group(self, element: Element, tag: str, here: Place, found: Found) -> None:
        """Draw a group, a nested svg or (from ``use``) a symbol."""
        if group_id := element.get("id"):
            here = replace(here, layer=self.tables.layer(here.layer, group_id))
        if tag in ("svg", "symbol"):
            here = self.viewport(element, here, found)
        self.used[id(element)] = True
        self.children(element, here)
        self.used[id(element)] = False

    def viewport(self, element: Element, here: Place, found: Found) -> Place:
        """What stands inside a nested svg or symbol. Raises SyntaxMistake."""
        outer = here.viewport
        get = self.attributes(element, found).get
        x = read_length(get("x", "0"), outer.along("x"))
        y = read_length(get("y", "0"), outer.along("y"))
        width, height = (
            read_length("100%" if get(name, "auto").strip() == "auto" else get(name, ""), outer.along(way))
            for name, way in (("width", "x"), ("height", "y"))
        )
        if width <= 0 or height <= 0:
            raise SyntaxMistake("a width and height above zero", f"{width:g} and {height:g}")
        if found.values.get("overflow", "hidden").lower() not in ("visible", "auto"):
            here = replace(here, clip=self.frame(here.matrix, (x, y, width, height), here.clip))
        if (text := element.get("viewBox")) is None:
            matrix = compose(here.matrix, (1.0, 0.0, 0.0, 1.0, x, y))
            return replace(here, matrix=matrix, viewport=Viewport(width, height))
        box = read_view_box(text)
        matrix = compose(
            here.matrix, fit_view_box(x, y, width, height, box, element.get("preserveAspectRatio"))
        )
        return replace(here, matrix=matrix, viewport=Viewport(box[2], box[3]))

    def add_clip(self, clip: Clip) -> int:
        """The row of one clip more. Raises TooMuchError."""
        if len(self.clips) >= self.limits.clips:
            raise TooMuchError("clip areas", self.limits.clips)
        self.clips.append(clip)
        return len(self.clips) - 1

    def frame(self, matrix: Matrix, box: tuple[float, float, float, float], within: int) -> int:
        """The row of a viewport's edge."""
        row = self.add_clip(Clip((), within, frame=True))
        self.frames[row] = Frame(matrix, box)
        return row

    # use

    def use(self, element: Element, name: str, here: Place) -> None:
        """Draw what a ``use`` refers to (SVG 2, 5.6). Raises SyntaxMistake where it would hold itself."""
        link = reference(element)
        target = self.index.refer(link) if link else None
        if target is None:
            why = "nothing in this drawing has that id" if link and link[:1] == "#" else "not in this drawing"
            self.reports.skip(name, "use", f"refers to {(link or 'nothing')[:80]!r}: {why}")
            return
        if self.used.get(id(target)):
            raise SyntaxMistake("a use that does not lie inside what it repeats", repr((link or "")[:80]))
        tag = local_name(target.tag) or ""
        x, y = (read_length(element.get(axis, "0"), here.viewport.along(axis)) for axis in ("x", "y"))
        here = replace(here, matrix=compose(here.matrix, (1.0, 0.0, 0.0, 1.0, x, y)), reach=ROOT, inside=True)
        if own := element.get("id"):
            here = replace(here, layer=self.tables.layer(here.layer, own))
        self._drawn += 1
        if tag in ("symbol", "svg"):
            drawn = self.sized(element, target)
        elif tag in REFERRED or tag == "defs":
            self.reports.skip(name, "use", f"refers to a {tag}, which is not drawn")
            return
        else:
            drawn = target
        inner = made_name(target.get("id"), name, tag, 1, inside_use=True)
        self.used.update({id(element): True, id(target): True})
        if tag == "symbol":
            self.count(target)
            self.drawn(drawn, tag, inner, here)
        else:
            self.element(drawn, tag, inner, here)
        self.used.update({id(element): False, id(target): False})

    def sized(self, element: Element, target: Element) -> Element:
        """``target`` with the width and height that a ``use`` gives it (SVG 2, 5.6: those of the use win)."""
        sizes: dict[str, str] = {
            name: element.attrib[name] for name in ("width", "height") if name in element.attrib
        }
        if not sizes:
            return target
        copy = target.makeelement(target.tag, {**target.attrib, **sizes})
        copy.extend(target)
        return copy

    # Shapes

    def attributes(self, element: Element, found: Found) -> Mapping[str, str]:
        """An element's attributes with the geometry that styles set worked in."""
        styled = found.styled & GEOMETRY
        if not styled:
            return element.attrib
        return {**element.attrib, **{name: found.values[name] for name in styled}}

    def shape(self, element: Element, tag: str, name: str, here: Place, found: Found) -> None:
        """Draw a shape. Raises SyntaxMistake."""
        look = here.look
        if not look.visible:
            self.reports.skip(name, "visibility", "visibility is hidden: not seen", "unseen")
            return
        attributes = self.attributes(element, found)
        row = ShapeRow(-1, here.layer, rule=look.rule, clip=here.clip)
        fill = NOTHING if tag == "line" else look.filled
        stroke = look.stroked
        self.dot(row, tag, attributes, here)
        lonely = (
            not math.isnan(row.dot_mm)
            and fill.kind is Paint.FLAT
            and stroke.kind in (Paint.NONE, Paint.UNSET)
        )
        mark = self.tables.segments.mark()
        if not lonely:
            try:
                nothing = self.outline(element, tag, attributes, here)
            except SyntaxMistake:
                self.tables.segments.undo(mark)
                raise
            if nothing:
                self.reports.skip(name, tag, nothing, "unseen")
                return
        try:
            painted = self.colours(row, name, fill, stroke, here)
            if painted and (row.stroke >= 0 or row.bare):
                self.stroke(row, name, attributes, found, here)
        except SyntaxMistake:
            self.tables.segments.undo(mark)
            raise
        if painted:
            self.tables.add(row, name)
        else:
            self.tables.segments.undo(mark)

    def dot(self, row: ShapeRow, tag: str, attributes: Mapping[str, str], here: Place) -> None:
        """Note where and how large an ellipse is that is round on the canvas."""
        if tag not in ("circle", "ellipse"):
            return
        ellipse = shapes.read_ellipse(attributes, tag, here.viewport)
        if isinstance(ellipse, str):
            return
        x, y, radius_x, radius_y = ellipse
        largest, smallest = stretches(compose(here.matrix, (radius_x, 0.0, 0.0, radius_y, x, y)))
        if largest - smallest > ROUND_WITHIN * largest:
            return
        centre = apply(here.matrix, x, y)
        shapes.check_near(*centre, largest)
        if largest > 0:
            row.dot_x, row.dot_y, row.dot_mm = *centre, largest + smallest

    def outline(self, element: Element, tag: str, attributes: Mapping[str, str], here: Place) -> str | None:
        """Write a shape's outlines; why there are none, or None. What ``use`` repeats is read once."""
        segments = self.tables.segments
        segments.begin(len(self.tables), here.matrix)
        if not here.inside or tag not in ("path", "polygon", "polyline"):
            return shapes.draw(attributes, tag, here.viewport, segments)
        kept = self._recordings.get(id(element))
        if kept is None:
            recording = Recording()
            kept = recording, shapes.draw(attributes, tag, here.viewport, recording)
            self._recorded += len(recording)
            if self._recorded > RECORDED:
                self._recordings.clear()
                self._recorded = len(recording)
            self._recordings[id(element)] = kept
        if segments.segments + len(kept[0]) > self.limits.segments:
            raise TooMuchError("segments of outlines", self.limits.segments)
        kept[0].play(segments)
        return kept[1]

    def colours(self, row: ShapeRow, name: str, fill: Coat, stroke: Coat, here: Place) -> bool:
        """Settle what colours a shape has; tells whether anything of it is to be drawn."""
        painted = reported = False
        target = None
        if fill.kind is Paint.SERVER:
            target = self.index.refer(fill.server)
            tag = local_name(target.tag) if target is not None else None
            if tag == "pattern":
                painted = True
            elif tag is None and fill.colour:
                fill = Coat(Paint.FLAT, fill.colour)
            else:
                why = _SERVERS.get(
                    tag or "", f"refers to {fill.server[:80]!r}, which is no colour; give it one"
                )
                self.reports.skip(name, "fill", why)
                reported = True
        if fill.kind is Paint.FLAT:
            row.fill = self.tables.colour(fill.colour)
        if stroke.kind is Paint.SERVER and self.index.refer(stroke.server) is None and stroke.colour:
            stroke = Coat(Paint.FLAT, stroke.colour)
        if stroke.kind is Paint.FLAT:
            row.stroke = self.tables.colour(stroke.colour)
        elif stroke.kind is Paint.SERVER:
            self.reports.skip(
                name, "stroke colour", "gradients and patterns are not painted; give it a flat colour"
            )
            row.bare = reported = True
        elif fill.kind is Paint.NONE and stroke.kind is Paint.UNSET:
            row.bare = True
        painted = painted or row.fill >= 0 or row.stroke >= 0 or row.bare
        if not painted and not reported:
            self.reports.skip(name, "look", "neither filled nor stroked: not seen", "unseen")
        if painted and target is not None and fill.kind is Paint.SERVER and not reported:
            self.patterns.append(PatternFill(len(self.tables), name, target, here.matrix, here.viewport))
        return painted

    def stroke(
        self, row: ShapeRow, name: str, attributes: Mapping[str, str], found: Found, here: Place
    ) -> None:
        """Note how a stroke looks on the canvas. Raises SyntaxMistake."""
        look = here.look
        largest, smallest = stretches(here.matrix)
        scale = math.sqrt(largest * smallest)
        if found.values.get("vector-effect", "none").lower() == "non-scaling-stroke":
            scale = MM_PER_PX
        elif largest - smallest > ANISOTROPIC * largest:
            low, high = look.width * smallest, look.width * largest
            why = f"{low:.3g} to {high:.3g} mm wide by direction; painted {look.width * scale:.3g} mm wide"
            self.reports.skip(name, "stroke width", why, "changed")
        row.width_mm, row.cap, row.join, row.miter = look.width * scale, look.cap, look.join, look.miter
        if not row.width_mm <= FARTHEST_MM:
            raise SyntaxMistake(f"a stroke width of at most {FARTHEST_MM:g} mm", f"{row.width_mm:g} mm")
        if look.dashes:
            lengths = tuple(scale * length for length in (look.dash_offset, *look.dashes))
            if not all(abs(length) <= FARTHEST_MM for length in lengths):
                raise SyntaxMistake(f"dashes of at most {FARTHEST_MM:g} mm", "longer ones")
            if sum(lengths[1:]) > 0:
                row.dash = self.tables.dash(lengths)
                if "pathLength" in attributes:
                    self.reports.skip(
                        name, "pathLength", "dashes have their own lengths, not scaled to it", "changed"
                    )
        if look.markers:
            self.reports.skip(name, "markers", "markers are not painted; the line is drawn without them")


def _no_clips(*_: object) -> None:
    raise AssertionError("nobody works out clips")
