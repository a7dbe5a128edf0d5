"""Host rights: asked for in a process of their own, and told as they are."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

from controller.stream.host import stolen_ms

PROGRAM = """
import gc, json, os
from controller.stream.host import claim_host, release_host
rights = claim_host()
during = os.sched_getscheduler(0)
cores = sorted(os.sched_getaffinity(0))
release_host()
print(json.dumps([rights.realtime, rights.core, list(rights.notes), during == os.SCHED_FIFO, cores,
                  gc.isenabled(), os.sched_getscheduler(0) == os.SCHED_OTHER]))
"""


@pytest.mark.realtime
def test_what_is_said_is_what_was_got() -> None:
    """realtime is true only under SCHED_FIFO; whatever was not permitted has its note; all is given back."""
    done = subprocess.run([sys.executable, "-c", PROGRAM], capture_output=True, text=True, check=True)
    realtime, core, notes, is_fifo, cores, collects, is_ordinary = json.loads(done.stdout)
    assert not collects
    assert is_ordinary
    if realtime:
        assert is_fifo
        assert not any("real-time" in note or "locked" in note for note in notes)
    else:
        assert any("real-time" in note or "locked" in note for note in notes)
    if core >= 0:
        assert cores == [core]


def test_stolen_time_is_the_kernels_own_figure(monkeypatch: pytest.MonkeyPatch) -> None:
    """Column 8 of the core's line, in clock ticks (proc(5)); a core that is not there, or no such file, is 0."""
    table = "cpu  9 9 9 9 9 9 9 99 0 0\ncpu0 1 2 3 4 5 6 7 8 9 10\ncpu1 1 2 3 4 5 6 7 147 0 0\nintr 5\n"
    monkeypatch.setattr(Path, "read_text", lambda _path: table)
    monkeypatch.setattr(os, "sysconf", lambda name: {"SC_CLK_TCK": 100}[name])
    assert (stolen_ms(0), stolen_ms(1), stolen_ms(2), stolen_ms(-1)) == (80.0, 1470.0, 0.0, 0.0)

    def nothing(_path: Path) -> str:
        raise FileNotFoundError

    monkeypatch.setattr(Path, "read_text", nothing)
    assert stolen_ms(0) == 0.0
