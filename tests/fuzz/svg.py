"""Damaged drawings, thousands of them: `python -m tests.fuzz.svg --count 20000 --seed 1`.

Each trial damages one of two drawings, by its elements or by its bytes, and reads it. The reader must either return a
drawing whose arrays hold together or raise InputError with a mistake: nothing else, within the bounds of
``tests.fuzz.campaign``.
"""

from __future__ import annotations

import random
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path
from xml.etree import ElementTree as ET

import numpy as np

from controller.artwork.limits import Limits
from controller.artwork.model import Drawing
from controller.artwork.read import read_drawing
from controller.config.job import Ink, Job
from tests.fuzz.campaign import Campaign, Guard, Outcome, held, run_from_command_line, run_trials

ROOT = Path(__file__).parents[2]
SOURCES = (Path(__file__).parent / "boathouse.svg", ROOT / "configs/jobs/low-tide/low-tide.svg")
LIMITS = Limits(
    drawn=1_000,
    segments=20_000,
    vertices=200_000,
    clips=500,
    dashes=100_000,
    style_chars=100_000,
    style_steps=200_000,
)
"""The same bounds as in production, made smaller so that hostile repetition meets them within a trial."""
GOOD = frozenset({"drawn", "refused"})

NUMBERS = (
    "0", "-0", "1e308", "-1e308", "1e999", "nan", "inf", "1e-320", "99999999999999999999", ".", "-", "1e", "+.5e+2",
    "1e6", "-7", "50%", "3em", "5mm", "1e9mm", "9" * 400, "", " ", "0x10", "1,2", "calc(1px + 2px)", "1e-9",
)  # fmt: skip
WORDS = (
    "none", "inherit", "initial", "url(#porthole)", "url(#both)", "url(#rain)", "url(#dusk)", "url(#nothing) red",
    "url(file:///etc/hostname)", "url(http://127.0.0.1/x)", "currentColor", "rgb(1e999, nan, 0)", "#12", "hidden",
    "evenodd", "objectBoundingBox", "userSpaceOnUse", "rotate(30 1e300 0)", "scale(0)", "scale(1e-200)",
    "matrix(1 1 1 1 0 0)", "matrix(0 0 0 0 0 0)", "skewX(90)", "translate(1e308) translate(1e308)", "0 0 0 0",
    "xMidYMid slice", "M0 0A1e-50 1e50 0 0 0 5 5", "M0 0" + "h1" * 3000, "M5 5" * 2000, "1 " * 1500, "0.0001",
    "1e-300 1e-300", "((((((" * 40, "\u0000".strip("\u0000"), "\U0001f426", "var(--x)", "non-scaling-stroke",
)  # fmt: skip
NAMES = (
    "d", "points", "transform", "style", "class", "id", "href", "{http://www.w3.org/1999/xlink}href", "clip-path",
    "fill", "stroke", "stroke-width", "stroke-dasharray", "stroke-dashoffset", "stroke-miterlimit", "viewBox",
    "preserveAspectRatio", "width", "height", "x", "y", "cx", "cy", "r", "rx", "ry", "x1", "patternUnits",
    "patternContentUnits", "patternTransform", "clipPathUnits", "opacity", "display", "visibility", "color",
    "fill-rule", "overflow", "vector-effect", "pathLength", "mask", "stroke-linejoin",
)  # fmt: skip
TAGS = (
    "g", "use", "svg", "symbol", "defs", "clipPath", "pattern", "circle", "ellipse", "rect", "path", "polygon", "line",
    "style", "text", "switch", "a", "mask", "image", "linearGradient", "wiggle", "{urn:x}y",
)  # fmt: skip
RULES = (
    "g g g g path{fill:red}", "*{stroke:#123}", "g>g>use{display:none}", "#heron{color:red", "}}{{", "@import 'x';",
    "@media print{*{fill:red}}", ".a,.b,{fill:red}", "a~b{fill:red}", "[x=]{fill:red}", "path{d:path('M0 0')}",
    "circle{r:1e400}", "/*", "\\", "<!--", "g{fill:url(", "*{stroke-dasharray:1 0 -1}", ":not(:not(:not(*))){x:y}",
    "* " * 200 + "{fill:red}", "*{clip-path:url(#both)}", "*{transform:rotate(3deg)}", "rect{width:inherit}",
)  # fmt: skip
BYTES = (
    b"<", b">", b"&", b"&amp;", b"&#0;", b"&#xD800;", b"&lol;", b"]]>", b"<![CDATA[", b"\x00", b"\xff", b"\xef\xbb\xbf",
    b"<!DOCTYPE svg [<!ENTITY a 'b'>]>", b"<?xml version='1.0' encoding='x'?>", b"xmlns:q='u'", b"'", b'"', b"/", b"-",
    b"1e999", b"e", b".", b",,", b" " * 3000, b"<g>" * 300, b"<use href='#shore'/>",
)  # fmt: skip


