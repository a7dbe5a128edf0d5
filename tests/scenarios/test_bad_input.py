"""Bad input: one clear message, a non-zero exit, nothing moves, nothing is lost."""

from __future__ import annotations

import fcntl
import json
import os
import re
from pathlib import Path
from typing import Any

import pytest

from controller.cli.main import main
from controller.session import virtualrunner
from controller.session.journal import Journal
from drivers.twin.virtual import AnyVirtualGantry, virtual_gantry
from tests.scenarios.conftest import Bench, made

BAD_INPUT, REFUSED, DRIVE = 2, 3, 5


@pytest.fixture
def bench(tmp_path: Path) -> Bench:
    """The machine file as it is shipped: its homings are part of what is tested."""
    return made(tmp_path)


def _paint(bench, capsys: pytest.CaptureFixture[str], *arguments: str) -> tuple[int, str]:
    capsys.readouterr()
    code = main(
        [
            "paint", str(bench.job), "--machine", str(bench.machine), "--state", str(bench.root),
            "--virtual", "--yes", *arguments,
        ]
    )  # fmt: skip
    said = capsys.readouterr()
    assert said.out == ""
    return code, " ".join(said.err.split())


def _replace(path: Path, old: str, new: str) -> None:
    text = path.read_text()
    assert old in text
    path.write_text(text.replace(old, new, 1))


def _nothing_moved(bench) -> bool:
    runs = bench.root / "runs"
    return not (runs.is_dir() and any(runs.iterdir())) and not (bench.root / "twin" / "motion.npz").exists()


@pytest.mark.parametrize(
    ("which", "old", "new", "says"),
    [
        ("job", 'name = "ochre"', 'name = "ochre', r"job\.toml: line 6, column \d+: expected valid TOML"),
        (
            "machine",
            "tick_us = 4000",
            "tick_us = ",
            r"boathouse\.toml: line \d+, column \d+: expected valid TOML",
        ),
        ("svg", "</g>", "", r"small\.svg: .*expected"),
        ("job", 'group = "moon"', 'group = "sun"', r"'?sun'?"),
        (
            "job",
            "origin_mm = [20.0, 20.0]",
            "origin_mm = [2950.0, 20.0]",
            r"small\.svg: .*canvas.*x from 0 to 3000",
        ),
        ("machine", "min_mm = 20.0", "min_mm = 4000.0", r"axes\.x.*min_mm"),
        (
            "machine",
            "fast_mm_s = 180.0",
            "fast_mm_s = 5.0",
            r"homing\.slow_mm_s: expected less than fast_mm_s",
        ),
    ],
    ids=[
        "toml of job",
        "toml of machine",
        "svg",
        "unknown group",
        "outside",
        "limits crossed",
        "speeds crossed",
    ],
)
def test_bad_file(bench, capsys, which: str, old: str, new: str, says: str) -> None:
    """A file that cannot be used is named with its place, what was expected and what came; exit 2."""
    path = {"job": bench.job, "machine": bench.machine, "svg": bench.job.parent / "small.svg"}[which]
    _replace(path, old, new)
    code, words = _paint(bench, capsys)
    assert code == BAD_INPUT
    assert re.search(says, words), words
    assert "Traceback" not in words
    assert _nothing_moved(bench)


def test_unknown_ink(bench, capsys) -> None:
    """An ink that the job does not have is refused with the known ones; nothing moves."""
    bench.home()
    runs = sorted((bench.root / "runs").iterdir())
    code, words = _paint(bench, capsys, "--ink", "crimson")
    assert code == BAD_INPUT
    assert "'crimson'" in words
    assert "ochre, teal" in words
    assert sorted((bench.root / "runs").iterdir()) == runs


def test_artwork_outside_is_named_by_element(bench, capsys) -> None:
    """Every element outside the canvas is named by its id, with where it lies."""
    svg = bench.job.parent / "small.svg"
    _replace(svg, '<rect x="110"', '<rect id="raft" x="-400"')
    code, words = _paint(bench, capsys)
    assert code == BAD_INPUT
    assert "raft" in words
    assert "382.00 mm before it" in words
    assert _nothing_moved(bench)


def test_unhomed_machine(bench, capsys) -> None:
    """Never homed: refused, with what to do."""
    code, words = _paint(bench, capsys)
    assert code == REFUSED
    assert "not registered (never homed)" in words
    assert "giornata home" in words
    assert _nothing_moved(bench)


