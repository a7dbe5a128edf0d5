"""Links in Markdown files as they lie in the checkout: whether file and anchor of each are there.

For the documents that are no pages of the site by themselves. An anchor counts when both ways of making one of a
heading agree on it: that of the site (Python-Markdown) and that of the usual viewers of repositories.
"""

from __future__ import annotations

import functools
import re
import unicodedata
from pathlib import Path

from markdown.extensions.toc import slugify  # type: ignore[import-untyped]

from tests.docs.examples import fences

_LINK = re.compile(r"!?\[[^\]]*\]\(([^)\s]+)(?:\s+\"[^\"]*\")?\)")
_HEADING = re.compile(r"^#{1,6}\s+(.*?)\s*#*$")
_CODE = re.compile(r"`[^`\n]*`")


def prose(text: str) -> list[str]:
    """The lines of a page that are in no fenced block, by their place; fenced ones are empty."""
    lines = text.splitlines()
    for fence in fences(text):
        for number in range(fence.line - 1, fence.line + len(fence.lines) + 1):
            lines[number] = ""
    return lines


def plain(heading: str) -> str:
    """A heading's words without the marks of code, emphasis and links."""
    return re.sub(r"\[([^\]]*)\]\([^)]*\)", r"\1", heading).replace("`", "").replace("*", "")


def viewer_slug(heading: str) -> str:
    """Lower case; letters, digits, hyphens, underscores and blanks stay; blanks become hyphens."""
    kept = [c for c in heading.lower() if c in "-_ " or unicodedata.category(c)[0] in "LN"]
    return "".join(kept).replace(" ", "-")


@functools.cache
def anchors(text: str) -> set[str]:
    """Anchors of a page's headings on which both ways agree, and those that it states itself."""
    found: set[str] = set()
    for line in prose(text):
        match = _HEADING.match(line)
        if match:
            words = plain(match[1])
            if slugify(words, "-") == viewer_slug(words):
                found.add(viewer_slug(words))
        found.update(re.findall(r"<a (?:id|name)=\"([\w-]+)\"", line))
        found.update(re.findall(r"\{#([\w-]+)\}", line))
    return found


def broken(path: Path, text: str) -> list[str]:
    """Links of the page at ``path`` that lead nowhere, one line each. Links to other hosts are not looked at."""
    found = []
    for number, line in enumerate(prose(text), 1):
        for target in _LINK.findall(_CODE.sub("", line)):
            if re.match(r"[a-z]+:", target):
                continue
            name, _, anchor = target.partition("#")
            to = path.parent / name if name else path
            if not to.exists():
                found.append(f"{path.name}:{number}: {target}: no such file")
            elif anchor and (to.suffix != ".md" or anchor not in anchors(to.read_text(encoding="utf-8"))):
                found.append(f"{path.name}:{number}: {target}: no such heading")
    return found
