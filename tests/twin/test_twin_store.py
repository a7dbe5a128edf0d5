"""Files of the simulated gantry: two writers of one process' family do not take each other's half-written file."""

from __future__ import annotations

import json
import os
from pathlib import Path

from drivers.clock import VirtualClock
from drivers.twin import store
from drivers.twin.virtual import VirtualGantry
from tests.fakes.drive_settings import group_settings, twin_parameters


def test_parent_and_saving_child_write_the_state_at_once(tmp_path: Path):
    """The process keeps its state while a child saves everything: neither fails, and the file is whole."""
    gantry = VirtualGantry(group_settings(), twin_parameters(), VirtualClock()).gantry
    child = os.fork()
    failed = False
    try:
        for _ in range(300):
            store.save_state(gantry, tmp_path)
    except OSError:
        failed = True
    finally:
        if child == 0:
            os._exit(int(failed))
    _, status = os.waitpid(child, 0)
    assert not failed
    assert os.waitstatus_to_exitcode(status) == 0
    assert [path.name for path in tmp_path.iterdir()] == [store.STATE]
    assert json.loads((tmp_path / store.STATE).read_text()) == gantry.state()
