"""Whole gantries drawn at random, and the machine file that a builder writes before anything is measured.

Owns the drawing. The truth stands in the [twin] table, which nobody but the simulated mechanics and the judge reads;
the file beside it has drawn lengths, no play, no lag, stiff belts, a square frame and a level rail.
"""

from __future__ import annotations

import copy
import json
import tomllib
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

import numpy as np

from controller.config.formulas import jerk_for_motor_mm_s3
from controller.config.load import machine_from
from controller.config.machine import AXES, Machine
from controller.config.places import shipped

PLAY_MM, LAG_MS, LATENCY_MS, JITTER_MS = (0.2, 1.5), (3.0, 30.0), (0.5, 6.0), (0.0, 0.3)
BELT_HZ, DAMPING = (6.0, 25.0), (0.02, 0.10)
REVERSAL_MM = 0.02
"""What the builder asks for: circles of 5 mm truer than 0.05 mm want crossings of the play that cost less than half."""
SQUARE_MM_M, LENGTH_MM_M, SAG_MM = 3.0, 2.0, 2.0
BEND_MM = 0.15
"""Length errors stray so far from their straight line."""
SKEW, WOBBLE_MM = 0.3, 0.1
"""A rail sags like a beam on two supports, u - 2 u^3 + u^4 (handbook form, from memory), heavier on one side by up to
the first share, and strays from that by up to the second over a third of its length."""
PLACES = 9

Given = dict[str, Any]
Axis = Literal["x", "y"]


@dataclass(frozen=True)
class Gantry:
    """``file``: the nominal machine file as a table, with the truth as its [twin]. ``seed`` draws readings, too.

    jitter_ms: by axis, of the latency, while lag is identified. Where sheets are painted there is none: past the wire
    no trim brings back the way that it loses, and lines would walk off as on no machine.
    """

    seed: int
    file: Given
    jitter_ms: dict[str, float]

    def machine(self) -> Machine:
        """As the builder has it."""
        return stated(self.file)

    def trembling(self) -> Machine:
        """The same with the jitter of its latencies."""
        file = copy.deepcopy(self.file)
        for axis, jitter in self.jitter_ms.items():
            file["twin"]["axes"][axis]["latency_jitter_ms"] = jitter
        return stated(file)

    def reader(self) -> np.random.Generator:
        """Chance of this gantry's readings."""
        return np.random.default_rng([self.seed, 1])


def stated(file: Given) -> Machine:
    """The machine of a file as a table."""
    return machine_from(copy.deepcopy(file), Path("gantry.toml"))


def gantry(seed: int) -> Gantry:
    """Play 0.2 to 1.5 mm, lag 3 to 30 ms, latency 0.5 to 6 ms with jitter up to 0.3 ms, belts of 6 to 25 Hz damped by 2
    to 10 %, squareness within 3 mm a metre, lengths within 0.2 % (and 0.15 mm beside the straight line), sag to 2
    mm."""
    random = np.random.default_rng([seed, 0])
    file = tomllib.loads(shipped("machines/reference-twin.toml").read_text())
    file["motion"]["reversal_error_mm"] = REVERSAL_MM
    twin = file["twin"]
    for axis in AXES:
        stands, true = file["axes"][axis], twin["axes"][axis]
        del stands["belt"]
        stands |= {"play_mm": 0.0, "loop_lag_ms": 0.0, "latency_ms": 0.0}
        hertz = float(random.uniform(*BELT_HZ))
        places = np.linspace(0.0, true["length_mm"], PLACES)
        error = random.uniform(-LENGTH_MM_M, LENGTH_MM_M) * places / 1000.0
        bend = random.uniform(-BEND_MM, BEND_MM) * np.sin(np.pi * places / places[-1])
        true |= {
            "play_mm": float(random.uniform(*PLAY_MM)),
            "loop_lag_ms": float(random.uniform(*LAG_MS)),
            "latency_ms": float(random.uniform(*LATENCY_MS)),
            "encoder_step_counts": int(random.integers(1, 41)),
            "belt": {
                "position_mm": [0.0],
                "frequency_hz": [hertz],
                "damping": float(random.uniform(*DAMPING)),
            },
            "length_error": {"position_mm": places.tolist(), "error_mm": (error + bend).tolist()},
        }
    u = np.linspace(0.0, 1.0, 25)
    depth, skew = random.uniform(0.0, SAG_MM), random.uniform(-SKEW, SKEW)
    drop = depth * 3.2 * (u - 2.0 * u**3 + u**4) * (1.0 + skew * (2.0 * u - 1.0))
    drop += random.uniform(-WOBBLE_MM, WOBBLE_MM) * np.sin(3.0 * np.pi * u)
    twin["squareness_mm_m"] = float(random.uniform(-SQUARE_MM_M, SQUARE_MM_M))
    twin["sag"] = {"position_mm": (u * twin["axes"]["x"]["length_mm"]).tolist(), "drop_mm": drop.tolist()}
    twin["seed"] = int(random.integers(1, 10_000))
    jitter = {axis: float(random.uniform(*JITTER_MS)) for axis in AXES}
    return Gantry(seed, file, jitter)


def heed(file: Given) -> None:
    """Lower the jerk as ``giornata check`` asks where belts are known to be so soft that motors could not follow.

    What a motor cannot do is lost way, for good where nothing trims.
    """
    machine = stated(file)
    for axis in AXES:
        one = machine.axes[axis]
        if one.belt_hz_min is None:
            continue
        fits = jerk_for_motor_mm_s3(
            one.acceleration_max_mm_s2,
            machine.motion.acceleration_mm_s2,
            one.belt_hz_min,
            machine.tick_us * 1e-6,
        )
        if 0.0 < fits < file["motion"]["jerk_mm_s3"]:
            file["motion"]["jerk_mm_s3"] = float(f"{0.98 * fits:.2g}")


def as_toml(file: Given) -> str:
    """The file as text, for what reads a machine file from its place."""
    lines: list[str] = []

    def put(table: Given, path: str) -> None:
        inner = {name: value for name, value in table.items() if isinstance(value, dict)}
        if path:
            lines.append(f"[{path}]")
        lines.extend(f"{name} = {json.dumps(value)}" for name, value in table.items() if name not in inner)
        for name, value in inner.items():
            put(value, f"{path}.{name}" if path else name)

    put(file, "")
    return "\n".join(lines) + "\n"