def _value(chance: random.Random) -> str:
    kind = chance.random()
    if kind < 0.4:
        return chance.choice(NUMBERS)
    if kind < 0.85:
        return chance.choice(WORDS)
    return " ".join(chance.choice(NUMBERS) for _ in range(chance.randrange(1, 9)))


def _within_text(text: str, chance: random.Random) -> str:
    """The text with a piece of it cut, doubled or replaced."""
    first, last = sorted(chance.randrange(len(text) + 1) for _ in range(2))
    return text[:first] + chance.choice(("", text[first:last] * 2, _value(chance))) + text[last:]


def _set_attribute(root: ET.Element, chance: random.Random) -> None:
    element = chance.choice(list(root.iter()))
    name = chance.choice([*element.attrib, *element.attrib, chance.choice(NAMES)])
    old = element.get(name)
    element.set(name, _within_text(old, chance) if old and chance.random() < 0.5 else _value(chance))


def _refer(root: ET.Element, chance: random.Random) -> None:
    """Point a reference at any element: itself, what holds it, what may not be referred to."""
    ids = [element.get("id", "") for element in root.iter() if element.get("id")]
    if not ids:
        return
    element = chance.choice(list(root.iter()))
    target = chance.choice(ids)
    if chance.random() < 0.5:
        element.append(ET.Element("{http://www.w3.org/2000/svg}use", {"href": f"#{target}"}))
    else:
        element.set(chance.choice(("href", "clip-path", "fill", "stroke")), f"#{target}")
        if chance.random() < 0.7:
            element.set(chance.choice(("clip-path", "fill")), f"url(#{target})")


def _repeat_uses(root: ET.Element, chance: random.Random) -> None:
    """Groups that repeat each other: 2 to 9 copies on each of up to 12 levels."""
    copies = chance.randrange(2, 10)
    for level in range(chance.randrange(1, 12)):
        group = ET.SubElement(root, "{http://www.w3.org/2000/svg}g", {"id": f"level-{level}"})
        for _ in range(copies):
            target = (
                f"level-{level - 1}" if level else chance.choice(("star", "boat", "shore", "level-0", "bird"))
            )
            ET.SubElement(group, "{http://www.w3.org/2000/svg}use", {"href": f"#{target}", "x": "1"})


def _move(root: ET.Element, chance: random.Random) -> None:
    parent = chance.choice([element for element in root.iter() if len(element)])
    child = chance.choice(list(parent))
    if chance.random() < 0.7:
        parent.remove(child)
    inside = set(child.iter())
    places = [element for element in root.iter() if element not in inside]
    chance.choice(places).append(child)


def _delete(root: ET.Element, chance: random.Random) -> None:
    parent = chance.choice([element for element in root.iter() if len(element)])
    parent.remove(chance.choice(list(parent)))


def _rename(root: ET.Element, chance: random.Random) -> None:
    tag = chance.choice(TAGS)
    chance.choice(list(root.iter())[1:] or [root]).tag = (
        tag if tag.startswith("{") else f"{{http://www.w3.org/2000/svg}}{tag}"
    )


def _nest(root: ET.Element, chance: random.Random) -> None:
    element = chance.choice(list(root.iter()))
    for _ in range(chance.choice((3, 40, 98, 150))):
        element = ET.SubElement(element, "{http://www.w3.org/2000/svg}g", {"class": "night"})
    element.append(ET.Element("{http://www.w3.org/2000/svg}circle", {"r": "5"}))


def _style(root: ET.Element, chance: random.Random) -> None:
    sheet = ET.SubElement(root, "{http://www.w3.org/2000/svg}style")
    sheet.text = " ".join(chance.choice(RULES) for _ in range(chance.randrange(1, 6)))


BY_ELEMENT: tuple[Callable[[ET.Element, random.Random], None], ...] = (
    _set_attribute, _set_attribute, _set_attribute, _set_attribute, _refer, _refer, _repeat_uses, _move, _delete,
    _rename, _nest, _style,
)  # fmt: skip


