"""Fixtures of the motion tests: the shipped machine, an ink, and strokes from vertex lists."""

from __future__ import annotations

import numpy as np
import pytest

from controller.config.job import Ink
from controller.config.load import load_machine
from controller.config.machine import Belt, Geometry, LengthTable, Machine, Pen, PlayTable, Sag
from controller.config.places import shipped
from controller.motion.chain import axis_models, head_mm
from controller.motion.frames import quanta_per_mm
from controller.motion.geometry import GeometryMap
from controller.motion.schedule import Schedule
from controller.strokes.strokeset import StrokeKind, StrokeSet


@pytest.fixture(scope="session")
def machine() -> Machine:
    return load_machine(shipped("machines/boathouse.toml"))


@pytest.fixture(scope="session")
def ink() -> Ink:
    return Ink(name="moon", group="moon", colour="#e8d9a0", tip_mm=2.0)


@pytest.fixture(scope="session")
def stiff(machine: Machine) -> Machine:
    """The shipped machine without play, lag and latency: only the chain's smoothing is left."""
    none = {"play_mm": 0.0, "loop_lag_ms": 0.0, "latency_ms": 0.0}
    axes = {name: axis.model_copy(update=none) for name, axis in machine.axes.items()}
    return machine.model_copy(update={"axes": axes})


@pytest.fixture(scope="session")
def elastic(machine: Machine) -> Machine:
    """The shipped machine with play by place, latency, belts, a crooked frame and a loose pen; gentler limits."""
    axes = {}
    for name, axis in machine.axes.items():
        axes[name] = axis.model_copy(
            update={
                "play_table": PlayTable(position_mm=(0.0, 3400.0), play_mm=(0.5, 0.9)),
                "latency_ms": 2.5,
                "acceleration_max_mm_s2": 7000.0,
                "belt": Belt(position_mm=(0.0, 3400.0), frequency_hz=(12.0, 9.0), damping=0.05),
                "length_table": LengthTable(position_mm=(0.0, 1700.0, 3400.0), error_mm=(0.0, 0.6, -0.4)),
            }
        )
    motion = machine.motion.model_copy(update={"acceleration_mm_s2": 600.0, "jerk_mm_s3": 60_000.0})
    geometry = Geometry(
        squareness_mm_m=0.4, sag=Sag(position_mm=(0.0, 1700.0, 3400.0), drop_mm=(0.0, 0.8, 0.0))
    )
    pen = Pen(lean_mm=(0.15, 0.1), landing_mm=(0.1, -0.2))
    return machine.model_copy(
        update={
            "axes": axes,
            "motion": motion,
            "geometry": geometry,
            "pen": pen,
        }
    )


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


def believed_head_mm(schedule: Schedule, machine: Machine) -> np.ndarray:
    """Where the head is at every tick boundary (n + 1, 2), canvas mm, by the forward model of ``machine``.

    The motors start in the middle of their play, wherever the planner thinks that they lie.
    """
    commands = schedule.boundaries_quanta() / quanta_per_mm(machine)
    head = head_mm(axis_models(machine), commands[1:], machine.tick_us * 1e-6, commands[0], np.zeros(2))
    return GeometryMap.of(machine).to_canvas(np.concatenate([commands[:1], head]))


@pytest.fixture(scope="session")
def head_of():
    """``believed_head_mm`` as a fixture."""
    return believed_head_mm
