"""Fixtures of the motion tests: the shipped machine, an ink, and strokes from vertex lists."""

from __future__ import annotations

import numpy as np
import pytest

from controller.config.job import Ink
from controller.config.load import load_machine
from controller.config.machine import Machine
from controller.config.places import shipped
from controller.strokes.strokeset import StrokeKind, StrokeSet


@pytest.fixture(scope="session")
def machine() -> Machine:
    return load_machine(shipped("machines/boathouse.toml"))


@pytest.fixture(scope="session")
def ink() -> Ink:
    return Ink(name="moon", group="moon", colour="#e8d9a0", tip_mm=2.0)


def stroke_set(*strokes: object) -> StrokeSet:
    """A StrokeSet of LINE strokes, one for each list of vertices."""
    arrays = [np.asarray(stroke, dtype=np.float64).reshape(-1, 2) for stroke in strokes]
    offsets = np.concatenate([[0], np.cumsum([len(array) for array in arrays])]).astype(np.int64)
    points = np.concatenate(arrays) if arrays else np.empty((0, 2))
    size = len(arrays)
    return StrokeSet(
        points,
        offsets,
        np.full(size, StrokeKind.LINE, dtype=np.uint8),
        np.arange(size, dtype=np.int32),
        tuple(f"stroke-{index}" for index in range(size)),
    )


@pytest.fixture(scope="session")
def strokes_of():
    """``stroke_set`` as a fixture: test modules do not import each other."""
    return stroke_set
