"""The documentation as a site: strict, whole, and sufficient to itself; and what lies beside it in the checkout."""

from __future__ import annotations

from html.parser import HTMLParser
from pathlib import Path
from urllib.parse import unquote

import pytest
from mkdocs.exceptions import Abort

from tests.docs.conftest import Site, built
from tests.docs.decisions import FOLDER, INDEX, page, titles
from tests.docs.examples import ROOT, pages
from tests.docs.links import anchors, broken


class _Links(HTMLParser):
    """What a page refers to, and the ids that it has."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.to: list[str] = []
        self.needs: list[str] = []
        self.ids: list[str] = []
        self.without_words: list[str] = []
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        given = dict(attrs)
        if given.get("id"):
            self.ids.append(str(given["id"]))
        if tag == "a" and given.get("href"):
            self.to.append(str(given["href"]))
        if tag in ("img", "script", "source", "iframe") and given.get("src"):
            self.needs.append(str(given["src"]))
        if tag == "link" and given.get("href"):
            self.needs.append(str(given["href"]))
        if tag == "img" and not given.get("alt"):
            self.without_words.append(str(given.get("src")))


@pytest.fixture(scope="module")
def read(site: Site) -> dict[Path, _Links]:
    """Every page, read."""
    return {one: _Links(one.read_text(encoding="utf-8")) for one in site.pages}


def test_the_site_is_built_strictly(site: Site) -> None:
    """The strict build ends without a warning, with a page for each document and each shown file."""
    assert (site.folder / "index.html").is_file()
    for path in (ROOT / "docs").rglob("*.md"):
        assert (site.folder / path.relative_to(ROOT / "docs").with_suffix(".html")).is_file()
    for made in ("developers.html", "changelog.html", "configs/machines/template-slcan.toml.html"):
        assert (site.folder / made).is_file()


def test_every_link_of_the_site_leads_to_a_page_and_a_place(site: Site, read: dict[Path, _Links]) -> None:
    """Read again by another parser, every link's file and anchor are there, and each id once in its page."""
    found = []
    for path, links in read.items():
        assert len(links.ids) == len(set(links.ids)), path
        for target in links.to:
            name, _, anchor = unquote(target).partition("#")
            if ":" in name:
                continue
            to = (path.parent / name).resolve() if name else path
            if not to.is_file() or (anchor and to in read and anchor not in read[to].ids):
                found.append(f"{path.relative_to(site.folder)}: {target}")
    assert found == []
    assert sum(len(links.to) for links in read.values()) > 1000


def test_the_site_needs_nothing_from_elsewhere(site: Site, read: dict[Path, _Links]) -> None:
    """Styles, scripts and pictures come with the site or stand in the page; pictures have words."""
    for path, links in read.items():
        for need in links.needs:
            assert need.startswith("data:") or (path.parent / unquote(need)).is_file(), (path, need)
        assert links.without_words == [], path
    styles = [one.read_text(encoding="utf-8") for one in site.folder.rglob("*.css")]
    assert styles
    assert not any("url(" in style or "@import" in style for style in styles)


@pytest.mark.parametrize(
    ("pages", "nav"),
    [
        ({"index.md": "# A\n\n[gone](gone.md)\n"}, ["index.md"]),
        ({"index.md": "# A\n\n[there](b.md#nowhere)\n", "b.md": "# B\n"}, ["index.md", "b.md"]),
        ({"index.md": "# A\n", "b.md": "# B\n"}, ["index.md"]),
        ({"index.md": "# A\n"}, ["index.md", "gone.md"]),
    ],
    ids=["link to nothing", "anchor of nothing", "page in no contents", "contents of nothing"],
)
def test_the_strict_build_sees_what_is_wrong(tmp_path: Path, pages: dict[str, str], nav: list[str]) -> None:
    """Each of these fails under the settings of mkdocs.yml: the build is not merely always green."""
    docs = tmp_path / "docs"
    docs.mkdir()
    for name, text in pages.items():
        (docs / name).write_text(text)
    with pytest.raises(Abort):
        built(tmp_path / "site", docs_dir=str(docs), nav=nav, hooks=[], not_in_nav="")


def test_a_good_site_passes(tmp_path: Path) -> None:
    """The same settings let pages pass whose links are good."""
    docs = tmp_path / "docs"
    docs.mkdir()
    (docs / "index.md").write_text("# A\n\n[there](b.md#here-it-is)\n")
    (docs / "b.md").write_text("# B\n\n## Here it is\n")
    built(tmp_path / "site", docs_dir=str(docs), nav=["index.md", "b.md"], hooks=[], not_in_nav="")


def test_links_in_the_checkout_lead_somewhere() -> None:
    """Every relative link and anchor of README, DEVELOPERS, CHANGELOG and all pages of docs, as a viewer of the
    checkout sees them."""
    found = [line for path in pages() for line in broken(path, path.read_text(encoding="utf-8"))]
    assert found == []


def test_the_link_check_sees_what_is_wrong(tmp_path: Path) -> None:
    """A missing file, a missing anchor, and one in another page are told with their line; code is not looked at."""
    page, other = tmp_path / "a.md", tmp_path / "b.md"
    other.write_text("# B\n\n## Time and `ticks`\n")
    page.write_text(
        "# A\n\n[x](gone.md)\n[x](#nowhere)\n[x](b.md#time-and-ticks) [x](#a) [x](b.md#time)\n"
        "`[x](gone.md)`\n\n```\n[x](gone.md)\n# No heading\n```\n[x](#no-heading)\n"
    )
    lines = [line.partition(": ")[0] for line in broken(page, page.read_text())]
    assert lines == ["a.md:3", "a.md:4", "a.md:5", "a.md:12"]


def test_headings_on_which_viewers_differ_are_no_anchors() -> None:
    """Of a heading that two ways name differently there is no anchor that holds everywhere."""
    assert anchors("# One, two\n## Lag & time\n") == {"one-two"}


def test_the_index_of_decisions_is_that_of_the_folder() -> None:
    """Every record stands in the index under its title."""
    assert INDEX.read_text(encoding="utf-8") == page(FOLDER)


def test_a_record_needs_its_number_in_its_title(tmp_path: Path) -> None:
    """A record whose first line is no title with its own number is refused."""
    (tmp_path / "0002-two.md").write_text("# 0003 Two\n")
    with pytest.raises(ValueError, match="0002-two"):
        titles(tmp_path)
