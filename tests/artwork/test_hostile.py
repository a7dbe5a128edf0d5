"""Hostile files are refused by the name of a limit, or read within it; nothing but the one file is ever opened."""

from __future__ import annotations

import re
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import fields
from pathlib import Path

import pytest

from controller.artwork.limits import Limits
from controller.artwork.model import Drawing
from controller.artwork.read import read_drawing
from controller.config.errors import InputError
from tests.artwork.conftest import MILLIMETRES, make_job

Draw = Callable[..., Drawing]

CLIP = '<clipPath id="c" clipPathUnits="objectBoundingBox"><rect width="1" height="1"/></clipPath>'
NESTED_BOXES = CLIP + '<g clip-path="url(#c)">' * 40 + f'<path d="M0 0{"h1v1" * 50}"/>' + "</g>" * 40

BEYOND = {
    "file_bytes": ("<path d='M0 0h5'/>" * 100, 1000),
    "attribute_chars": ("<path d='M0 0" + "h1" * 1000 + "'/>", 1000),
    "elements": ("<g/>" * 1000, 1000),
    "drawn": ('<defs><g id="a">' + "<rect/>" * 100 + '</g></defs>' + '<use href="#a"/>' * 11, 1000),
    "drawn_chars": (f'<g id="a"><rect class="{"x" * 500}" width="1" height="1"/></g>' + '<use href="#a"/>' * 20, 5000),
    "layer_names": ("".join(f'<g id="g{i}"><g id="h{i}"><g id="i{i}"/></g></g>' for i in range(50)), 200),
    "depth": ("<g>" * 60 + "</g>" * 60, 50),
    "segments": ('<path id="p" d="M0 0' + "h1" * 400 + '"/>' + '<use href="#p"/>' * 3, 1000),
    "vertices": ('<circle r="9e5" fill="none" stroke="red"/>', 10_000),
    "clips": (CLIP + "".join(f'<rect width="{i}" height="1" clip-path="url(#c)"/>' for i in range(1, 20)), 10),
    "dashes": ('<path d="M0 0h1000" stroke="red" stroke-dasharray=".5"/>', 900),
    "dash_lengths": (f'<path d="M0 0h9" stroke="red" stroke-dasharray="{"1 " * 200}"/>', 100),
    "style_chars": ("<style>" + "rect{fill:red}" * 100 + "</style>", 1000),
    "style_steps": ("<style>" + "*{fill:red}" * 50 + "</style>" + "<g/>" * 50, 1000),
}  # fmt: skip
"""A drawing that goes beyond each limit, and the limit."""


@pytest.mark.parametrize("name", BEYOND)
def test_every_limit_holds(draw: Draw, name: str) -> None:
    """What goes beyond a limit is refused with the limit's number; with twice as much room and more it is read."""
    inside, limit = BEYOND[name]
    with pytest.raises(InputError) as caught:
        draw(inside, limits=Limits(**{name: limit}))
    (mistake,) = caught.value.mistakes
    assert re.match(rf"at most {limit} \w+", mistake.expected)
    draw(inside)


def test_no_limit_is_without_a_test() -> None:
    """A limit added later needs a drawing that goes beyond it; reports and mistakes have tests of their own."""
    assert {one.name for one in fields(Limits)} == set(BEYOND) | {"reports", "mistakes"}


def test_reports_beyond_the_limit_are_summed_up(draw: Draw) -> None:
    """Reports are bounded, and those beyond the bound are counted by what they are about."""
    drawing = draw("<text/>" * 12 + "<image/>" * 5, limits=Limits(reports=10))
    assert len(drawing.skipped) == 12
    assert [(one.what, one.why.split()[0]) for one in drawing.skipped[10:]] == [("text", "2"), ("image", "5")]


def test_mistakes_beyond_the_limit_are_not_looked_for(draw: Draw) -> None:
    """After so many mistakes the file is refused without reading on."""
    with pytest.raises(InputError) as caught:
        draw("<path d='x'/>" * 500, limits=Limits(mistakes=20))
    assert len(caught.value.mistakes) == 20


def test_groups_in_groups_in_boxes_are_bounded(draw: Draw) -> None:
    """Bounding boxes of groups in each other look at the same vertices again and again: bounded too."""
    with pytest.raises(InputError, match="bounding boxes"):
        draw(NESTED_BOXES, limits=Limits(vertices=250))
    draw(NESTED_BOXES)


@pytest.mark.parametrize(
    "inside",
    [
        f'<path d="M0 0h5" style="fill:{"(" * 50_000}"/>',
        f"<style>rect{{fill:{'[' * 50_000}}}</style>",
        f'<path d="M0 0h5" fill="{"rgb(" * 40}"/>',
        f"<style>{':not(' * 5000}</style>",
    ],
)
def test_nested_brackets_do_not_reach_the_stack(draw: Draw, inside: str) -> None:
    """Brackets in brackets in styles are refused or passed over, never followed to the end of the stack."""
    try:
        drawing = draw(inside)
    except InputError as error:
        assert "nested" in str(error)  # noqa: PT017 - either way is right
    else:
        assert drawing.skipped


