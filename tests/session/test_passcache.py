"""What prepare keeps: only what changed is made again, the outcome never depends on it, damage is not believed."""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from controller.config.places import shipped
from controller.session import schedules
from controller.session.passcache import FOLDER, ContentCache
from controller.session.prepare import prepare

MACHINE = shipped("machines/boathouse.toml")
SVG = '<svg xmlns="http://www.w3.org/2000/svg" width="300mm" height="200mm" viewBox="0 0 300 200">{}</svg>'
JOB = """format = 1
name = "bay"
artwork = "bay.svg"
origin_mm = [20.0, 20.0]
[[inks]]
name = "ochre"
colour = "#d9952b"
tip_mm = 4.0
[[inks]]
name = "teal"
colour = "#1f7a78"
tip_mm = 4.0
pen_metres = 1.5
tip = "round"
[tips.round]
metres = [0, 20]
width_mm = [4.0, 4.6]
[[techniques]]
layer = "foam"
fill = "dots"
[[techniques]]
fill = "flat"
stroke = "band"
[traps]
width_mm = 1.0
"""
MOON = '<circle id="moon" cx="240" cy="40" r="{}" fill="#d9952b"/>'
SEA = '<path id="sea" d="M 20 120 H 100 V {} H 20 Z" fill="#1f7a78"/>'
ISLE = '<path id="isle" d="M 130 120 H 180 V 160 H 130 Z" fill="#1f7a78"/>'
ROPE = '<path id="rope" d="M 20 60 H {}" fill="none" stroke="#d9952b" stroke-width="10"/>'
FOAM = '<g id="foam">{}</g>'


def drawing(moon: float = 20.0, sea: float = 160.0, rope: float = 120.0, foam: int = 6) -> str:
    drops = "".join(
        f'<circle id="f{at}" cx="{at * 14 + 20}" cy="90" r="5" fill="#1f7a78"/>' for at in range(foam)
    )
    return SVG.format(MOON.format(moon) + SEA.format(sea) + ISLE + ROPE.format(rope) + FOAM.format(drops))


def tree(folder: Path) -> dict[str, bytes]:
    return {str(p.relative_to(folder)): p.read_bytes() for p in sorted(folder.rglob("*")) if p.is_file()}


@pytest.fixture
def bay(tmp_path: Path) -> Path:
    """A folder with a job of flats, a band and dots in two inks, one of a wearing tip in several passes."""
    (tmp_path / "job.toml").write_text(JOB)
    (tmp_path / "bay.svg").write_text(drawing())
    return tmp_path


def made_in(bay: Path, machine: Path = MACHINE) -> ContentCache:
    """Prepare it with what is kept; the counts of this time."""
    cache = ContentCache(bay / FOLDER)
    prepare(bay / "job.toml", machine, bay / "out", cache=cache)
    return cache


def test_nothing_is_made_twice(bay: Path) -> None:
    """The same job again: all paths, orders and schedules are found, the folder is the same to the last byte."""
    first = made_in(bay)
    before = tree(bay / "out")
    assert first.made["flats"] >= 3
    assert first.made["bands"] == 1
    assert first.made["passes"] >= 3
    again = made_in(bay)
    assert not again.made
    assert set(again.found) == {"flats", "bands", "orders", "passes"}
    assert tree(bay / "out") == before


def test_a_changed_layer_alone_is_made_again(bay: Path) -> None:
    """A wider moon: one area and its ink's pass; the other ink's areas, orders and passes are found. And so on."""
    made_in(bay)
    (bay / "bay.svg").write_text(drawing(moon=22.0))
    moon = made_in(bay)
    assert dict(moon.made) == {"flats": 1, "orders": 1, "passes": 1}
    (bay / "bay.svg").write_text(drawing(moon=22.0, rope=130.0))
    rope = made_in(bay)
    assert dict(rope.made) == {"bands": 1, "orders": 1, "passes": 1}
    passes = rope.found["passes"]
    (bay / "bay.svg").write_text(drawing(moon=22.0, rope=130.0, foam=7))
    foam = made_in(bay)
    assert foam.made["bands"] == 0
    assert foam.made["orders"] >= 1
    assert 1 <= foam.made["passes"] <= passes
    assert foam.found["passes"] >= 1  # ochre's


