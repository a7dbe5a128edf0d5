"""Comparing from places to files: sessions read, pages written whole or not at all. Owns the order of it."""

from __future__ import annotations

import os
from pathlib import Path

from controller.config.errors import InputError, Mistake
from controller.report.compare import Comparison, compare
from controller.report.comparefind import SessionPlace
from controller.report.compareread import read_session


def compare_places(a: SessionPlace, b: SessionPlace) -> Comparison:
    """Read both sessions and compare them. Raises InputError."""
    return compare(read_session(a.state, a.session), read_session(b.state, b.session))


def write_whole(path: Path, text: str) -> None:
    """Write a file whole or not at all; its folder is made. Raises InputError where it cannot be written."""
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        partial = path.with_name(f".{path.name}.part")
        partial.write_text(text, encoding="utf-8")
        os.replace(partial, path)  # noqa: PTH105
    except OSError as error:
        got = error.strerror or str(error)
        raise InputError(
            [Mistake(path, "file", "a file that can be written", got, code="file-unwritable")]
        ) from None
