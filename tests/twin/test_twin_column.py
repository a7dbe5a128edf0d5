"""Rows that move from memory into a mapped file and stay what they were."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.twin import column as column_module
from drivers.twin.column import Column


@given(st.lists(st.integers(0, 700), max_size=24), st.sampled_from([None, 2]))
def test_a_column_is_the_pieces_put_together_wherever_it_lies(lengths: list[int], width: int | None) -> None:
    """Law, judged by numpy.concatenate: no row is lost or changed when the rows move into the file or it grows."""
    rng = np.random.default_rng(1)
    shape = () if width is None else (width,)
    pieces = [rng.normal(size=(length, *shape)) for length in lengths]
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(column_module, "IN_MEMORY_BYTES", 20_000)
        column = Column(np.float64, width)
        whole: npt.NDArray[Any] = np.empty((0, *shape))
        for piece in pieces:
            column.extend(piece)
            whole = np.concatenate((whole, piece))
            assert np.array_equal(column.view(), whole)
        assert column.is_in_memory == (len(whole) <= 1024 * (2 if width is None else 1))


def test_many_rows_are_not_held_in_memory() -> None:
    column = Column(np.int64)
    column.extend(np.arange(1 << 20))
    assert not column.is_in_memory
    column.extend(np.arange(1 << 21))
    assert int(column.view()[-1]) == (1 << 21) - 1
    assert int(column.view()[: 1 << 20].sum()) == ((1 << 20) - 1) * (1 << 19)
