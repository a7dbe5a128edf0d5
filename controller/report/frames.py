"""A table as columns of arrays, written as CSV and, where pyarrow is installed, as Parquet.

Owns both forms and how unknown values stand in them. Knows nothing of what a table says. Column names carry units.

A column is an array: integers, booleans, floats (unknown: not-a-number), text (unknown: empty) or datetime64[ms], UTC
(unknown: not-a-time). In CSV (RFC 4180, UTF-8) what is unknown is an empty cell; in Parquet it is null, so that
pandas reads floats, timestamps and text with the right dtypes. Text that a spreadsheet would take for a formula bears
an apostrophe before it in CSV.
"""

from __future__ import annotations

import csv
from collections.abc import Mapping
from dataclasses import dataclass
from importlib.util import find_spec
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from controller.config.errors import InputError, Mistake
from controller.report.files import whole as whole_file

DIGITS = 9
"""Significant digits of floats in CSV; Parquet keeps all."""


@dataclass(frozen=True, slots=True)
class Frame:
    """``name``: of its files. ``columns``: all of the same length. Raises ValueError when they are not."""

    name: str
    columns: Mapping[str, npt.NDArray[Any]]

    def __post_init__(self) -> None:
        lengths = {len(values) for values in self.columns.values()}
        if len(lengths) > 1:
            raise ValueError(f"{self.name}: expected columns of one length, got {sorted(lengths)}")

    def __len__(self) -> int:
        return len(next(iter(self.columns.values()), ()))


def text(values: list[str]) -> npt.NDArray[np.str_]:
    """A column of text."""
    return np.array(values, dtype=np.str_)


def floats(values: list[float | None]) -> npt.NDArray[np.float64]:
    """A column of floats, None where unknown."""
    return np.array([np.nan if value is None else value for value in values], dtype=np.float64)


def whole(values: list[int]) -> npt.NDArray[np.int64]:
    """A column of integers."""
    return np.array(values, dtype=np.int64)


def flags(values: list[bool]) -> npt.NDArray[np.bool_]:
    """A column of yes and no."""
    return np.array(values, dtype=np.bool_)


def moments(unix_ms: list[int | None]) -> npt.NDArray[np.datetime64]:
    """A column of instants from Unix milliseconds, None where unknown."""
    return np.array(
        [np.datetime64("NaT") if value is None else np.datetime64(value, "ms") for value in unix_ms],
        dtype="datetime64[ms]",
    )


def write_csv(path: Path, frame: Frame) -> None:
    """Write a table as CSV, titles first; whole or not at all."""
    with whole_file(path) as partial, partial.open("w", newline="", encoding="utf-8") as stream:
        writer = csv.writer(stream)
        writer.writerow(frame.columns)
        writer.writerows(zip(*(_cells(values) for values in frame.columns.values()), strict=True))


def _cells(values: npt.NDArray[Any]) -> list[str]:
    if values.dtype.kind == "f":
        cells = [repr(value) for value in _rounded(values.astype(np.float64)).tolist()]
        for place in np.flatnonzero(np.isnan(values)).tolist():
            cells[place] = ""
        return cells
    if values.dtype.kind == "M":
        return ["" if np.isnat(value) else f"{value}Z" for value in values]
    if values.dtype.kind == "b":
        return ["true" if value else "false" for value in values.tolist()]
    if values.dtype.kind in "iu":
        return [str(value) for value in values.tolist()]
    return [plain_cell(str(value)) for value in values.tolist()]


FORMULA = ("=", "+", "-", "@", "\t", "\r")
"""Spreadsheet programs take a cell that begins with one of these for a formula (OWASP, CSV Injection)."""


def plain_cell(words: str) -> str:
    """Text for a cell of CSV: names, reasons and people are others' words, and none of them is a formula."""
    return f"'{words}" if words.startswith(FORMULA) else words


def _rounded(values: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    """To ``DIGITS`` significant digits, all at once: formatting one by one takes longer than all else in a report."""
    size = np.abs(values)
    usual = (size > 1e-290) & (size < 1e290)
    power = DIGITS - 1 - np.floor(np.log10(np.where(usual, size, 1.0))).astype(np.int64)
    up, down = 10.0 ** np.maximum(power, 0), 10.0 ** np.maximum(-power, 0)
    rounded: npt.NDArray[np.float64] = np.where(usual, np.rint(values * up / down) * down / up, values)
    return rounded


def refuse_without_parquet() -> None:
    """Raises InputError where the library for Parquet is not installed."""
    if find_spec("pyarrow") is None:
        raise InputError(
            [
                Mistake(
                    Path("--parquet"), "pyarrow", "the extra 'tables' (pip install 'giornata[tables]')",
                    "not installed; the CSV files need nothing", code="parquet-missing",
                )
            ]
        )  # fmt: skip


def write_parquet(path: Path, frame: Frame) -> None:
    """Write a table as Parquet, whole or not at all. Raises InputError where pyarrow is not installed."""
    refuse_without_parquet()
    import pyarrow as pa  # type: ignore[import-untyped]
    from pyarrow import parquet

    def column(values: npt.NDArray[Any]) -> Any:
        if values.dtype.kind == "f":
            return pa.array(values.astype(np.float64), mask=np.isnan(values))
        if values.dtype.kind == "M":
            return pa.array(values, pa.timestamp("ms"), mask=np.isnat(values)).cast(
                pa.timestamp("ms", tz="UTC")
            )
        if values.dtype.kind in "iu":
            return pa.array(values.astype(np.int64))
        if values.dtype.kind == "b":
            return pa.array(values)
        return pa.array([value or None for value in values.tolist()], pa.string())

    table = pa.table({name: column(values) for name, values in frame.columns.items()})
    with whole_file(path) as partial:
        parquet.write_table(table, partial, compression="zstd")
