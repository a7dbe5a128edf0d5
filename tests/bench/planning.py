"""What planning costs: ticks and dots a second, memory for large passes, and painting time over the least possible.

Owns these three measurements and the closed forms that the last one is held against:

* straight, rest to rest, speed V, acceleration A, jerk J: the S-curve's minimum time (Biagiotti & Melchiorri,
  "Trajectory Planning for Automatic Machines and Robots", 2008, ch. 3; from memory, agrees with ruckig to 1e-9);
* a full circle of radius R, rest to rest, under one limit A on the acceleration vector and no limit of jerk:
  T = (2 x 1.3110287771 + 3 pi / 2) sqrt(R / A) where V >= sqrt(A R), and the same with the run-up cut at V else
  (closed form: on the run-up v^2 = A R sin 2 phi). With a jerk limit every real time is longer.

Memory is that of a process of its own, as the kernel counts it (``ru_maxrss``).
"""

from __future__ import annotations

import json
import math
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from scipy.integrate import quad

LINES_MM = (1.0, 10.0, 100.0, 1000.0)
CIRCLES_MM = (2.0, 5.0, 50.0, 300.0)
DOTS_SMALL, DOTS_LARGE = 50_000, 200_000
MIXED_MM = (4.0, 5.0, 6.0, 8.0, 10.0)
"""Diameters of the mixed dots, in turn by a fixed seed."""


def least_line_s(length: float, speed: float, acceleration: float, jerk: float) -> float:
    """Minimum time of a straight move from rest to rest."""
    if speed * jerk >= acceleration**2:
        if length >= speed * (speed / acceleration + acceleration / jerk):
            return length / speed + speed / acceleration + acceleration / jerk
        if length >= 2 * acceleration**3 / jerk**2:
            ramp = acceleration / jerk
            return ramp + math.sqrt(ramp**2 + 4 * length / acceleration)
    elif length >= 2 * speed * math.sqrt(speed / jerk):
        return length / speed + 2 * math.sqrt(speed / jerk)
    return 4 * float(np.cbrt(length / (2 * jerk)))


def least_circle_s(radius: float, speed: float, acceleration: float) -> float:
    """Minimum time of a full circle from rest to rest, jerk not limited."""
    curved = math.sqrt(acceleration * radius)
    u = min(1.0, speed / curved)
    # x = u sin(t) takes the root out of the integrand's end
    run_up, _ = quad(
        lambda t: u * math.cos(t) / math.sqrt(1 - (u * math.sin(t)) ** 4) if u < 1 else
        1 / math.sqrt(1 + math.sin(t) ** 2), 0.0, math.pi / 2,
    )  # fmt: skip
    angle = 0.5 * math.asin(u**2)
    return 2 * math.sqrt(radius / acceleration) * run_up + (2 * math.pi - 2 * angle) * radius / min(
        speed, curved
    )


@dataclass(frozen=True, slots=True)
class Timed:
    """One path: what the planner takes, the least possible, both s."""

    name: str
    seconds: float
    least_s: float


def profile_times() -> list[Timed]:
    """Straight runs and circles under the reference machine's limits."""
    from controller.config.load import load_machine
    from controller.config.places import shipped
    from controller.motion.path import polyline
    from controller.motion.profile import plan_profile
    from tests.bench.accuracy_art import FLATTEN_MM

    motion = load_machine(shipped("machines/reference-twin.toml")).motion
    limits = (motion.paint_speed_mm_s, motion.acceleration_mm_s2)
    jerk = motion.jerk_mm_s3
    rows = []
    for length in LINES_MM:
        path = polyline(np.array([[0.0, 0.0], [0.6 * length, 0.8 * length]]))
        took = plan_profile(path, *limits, jerk).duration_s_total
        rows.append(Timed(f"line {length:g} mm", took, least_line_s(length, *limits, jerk)))
    for radius in CIRCLES_MM:
        sides = math.ceil(math.pi / math.acos(1 - FLATTEN_MM / radius))
        angle = 2 * np.pi * np.arange(sides + 1) / sides
        path = polyline(radius * np.column_stack([np.cos(angle), np.sin(angle)]))
        took = plan_profile(path, *limits, jerk).duration_s_total
        rows.append(Timed(f"circle r {radius:g} mm", took, least_circle_s(radius, *limits)))
    return rows


