"""``python -m tests.bench.endurance --hours H [--virtual]``: one pass of dots for hours, and whether anything grows.

The machine is the shipped one on the simulated gantry. A session of ``giornata paint`` runs in a process of its own,
in real time with guard, streamer and gantry beside it, or whole in virtual time. Every few seconds the memory of each
process that works for the state folder is read (Linux: ``/proc/PID/status``, proc(5)); at the end the timing log is
cut into equal parts, and each part's percentiles of lateness stand beside the others'.

Owns the run and its table; judges nothing. Anonymous memory is what a process has taken for itself; file pages are
those of the schedule and of the log's ring, which the kernel gives and takes.
"""

from __future__ import annotations

import argparse
import contextlib
import json
import re
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
from rich.console import Console
from rich.table import Table

from controller.config.places import shipped
from controller.session.journal import Journal
from controller.stream.timinglog import read_timing_log

ROLES = ("controller.cli.main", "controller.stream", "safety.guard", "drivers.twin")
NAMES = ("session", "streamer", "guard", "gantry")
SAMPLE_S = 5.0
PARTS = 6
SECONDS_A_DOT = 0.575
"""What one dot of this screen takes on this machine, found by planning it; only the size of the screen hangs on it."""

JOB = """format = 1
name = "long-tide"
artwork = "long.svg"
origin_mm = [30.0, 30.0]
[[inks]]
name = "night"
colour = "#1d2b3a"
tip_mm = 3.0
[sitting]
watch_minutes = {watch_minutes}
[[techniques]]
fill = "screen"
pitch_mm = {pitch_mm}
diameter_mm = 3.0
borders = "dropped"
"""
SVG = """<svg xmlns="http://www.w3.org/2000/svg" width="2900mm" height="1800mm" viewBox="0 0 2900 1800">
<rect width="2900" height="{height}" fill="#1d2b3a"/></svg>
"""


def write_job(folder: Path, hours: float) -> Path:
    """A screen over the whole width; its pitch, and for a short run its height, make it last about that long."""
    dots = hours * 3600.0 / SECONDS_A_DOT
    pitch_mm = max(min(12.0, float(np.sqrt(2900.0 * 1800.0 / dots))), 4.0)
    height = min(1800.0, dots * pitch_mm**2 / 2900.0)
    (folder / "long.svg").write_text(SVG.format(height=round(height, 1)))
    (folder / "job.toml").write_text(JOB.format(pitch_mm=round(pitch_mm, 3), watch_minutes=120.0 * hours))
    return folder / "job.toml"


def memory_kib(pid: int) -> dict[str, int]:
    """Anonymous and file-backed resident memory, threads and open files of a process; empty when it is gone."""
    found: dict[str, int] = {}
    with contextlib.suppress(OSError):
        text = Path(f"/proc/{pid}/status").read_text()
        for name, field in (("anon", "RssAnon"), ("file", "RssFile"), ("threads", "Threads")):
            match = re.search(rf"^{field}:\s+(\d+)", text, re.MULTILINE)
            if match:
                found[name] = int(match[1])
        found["files"] = len(list(Path(f"/proc/{pid}/fd").iterdir()))
    return found


def processes(state: Path) -> Iterator[tuple[str, int]]:
    """Role and pid of every process that works for this state folder."""
    for entry in Path("/proc").iterdir():
        if entry.name.isdigit():
            with contextlib.suppress(OSError):
                words = (entry / "cmdline").read_bytes().split(b"\0")
                for role, name in zip(ROLES, NAMES, strict=True):
                    if role.encode() in words and any(bytes(state) in word for word in words):
                        yield name, int(entry.name)


def write_machine(folder: Path, tick_us: int) -> Path:
    """The shipped machine with another tick."""
    text, count = re.subn(
        r"(?m)^tick_us = \d+", f"tick_us = {tick_us}", shipped("machines/boathouse.toml").read_text()
    )
    assert count == 1
    (folder / "boathouse.toml").write_text(text)
    return folder / "boathouse.toml"


