"""A column of numbers that grows for as long as a painting does.

Owns where the rows lie: in memory while they are few, from ``IN_MEMORY_BYTES`` on in a file without a name, mapped;
the system writes its pages out when memory is short. The file goes with the column. Knows nothing of what rows mean.
"""

from __future__ import annotations

import tempfile
import weakref
from typing import IO, Any

import numpy as np
import numpy.typing as npt

IN_MEMORY_BYTES = 1 << 22
_FIRST_ROWS = 1024


class Column:
    """Rows of one type, ``width`` numbers each (one number a row without); room doubles as they come."""

    __slots__ = ("__weakref__", "_data", "_file", "length")

    def __init__(self, dtype: npt.DTypeLike, width: int | None = None) -> None:
        shape = (_FIRST_ROWS,) if width is None else (_FIRST_ROWS, width)
        self._data: npt.NDArray[Any] = np.empty(shape, dtype=dtype)
        self._file: IO[bytes] | None = None
        self.length = 0

    def extend(self, values: npt.ArrayLike) -> None:
        """Put rows behind the others. Raises OSError when the disk has no room for them."""
        rows = np.asarray(values, dtype=self._data.dtype)
        needed = self.length + len(rows)
        if needed > len(self._data):
            self._grow(max(needed, 2 * len(self._data)))
        self._data[self.length : needed] = rows
        self.length = needed

    def view(self) -> npt.NDArray[Any]:
        """All rows; good until the next ``extend``."""
        return self._data[: self.length]

    @property
    def is_in_memory(self) -> bool:
        """Whether the rows are still few enough to be held in memory."""
        return self._file is None

    def _grow(self, rows: int) -> None:
        old, dtype = self._data, self._data.dtype
        shape = (rows, *old.shape[1:])
        size = int(np.prod(shape)) * dtype.itemsize
        if size <= IN_MEMORY_BYTES:
            self._data = np.empty(shape, dtype=dtype)
            self._data[: self.length] = old[: self.length]
            return
        file = self._file
        if file is None:
            file = tempfile.TemporaryFile()  # noqa: SIM115 - it lives as long as the column
            weakref.finalize(self, file.close)
        file.truncate(size)
        grown = np.memmap(file, dtype=dtype, mode="r+", shape=shape).view(np.ndarray)
        if self._file is None:
            grown[: self.length] = old[: self.length]
        self._file, self._data = file, grown
