"""``use``, ``symbol`` and nested ``svg`` draw what they refer to, where and how SVG 2 says (5.6, 5.5, 8.2)."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from controller.artwork.limits import Limits
from controller.artwork.model import Drawing
from controller.config.errors import InputError
from tests.artwork.areas import seen_fill

Draw = Callable[..., Drawing]


def bounds(drawing: Drawing, row: int = 0) -> list[float]:
    """What is seen of a fill: x and y from and to."""
    return list(seen_fill(drawing, row).bounds)


@pytest.mark.parametrize("link", ['href="#r"', 'xmlns:xlink="http://www.w3.org/1999/xlink" xlink:href="#r"'])
def test_use_moves_and_transforms(draw: Draw, link: str) -> None:
    """x and y move after the use's own transform, before the element's (5.6.2: transform, then translate)."""
    drawing = draw(
        f'<defs><rect id="r" width="10" height="5" transform="translate(1 2)"/></defs>'
        f'<use {link} x="20" y="10" transform="scale(2)"/>'
    )
    np.testing.assert_allclose(bounds(drawing), [42, 24, 62, 34])


def test_what_stands_in_defs_is_drawn_by_use_only(draw: Draw) -> None:
    """Once for each use, in the places where these stand; what is drawn already is drawn again."""
    drawing = draw(
        '<rect id="a" width="1" height="1"/><defs><rect id="b" width="2" height="2"/></defs>'
        '<use href="#b" id="u"/><use href="#a"/><use href="#b"/>'
    )
    np.testing.assert_allclose([bounds(drawing, row)[2] for row in range(4)], [1, 2, 1, 2])
    assert drawing.element_ids == ("a", "u/b", "use[2]/a", "use[3]/b")


def test_inheritance_comes_from_the_use(draw: Draw) -> None:
    """A repeated element inherits from the use, not from where it was defined; its own properties win (5.6.1)."""
    drawing = draw(
        "<style>.deep .mark{fill:lime} .mark{stroke:blue} use.loud{fill:red}</style>"
        '<g fill="yellow" class="deep"><g id="pair"><rect width="9" height="9"/>'
        '<rect class="mark" width="9" height="9"/></g></g>'
        '<use href="#pair" class="loud"/>'
    )
    colours = [drawing.colours[fill] for fill in drawing.shapes["fill"]]
    # In the repetition, .deep is no ancestor: selectors see the repeated tree alone.
    assert colours == ["#ffff00", "#00ff00", "#ff0000", "#ff0000"]
    assert [int(stroke) >= 0 for stroke in drawing.shapes["stroke"]] == [False, True, False, True]


def test_symbols_fit_their_view_box_into_the_use(draw: Draw) -> None:
    """Width and height of the use size the symbol's viewport; what reaches beyond it is cut (overflow: hidden)."""
    symbol = '<symbol id="s" viewBox="0 0 10 10" {}><rect x="-5" width="10" height="10"/></symbol>'
    use = '<use href="#s" x="100" y="50" width="40" height="20"/>'
    # The box is fitted into 40 x 20 in the middle, 20 x 20; the viewport, 40 wide, cuts nothing off there.
    np.testing.assert_allclose(bounds(draw(symbol.format("") + use)), [100, 50, 120, 70])
    left = symbol.format('preserveAspectRatio="xMinYMin"')
    np.testing.assert_allclose(bounds(draw(left + use)), [100, 50, 110, 70])
    seen = symbol.format('preserveAspectRatio="xMinYMin" overflow="visible"')
    np.testing.assert_allclose(bounds(draw(seen + use)), [90, 50, 110, 70])


def test_nested_svg_takes_its_size_from_the_use(draw: Draw) -> None:
    """A repeated svg element has the use's width and height (5.6)."""
    drawing = draw(
        '<defs><svg id="s" width="10" height="10" viewBox="0 0 1 1"><rect width="1" height="1"/></svg></defs>'
        '<use href="#s"/><use href="#s" x="50" width="30" height="30"/>'
    )
    np.testing.assert_allclose(bounds(drawing, 0), [0, 0, 10, 10])
    np.testing.assert_allclose(bounds(drawing, 1), [50, 0, 80, 30])


def test_percentages_are_of_the_nearest_viewport(draw: Draw) -> None:
    """Inside a nested svg, percentages mean its viewBox (8.9)."""
    drawing = draw(
        '<svg x="10" width="50" height="50" viewBox="0 0 10 20"><rect width="50%" height="50%"/></svg>'
    )
    # 10 x 20 fits into 50 x 50 as 25 x 50, its left edge at 10 + 12.5.
    np.testing.assert_allclose(bounds(drawing), [22.5, 0, 35, 25])


