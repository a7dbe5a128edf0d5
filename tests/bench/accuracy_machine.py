"""The reference machine and its variants: a planner that is told nothing, and one that is told wrong numbers.

Owns which of the machine file's numbers are beliefs. The simulated gantry's own ([twin]) are never touched: the truth
stays, the planner errs.
"""

from __future__ import annotations

import itertools
import tomllib
from collections.abc import Iterator, Mapping
from typing import Any

import numpy as np

from controller.config.machine import AXES, Machine
from controller.config.places import shipped

BELIEFS = ("play", "lag", "latency", "frequency", "damping")
WRONG_BY = 0.2


def _file() -> dict[str, Any]:
    return tomllib.loads(shipped("machines/reference-twin.toml").read_text())


def reference() -> Machine:
    """The machine file as it is."""
    return Machine.model_validate(_file())


def ignorant() -> Machine:
    """The same for a planner that takes belts for stiff, play for none and drives for instant."""
    file = _file()
    for axis in AXES:
        file["axes"][axis] |= {"play_mm": 0.0, "loop_lag_ms": 0.0, "latency_ms": 0.0, "belt": None}
    return Machine.model_validate(file)


def believing(factors: Mapping[str, Mapping[str, float]]) -> Machine:
    """The same with each axis' beliefs multiplied: ``factors[axis][belief]``, 1 where not given."""
    file = _file()
    for axis in AXES:
        table, by = file["axes"][axis], factors.get(axis, {})
        table["play_mm"] *= by.get("play", 1.0)
        table["loop_lag_ms"] *= by.get("lag", 1.0)
        table["latency_ms"] *= by.get("latency", 1.0)
        belt = table["belt"]
        belt["frequency_hz"] = [value * by.get("frequency", 1.0) for value in belt["frequency_hz"]]
        belt["damping"] *= by.get("damping", 1.0)
    return Machine.model_validate(file)


Factors = dict[str, dict[str, float]]


def wrong_beliefs(wrong_by: float = WRONG_BY) -> Iterator[tuple[str, Factors]]:
    """Designs of errors, each with its name: one belief at a time, both axes alike (10); all 32 combinations of signs
    with both axes alike; all 32 again with y's signs drawn by a fixed seed."""
    for name in BELIEFS:
        for sign in (-1, 1):
            yield "one at a time", {axis: {name: 1 + wrong_by * sign} for axis in AXES}
    draw = np.random.default_rng(20)
    for design in ("all at once, axes alike", "all at once, each axis by itself"):
        for signs in itertools.product((-1, 1), repeat=len(BELIEFS)):
            other = signs if design.endswith("alike") else draw.choice((-1, 1), len(BELIEFS))
            yield (
                design,
                {
                    "x": {name: 1 + wrong_by * sign for name, sign in zip(BELIEFS, signs, strict=True)},
                    "y": {
                        name: 1 + wrong_by * float(sign) for name, sign in zip(BELIEFS, other, strict=True)
                    },
                },
            )


def words(factors: Mapping[str, Mapping[str, float]]) -> str:
    """Signs of the errors, play lag latency frequency damping, x then y, = where right: ``+-+-- +-+--``."""
    return " ".join(
        "".join("=+-"[int(np.sign(factors[axis].get(name, 1.0) - 1))] for name in BELIEFS) for axis in AXES
    )
