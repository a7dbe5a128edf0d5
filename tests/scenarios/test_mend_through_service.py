"""A mend painted through a service, a person at a client's terminal; real processes, real time."""

from __future__ import annotations

import os
import pty
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from controller.report.painted import load_painted
from tests.faults.conftest import EDITS
from tests.faults.sessionsite import Site
from tests.faults.waves import JOB, write_scene

SVG = """<svg xmlns="http://www.w3.org/2000/svg" width="200mm" height="60mm" viewBox="0 0 200 60">
<g id="waves"><path d="M 20 20 L 120 20" fill="none" stroke="#1f7a78"/></g></svg>
"""
SWATCH = """[swatch]
origin_mm = [20.0, 100.0]
size_mm = [60.0, 80.0]
prime_mm = 40.0
"""


def _answered(site: Site, *words: str) -> tuple[int, str]:
    """A verb on a terminal of its own; every question is answered with y. Its exit code and all that it showed."""
    ours, theirs = pty.openpty()
    command = [sys.executable, "-m", "controller.cli.main", *words]
    child = subprocess.Popen(
        [*command, "--machine", str(site.machine), "--state", str(site.state.root)],
        stdin=theirs, stdout=theirs, stderr=theirs, env={**os.environ, "COLUMNS": "200", "TERM": "dumb"},
    )  # fmt: skip
    os.close(theirs)
    said, answered = b"", 0
    try:
        while chunk := _read(ours):
            said += chunk
            while said.count(b"[y/N]") > answered:
                answered += 1
                os.write(ours, b"y\n")
        return child.wait(60), said.decode(errors="replace")
    finally:
        if child.poll() is None:
            child.kill()
        os.close(ours)


def _read(descriptor: int) -> bytes:
    try:
        return os.read(descriptor, 65536)
    except OSError:  # the terminal's other side is closed
        return b""


@pytest.mark.campaign
def test_what_faded_is_painted_through_the_service(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Painted, found to have faded, made a mend; a client has the service paint it: it asks for a fresh pen, primes it
    on the swatch, paints over the line; pens and mends are told, and the canvas has all of it."""
    write_scene(tmp_path, SVG, JOB + SWATCH, EDITS)
    site = Site(tmp_path)
    assert site.here("home", "--virtual", "--yes") == 0
    assert site.here("paint", str(site.job), "--virtual", "--yes") == 0
    assert site.here("mend", str(site.job), "--dry-minutes", "5") == 0
    service = site.start("serve")
    try:
        site.until("the service", lambda: service.poll() is not None or site.status().get("daemon"))
        code, said = _answered(site, "paint", str(site.job), "--pass", "teal-mend-1")
        assert code == 0, said
        assert "put in a fresh teal pen" in said
        assert "priming the teal pen on the swatch, place 2 of 10: it is fresh" in said
        assert "pass 1 of 1: teal-mend-1" in said
        service.send_signal(signal.SIGTERM)
        _, log = service.communicate(timeout=60)
        assert service.returncode == 0, log
    finally:
        site.end()
    capsys.readouterr()
    assert site.here("pens") == 0
    assert [line.split()[1] for line in capsys.readouterr().out.splitlines() if " teal " in line] == [
        "teal"
    ] * 2
    assert site.here("mend", str(site.job)) == 0
    assert "painted" in capsys.readouterr().out
    painted = load_painted(site.state.twin / "canvas.npz")
    tops = [float(painted.points_mm[at][1]) for at in painted.offsets[:-1]]
    on_swatch = [y > 80.0 for y in tops]
    assert on_swatch == [True, False, True, False], "a zigzag and the line, twice"
