"""Colours, strokes and style sheets come out as CSS and SVG 2 say, whoever sets them."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from controller.artwork.limits import Limits
from controller.artwork.model import BEVEL, BUTT, EVENODD, MITER, NONZERO, ROUND, SQUARE, Drawing
from controller.artwork.sheet import ROOT, Sheet
from controller.config.errors import InputError

Draw = Callable[..., Drawing]


def fill_of(drawing: Drawing, row: int = 0) -> str | None:
    fill = int(drawing.shapes["fill"][row])
    return None if fill < 0 else drawing.colours[fill]


def stroke_of(drawing: Drawing, row: int = 0) -> str | None:
    stroke = int(drawing.shapes["stroke"][row])
    return None if stroke < 0 else drawing.colours[stroke]


@pytest.mark.parametrize(
    ("colour", "hexadecimal"),
    [
        ("red", "#ff0000"),
        ("RebeccaPurple", "#663399"),
        ("#abc", "#aabbcc"),
        ("#1F7A78", "#1f7a78"),
        ("#1f7a78ff", "#1f7a78"),
        ("rgb(31, 122, 120)", "#1f7a78"),
        ("rgb(100%, 50%, 0%)", "#ff8000"),
        ("rgb(31 122 120 / 100%)", "#1f7a78"),
        ("rgb(300, -20, 0)", "#ff0000"),
        ("hsl(120, 100%, 25%)", "#008000"),
        ("hsl(240deg 100% 50%)", "#0000ff"),
    ],
)
def test_colours(draw: Draw, colour: str, hexadecimal: str) -> None:
    """Names, hex, rgb and hsl as CSS Color 4 has them (its own examples; rebeccapurple is in its table of names)."""
    drawing = draw(f'<rect width="9" height="9" fill="{colour}" stroke="{colour}"/>')
    assert (fill_of(drawing), stroke_of(drawing)) == (hexadecimal, hexadecimal)


@pytest.mark.parametrize(
    ("sheet", "attributes", "fill"),
    [
        ("", 'fill="blue"', "#0000ff"),
        ("rect{fill:lime}", 'fill="blue"', "#00ff00"),  # any rule beats an attribute
        ("*{fill:lime}", 'fill="blue"', "#00ff00"),
        ("rect{fill:lime}", 'style="fill:blue"', "#0000ff"),  # style beats a rule
        ("rect{fill:lime !important}", 'style="fill:blue"', "#00ff00"),
        ("rect{fill:lime!important}", 'style="fill:blue !important"', "#0000ff"),
        ("rect{fill:lime} rect{fill:blue}", "", "#0000ff"),  # the later of equals
        (".a{fill:lime} rect{fill:blue}", 'class="b a"', "#00ff00"),  # class beats type
        ("#it{fill:lime} .a.a.a{fill:blue}", 'class="a"', "#00ff00"),  # id beats any number of classes
        ("g .a{fill:lime} .a{fill:blue}", 'class="a"', "#00ff00"),  # a type more
        ("g rect{fill:lime} svg g rect{fill:blue}", "", "#0000ff"),
        ("svg > g > rect{fill:lime}", "", "#00ff00"),
        ("svg > rect{fill:lime}", 'fill="blue"', "#0000ff"),  # no child of svg
        ("svg rect{fill:lime}", 'fill="blue"', "#00ff00"),
        ("rect.a{fill:lime}", 'fill="blue"', "#0000ff"),
        ("circle, rect , .b {fill:lime}", 'fill="blue"', "#00ff00"),
        ("[data-x]{fill:lime}", 'data-x="" fill="blue"', "#00ff00"),
        ("[data-x='7']{fill:lime}", 'data-x="77" fill="blue"', "#0000ff"),
        ("[data-x~=b]{fill:lime}", 'data-x="a b" fill="blue"', "#00ff00"),
        ("[data-x^=a][data-x$=b]{fill:lime}", 'data-x="a-b"', "#00ff00"),
        ("/* no */ rect /* no */ { /* no */ fill : lime ; }", "", "#00ff00"),
        ("g{fill:lime}", "", "#00ff00"),  # inherited
        ("g{fill:lime} rect{fill:inherit}", 'fill="blue"', "#00ff00"),
        ("g{fill:lime}", 'fill="inherit"', "#00ff00"),
        ("g{fill:lime} rect{fill:initial}", "", "#000000"),
        ("g{fill:lime} rect{fill:nosuch}", "", "#00ff00"),  # what cannot be read is not set
        ("rect{fill:lime; fill:nosuch}", "", "#00ff00"),
        ("g{color:lime} rect{fill:currentColor}", "", "#00ff00"),
        ("g{color:lime;fill:currentcolor} rect{color:blue}", "", "#0000ff"),
        ("@charset 'utf-8'; rect{fill:lime}", "", "#00ff00"),
        ("rect{fill:lime", "", "#00ff00"),  # the end of the sheet closes a block
        (r"#\69t{fill:lime}", "", "#00ff00"),  # an escaped i
    ],
)
def test_cascade(draw: Draw, sheet: str, attributes: str, fill: str) -> None:
    """Importance, origin, specificity and order as CSS Cascade 4, 6 and Selectors 4, 17 put them; values by hand."""
    drawing = draw(
        f'<style>{sheet}</style><g><rect id="it" width="9" height="9" {attributes}/></g>'.replace(
            " > ", " &gt; "
        )
    )
    assert fill_of(drawing) == fill


@pytest.mark.parametrize(
    "sheet",
    [
        "rect:hover{fill:lime}",
        "g + rect{fill:lime}",
        "rect::before{fill:lime}",
        "@media print{rect{fill:lime}}",
        "@import 'other.css';",
        "> rect{fill:lime}",
        "rect > {fill:lime}",
        "a|rect{fill:lime}",
        "{fill:lime}",
        "rect; fill:lime",
    ],
)
def test_rules_that_are_not_applied_are_reported(draw: Draw, sheet: str) -> None:
    """A rule that is not understood changes nothing and is named, with its sheet."""
    drawing = draw(f'<style id="look"><![CDATA[{sheet}]]></style><rect width="9" height="9"/>')
    assert fill_of(drawing) == "#000000"
    assert [one.element_id for one in drawing.skipped] == ["look"]


def test_selectors_against_brute_force() -> None:
    """Random selectors on random trees: what matches is what a search over all ancestors, by the definition, finds."""
    chance = np.random.default_rng(5)
    names = ["g", "a", "svg"]
    for _ in range(60):
        count = 25
        parent = [int(chance.integers(0, row)) if row else -1 for row in range(count)]
        tag = [names[chance.integers(3)] for _ in range(count)]
        classes = [set(chance.choice(["p", "q", "r"], chance.integers(0, 3)).tolist()) for _ in range(count)]
        parts = [
            (names[chance.integers(3)] if chance.random() < 0.6 else "", "pqr"[chance.integers(3)])
            for _ in range(chance.integers(1, 5))
        ]
        parts = [(name, letter if chance.random() < 0.5 or not name else "") for name, letter in parts]
        child = [False, *(bool(chance.random() < 0.4) for _ in parts[1:])]
        text = ""
        for (name, letter), direct in zip(parts, child, strict=True):
            text += (" > " if direct else " ") + name + (f".{letter}" if letter else "")

        def simple(row: int, part: tuple[str, str], tag=tag, classes=classes) -> bool:
            return part[0] in ("", tag[row]) and (not part[1] or part[1] in classes[row])

        def matches(row: int, last: int, parts=parts, child=child, parent=parent, simple=simple) -> bool:
            if row < 0 or not simple(row, parts[last]):
                return False
            if last == 0:
                return True
            if child[last]:
                return matches(parent[row], last - 1)
            above = parent[row]
            while above >= 0:
                if matches(above, last - 1):
                    return True
                above = parent[above]
            return False

        sheet = Sheet(Limits())
        assert sheet.add(f"{text} {{ fill: red }}") == []
        reach = []
        for row in range(count):
            outer = reach[parent[row]] if row else ROOT
            mine, (normal, _) = sheet.match(tag[row], {"class": " ".join(sorted(classes[row]))}, outer)
            reach.append(mine)
            assert (normal == {"fill": "red"}) == matches(row, len(parts) - 1), (text, row)


def test_a_style_sheet_in_cdata_and_of_another_language(draw: Draw) -> None:
    """Sheets may stand in CDATA; one that is no CSS is reported and not applied."""
    drawing = draw(
        "<style><![CDATA[ g > rect { fill: lime } ]]></style>"
        "<style id='odd' type='text/x'>rect{fill:red !important}</style>"
        "<g><rect width='9' height='9'/></g>"
    )
    assert fill_of(drawing) == "#00ff00"
    assert [one.element_id for one in drawing.skipped] == ["odd"]


def test_geometry_in_styles(draw: Draw) -> None:
    """Sizes may be set by a style and then beat the attribute (SVG 2, 7.1); the transform and d may not."""
    drawing = draw(
        "<style>.big{r:9px}</style><circle class='big' cx='20' cy='20' r='3'/><rect style='width:30px' height='5'/>"
        "<path id='p' style='d:path(\"M0 0h5\")'/><rect id='q' width='5' height='5' style='transform:rotate(5deg)'/>"
    )
    assert drawing.shapes["dot_mm"][0] == pytest.approx(18)
    assert np.ptp(drawing.points_mm, axis=0).tolist() == [30, 5]
    assert [one.element_id for one in drawing.skipped] == ["p", "q"]


def test_stroke_properties(draw: Draw) -> None:
    """Width, caps, joins, limit and dashes are inherited and kept, in mm."""
    drawing = draw(
        '<g stroke="red" fill="none" stroke-width="2" stroke-linecap="round" stroke-linejoin="bevel">'
        '<path d="M0 0h9"/><path d="M0 0h9" stroke-linecap="square" stroke-linejoin="round" stroke-width="1cm"/>'
        '<path d="M0 0h9" style="stroke-miterlimit:2.5;stroke-dasharray:3 1;stroke-dashoffset:-2"/></g>'
        '<path d="M0 0h9" stroke="blue" fill-rule="evenodd"/><path d="M0 0h9"/>'
    )
    shapes = drawing.shapes
    # The canvas' user unit is a millimetre here, and a centimetre is 96/2.54 user units by CSS whatever their size.
    np.testing.assert_allclose(shapes["width_mm"], [2, 960 / 25.4, 2, 1, np.nan])
    assert shapes["cap"].tolist() == [ROUND, SQUARE, ROUND, BUTT, BUTT]
    assert shapes["join"].tolist() == [BEVEL, ROUND, BEVEL, MITER, MITER]
    np.testing.assert_allclose(shapes["miter"], [4, 4, 2.5, 4, np.nan])
    assert shapes["rule"].tolist() == [NONZERO, NONZERO, NONZERO, EVENODD, NONZERO]
    assert shapes["dash"].tolist() == [-1, -1, 0, -1, -1]
    assert drawing.dashes == ((-2.0, 3.0, 1.0),)


@pytest.mark.parametrize(
    ("dashes", "expected"),
    [
        ("3", (0, 3, 3)),
        ("5 3 2", (0, 5, 3, 2, 5, 3, 2)),
        ("5,3,2,1", (0, 5, 3, 2, 1)),
        ("10%", (0, *[10 * np.sqrt((200**2 + 100**2) / 2) / 100] * 2)),
        ("none", None),
        ("0 0", None),
    ],
)
def test_dash_patterns(draw: Draw, dashes: str, expected: tuple[float, ...] | None) -> None:
    """Odd lists are gone through twice, zeros are no dashes, % is of the diagonal over root 2 (SVG 2, 13.5.6, 8.9)."""
    drawing = draw(f'<path d="M0 0h9" stroke="red" stroke-dasharray="{dashes}"/>')
    if expected is None:
        assert drawing.shapes["dash"].tolist() == [-1]
    else:
        np.testing.assert_allclose(drawing.dashes[0], expected)


@pytest.mark.parametrize(
    ("transform", "width", "reported"),
    [
        ("scale(3)", 6, False),
        ("rotate(30) scale(-3 3)", 6, False),
        ("scale(2 8)", 8, True),  # sqrt(2 * 8) times 2
        ("matrix(1 0 1 1 0 0)", 2, True),  # a shear keeps areas
        ("scale(0.25) skewX(0.1)", 0.5, False),
    ],
)
def test_stroke_width_under_transforms(draw: Draw, transform: str, width: float, reported: bool) -> None:
    """Widths grow with the root of the area's growth; where they would differ by direction, that is reported."""
    drawing = draw(f'<path id="it" d="M9 9h9" stroke="red" stroke-width="2" transform="{transform}"/>')
    assert drawing.shapes["width_mm"][0] == pytest.approx(width)
    assert [one.what for one in drawing.skipped] == (["stroke width"] if reported else [])


