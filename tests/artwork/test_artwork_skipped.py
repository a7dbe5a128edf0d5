"""What is not painted is reported, by element, with what and why."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from controller.artwork.model import Artwork

Read = Callable[..., Artwork]


@pytest.mark.parametrize(
    "inside",
    [
        "<text id='it'>low tide</text>",
        "<image id='it' width='5' height='5'/>",
        "<use id='it' href='#other'/>",
        "<symbol id='it'><path d='M0 0h5'/></symbol>",
        "<switch id='it'><path d='M0 0h5'/></switch>",
        "<foreignObject id='it'/>",
        "<linearGradient id='it'/>",
        "<radialGradient id='it'/>",
        "<pattern id='it'/>",
        "<clipPath id='it'/>",
        "<mask id='it'/>",
        "<filter id='it'/>",
        "<marker id='it'/>",
        "<style id='it'>path:hover{fill:none}</style>",
        "<defs><path id='it' d='M0 0h5'/></defs>",
        "<wiggle id='it'/>",
        "<path id='it' d='M0 0h5' display='none'/>",
        "<g id='it' style='display: none !important'><path d='M0 0h5'/></g>",
        "<path id='it' d='M0 0h5' visibility='hidden'/>",
        "<path id='it' d='M0 0h5' opacity='0'/>",
        "<path id='it' d='M0 0h5' clip-path='url(#c)'/>",
        "<g id='it' mask='url(#c)'><path d='M0 0h5'/></g>",
        "<g id='it' style='filter:url(#c)'><path d='M0 0h5'/></g>",
        "<path id='it' d='M0 0h5' style='transform: scale(2)'/>",
        "<path id='it' d='M0 0h5' stroke='none'/>",
        "<path id='it' d='M0 0h5' stroke-width='0'/>",
        "<path id='it' d='M0 0h5v5z' fill='red' stroke='none'/>",
        "<path id='it' d='M0 0h5v5z' fill='url(#c)' stroke='none'/>",
        "<circle id='it' r='5' fill='url(#c)' stroke='none'/>",
        "<rect id='it' width='5'/>",
        "<circle id='it'/>",
        "<ellipse id='it' rx='3' ry='0'/>",
        "<path id='it' d=''/>",
        "<path id='it'/>",
        "<path id='it' d='M3 3z'/>",
        "<path id='it' d='M3 3l0 0'/>",
        "<polyline id='it' points=''/>",
        "<line id='it' x1='2' x2='2'/>",
    ],
)
def test_nothing_is_dropped_in_silence(read_k: Read, inside: str) -> None:
    """An element that leaves no mark on the canvas is named in the report, once, with a reason."""
    artwork = read_k(inside)
    assert artwork.inks["k"].outlines == artwork.inks["k"].dots == 0
    assert [skipped.element_id for skipped in artwork.skipped] == ["it"]
    assert artwork.skipped[0].what
    assert artwork.skipped[0].why


@pytest.mark.parametrize(
    ("inside", "what"),
    [
        ("<path id='it' d='M0 0h5v5z' fill='red'/>", "fill"),
        ("<path id='it' d='M0 0h5v5z' style='fill:#ff0000'/>", "fill"),
        ("<path id='it' d='M0 0h5v5z' fill='url(#g)'/>", "fill"),
        ("<path id='it' d='M0 0h5v5z' stroke='url(#g)'/>", "stroke colour"),
        ("<path id='it' d='M0 0h5v5z' stroke-dasharray='3 1'/>", "dashes"),
        ("<path id='it' d='M0 0h5v5z' marker-end='url(#m)'/>", "markers"),
    ],
)
def test_outline_is_painted_and_the_rest_reported(read_k: Read, inside: str, what: str) -> None:
    """A stroked shape is drawn by its outline; the fill, dashes or markers that it also has are reported."""
    artwork = read_k(inside)
    assert artwork.inks["k"].outlines == 1
    assert [(skipped.element_id, skipped.what) for skipped in artwork.skipped] == [("it", what)]


def test_dot_with_a_stroke(read_k: Read) -> None:
    """A filled circle with a stroke is a dot of the circle's own size, and the stroke is reported."""
    artwork = read_k("<circle id='it' cx='9' cy='9' r='5' fill='red'/>")
    assert artwork.inks["k"].dot_diameter_mm.tolist() == [10]
    assert [(s.element_id, s.what) for s in artwork.skipped] == [("it", "stroke")]


