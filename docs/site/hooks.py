"""What the documentation site holds beside the pages in docs: files of the checkout that those pages link.

Owns the pages made of DEVELOPERS.md, CHANGELOG.md and the files in configs, and the change of links that lead there.
It knows no page by its words. mkdocs calls the functions by their names.
"""

from __future__ import annotations

import posixpath
import re
from pathlib import Path
from typing import Any

from mkdocs.config.defaults import MkDocsConfig
from mkdocs.structure.files import File, Files
from mkdocs.structure.pages import Page

ROOT = Path(__file__).parents[2]
TOP = {"DEVELOPERS.md": "developers.md", "CHANGELOG.md": "changelog.md", "README.md": "index.md"}
"""Documents beside docs, and the page that a link to one leads to."""
LANGUAGES = {".toml": "toml", ".service": "ini", ".eds": "ini"}
FOLDERS = {"configs/jobs/low-tide": "job.toml", "configs/jobs/low-tide-wall": "job.toml"}
"""Folders that are linked, and the file of each that is shown."""
_LINK = re.compile(r"(?<!!)\[([^\]]*)\]\(([^)#\s]+)((?:#[^)\s]*)?)\)")


def shown() -> list[str]:
    """Files in configs that become pages, by their path from the checkout's top."""
    found = sorted(path for path in (ROOT / "configs").rglob("*") if path.suffix in LANGUAGES)
    return [str(path.relative_to(ROOT)) for path in found]


def page_of(path: str) -> str | None:
    """The page, from docs, that shows a file or folder of the checkout outside docs; None where none does."""
    if path in TOP:
        return TOP[path]
    if path in FOLDERS:
        path = f"{path}/{FOLDERS[path]}"
    return f"{path}.md" if path in shown() else None


def relinked(text: str, source: str, page: str) -> str:
    """Text of the file ``source`` (path from the checkout's top), its links changed to those of the site's ``page``.

    A link that leads to nothing that the site holds is left as it is, for mkdocs to complain of.
    """

    def change(match: re.Match[str]) -> str:
        words, target, anchor = match.groups()
        if ":" in target:
            return match[0]
        path = posixpath.normpath(posixpath.join(posixpath.dirname(source), target))
        to = path.removeprefix("docs/") if path.startswith("docs/") else page_of(path)
        if path == "docs/decisions":
            to = "decisions/index.md"
        if to is None:
            return match[0]
        return f"[{words}]({posixpath.relpath(to, posixpath.dirname(page) or '.')}{anchor})"

    return _LINK.sub(change, text)


def on_files(files: Files, config: MkDocsConfig) -> Files:
    """Add the pages that are made of files outside docs."""
    for name, page in TOP.items():
        if name != "README.md":
            text = relinked((ROOT / name).read_text(encoding="utf-8"), name, page)
            files.append(File.generated(config, page, content=text))
    for path in shown():
        text = (ROOT / path).read_text(encoding="utf-8")
        fence = f"# {path}\n\n~~~~{LANGUAGES[Path(path).suffix]}\n{text}\n~~~~\n"
        files.append(File.generated(config, f"{path}.md", content=fence))
    return files


def on_page_markdown(markdown: str, page: Page, **_: Any) -> str:
    """Change links that lead out of docs to the pages made above."""
    uri = page.file.src_uri
    made = uri.startswith("configs/") or uri in (TOP["DEVELOPERS.md"], TOP["CHANGELOG.md"])
    return markdown if made else relinked(markdown, f"docs/{uri}", uri)


def on_page_content(html: str, **_: Any) -> str:
    """Let wide tables and blocks scroll by themselves, by keyboard as well."""
    html = html.replace("<pre>", '<pre tabindex="0">')
    return html.replace("<table>", '<div class="table" tabindex="0"><table>').replace(
        "</table>", "</table></div>"
    )
