"""Builds and plans so many mixed dots, then says how much memory this process took at most. One JSON line."""

from __future__ import annotations

import json
import resource
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

from controller.config.load import load_machine
from controller.config.places import shipped
from controller.motion.plan import plan_pass
from tests.bench.accuracy_art import dots_art
from tests.bench.planning import MIXED_MM


def peak_bytes() -> int:
    """Largest resident size so far (Linux counts in KiB)."""
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024


def main() -> int:
    """Do it for the number of dots named on the command line."""
    dots = int(sys.argv[1])
    machine = load_machine(shipped("machines/reference-twin.toml"))
    sizes = np.random.default_rng(1).choice(np.array(MIXED_MM), dots)
    # 200 000 dots do not fit a canvas of this size side by side: they lie on one another.
    strokes, _, ink = dots_art(dots, 6.0, 480, sizes, rows=300)
    plan_pass(strokes.take(np.arange(20)), ink, machine, machine.park_mm)  # compilation and imports
    before = peak_bytes()
    begin_s = time.perf_counter()
    with tempfile.TemporaryDirectory(prefix="giornata-planning-") as folder:
        schedule = plan_pass(strokes, ink, machine, machine.park_mm, folder=Path(folder))
        ticks = schedule.ticks
    took_s = time.perf_counter() - begin_s
    answer = {
        "dots": dots,
        "vertices": len(strokes.points_mm),
        "ticks": ticks,
        "seconds": took_s,
        "before_bytes": before,
        "peak_bytes": peak_bytes(),
    }
    print(json.dumps(answer))
    return 0


if __name__ == "__main__":
    sys.exit(main())