def test_outside_every_ink(read_svg: Read) -> None:
    """Elements of no ink are reported one by one, by a made-up path where they have no id."""
    artwork = read_svg(
        '<svg width="9mm" height="9mm"><path d="M0 0h5"/><g id="guides"><g/><g><line x2="3"/></g></g><g id="k"/></svg>'
    )
    assert [s.element_id for s in artwork.skipped] == ["path[1]", "guides/g[2]/line[1]"]
    assert all("outside" in s.why for s in artwork.skipped)


def test_words_about_the_drawing_are_no_drawing(read_k: Read) -> None:
    """Titles, descriptions, metadata, comments and other vocabularies' elements draw nothing and are not reported."""
    artwork = read_k(
        "<title>a</title><desc>b</desc><metadata>c</metadata><!-- d --><x:layer xmlns:x='urn:x'/><g/><defs/>"
    )
    assert artwork.skipped == ()


@pytest.mark.parametrize(
    ("look", "element", "outlines", "dots"),
    [
        ('fill="none"', "<path d='M0 0h5'/>", 1, 0),
        ('fill="none"', "<circle r='5'/>", 1, 0),
        ("", "<circle r='5'/>", 0, 1),
        ("", "<line x2='5'/>", 1, 0),
        ('style="fill:none;stroke:#000"', "<circle r='5'/>", 1, 0),
        ('fill="none"', "<circle r='5' style='fill:red'/>", 0, 1),
        ('fill="red"', "<circle r='5' fill='blue' style='fill:none'/>", 1, 0),
        ('fill="none"', "<circle r='5' fill='inherit'/>", 1, 0),
        ('fill-opacity="0"', "<circle r='5'/>", 1, 0),
        ('fill-opacity="0%" stroke="red"', "<circle r='5'/>", 1, 0),
        ('visibility="hidden"', "<circle r='5' visibility='visible'/>", 0, 1),
    ],
)
def test_look_is_inherited(read_k: Read, look: str, element: str, outlines: int, dots: int) -> None:
    """Fill, stroke and visibility come from the group unless the element or its style says otherwise (SVG 2, 6.6)."""
    shapes = read_k(element, look=look).inks["k"]
    assert (shapes.outlines, shapes.dots) == (outlines, dots)


def test_a_hidden_ink_group_is_not_a_missing_one(read_svg: Read) -> None:
    """An ink whose group is switched off paints nothing; the report says so and the job stands."""
    artwork = read_svg('<svg width="9mm" height="9mm"><g id="k" display="none"><path d="M0 0h5"/></g></svg>')
    assert artwork.inks["k"].outlines == 0
    assert [s.element_id for s in artwork.skipped] == ["k"]


@pytest.mark.parametrize(
    ("fill", "dots", "reports"),
    [
        ("#0000", 0, ["look"]),
        ("rgba(9, 9, 9, 0)", 0, ["look"]),
        ("hsla(9, 9%, 9%, 0)", 0, ["look"]),
        ("transparent", 0, ["look"]),
        ("#000f", 1, []),
        ("rgba(9, 9, 9, 0.5)", 1, ["fill"]),
        ("rgb(1e999, 0, 0)", 1, []),
        ("currentColor", 1, []),
        ("nosuchcolour", 1, ["fill colour"]),
        ("de50", 1, ["fill colour"]),
    ],
)
def test_a_colour_without_opacity_is_not_seen(read_k: Read, fill: str, dots: int, reports: list[str]) -> None:
    """A fill whose own alpha is zero is no fill (CSS Color 4, 4.2); one that nobody can read counts as not set.

    Half an opacity is painted as a whole one, and reported.
    """
    artwork = read_k(f"<circle id='it' cx='9' cy='9' r='5' fill='{fill}'/>", look='stroke="none"')
    assert artwork.inks["k"].dots == dots
    assert [s.what for s in artwork.skipped] == reports
