"""Host rights: asked for in a process of their own, and told as they are."""

from __future__ import annotations

import json
import subprocess
import sys

import pytest

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