def test_a_stroke_that_does_not_scale(draw: Draw) -> None:
    """vector-effect: non-scaling-stroke keeps the width in px of the drawing itself, 1/96 inch (SVG 2, 8.13)."""
    drawing = draw(
        '<path d="M0 0h9" stroke="red" stroke-width="3" transform="scale(7 2)" vector-effect="non-scaling-stroke"/>'
    )
    assert drawing.shapes["width_mm"][0] == pytest.approx(3 * 25.4 / 96)
    assert drawing.skipped == ()


@pytest.mark.parametrize(
    ("element", "what", "kind"),
    [
        ("<rect id='it' width='9' height='9' opacity='.5'/>", "opacity", "changed"),
        ("<rect id='it' width='9' height='9' fill='#ff000080'/>", "fill", "changed"),
        ("<rect id='it' width='9' height='9' fill-opacity='50%'/>", "fill-opacity", "changed"),
        ("<rect id='it' width='9' height='9' style='mix-blend-mode:multiply'/>", "mix-blend-mode", "changed"),
        ("<rect id='it' width='9' height='9' style='fill:lab(50% 40 30)'/>", "fill colour", "changed"),
        ("<rect id='it' width='9' height='9' fill='var(--teal)'/>", "fill colour", "changed"),
        ("<rect id='it' width='9' height='9' stroke='red' paint-order='stroke'/>", "paint-order", "changed"),
        ("<path id='it' d='M0 0h9' stroke='red' marker-end='url(#m)'/>", "markers", "left out"),
        (
            "<path id='it' d='M0 0h9' stroke='red' stroke-dasharray='1' pathLength='9'/>",
            "pathLength",
            "changed",
        ),
        ("<rect id='it' width='9' height='9' filter='url(#f)'/>", "filter", "left out"),
        ("<rect id='it' width='9' height='9' mask='url(#f)'/>", "mask", "left out"),
        ("<rect id='it' width='9' height='9' visibility='hidden'/>", "visibility", "unseen"),
        ("<rect id='it' width='9' height='9' fill='none' stroke='none'/>", "look", "unseen"),
        ("<text id='it'>LOW TIDE</text>", "text", "left out"),
        ("<switch id='it'><rect width='9' height='9'/></switch>", "switch", "left out"),
        ("<foreignObject id='it'/>", "foreignObject", "left out"),
        ("<image id='it' href='heron.png' width='9' height='9'/>", "image", "left out"),
        ("<script id='it'>0</script>", "script", "unseen"),
        ("<linearGradient id='g'/><rect id='it' width='9' height='9' fill='url(#g)'/>", "fill", "left out"),
        ("<rect id='it' width='9' height='9' fill='url(#none)'/>", "fill", "left out"),
    ],
)
def test_reports_say_what_and_how_grave(draw: Draw, element: str, what: str, kind: str) -> None:
    """Each thing that is not painted as drawn is reported once, as left out, changed or not seen anyway."""
    assert [(one.element_id, one.what, one.kind) for one in draw(element).skipped] == [("it", what, kind)]