def test_only_what_reaches_beyond_an_edge_is_clipped(draw: Draw) -> None:
    """Edges of the drawing and of nested svg elements are clips of those shapes only that they cut."""
    drawing = draw(
        '<svg x="10" y="10" width="20" height="20"><rect width="20" height="20"/><rect x="10" width="20" height="20"/>'
        '<svg x="5" width="30" height="9"><rect x="2" width="20" height="9"/></svg></svg>'
        '<rect width="200" height="100"/><circle cx="200" cy="50" r="5"/><circle cx="195" cy="50" r="5"/>'
    )
    assert (drawing.shapes["clip"] >= 0).tolist() == [False, True, True, False, True, False]
    np.testing.assert_allclose(bounds(drawing, 1), [20, 10, 30, 30])
    np.testing.assert_allclose(bounds(drawing, 2), [17, 10, 30, 19])
    assert all(clip.frame for clip in drawing.clips)


@pytest.mark.parametrize(
    "inside",
    [
        '<g id="a"><use id="it" href="#a"/></g>',
        '<use id="it" href="#it"/>',
        '<defs><g id="a"><use id="it" href="#b"/></g><g id="b"><use id="it" href="#a"/></g></defs><use href="#a"/>',
        '<symbol id="a"><use id="it" href="#a"/></symbol><use href="#a"/>',
        '<symbol id="a" viewBox="0 0 1 1"><use id="it" href="#a" width="5"/></symbol><use href="#a" width="9"/>',
    ],
)
def test_a_use_within_itself_is_refused(draw: Draw, inside: str) -> None:
    """A reference that would go around for ever is a mistake that names the element."""
    with pytest.raises(InputError, match=r"it.*use that does not lie inside"):
        draw(inside)


@pytest.mark.parametrize(
    "link",
    [
        "#none",
        "other.svg#a",
        "http://127.0.0.1/a.svg#a",
        "file:///etc/passwd#a",
        "",
        "#",
        "data:image/svg+xml,x",
    ],
)
def test_references_to_nothing_and_to_elsewhere(draw: Draw, link: str) -> None:
    """What does not lie in this file is not drawn, not fetched, and reported."""
    drawing = draw(f'<use id="it" href="{link}"/>')
    assert [(one.element_id, one.what, one.kind) for one in drawing.skipped] == [("it", "use", "left out")]


def test_unused_definitions_are_told_apart(draw: Draw) -> None:
    """A definition that nothing refers to is reported as not seen; one that is used is not."""
    drawing = draw(
        '<defs><g id="used"><rect id="inner" width="1" height="1"/></g><rect id="idle" width="1" height="1"/></defs>'
        '<symbol id="spare"/><use href="#inner"/>'
    )
    assert [(one.element_id, one.kind) for one in drawing.skipped] == [
        ("idle", "unseen"),
        ("spare", "unseen"),
    ]


def test_groups_around_a_repetition(draw: Draw) -> None:
    """A use and the groups that it repeats are layers of what they draw."""
    drawing = draw(
        '<defs><g id="boat"><rect width="1" height="1"/></g></defs><g id="harbour"><use id="ferry" href="#boat"/></g>'
    )
    assert [drawing.layers[row] for row in drawing.shapes["layer"]] == [("harbour", "ferry", "boat")]


def test_repetition_is_bounded(draw: Draw) -> None:
    """Groups that repeat each other tenfold on eight levels are refused when the count of elements is reached."""
    bomb = '<defs><circle id="l0" r="1"/>' + "".join(
        f'<g id="l{level}">' + f'<use href="#l{level - 1}"/>' * 10 + "</g>" for level in range(1, 9)
    )
    with pytest.raises(InputError, match="at most 3000 elements drawn"):
        draw(bomb + '</defs><use href="#l8"/>', limits=Limits(drawn=3000))


def test_paths_repeated_are_the_same_path(draw: Draw) -> None:
    """Path data that are read once and repeated give the same outlines as the path itself in each place."""
    data = "M1 2c3 9 7 9 10 0s9-4 12 3q3 5 8 1t4 4a5 3 20 0 1 9 2z m2 2h5v5"
    drawing = draw(
        f'<path id="p" d="{data}" fill="none" stroke="red"/><use href="#p" x="50"/><use href="#p" y="40"/>'
    )
    size = len(drawing.points_mm) // 3
    first, second, third = (drawing.points_mm[place * size : (place + 1) * size] for place in range(3))
    np.testing.assert_allclose(second - first, np.broadcast_to((50, 0), first.shape), atol=1e-9)
    np.testing.assert_allclose(third - first, np.broadcast_to((0, 40), first.shape), atol=1e-9)