def verb(folder: Path, name: str, virtual: bool, *words: str) -> subprocess.Popen[bytes]:
    """Start a verb as a process; what it says goes to a file."""
    command = [sys.executable, "-m", "controller.cli.main", name, *words, "--yes"]
    command += ["--machine", str(folder / "boathouse.toml")]
    command += ["--state", str(folder / "s"), *(["--virtual"] if virtual else [])]
    with (folder / f"{name}.txt").open("wb") as said:
        return subprocess.Popen(
            command, stdout=said, stderr=said, stdin=subprocess.DEVNULL, start_new_session=True
        )


def paint(job: Path, folder: Path, virtual: bool) -> list[dict[str, Any]]:
    """Home, then paint the whole job; what was sampled meanwhile. Raises RuntimeError unless all ended in order."""
    homing = verb(folder, "home", virtual)
    if homing.wait(600.0) != 0:
        raise RuntimeError(f"home: expected exit code 0, got {homing.returncode}; see {folder / 'home.txt'}")
    samples = []
    begun_s = time.monotonic()
    painting = verb(folder, "paint", virtual, str(job))
    try:
        while painting.poll() is None:
            for name, pid in processes(folder / "s"):
                sample: dict[str, Any] = {"name": name, "pid": pid, "s": time.monotonic() - begun_s}
                sample |= memory_kib(pid)
                if "anon" in sample:
                    samples.append(sample)
            with contextlib.suppress(subprocess.TimeoutExpired):
                painting.wait(SAMPLE_S)
    except BaseException:
        painting.send_signal(signal.SIGTERM)
        painting.wait(60.0)
        raise
    if painting.returncode != 0:
        raise RuntimeError(
            f"paint: expected exit code 0, got {painting.returncode}; see {folder / 'paint.txt'}"
        )
    return samples


