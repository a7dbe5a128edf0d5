"""PNG files written row by row, so that a picture may be larger than what fits in memory.

Owns the file format (W3C Portable Network Graphics, third edition; ISO/IEC 15948): eight bits a sample, true colour or
a palette, no interlacing, rows unfiltered. Knows nothing of what is shown.
"""

from __future__ import annotations

import struct
import zlib
from pathlib import Path
from types import TracebackType
from typing import Final, Self

import numpy as np
import numpy.typing as npt

Bytes = npt.NDArray[np.uint8]

_SIGNATURE: Final = b"\x89PNG\r\n\x1a\n"
_TRUE_COLOUR, _PALETTE = 2, 3
_METRE: Final = 1
"""Unit of the pHYs chunk: pixels a metre."""


class PngWriter:
    """One file. Rows come in bands, from the top; true colour unless a palette is given. A context manager."""

    def __init__(
        self, path: Path, width: int, height: int, px_per_mm: float, palette: Bytes | None = None
    ) -> None:
        """palette: (up to 256, 3). px_per_mm is written down, so that a print has the true size."""
        self._width, self._height = width, height
        self._samples = 3 if palette is None else 1
        self._rows = 0
        self._packer = zlib.compressobj(6)
        self._file = path.open("wb")
        self._file.write(_SIGNATURE)
        kind = _TRUE_COLOUR if palette is None else _PALETTE
        self._chunk(b"IHDR", struct.pack(">IIBBBBB", width, height, 8, kind, 0, 0, 0))
        density = round(px_per_mm * 1000.0)
        self._chunk(b"pHYs", struct.pack(">IIB", density, density, _METRE))
        if palette is not None:
            self._chunk(b"PLTE", palette.astype(np.uint8).tobytes())

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if kind is not None:
            self._file.close()
            return
        self.close()

    def write(self, band: Bytes) -> None:
        """Add rows: (n, width, 3) true colour or (n, width) palette entries."""
        rows = band.reshape(len(band), -1)
        if rows.shape[1] != self._width * self._samples:
            raise ValueError(f"expected rows of {self._width} pixels, got shape {band.shape}")
        filtered = np.zeros((len(rows), rows.shape[1] + 1), dtype=np.uint8)  # filter type 0 before each row
        filtered[:, 1:] = rows
        self._data(self._packer.compress(filtered.tobytes()))
        self._rows += len(rows)

    def close(self) -> None:
        """End the file. Raises ValueError where rows are missing or too many; closing twice does nothing."""
        if self._file.closed:
            return
        try:
            if self._rows != self._height:
                raise ValueError(f"expected {self._height} rows, got {self._rows}")
            self._data(self._packer.flush())
            self._chunk(b"IEND", b"")
        finally:
            self._file.close()

    def _data(self, packed: bytes) -> None:
        if packed:
            self._chunk(b"IDAT", packed)

    def _chunk(self, kind: bytes, body: bytes) -> None:
        self._file.write(struct.pack(">I", len(body)) + kind + body)
        self._file.write(struct.pack(">I", zlib.crc32(kind + body)))
