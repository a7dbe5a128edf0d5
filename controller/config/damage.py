"""Files that may be damaged: whatever is wrong inside one, reading it fails in one way.

Owns which errors damage shows itself by in archives, headers and JSON. Knows no format.
"""

from __future__ import annotations

import struct
import zipfile
import zlib
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Final

DAMAGE: Final = (
    zipfile.BadZipFile, zlib.error, struct.error, EOFError, ValueError, KeyError, IndexError, TypeError,
    AttributeError, NotImplementedError, RuntimeError, OverflowError, MemoryError, SyntaxError,
)  # fmt: skip
"""Truncated and emptied files, archives with wrong sums or of a method that is not there, sizes that no memory has,
headers and JSON that say something else."""


@contextmanager
def whole(path: Path) -> Iterator[None]:
    """What is read from ``path`` inside. Raises ValueError that names it for any damage; OSError as it comes."""
    try:
        yield
    except DAMAGE as error:
        kind = type(error).__name__
        raise ValueError(
            f"{path}: damaged ({kind}: {error})" if str(error) else f"{path}: damaged ({kind})"
        ) from error
