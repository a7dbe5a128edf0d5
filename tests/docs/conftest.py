"""What the tests of the documentation share: the site, built once as ``make docs`` builds it."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
from mkdocs.commands.build import build
from mkdocs.config import load_config

from tests.docs.examples import ROOT


@dataclass(frozen=True)
class Site:
    """A folder of HTML pages."""

    folder: Path

    @property
    def pages(self) -> list[Path]:
        """All pages."""
        return sorted(self.folder.rglob("*.html"))


def built(folder: Path, **changed: Any) -> Site:
    """The site under ``folder``, by mkdocs.yml with some settings ``changed``. Raises mkdocs' Abort for a warning."""
    config = load_config(str(ROOT / "mkdocs.yml"), site_dir=str(folder), **changed)
    build(config)
    return Site(folder)


@pytest.fixture(scope="session")
def site(tmp_path_factory: pytest.TempPathFactory) -> Site:
    """The documentation as a site."""
    return built(tmp_path_factory.mktemp("site"))
