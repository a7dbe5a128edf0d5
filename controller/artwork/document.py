"""The drawing's file as a tree of elements, read safely, and an index of what refers to what.

Owns the door: size, depth and number of elements, entities, outside references; nothing but the one file is opened.
Finds ids, groups, style sheets and definitions. Knows no looks and no geometry.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final
from xml.etree.ElementTree import TreeBuilder

from defusedxml import DefusedXmlException
from defusedxml.ElementTree import DefusedXMLParser, ParseError

from controller.artwork.limits import Limits, TooMuchError
from controller.artwork.rows import made_name
from controller.config.errors import InputError, Mistake

if TYPE_CHECKING:
    from xml.etree.ElementTree import Element

SVG_NAMESPACE: Final = "{http://www.w3.org/2000/svg}"
_XLINK_HREF: Final = "{http://www.w3.org/1999/xlink}href"

GROUPS: Final = frozenset({"g", "a", "svg"})
REFERRED: Final = frozenset(
    {"symbol", "linearGradient", "radialGradient", "pattern", "clipPath", "mask", "filter", "marker"}
)
"""Elements that draw nothing where they stand, only where something refers to them."""
NAMED: Final = GROUPS | {"symbol", "use"}


def local_name(tag: str) -> str | None:
    """The element's name in SVG's vocabulary; None for another's. Files without a namespace are taken as SVG."""
    if tag.startswith(SVG_NAMESPACE):
        return tag[len(SVG_NAMESPACE) :]
    return None if tag.startswith("{") else tag


def children(parent: Element) -> Iterator[tuple[Element, str, int]]:
    """SVG's own children of an element, their names, and the how-manieth of its name each one is."""
    seen: dict[str, int] = {}
    for child in parent:
        tag = local_name(child.tag)
        if tag is not None:  # another vocabulary's element draws nothing by the standard
            seen[tag] = seen.get(tag, 0) + 1
            yield child, tag, seen[tag]


def reference(element: Element) -> str | None:
    """What ``href`` points at, "#id" or more; None without one."""
    text = element.get("href", element.get(_XLINK_HREF))
    return None if text is None else text.strip()


class _Builder(TreeBuilder):
    """Builds the tree and stops at the limits."""

    def __init__(self, limits: Limits) -> None:
        super().__init__()
        self._limits = limits
        self._count = self._depth = 0

    def start(self, tag: Any, attrs: Any, /) -> Any:
        """One element more."""
        self._count += 1
        self._depth += 1
        if self._count > self._limits.elements:
            raise TooMuchError("elements", self._limits.elements)
        if self._depth > self._limits.depth:
            raise TooMuchError("elements nested in each other", self._limits.depth)
        for value in attrs.values():
            if len(value) > self._limits.attribute_chars:
                raise TooMuchError("characters in an attribute", self._limits.attribute_chars)
        return super().start(tag, attrs)

    def end(self, tag: Any, /) -> Any:
        """An element ends."""
        self._depth -= 1
        return super().end(tag)


def parse(file: Path, job_path: Path, limits: Limits) -> Element:
    """The file's root element. Raises InputError; TooMuchError for what goes beyond the limits."""
    parser: Any = DefusedXMLParser(target=_Builder(limits), forbid_dtd=False, forbid_entities=True)
    try:
        if file.exists() and not file.is_file() and not file.is_dir():
            # A pipe would be waited for, a device may have no end.
            raise InputError(
                [Mistake(job_path, "artwork", "an SVG file", f"{file} (no file)", code="artwork-missing")]
            )
        with file.open("rb") as stream:
            data = stream.read(limits.file_bytes + 1)
        if len(data) > limits.file_bytes:
            raise TooMuchError("bytes", limits.file_bytes)
        # In one piece: fed in many, the parser looks at a long attribute anew with each.
        parser.feed(data)
        del data
        root: Element = parser.close()
    except OSError as error:
        raise InputError(
            [
                Mistake(
                    job_path,
                    "artwork",
                    "a readable SVG file",
                    f"{file} ({error.strerror})",
                    code="artwork-missing",
                )
            ]
        ) from error
    except ParseError as error:
        line, column = error.position
        what = str(error.msg).split(":")[0]
        raise InputError(
            [
                Mistake(
                    file, f"line {line}, column {column + 1}", "well-formed XML", what, code="artwork-not-svg"
                )
            ]
        ) from error
    except DefusedXmlException as error:
        raise InputError(
            [
                Mistake(
                    file,
                    "document type",
                    "no entities and no references to other files",
                    str(error),
                    code="artwork-not-svg",
                )
            ]
        ) from error
    except (ValueError, LookupError) as error:  # an encoding that the parser does not know
        raise InputError(
            [Mistake(file, "encoding", "one such as UTF-8", str(error), code="artwork-not-svg")]
        ) from error
    if local_name(root.tag) != "svg":
        raise InputError([Mistake(file, "root element", "svg", repr(root.tag[:80]), code="artwork-not-svg")])
    return root


@dataclass(slots=True)
class Index:
    """What the whole document holds, found before any of it is drawn.

    by_id: first element of each id. ancestors: of patterns and clip paths, from the root down, by id().
    owners: element by id to the definition (outermost first) that holds it. definitions: element, name, tag.
    """

    by_id: dict[str, Element] = field(default_factory=dict)
    tags: dict[str, str] = field(default_factory=dict)
    ancestors: dict[int, tuple[Element, ...]] = field(default_factory=dict)
    group_ids: list[str] = field(default_factory=list)
    sheets: list[tuple[str, str, Element]] = field(default_factory=list)
    definitions: list[tuple[int, str, str]] = field(default_factory=list)
    owners: dict[str, int] = field(default_factory=dict)
    used: set[int] = field(default_factory=set)

    def refer(self, target: str) -> Element | None:
        """The element that "#id" points at; None if it is not in the file. The definition around it counts as used."""
        name = target[1:] if target.startswith("#") else ""
        if name in self.owners:
            self.used.add(self.owners[name])
        return self.by_id.get(name)


def index(root: Element) -> Index:
    """Walk the whole tree once."""
    found = Index()
    _note(found, root, "svg", -1)
    stack: list[tuple[Iterator[tuple[Element, str, int]], Element, str, int, bool]] = [
        (children(root), root, "", -1, False)
    ]
    while stack:
        inside, _, path, owner, hidden = stack[-1]
        step = next(inside, None)
        if step is None:
            stack.pop()
            continue
        child, tag, number = step
        name = made_name(child.get("id"), path, tag, number)
        mine = owner
        if owner < 0 and (tag in REFERRED or (hidden and tag not in ("style", "title", "desc", "metadata"))):
            mine = len(found.definitions)
            found.definitions.append((mine, name, tag))
        if tag == "style":
            found.sheets.append((name, "".join(child.itertext()), child))
        _note(found, child, tag, mine)
        if tag in ("pattern", "clipPath"):
            found.ancestors[id(child)] = tuple(one[1] for one in stack)
        if len(child):
            stack.append((children(child), child, name, mine, tag == "defs"))
    return found


def _note(found: Index, element: Element, tag: str, owner: int) -> None:
    name = element.get("id")
    if not name:
        return
    if tag in NAMED:
        found.group_ids.append(name)
    if name not in found.by_id:
        found.by_id[name] = element
        found.tags[name] = tag
        if owner >= 0:
            found.owners[name] = owner
