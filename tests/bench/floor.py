"""The floor: how punctual the bare host is at the same tick, in the same run, without any of our code in the way.

Uses cyclictest (Debian's rt-tests) when it is there or can be installed; else a bare sleeper of our own, and says
which it was.

cyclictest leaves out the instants that it slept through: one wake-up that is 60 ms late counts once, where a
streamer at 2 ms has thirty late ticks. To compare like with like, a wake-up that is late by L at a tick of T stands
here for the instants it covered: L, L - T, L - 2T, ... as long as they are above zero.
"""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

HISTOGRAM_US = 20_000
PRIORITY = 80
INSTALL_TIMEOUT_S = 180.0


@dataclass(frozen=True, slots=True)
class Floor:
    """Wake-up lateness in us, one entry a wake-up (whole us where the tool counts so), and who measured."""

    late_us: npt.NDArray[np.float64]
    tool: str


def find_cyclictest(*, install: bool) -> str | None:
    """Path of cyclictest; with ``install`` and as root Debian's package is tried. None: use our own sleeper."""
    found = shutil.which("cyclictest")
    if found or not install or os.geteuid() != 0 or shutil.which("apt-get") is None:
        return found
    try:
        subprocess.run(
            ["apt-get", "install", "-y", "-q", "rt-tests"],
            capture_output=True,
            check=True,
            timeout=INSTALL_TIMEOUT_S,
            env={**os.environ, "DEBIAN_FRONTEND": "noninteractive"},
        )
    except (subprocess.SubprocessError, OSError):
        return None
    return shutil.which("cyclictest")


def measure_floor(tool: str | None, tick_us: int, seconds: float) -> Floor:
    """Wake up every ``tick_us`` for ``seconds`` at real-time priority on the streamer's core."""
    core = max(os.sched_getaffinity(0))
    if tool is not None:
        floor = _cyclictest(tool, tick_us, seconds, core)
        if floor is not None:
            return floor
    return _sleeper(tick_us, seconds, core)


def _cyclictest(tool: str, tick_us: int, seconds: float, core: int) -> Floor | None:
    loops = max(1, round(seconds * 1e6 / tick_us))
    command = f"{tool} -m -q -t 1 -p {PRIORITY} -i {tick_us} -l {loops} -a {core} -h {HISTOGRAM_US}"
    done = subprocess.run(
        command.split(),
        capture_output=True,
        text=True,
        check=False,
    )
    if done.returncode != 0:
        return None
    late: list[npt.NDArray[np.float64]] = []
    largest = 0
    for line in done.stdout.splitlines():
        words = line.split()
        if len(words) == 2 and words[0].isdigit() and words[1].isdigit() and int(words[1]):
            late.append(np.full(int(words[1]), float(words[0])))
        elif line.startswith("# Max Latencies:"):
            largest = int(words[-1])
        elif line.startswith("# Histogram Overflows:"):
            late.append(np.full(int(words[-1]), float(HISTOGRAM_US)))
    if not late:
        return None
    values = np.concatenate(late)
    values[np.argmax(values)] = max(float(largest), float(values.max()))
    return Floor(fill_in(values, tick_us), "cyclictest")


def fill_in(late_us: npt.NDArray[np.float64], tick_us: int) -> npt.NDArray[np.float64]:
    """Add the instants that each late wake-up covered (see above)."""
    parts = [late_us]
    rest = late_us - tick_us
    while len(rest := rest[rest > 0.0]):
        parts.append(rest)
        rest = rest - tick_us
    return np.concatenate(parts)


def _sleeper(tick_us: int, seconds: float, core: int) -> Floor:
    done = subprocess.run(
        [sys.executable, "-m", "tests.bench.floor", str(tick_us), str(seconds), str(core)],
        capture_output=True,
        text=True,
        check=True,
    )
    said = json.loads(done.stdout)
    return Floor(np.array(said["late_us"]), f"our own bare sleeper ({said['scheduling']})")


def _sleep(tick_us: int, seconds: float, core: int) -> None:
    import time

    os.sched_setaffinity(0, {core})
    try:
        os.sched_setscheduler(0, os.SCHED_FIFO, os.sched_param(PRIORITY))
        scheduling = "SCHED_FIFO"
    except OSError:
        scheduling = "no real-time rights"
    tick_ns = tick_us * 1000
    begin_ns = time.monotonic_ns() + 10_000_000
    late_us = []
    for index in range(round(seconds * 1e6 / tick_us)):
        instant_ns = begin_ns + index * tick_ns
        while (left_ns := instant_ns - time.monotonic_ns()) > 0:
            time.sleep(left_ns * 1e-9)
        late_us.append((time.monotonic_ns() - instant_ns) / 1000)
    print(json.dumps({"late_us": late_us, "scheduling": scheduling}))


if __name__ == "__main__":
    _sleep(int(sys.argv[1]), float(sys.argv[2]), int(sys.argv[3]))
