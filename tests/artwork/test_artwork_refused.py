"""Drawings that cannot be read are refused with file, element, what was expected and what came."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from controller.artwork.model import Artwork
from controller.artwork.read import read_artwork
from controller.config.errors import InputError, Mistake
from controller.config.job import Ink, Job

Read = Callable[..., Artwork]


def refusal(read: Callable[[], Artwork]) -> tuple[Mistake, ...]:
    with pytest.raises(InputError) as caught:
        read()
    return caught.value.mistakes


@pytest.mark.parametrize(
    ("element", "got"),
    [
        ("<path id='it' d='L5 5'/>", "L5"),
        ("<path id='it' d='M5'/>", "end"),
        ("<path id='it' d='M5 5L'/>", "end"),
        ("<path id='it' d='M5 5 5'/>", "end"),
        ("<path id='it' d='M5,,5'/>", ",5"),
        ("<path id='it' d='M5 5,'/>", "end"),
        ("<path id='it' d='M5 5X3'/>", "X3"),
        ("<path id='it' d='M5 5A5 5 0 2 0 9 9'/>", "2 0"),
        ("<path id='it' d='M5 5z5'/>", "5"),
        ("<path id='it' d='M5 nan'/>", "nan"),
        ("<path id='it' d='M5 inf'/>", "inf"),
        ("<path id='it' d='M5 1e999'/>", "1e999"),
        ("<path id='it' d='M0 0L1e30 0'/>", "1e+30"),
        ("<path id='it' d='M0 0L1e300 0L1e300,1e300' transform='scale(1e300)'/>", "inf"),
        ("<path id='it' d='M0 0A1e300 1e300 0 1 0 5 5'/>", "1e+300"),
        ("<circle id='it' r='-5'/>", "-5"),
        ("<circle id='it' r='nan'/>", "nan"),
        ("<circle id='it' r='5em'/>", "5em"),
        ("<circle id='it' cx='1e99' r='5' fill='red'/>", "1e+99"),
        ("<circle id='it' r='5' transform='turn(5)'/>", "turn(5)"),
        ("<circle id='it' r='5' transform='rotate(5 5)'/>", "rotate(5 5)"),
        ("<circle id='it' r='5' transform='translate(5mm)'/>", "5mm"),
        ("<g id='it' transform='scale(1'><circle r='5'/></g>", "scale(1"),
        ("<rect id='it' width='-5' height='5'/>", "-5"),
        ("<line id='it' x1='1' x2='two'/>", "two"),
        ("<polyline id='it' points='1 2 3'/>", "3"),
        ("<polyline id='it' points='1 2 NaN 3'/>", "NaN"),
        ("<svg id='it' width='0'><path d='M0 0h5'/></svg>", "0"),
        ("<svg id='it' viewBox='0 0 5'/>", "0 0 5"),
        ("<svg id='it' viewBox='0 0 5 -5'/>", "-5"),
        ("<svg id='it' viewBox='0 0 5 5' preserveAspectRatio='centre'/>", "centre"),
    ],
)
def test_bad_values_name_the_element(read_k: Read, element: str, got: str) -> None:
    """A value that cannot be read is one mistake that names the file, the element and the value that came."""
    (mistake,) = refusal(lambda: read_k(element))
    assert mistake.file.name == "small.svg"
    assert mistake.where.startswith("it")
    assert got in mistake.got or got in mistake.expected


def test_every_mistake_is_told_at_once(read_k: Read) -> None:
    """All bad elements are named in one refusal, those without an id by their path."""
    mistakes = refusal(
        lambda: read_k("<path d='M0'/><g><circle r='x'/></g><path d='M0 0h5'/><rect id='r' x='q'/>")
    )
    assert [mistake.where.split(" ")[0] for mistake in mistakes] == ["k/path[1]", "k/g[1]/circle[1]", "r"]


def test_missing_group_names_field_and_groups_there(read_svg: Read) -> None:
    """An ink whose group is not in the drawing: the job file's field, the groups that are there, the one asked for."""
    (mistake,) = refusal(
        lambda: read_svg('<svg width="1mm" height="1mm"><g id="a"><g id="c"/></g></svg>', inks=("a", "b"))
    )
    assert mistake.file.name == "job.toml"
    assert mistake.where == "inks[1].group"
    assert "small.svg" in mistake.expected
    assert "a, c" in mistake.expected
    assert mistake.got == "'b'"


