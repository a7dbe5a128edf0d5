"""``giornata drift`` and ``giornata marks`` as a shell sees them."""

from __future__ import annotations

import os
import pty
import re
import select
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from controller.config.load import load_machine
from controller.config.places import StateDir, shipped
from controller.session.journal import Journal
from controller.session.rows import HomingRow

MARKS = """[register]
existing = true
[register.marks_mm]
top-left = [40.0, 40.0]
top-right = [2950.0, 45.0]
low-right = [2940.0, 1850.0]
low-left = [35.0, 1860.0]
"""


TYPED = (
    (r"mark 1 of 4, top-left\n", "nonsense"),
    (r"stop: give up\n", "0.1"),
    (r"0\.1 mm > $", "r"),
    (r"jogged \+0\.1 mm right", "r 0.3"),
    (r"jogged \+0\.4 mm right", "off 0.6 0"),
    (r"mark 2 of 4", "off 1 0"),
    (r"mark 3 of 4", "off 1.05 0"),
    (r"mark 4 of 4", "off 0.95 0"),
    (r"\[y/N\] ", "y"),
)
"""What a person waits for, and types then: keys that are pressed while the head moves are forgotten."""


def _typed(process: subprocess.Popen[bytes], terminal: int, heard: str, line: str) -> str:
    """Type a line once the words have come and after them a prompt; what came."""
    assert process.stdout is not None
    came = ""
    while not (re.search(heard, came) and re.search(r"(mm > |\] )$", came)):
        ready, _, _ = select.select([process.stdout], (), (), 90.0)
        assert ready, (heard, came)
        data = os.read(process.stdout.fileno(), 65536)
        assert data, (heard, came)
        came += data.decode()
    os.write(terminal, f"{line}\n".encode())
    return came


def _homings(state: Path, places_mm: np.ndarray) -> None:
    """Homings (m, 2) half a day apart, into a fresh journal."""
    machine = load_machine(shipped("machines/boathouse.toml"))
    now_ms = [1_790_000_000_000]
    journal = Journal.open(StateDir.open(state, "boathouse").journal, "boathouse", lambda: now_ms[0])
    for both in places_mm:
        now_ms[0] += 43_200_000
        rows = []
        for axis, mm in zip("xy", both, strict=True):
            counts = machine.axes[axis].drive.direction * mm * float(machine.axes[axis].drive.counts_per_mm)
            rows.append(HomingRow(axis, (counts, counts + 1), counts, 0.01, counts, 0.0))
        session = journal.begin_session("home")
        journal.record_homing(session, None, rows, accepted=True, reason="")
    journal.close()


def test_drift_before_any_homing(shell) -> None:
    """Nothing to say, and nothing to look at."""
    assert "giornata home" in shell.run("drift", "--machine", shell.machine, "--state", shell.state).out
    answer = shell.run("drift", "--machine", shell.machine, "--state", shell.state, "--json")
    assert (answer.code, answer.json["drift"]) == (0, None)
    assert "never homed" in shell.run("status", "--machine", shell.machine, "--state", shell.state).out


def test_jump_is_shown_refuses_and_is_looked_at(shell) -> None:
    """Table, sentence and picture; paint refuses with exit 3; a look with its reason lets it paint; status agrees."""
    places = 15.0 + np.random.default_rng(3).normal(0.0, 0.02, (30, 2))
    places[18:, 0] += 0.6
    _homings(shell.state, places)
    here = ("--machine", shell.machine, "--state", shell.state)
    png = shell.folder / "drift.png"
    answer = shell.run("drift", *here, "--rows", 15, "--png", png)
    assert answer.code == 0
    assert re.search(r"^ 26-10-01 .*x step", answer.out, re.MULTILINE)
    assert len(re.findall(r"^ 26-", answer.out, re.MULTILINE)) == 15
    assert "pulley" in answer.out
    assert "painting is refused until somebody has looked" in answer.out
    assert png.read_bytes().startswith(b"\x89PNG\r\n\x1a\n")
    assert "drift: axis x: jumped by" in shell.run("status", *here).out
    refused = shell.run("paint", shell.job, *here, "--virtual", "--yes", "--json")
    assert refused.code == 3
    assert "--looked" in refused.json["error"]["message"] + str(refused.json["error"])
    looked = shell.run("drift", *here, "--looked", "pulley tightened", "--found", "belt", "--json")
    assert looked.json["drift"]["refuses"] == []
    assert looked.json["drift"]["axes"]["x"]["events"][0]["looked"] == "pulley tightened"
    assert shell.run("drift", *here, "--looked", "again").code == 3


def test_home_ends_with_what_all_homings_say(shell) -> None:
    """After a homing its charts, in words and as JSON."""
    here = ("--machine", shell.machine, "--state", shell.state)
    answer = shell.run("home", *here, "--virtual", "--yes", "--json")
    assert answer.json["drift"]["axes"]["x"]["finding"] == "too few homings"
    assert len(answer.json["drift"]["homings"]) == 1
    told = shell.run("home", *here, "--virtual", "--yes")
    assert "2 homings, too few to tell drift from scatter" in told.err


def test_marks_want_a_terminal_and_a_table(shell) -> None:
    """Without a terminal nothing moves; without [register] the job is named."""
    here = ("--machine", shell.machine, "--state", shell.state, "--virtual")
    shell.job.write_text(shell.job.read_text() + MARKS)
    answer = shell.run("marks", shell.job, *here)
    assert answer.code == 3
    assert "no terminal" in answer.err
    assert not (shell.state / "journal.sqlite").exists()


def test_marks_at_a_terminal(shell) -> None:
    """A person types jogs, offsets and a yes on a pty: the map is shown and put in force."""
    shell.job.write_text(shell.job.read_text() + MARKS)
    master, slave = pty.openpty()
    try:
        process = subprocess.Popen(
            [
                sys.executable, "-m", "controller.cli.main", "marks", str(shell.job), "--machine",
                str(shell.machine), "--state", str(shell.state), "--virtual",
            ],
            stdin=slave, stdout=subprocess.PIPE, stderr=subprocess.STDOUT,
            env={**os.environ, "TERM": "dumb", "COLUMNS": "160"},
        )  # fmt: skip
        said = "".join(_typed(process, master, heard, line) for heard, line in TYPED)
        said += process.communicate(timeout=120)[0].decode()
    finally:
        process.kill()
        os.close(master)
        os.close(slave)
    assert process.returncode == 0, said
    assert "rigid map through 4 marks" in said
    assert "canvas moved by +1.00 mm right" in said
    assert "register map 1 is in force" in said
    journal = Journal.read(shell.state / "journal.sqlite")
    (row,) = journal.register_maps()
    journal.close()
    assert row.marks[0].measured_mm == pytest.approx((41.0, 40.0))