def _by_bytes(data: bytes, chance: random.Random) -> bytes:
    for _ in range(chance.randrange(1, 6)):
        first = chance.randrange(len(data) + 1)
        last = min(len(data), first + chance.choice((0, 1, 2, 10, 300)))
        middle = chance.choice(
            (b"", bytes(chance.randrange(256) for _ in range(3)), data[first:last] * 2, chance.choice(BYTES))
        )
        data = data[:first] + middle + data[last:]
    return data


def damaged(seed: int, trial: int) -> bytes:
    """The drawing of one trial."""
    chance = random.Random(f"{seed}/{trial}")
    data = chance.choice(SOURCES).read_bytes()
    if chance.random() < 0.65:
        root = ET.fromstring(data)
        for _ in range(chance.choice((1, 1, 2, 3, 8))):
            if any(len(element) for element in root.iter()):
                chance.choice(BY_ELEMENT)(root, chance)
        data = ET.tostring(root)
    return _by_bytes(data, chance) if chance.random() < 0.35 else data


def check_drawing(drawing: Drawing) -> None:
    """Hold a drawing's arrays against each other. Raises AssertionError."""
    shapes, count = drawing.shapes, len(drawing.shapes)
    assert np.isfinite(drawing.points_mm).all()
    assert drawing.offsets[0] == 0
    assert drawing.offsets[-1] == len(drawing.points_mm)
    assert (np.diff(drawing.offsets) >= 2).all()
    assert len(drawing.closed) == len(drawing.shape) == drawing.outlines
    assert (np.diff(drawing.shape) >= 0).all()
    assert not len(drawing.shape) or (drawing.shape.min() >= 0 and drawing.shape.max() < count)
    tables = {
        "element": drawing.element_ids,
        "layer": drawing.layers,
        "fill": drawing.colours,
        "stroke": drawing.colours,
        "dash": drawing.dashes,
        "clip": drawing.clips,
        "pattern": drawing.screens,
    }
    for name, table in tables.items():
        least = 0 if name in ("element", "layer") else -1
        assert ((shapes[name] >= least) & (shapes[name] < len(table))).all(), name
    assert len(set(shapes["element"].tolist())) == count
    lined = (shapes["stroke"] >= 0) | shapes["bare"]
    assert ((shapes["fill"] >= 0) | lined).all()
    assert (np.isfinite(shapes["width_mm"]) & (shapes["width_mm"] >= 0))[lined].all()
    round_ones = ~np.isnan(shapes["dot_mm"])
    assert (shapes["dot_mm"][round_ones] > 0).all()
    assert np.isfinite(shapes["dot_x"][round_ones] + shapes["dot_y"][round_ones]).all()
    assert ((np.diff(drawing.first_outline()) > 0) | round_ones).all()
    for row, clip in enumerate(drawing.clips):
        assert -1 <= clip.within < row
        for path in clip.paths:
            assert -1 <= path.clip < row
            assert np.isfinite(path.points_mm).all()
            assert path.offsets[-1] == len(path.points_mm)
    for dash in drawing.dashes:
        assert len(dash) % 2 == 1
        assert min(dash[1:]) >= 0 < sum(dash[1:])
    for screen in drawing.screens:
        assert abs(np.linalg.det(screen.pitch_mm)) > 0
        assert screen.diameter_mm > 0
        assert 0 <= screen.colour < len(drawing.colours)
    for one in drawing.skipped:
        assert one.element_id
        assert one.what
        assert one.why


def run_trial(data: bytes, folder: Path, guard: Guard) -> Outcome:
    """Read one damaged drawing."""
    file = folder / "damaged.svg"
    file.write_bytes(data)
    ink = Ink(name="k", group="k", colour="#000000", tip_mm=2.0)
    job = Job(format=1, name="fuzz", artwork=file.name, origin_mm=(0.0, 0.0), inks=(ink,))

    def act() -> str:
        check_drawing(read_drawing(job, folder / "job.toml", LIMITS))
        return "drawn"

    return held(act, guard, [file])


def run_campaign(count: int, seed: int, tell: Callable[[str], None] | None = None) -> Campaign:
    """Run trials 0 to ``count`` of a seed."""

    def trial(number: int, folder: Path, guard: Guard) -> Outcome:
        return run_trial(SOURCES[0].read_bytes() if number < 0 else damaged(seed, number), folder, guard)

    return run_trials(trial, GOOD, count, tell)


def _once(seed: int, trial: int) -> Outcome:
    with tempfile.TemporaryDirectory() as folder:
        return run_trial(damaged(seed, trial), Path(folder), Guard())


if __name__ == "__main__":
    sys.exit(run_from_command_line("drawings", damaged, run_campaign, _once))
