"""Files of the simulated gantry: two writers of one process' family do not take each other's half-written file."""

from __future__ import annotations

import json
import os
import select
import signal
from pathlib import Path

from drivers.clock import VirtualClock
from drivers.twin import store
from drivers.twin.keeper import STATE, StateKeeper
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
    assert [path.name for path in tmp_path.iterdir()] == [STATE]
    assert json.loads((tmp_path / STATE).read_text()) == gantry.state()


def test_the_keeper_writes_the_last_of_many_and_then_ends(tmp_path: Path):
    """Hundreds in a row never hold up who asks; the last whole one is in the file once the keeper has ended."""
    keeper = StateKeeper(tmp_path)
    for number in range(500):
        keeper.keep(store.state_text({"number": number, "padding": "x" * 500}))
    keeper.end()
    assert [path.name for path in tmp_path.iterdir()] == [STATE]
    last = json.loads((tmp_path / STATE).read_text())["number"]
    assert 0 < last < 500


def test_a_keeper_whose_folder_is_gone_holds_nobody_up(tmp_path: Path):
    """What cannot be written is left for the end; nothing is raised."""
    keeper = StateKeeper(tmp_path / "gone")
    for _ in range(3):
        keeper.keep(store.state_text({}))
    keeper.end()
    assert list(tmp_path.iterdir()) == []


def test_the_keeper_ends_with_whoever_feeds_it(tmp_path: Path):
    """A killed gantry's last state is whole in the file, and its keeper is gone."""
    read, write = os.pipe()
    go_read, go_write = os.pipe()
    child = os.fork()
    if child == 0:
        keeper = StateKeeper(tmp_path)
        keeper.keep(store.state_text({"alive": True}))
        os.write(write, str(keeper.pid).encode())
        os.read(go_read, 1)
        os.kill(os.getpid(), signal.SIGKILL)
    keeper_pid = int(os.read(read, 32))
    pidfd = os.pidfd_open(keeper_pid)
    try:
        os.write(go_write, b"g")
        os.waitpid(child, 0)
        assert select.select([pidfd], [], [], 20.0)[0]
    finally:
        for descriptor in (pidfd, read, write, go_read, go_write):
            os.close(descriptor)
    assert json.loads((tmp_path / STATE).read_text()) == {"alive": True}