def test_a_shape_is_no_group(read_svg: Read) -> None:
    """An id on a path does not make it an ink's group."""
    (mistake,) = refusal(lambda: read_svg('<svg width="1mm" height="1mm"><path id="k" d="M0 0h1"/></svg>'))
    assert mistake.where == "inks[0].group"


def test_group_id_given_twice(read_svg: Read) -> None:
    """Two groups with the ink's id leave open which is meant: refused."""
    (mistake,) = refusal(lambda: read_svg('<svg width="1mm" height="1mm"><g id="k"/><g id="k"/></svg>'))
    assert "group k" in mistake.where


def test_malformed_xml_names_the_line(read_svg: Read) -> None:
    """XML that is not well formed is refused with line and column."""
    (mistake,) = refusal(lambda: read_svg('<svg width="1mm" height="1mm">\n<g id="k">\n</svg>'))
    assert mistake.where == "line 3, column 3"
    assert "mismatched tag" in mistake.got


@pytest.mark.parametrize(
    "text",
    [
        '<!DOCTYPE svg [<!ENTITY a "b">]><svg width="1mm" height="1mm"><g id="k"/></svg>',
        '<!DOCTYPE svg [<!ENTITY a SYSTEM "file:///etc/passwd">]><svg width="1mm" height="1mm">&a;</svg>',
        '<!DOCTYPE svg [<!ENTITY % a SYSTEM "http://127.0.0.1/a">%a;]><svg width="1mm" height="1mm"/>',
    ],
)
def test_entities_are_refused(read_svg: Read, text: str) -> None:
    """Entity declarations and references to other files are refused before anything is read from them."""
    (mistake,) = refusal(lambda: read_svg(text))
    assert mistake.where == "document type"


def test_a_plain_document_type_is_harmless(read_svg: Read) -> None:
    """The document type that older programs write names a DTD, which is not fetched."""
    artwork = read_svg(
        '<!DOCTYPE svg PUBLIC "-//W3C//DTD SVG 1.1//EN" "http://www.w3.org/Graphics/SVG/1.1/DTD/svg11.dtd">'
        '<svg width="1mm" height="1mm"><g id="k"/></svg>'
    )
    assert artwork.size_mm == pytest.approx((1, 1))


@pytest.mark.parametrize(
    ("text", "where"),
    [
        ("<html/>", "root element"),
        ("<svg/>", "root element svg"),
        ('<svg width="5mm"/>', "root element svg"),
        ('<svg width="0" height="5"/>', "root element svg"),
        ('<svg width="5" height="five"/>', "root element svg"),
        ('<svg viewBox="0 0 0 5"/>', "root element svg"),
        ('<svg width="5" height="5" clip-path="url(#a)"><g id="k"/></svg>', "root element svg"),
        ("", "line 1, column 1"),
    ],
)
def test_bad_roots(read_svg: Read, text: str, where: str) -> None:
    """A file that is no drawing of a known size is refused."""
    (mistake,) = refusal(lambda: read_svg(text))
    assert mistake.where == where


def test_no_such_file(tmp_path: Path) -> None:
    """A missing drawing is the job file's mistake, in its field ``artwork``."""
    job = Job(
        format=1,
        name="small",
        artwork="none.svg",
        origin_mm=(0.0, 0.0),
        inks=(Ink(name="k", group="k", colour="#000000", tip_mm=1.0),),
    )
    (mistake,) = refusal(lambda: read_artwork(job, tmp_path / "job.toml"))
    assert (mistake.file.name, mistake.where) == ("job.toml", "artwork")
    assert "none.svg" in mistake.got


def test_depth_is_bounded(read_k: Read) -> None:
    """Endless nesting is refused instead of overrunning the interpreter's stack."""
    mistakes = refusal(lambda: read_k("<g>" * 500 + "</g>" * 500))
    assert "nested" in mistakes[0].expected


@pytest.mark.parametrize("points", ["1" * 5000 + "x", "1 2" + " " * 5000 + "x", "1.1" * 2000 + ",,"])
def test_long_rows_are_refused_at_once(read_k: Read, points: str) -> None:
    """A long row of digits or blanks with a slip at its end is refused like a short one (no endless matching)."""
    (mistake,) = refusal(lambda: read_k(f"<polyline id='it' points='{points}'/>"))
    assert mistake.where.startswith("it")