def planning_rate(dots: int) -> dict[str, float]:
    """Ticks and dots a second that the planner makes of 8 mm dots on the reference machine, on one core."""
    from controller.config.load import load_machine
    from controller.config.places import shipped
    from controller.motion.plan import plan_pass
    from tests.bench.accuracy_art import dots_art

    machine = load_machine(shipped("machines/reference-twin.toml"))
    strokes, _, ink = dots_art(dots)
    plan_pass(strokes.take(np.arange(2)), ink, machine, machine.park_mm)  # compilation and imports
    begin_s = time.perf_counter()
    schedule = plan_pass(strokes, ink, machine, machine.park_mm)
    took_s = time.perf_counter() - begin_s
    return {
        "dots": dots,
        "ticks": schedule.ticks,
        "seconds": took_s,
        "dots_per_s": dots / took_s,
        "ticks_per_s": schedule.ticks / took_s,
        "times_real_time": schedule.ticks * machine.tick_ns * 1e-9 / took_s,
    }


def memory_of(dots: int) -> dict[str, float]:
    """Peak resident memory (bytes) of a process that loads and plans ``dots`` mixed dots, and what else it said."""
    command = [sys.executable, "-m", "tests.bench.planning_child"]
    with tempfile.TemporaryDirectory(prefix="giornata-planning-") as folder:
        file = str(Path(folder) / "strokes.npz")
        subprocess.run([*command, "build", str(dots), file], check=True)
        done = subprocess.run([*command, "plan", file], capture_output=True, text=True, check=True)
    return dict(json.loads(done.stdout.splitlines()[-1]))


def planning_figures(quick: bool = False) -> dict[str, Any]:
    """All of it as one dict for the report."""
    shrink = 10 if quick else 1
    small, large = memory_of(DOTS_SMALL // shrink), memory_of(DOTS_LARGE // shrink)
    grown = large["peak_bytes"] - small["peak_bytes"]
    return {
        "rate": planning_rate(500 if quick else 4000),
        "memory": {
            "small": small,
            "large": large,
            "bytes_a_dot": grown / (large["dots"] - small["dots"]),
            "bytes_a_dot_before_planning": (large["before_bytes"] - small["before_bytes"])
            / (large["dots"] - small["dots"]),
        },
        "profile": [
            {
                "name": row.name,
                "seconds": row.seconds,
                "least_s": row.least_s,
                "ratio": row.seconds / row.least_s,
            }
            for row in profile_times()
        ],
    }


def words(figures: dict[str, Any]) -> list[str]:
    """The figures as lines for a terminal."""
    rate, memory = figures["rate"], figures["memory"]
    rows = (memory["small"], memory["large"])
    speed = f"{rate['dots_per_s']:.0f} dots/s, {rate['ticks_per_s']:.0f} ticks/s"
    lines = [f"planning: {speed}, {rate['times_real_time']:.0f} times as fast as painting"]
    for row in rows:
        peak, before = row["peak_bytes"] / 2**20, row["before_bytes"] / 2**20
        lines.append(
            f"memory: {row['dots']:.0f} mixed dots: peak {peak:.0f} MiB ({before:.0f} MiB before planning)"
        )
    strokes = memory["bytes_a_dot_before_planning"]
    lines.append(
        f"memory: {memory['bytes_a_dot']:.0f} bytes more for each dot more ({strokes:.0f} are the strokes themselves)"
    )
    lines += [
        f"time of {row['name']}: {row['seconds']:.4f} s, least possible {row['least_s']:.4f} s, "
        f"{row['ratio']:.4f} times"
        for row in figures["profile"]
    ]
    return lines


def main() -> int:
    """Print the figures and write build/bench/planning.json."""
    figures = planning_figures("--quick" in sys.argv[1:])
    print("\n".join(words(figures)))
    out = Path("build/bench")
    out.mkdir(parents=True, exist_ok=True)
    (out / "planning.json").write_text(json.dumps(figures, indent=1) + "\n")
    return 0


if __name__ == "__main__":
    sys.exit(main())