@pytest.mark.parametrize(
    "inside",
    [
        f'<path id="it" d="M0 0h5" fill="url({" " * 200_000}"/>',
        f'<path id="it" d="M0 0h5" fill="{"a" * 500_000}"/>',
        f'<path id="it" d="M0 0h5" stroke="red" stroke-width="{"1" * 200_000}x"/>',
        f'<path id="it" d="M0 0h5" transform="{"rotate(1" * 50_000}"/>',
        f'<path id="it" d="M0 0h5" style="{"a:b" * 100_000}"/>',
        f'<path id="it" d="M0 0h5" style="{"fill:(" * 90}"/>',
        f'<rect id="it" width="{" " * 200_000}x" height="5"/>',
        f'<svg id="it" viewBox="{"0 " * 100_000}"/>',
        f'<g id="{"x" * 500_000}"><text/><path d="x"/></g>',
    ],
)
def test_long_rubbish_ends_soon_and_short(draw: Draw, inside: str) -> None:
    """Long rows of blanks, digits or letters are judged in one go, and messages about them stay short."""
    try:
        words = [str(one) for one in draw(inside).skipped]
    except InputError as error:
        words = [str(one) for one in error.mistakes]
    assert all(len(one) < 2000 for one in words)


_opened: list[str] | None = None


def _note(event: str, arguments: tuple[object, ...]) -> None:
    if _opened is not None and event in ("open", "socket.connect", "socket.getaddrinfo", "subprocess.Popen"):
        _opened.append(f"{event} {arguments[0]}")


sys.addaudithook(_note)


@contextmanager
def watched() -> Iterator[list[str]]:
    """Files and sockets that are opened meanwhile (audit events, PEP 578)."""
    global _opened
    _opened = seen = []
    try:
        yield seen
    finally:
        _opened = None


OUTSIDE = [
    '<image href="http://127.0.0.1:9/heron.png" width="9" height="9"/>',
    '<image href="file:///etc/hostname" width="9" height="9"/>',
    '<use href="other.svg#a"/><use href="http://127.0.0.1:9/a.svg#a"/>',
    "<style>@import url(http://127.0.0.1:9/a.css); @font-face{src:url(file:///etc/hostname)}</style>",
    '<rect width="9" height="9" fill="url(http://127.0.0.1:9/a.svg#g)" clip-path="url(file:///etc/hostname#c)"/>',
    '<xi:include xmlns:xi="http://www.w3.org/2001/XInclude" href="/etc/hostname" parse="text"/>',
    '<script href="http://127.0.0.1:9/a.js"/>',
]


@pytest.mark.parametrize("inside", OUTSIDE)
def test_nothing_else_is_opened(tmp_path: Path, inside: str) -> None:
    """References to other files and to the network are never followed."""
    file = tmp_path / "small.svg"
    text = (
        '<?xml-stylesheet href="http://127.0.0.1:9/a.css"?>'
        '<!DOCTYPE svg PUBLIC "-//W3C//DTD SVG 1.1//EN" "http://127.0.0.1:9/svg11.dtd">'
        f"<svg {MILLIMETRES}>{{}}</svg>"
    )
    file.write_text(text.format(""))
    read_drawing(make_job(), tmp_path / "job.toml")  # what is imported late is there
    file.write_text(text.format(inside))
    with watched() as seen:
        read_drawing(make_job(), tmp_path / "job.toml")
    assert seen == [f"open {file}"]


def test_the_watch_sees() -> None:
    """The watch of the test above is not blind."""
    with watched() as seen, Path(__file__).open():
        pass
    assert seen == [f"open {__file__}"]


@pytest.mark.parametrize(
    "data",
    [
        b"\xff\xfe<\x00s\x00v\x00g\x00",
        b"<?xml version='1.0' encoding='no-such'?><svg width='5' height='5'/>",
        b"<svg width='5' height='5'>\x00</svg>",
        b"<svg width='5' height='5'>\xff</svg>",
        b"\x1f\x8b\x08\x00",
        b"<svg width='5' height='5'><![CDATA[",
        b"<svg width='5' height='5' width='6'/>",
        b"<svg xmlns:a='' width='5' height='5'/>",
        b"",
    ],
)
def test_files_that_are_no_xml(tmp_path: Path, data: bytes) -> None:
    """Bytes that are no XML, of whatever kind, are one mistake of the file."""
    (tmp_path / "small.svg").write_bytes(data)
    with pytest.raises(InputError) as caught:
        read_drawing(make_job(), tmp_path / "job.toml")
    assert len(caught.value.mistakes) == 1