def test_a_colour_may_stand_in_for_a_missing_pattern(draw: Draw) -> None:
    """url(#none) red is red where nothing has that id (SVG 2, 13.2)."""
    drawing = draw('<rect width="9" height="9" fill="url(#none) red" stroke="url(#none) blue"/>')
    assert (fill_of(drawing), stroke_of(drawing)) == ("#ff0000", "#0000ff")
    assert drawing.skipped == ()


@pytest.mark.parametrize("width", ["-1", "thin", "1e999", "2em", "calc(1px + 1px)", "1e300"])
def test_bad_widths_are_refused(draw: Draw, width: str) -> None:
    """A stroke width that cannot be read is a mistake of the file, not a guess."""
    with pytest.raises(InputError, match="it"):
        draw(f'<path id="it" d="M0 0h9" stroke="red" stroke-width="{width}"/>')


def test_layers_and_groups(draw: Draw) -> None:
    """Each shape knows the groups around it, outermost first; the drawing knows all its groups, empty ones too."""
    drawing = draw(
        '<g id="sky"><g><g id="moon"><rect width="9" height="9"/></g></g><rect width="9" height="9"/></g>'
        '<rect width="9" height="9"/><g id="empty"/>'
    )
    assert [drawing.layers[row] for row in drawing.shapes["layer"]] == [("sky", "moon"), ("sky",), ()]
    assert sorted(drawing.group_ids) == ["empty", "moon", "sky"]
    assert drawing.element_ids == ("moon/rect[1]", "sky/rect[1]", "rect[1]")