def growth(samples: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """One row a process that lived through most of it: anonymous MiB early, late, largest, and MiB an hour.

    From a quarter of it to its last fiftieth: what a process takes to begin with is no growth, nor what the session
    takes to sum up once all is painted. The slope is a least-squares line.
    """
    rows = []
    for name in NAMES:
        by_pid: dict[int, list[dict[str, Any]]] = {}
        for sample in samples:
            if sample["name"] == name:
                by_pid.setdefault(sample["pid"], []).append(sample)
        if not by_pid:
            continue
        mine = max(by_pid.values(), key=len)
        late = mine[len(mine) // 4 : len(mine) - len(mine) // 50]
        at_h = np.array([one["s"] for one in late]) / 3600.0
        anon = np.array([one["anon"] for one in late]) / 1024.0
        slope = float(np.polyfit(at_h, anon, 1)[0]) if len(late) > 2 else float("nan")
        rows.append({
            "process": name, "samples": len(mine), "quarter_mib": float(anon[0]), "end_mib": float(anon[-1]),
            "largest_mib": float(anon.max()), "mib_an_hour": slope, "file_mib": mine[-1]["file"] / 1024.0,
            "threads": (mine[0]["threads"], mine[-1]["threads"]), "files": (mine[0]["files"], mine[-1]["files"]),
        })  # fmt: skip
    return rows


def lateness(log: Path, parts: int = PARTS) -> list[dict[str, Any]]:
    """Percentiles of how late ticks left, us, for each of ``parts`` equal parts of a run's log."""
    records = read_timing_log(log).records
    records = records[records["segment"] >= 0]
    rows = []
    for part in np.array_split(records, parts):
        late_us = (part["sent_ns"] - part["scheduled_ns"]) / 1000.0
        p50, p99, p999 = np.percentile(late_us, [50.0, 99.0, 99.9])
        rows.append({
            "from_h": float(part["scheduled_ns"][0] - records["scheduled_ns"][0]) / 3.6e12, "ticks": len(part),
            "p50_us": float(p50), "p99_us": float(p99), "p999_us": float(p999), "max_us": float(late_us.max()),
            "over_1ms": float(np.mean(late_us > 1000.0)),
        })  # fmt: skip
    return rows


def show(console: Console, report: dict[str, Any]) -> None:
    """The two tables."""
    memory = Table(title="Anonymous memory, MiB")
    for column in (
        "process",
        "after a quarter",
        "end",
        "largest",
        "MiB an hour",
        "file pages",
        "threads",
        "files",
    ):
        memory.add_column(column, justify="left" if column == "process" else "right")
    for row in report["memory"]:
        memory.add_row(
            row["process"], f"{row['quarter_mib']:.1f}", f"{row['end_mib']:.1f}", f"{row['largest_mib']:.1f}",
            f"{row['mib_an_hour']:+.2f}", f"{row['file_mib']:.0f}", "{} {}".format(*row["threads"]),
            "{} {}".format(*row["files"]),
        )  # fmt: skip
    console.print(memory)
    late = Table(title="Lateness of ticks, us, by part of the pass")
    for column in ("from h", "ticks", "p50", "p99", "p99.9", "max", "> 1 ms"):
        late.add_column(column, justify="right")
    for row in report["lateness"]:
        late.add_row(
            f"{row['from_h']:.2f}", str(row["ticks"]), f"{row['p50_us']:.1f}", f"{row['p99_us']:.1f}",
            f"{row['p999_us']:.1f}", f"{row['max_us']:.0f}", f"{100 * row['over_1ms']:.3f} %",
        )  # fmt: skip
    console.print(late)
    console.print(
        f"{report['strokes']} strokes, {report['hours']:.2f} h of the machine in {report['wall_s'] / 60:.1f} min; "
        f"timing log {report['log_mib']:.0f} MiB ({report['log_bytes_a_tick']:.1f} bytes a tick), "
        f"journal {report['journal_kib']:.0f} KiB"
    )


def main() -> int:
    """Run it. Exit code 0 when it ran, whatever the figures."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench.endurance", description=__doc__)
    parser.add_argument("--hours", type=float, default=1.0, help="about so long does the pass last")
    parser.add_argument("--virtual", action="store_true")
    parser.add_argument("--tick-us", type=int, default=4000)
    parser.add_argument(
        "--folder", type=Path, required=True, help="job, state folder and what is said; not there yet"
    )
    parser.add_argument("--json", type=Path, default=Path("build/bench/endurance.json"))
    options = parser.parse_args()
    folder = options.folder.resolve()
    folder.mkdir(parents=True)
    state = folder / "s"
    job = write_job(folder, options.hours)
    write_machine(folder, options.tick_us)
    begun_s = time.monotonic()
    samples = paint(job, folder, options.virtual)
    wall_s = time.monotonic() - begun_s
    with contextlib.closing(Journal.read(state / "journal.sqlite")) as journal:
        (run,) = [one for one in journal.runs() if one.pass_id is not None]
        assert run.pass_id is not None
        strokes = len(journal.finished_strokes(run.pass_id))
    log = run.folder / "timing.gtl"
    rows = lateness(log)
    ticks = sum(row["ticks"] for row in rows)
    report = {
        "virtual": options.virtual, "strokes": strokes, "wall_s": wall_s, "end": run.end,
        "hours": ticks * options.tick_us / 3.6e9, "memory": growth(samples), "lateness": rows,
        "log_mib": log.stat().st_size / 2**20, "log_bytes_a_tick": log.stat().st_size / ticks,
        "journal_kib": (state / "journal.sqlite").stat().st_size / 1024.0, "samples": samples,
    }  # fmt: skip
    show(Console(width=110), report)
    options.json.parent.mkdir(parents=True, exist_ok=True)
    options.json.write_text(json.dumps(report, indent=1) + "\n")
    return 0


if __name__ == "__main__":
    sys.exit(main())
