"""Files written whole or not at all: whoever opens one finds the old content or the new, never a part.

Owns the way a report's file takes to its place: beside it, out to the disk, then renamed. Knows nothing of contents.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from controller.config.errors import InputError, Mistake


@contextmanager
def whole(path: Path) -> Iterator[Path]:
    """A file beside ``path`` to be written; when all went well it takes the place of ``path``, else it is gone.

    The folder has to be there. Raises OSError.
    """
    partial = path.with_name(f".{path.name}.part")
    try:
        yield partial
        with partial.open("rb") as written:
            os.fsync(written.fileno())
        partial.replace(path)
    except BaseException:
        partial.unlink(missing_ok=True)
        raise


@contextmanager
def into(folder: Path) -> Iterator[None]:
    """The folder of a report, which is made; what cannot be written into it raises InputError that names it."""
    try:
        folder.mkdir(parents=True, exist_ok=True)
        yield
    except OSError as error:
        got = error.strerror or str(error)
        raise InputError(
            [Mistake(folder, "report folder", "a folder that can be written", got, code="file-unwritable")]
        ) from None


def write_whole(path: Path, content: bytes | str) -> None:
    """Write a file whole or not at all, text as UTF-8. Raises OSError."""
    with whole(path) as partial:
        partial.write_bytes(content.encode() if isinstance(content, str) else content)


def write_named(path: Path, content: bytes | str) -> None:
    """``write_whole`` where a person named the file: its folder is made. Raises InputError for what cannot be."""
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        write_whole(path, content)
    except OSError as error:
        got = error.strerror or str(error)
        raise InputError(
            [Mistake(path, "file", "a file that can be written", got, code="file-unwritable")]
        ) from None
