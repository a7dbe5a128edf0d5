"""Builds so many mixed dots, or plans those that another such process has built and says how much memory it took.

Two processes, since building leaves a peak of its own behind. The planner's answer is one JSON line.
"""

from __future__ import annotations

import json
import resource
import sys
import time
from pathlib import Path

import numpy as np

from controller.config.load import load_machine
from controller.config.places import shipped
from controller.motion.plan import plan_pass
from controller.strokes.strokeset import StrokeSet
from tests.bench.accuracy_art import dots_art
from tests.bench.planning import MIXED_MM


def peak_bytes() -> int:
    """Largest resident size so far (Linux counts in KiB)."""
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024


def build(dots: int, file: Path) -> None:
    """Write the strokes of ``dots`` mixed dots to ``file``."""
    sizes = np.random.default_rng(1).choice(np.array(MIXED_MM), dots)
    # 200 000 dots do not fit a canvas of this size side by side: they lie on one another.
    strokes, _, _ = dots_art(dots, 6.0, 480, sizes, rows=300)
    strokes.save(file)


def plan(file: Path) -> dict[str, float]:
    """Plan the strokes in ``file`` into a folder beside it; the figures."""
    machine = load_machine(shipped("machines/reference-twin.toml"))
    strokes, _, ink = dots_art(20)
    plan_pass(strokes, ink, machine, machine.park_mm)  # compilation and imports
    strokes = StrokeSet.load(file)
    before = peak_bytes()
    begin_s = time.perf_counter()
    ticks = plan_pass(strokes, ink, machine, machine.park_mm, folder=file.parent / "schedule").ticks
    return {
        "dots": len(strokes),
        "vertices": len(strokes.points_mm),
        "ticks": ticks,
        "seconds": time.perf_counter() - begin_s,
        "before_bytes": before,
        "peak_bytes": peak_bytes(),
    }


def main() -> int:
    """``build DOTS FILE`` or ``plan FILE``."""
    if sys.argv[1] == "build":
        build(int(sys.argv[2]), Path(sys.argv[3]))
    else:
        print(json.dumps(plan(Path(sys.argv[2]))))
    return 0


if __name__ == "__main__":
    sys.exit(main())