def test_another_machine_means_other_schedules_and_the_same_paths(bay: Path) -> None:
    """Faster travel: every order and pass is made again, no path; what no schedule depends on changes nothing."""
    made_in(bay)
    text = MACHINE.read_text()
    (bay / "machine.toml").write_text(text)
    found = made_in(bay, bay / "machine.toml")
    assert not found.made
    assert "lease_ms = " in text
    (bay / "machine.toml").write_text(_with(text, "lease_ms", 1.01))
    assert not made_in(bay, bay / "machine.toml").made
    (bay / "machine.toml").write_text(_with(text, "travel_speed_mm_s", 0.9))
    other = made_in(bay, bay / "machine.toml")
    assert other.made["flats"] == other.made["bands"] == other.found["passes"] == 0
    assert other.made["passes"] >= 3


def _with(text: str, field: str, factor: float) -> str:
    (line,) = [line for line in text.splitlines() if line.startswith(f"{field} = ")]
    value = float(line.split("=")[1].split("#")[0])
    return text.replace(line, f"{field} = {value * factor:.6g}")


@settings(max_examples=6, deadline=None)
@given(
    st.lists(
        st.tuples(st.sampled_from([15.0, 22.0]), st.sampled_from([150.0, 170.0]), st.integers(3, 7)),
        min_size=2,
        max_size=3,
    )
)
def test_the_outcome_does_not_depend_on_what_is_kept(
    tmp_path_factory: pytest.TempPathFactory, states: list[tuple[float, float, int]]
) -> None:
    """After any changes, what comes out with all that was kept on the way is what comes out with nothing kept."""
    bay = tmp_path_factory.mktemp("bay")
    (bay / "job.toml").write_text(JOB)
    for moon, sea, foam in states:
        (bay / "bay.svg").write_text(drawing(moon, sea, foam=foam))
        made_in(bay)
    kept = tree(bay / "out")
    shutil.rmtree(bay / FOLDER)
    fresh = made_in(bay)
    assert fresh.found["passes"] == fresh.found["bands"] == 0
    assert tree(bay / "out") == kept
    shutil.rmtree(bay)


