"""What preparing a job has worked out before, kept on disk by what it was made from.

Owns the files, their bound and their check: an entry is believed only when the digest in it holds, else it is removed
and made anew. Entries of another version of the code, or of the libraries that count, have other keys. Knows nothing
of what the arrays mean.

One file an entry, ``<kind>/<key>``: a magic word, the SHA-256 of kind, key and the rest, then arrays as numpy writes
them (.npz, no pickles).
"""

from __future__ import annotations

import contextlib
import hashlib
import io
import os
import tempfile
from collections import Counter
from collections.abc import Callable, Iterator
from functools import cache
from importlib.metadata import version
from pathlib import Path
from typing import Any, Final

import numpy as np
import numpy.typing as npt

Arrays = dict[str, npt.NDArray[Any]]

FOLDER: Final = ".giornata-cache"
BYTES_MAX: Final = 1 << 30
"""So much is kept; what was not used for longest goes first."""

_MAGIC: Final = b"giornata kept 1\n"
_ROOMS: Final = ("artwork", "motion", "strokes")
_LIBRARIES: Final = ("numba", "numpy", "scipy", "shapely")


@cache
def code_version() -> str:
    """Digest of all code that decides what strokes and schedules come to, and of the versions of the libraries."""
    found = hashlib.sha256()
    for room in _ROOMS:
        for path in sorted((Path(__file__).parents[1] / room).glob("*.py")):
            found.update(f"{room}/{path.name}\n".encode())
            found.update(path.read_bytes())
    found.update(repr([(name, version(name)) for name in _LIBRARIES]).encode())
    return found.hexdigest()


class ContentCache:
    """Arrays by kind and key, see ``controller.strokes.kept.Keeper``. ``made`` and ``found`` count by kind."""

    def __init__(self, folder: Path, bytes_max: int = BYTES_MAX) -> None:
        self.made: Counter[str] = Counter()
        self.found: Counter[str] = Counter()
        self.damaged: Counter[str] = Counter()
        self._folder = folder
        self._bytes_max = bytes_max

    def arrays(self, kind: str, key: str, make: Callable[[], Arrays], /) -> Arrays:
        """What was kept as ``kind`` under ``key``, else what ``make`` gives, kept from then on."""
        found = self.recall(kind, key)
        if found is None:
            found = make()
            self.made[kind] += 1
            self.keep(kind, key, found)
        return found

    def recall(self, kind: str, key: str) -> Arrays | None:
        """What was kept; None when nothing was, or what is there is damaged, which is removed then."""
        path = self._path(kind, key)
        try:
            data = path.read_bytes()
        except OSError:
            return None
        head = len(_MAGIC) + hashlib.sha256().digest_size
        body = memoryview(data)[head:]
        if not data.startswith(_MAGIC) or data[len(_MAGIC) : head] != _digest(kind, path.name, body):
            self.damaged[kind] += 1
            path.unlink(missing_ok=True)
            return None
        with np.load(io.BytesIO(body), allow_pickle=False) as arrays:
            found = dict(arrays)
        self.found[kind] += 1
        with contextlib.suppress(OSError):
            os.utime(path)
        return found

    def keep(self, kind: str, key: str, arrays: Arrays) -> None:
        """Keep ``arrays``; where the disk does not take them, nothing is kept."""
        buffer = io.BytesIO()
        np.savez(buffer, **arrays)  # type: ignore[arg-type]
        body, path = buffer.getbuffer(), self._path(kind, key)
        with contextlib.suppress(OSError):
            path.parent.mkdir(parents=True, exist_ok=True)
            handle, name = tempfile.mkstemp(prefix=".", dir=path.parent)
            try:
                with os.fdopen(handle, "wb") as file:
                    file.write(_MAGIC + _digest(kind, path.name, body))
                    file.write(body)
                Path(name).replace(path)
            finally:
                Path(name).unlink(missing_ok=True)

    def trim(self) -> int:
        """Remove what was not used for longest until no more than the bound is left; answers how many entries went."""
        entries = sorted(self._entries())
        total, gone = sum(size for _, size, _ in entries), 0
        for _, size, path in entries:
            if total <= self._bytes_max:
                break
            with contextlib.suppress(OSError):
                path.unlink()
                total, gone = total - size, gone + 1
        return gone

    def _entries(self) -> Iterator[tuple[int, int, Path]]:
        """When each was last used, its bytes, its path; unfinished files of a process that died, too."""
        for path in self._folder.glob("*/*"):
            with contextlib.suppress(OSError):
                about = path.stat()
                yield about.st_mtime_ns, about.st_size, path

    def _path(self, kind: str, key: str) -> Path:
        name = hashlib.sha256(f"{code_version()} {key}".encode()).hexdigest()
        return self._folder / kind / name


def _digest(kind: str, name: str, body: memoryview) -> bytes:
    found = hashlib.sha256(f"{kind} {name}\n".encode())
    found.update(body)
    return found.digest()