def test_second_paint_while_one_runs(bench, capsys) -> None:
    """The lock of the first names its pid to the second, which moves nothing."""
    bench.home()
    runs = sorted((bench.root / "runs").iterdir())
    descriptor = os.open(bench.state.lock, os.O_RDWR)
    try:
        fcntl.flock(descriptor, fcntl.LOCK_EX)
        os.pwrite(descriptor, json.dumps({"pid": 4711, "verb": "paint"}).encode().ljust(64), 0)
        code, words = _paint(bench, capsys)
    finally:
        os.close(descriptor)
    assert code == REFUSED
    assert "another session runs on this machine (giornata paint, pid 4711)" in words
    assert sorted((bench.root / "runs").iterdir()) == runs
    assert bench.paint().passes  # the lock went with its holder


def test_journal_of_another_machine(bench, capsys) -> None:
    """A state folder whose journal belongs to another machine is refused, and that journal is unchanged."""
    bench.root.mkdir()
    Journal.open(bench.state.journal, "barn").close()
    before = bench.state.journal.read_bytes()
    code, words = _paint(bench, capsys)
    assert code == BAD_INPUT
    assert "expected the journal of 'boathouse', got that of 'barn'" in words
    assert bench.state.journal.read_bytes() == before
    assert _nothing_moved(bench)


def test_drive_that_does_not_answer(bench, capsys, monkeypatch) -> None:
    """With the plug pulled the run is refused before it begins; nothing is latched, exit 5 names the axis."""

    def unplugged(*arguments: Any) -> AnyVirtualGantry:
        world = virtual_gantry(*arguments)
        world.link.plugged = False
        return world

    monkeypatch.setattr(virtualrunner, "virtual_gantry", unplugged)
    code = main(["home", "--machine", str(bench.machine), "--state", str(bench.root), "--virtual", "--yes"])
    words = " ".join(capsys.readouterr().err.split())
    assert code == DRIVE
    assert "axis x" in words
    assert "silence" in words
    assert not bench.state.latch.exists()


def test_missing_bus(bench, capsys) -> None:
    """A wire that is not there is said at once, before any process is started for it; exit 5."""
    _replace(bench.machine, 'channel = "simulated"', 'channel = "/dev/no-such-adapter"')
    code = main(["home", "--machine", str(bench.machine), "--state", str(bench.root), "--yes"])
    words = " ".join(capsys.readouterr().err.split())
    assert code == DRIVE
    assert "/dev/no-such-adapter" in words
    assert not (bench.root / "run" / "guard.json").exists()
    assert not bench.state.latch.exists()


def test_prepare_leaves_a_strange_folder_alone(bench, capsys) -> None:
    """--out on a folder with other things in it is refused and changes nothing in it."""
    strange = bench.job.parent / "letters"
    strange.mkdir()
    (strange / "to-ada.txt").write_text("dear Ada")
    code = main(["prepare", str(bench.job), "--machine", str(bench.machine), "--out", str(strange)])
    assert code == BAD_INPUT
    assert "letters" in capsys.readouterr().err
    assert [path.name for path in strange.iterdir()] == ["to-ada.txt"]


def test_homing_out_of_tolerance(bench, capsys) -> None:
    """A home switch that has moved is refused with the difference; the machine is unregistered until accepted."""
    bench.home()
    _replace(bench.machine, "[twin.axes.x]\nlength_mm = 3400.0\nstart_mm = 300.0\nhome_switch_mm = 15.0",
             "[twin.axes.x]\nlength_mm = 3400.0\nstart_mm = 300.0\nhome_switch_mm = 18.1")  # fmt: skip
    code, words = _paint(bench, capsys)
    assert code == REFUSED
    assert "axis x: homing differs by" in words
    assert "one belt pitch" in words  # 3.1 mm on a belt of 3 mm pitch
    code, words = _paint(bench, capsys)
    assert code == REFUSED
    assert "not registered" in words
    bench.home(accept_difference=True)
    code, words = _paint(bench, capsys)
    assert code == REFUSED
    assert "the belt has likely jumped teeth" in words
    looked = [
        "drift",
        "--machine",
        str(bench.machine),
        "--state",
        str(bench.root),
        "--looked",
        "a torn tooth",
    ]
    assert main([*looked, "--found", "belt"]) == 0
    assert bench.paint().passes