@pytest.mark.parametrize("damage", ["flip", "cut", "empty", "swap"])
def test_damaged_entries_are_made_again(bay: Path, damage: str) -> None:
    """A flipped bit, a cut or empty file, an entry under another's name: found out and made anew; same outcome."""
    made_in(bay)
    before, kept = tree(bay / "out"), sorted(p for p in (bay / FOLDER).rglob("*") if p.is_file())
    texts = [path.read_bytes() for path in kept]
    for index, path in enumerate(kept):
        data = bytearray(texts[index])
        if damage == "flip":
            data[(index * 7919 + 100) % len(data)] ^= 1 << (index % 8)
        elif damage == "cut":
            data = data[: len(data) // 2]
        elif damage == "empty":
            data.clear()
        else:
            same = [p for p in range(len(kept)) if kept[p].parent == path.parent]
            data[:] = texts[same[(same.index(index) + 1) % len(same)]]
            if len(same) == 1:
                data[-1] ^= 1
        path.write_bytes(data)
    again = made_in(bay)
    assert sum(again.damaged.values()) == len(kept)
    assert again.made == again.damaged
    assert tree(bay / "out") == before
    assert not made_in(bay).made


def test_what_is_kept_is_bounded(tmp_path: Path) -> None:
    """Beyond the bound, what was not used for longest goes; what was just asked for stays."""
    one = {"a": np.arange(1000.0)}
    cache = ContentCache(tmp_path, bytes_max=30_000)  # three entries of 8 kB
    for at, name in enumerate("abc"):
        cache.keep("flats", name, one)
        (path,) = set((tmp_path / "flats").iterdir()) - {p for p, _ in _ages(tmp_path)[:at]}
        os.utime(path, ns=(at * 10**9, at * 10**9))
    assert cache.trim() == 0
    assert cache.recall("flats", "a") is not None
    cache.keep("flats", "d", one)
    assert cache.trim() == 1
    assert [cache.recall("flats", name) is not None for name in "abcd"] == [True, False, True, True]


def _ages(folder: Path) -> list[tuple[Path, int]]:
    found = [(path, path.stat().st_mtime_ns) for path in (folder / "flats").iterdir()]
    return sorted(found, key=lambda one: one[1])


def test_a_disk_that_takes_nothing_is_no_hindrance(bay: Path) -> None:
    """Where nothing can be kept, everything is made and the outcome is whole."""
    (bay / "not-a-folder").write_text("")
    cache = ContentCache(bay / "not-a-folder")
    prepare(bay / "job.toml", MACHINE, bay / "out", cache=cache)
    before = tree(bay / "out")
    assert not cache.found
    made_in(bay)
    assert tree(bay / "out") == before


def test_several_processes_plan_the_same(bay: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Schedules planned by processes of their own are those of one process, to the last byte."""
    made_in(bay)
    before = tree(bay / "out")
    monkeypatch.setattr(schedules, "WORTH_VERTICES", 0)
    cache = ContentCache(bay / "other")
    stages: list[tuple[str, float]] = []

    def progress(_what: str, stage: str, fraction: float) -> None:
        stages.append((stage, fraction))

    prepare(bay / "job.toml", MACHINE, bay / "out", progress, cache, workers=2)
    assert cache.made["passes"] >= 3
    assert tree(bay / "out") == before
    planning = [fraction for stage, fraction in stages if stage == "planning ticks"]
    assert all(0.0 <= fraction <= 1.0 for fraction in planning)
    assert planning[-1] == 1.0


_PREPARE = """
import sys
from pathlib import Path
from controller.session import schedules
from controller.session.prepare import prepare
schedules.WORTH_VERTICES = 0
def say(what, stage, fraction):
    print(stage, flush=True)
if __name__ == "__main__":
    job, machine, out = map(Path, sys.argv[1:4])
    prepare(job, machine, out, say, workers=2)
"""


@pytest.mark.parametrize("stage", ["building strokes", "planning ticks"])
def test_ctrl_c_leaves_the_last_good_one(bay: Path, stage: str) -> None:
    """SIGINT to the whole group of processes, as a terminal sends it: all end, the earlier folder stands, no litter."""
    made_in(bay)
    before = tree(bay / "out")
    shutil.rmtree(bay / FOLDER)
    (bay / "bay.svg").write_text(drawing(moon=24.0))
    (bay / "prepare.py").write_text(_PREPARE)
    beside = sorted(path.name for path in bay.iterdir())
    command = [sys.executable, str(bay / "prepare.py"), str(bay / "job.toml"), str(MACHINE), str(bay / "out")]
    environment = {**os.environ, "PYTHONPATH": str(Path(__file__).parents[2])}
    with subprocess.Popen(
        command,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        start_new_session=True,
        env=environment,
    ) as preparing:
        assert preparing.stdout is not None
        for line in preparing.stdout:
            if line.strip() == stage:
                break
        os.killpg(preparing.pid, signal.SIGINT)
        preparing.communicate(timeout=60)
        assert preparing.returncode != 0
    deadline = time.monotonic() + 20.0
    while _is_alive(preparing.pid) and time.monotonic() < deadline:
        os.sched_yield()
    assert not _is_alive(preparing.pid)
    assert tree(bay / "out") == before
    litter = {path.name for path in bay.iterdir()} - set(beside) - {FOLDER}
    assert litter == set()


def _is_alive(group: int) -> bool:
    """Whether any process of the group is left."""
    try:
        os.killpg(group, 0)
    except ProcessLookupError:
        return False
    return True
