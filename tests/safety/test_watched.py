"""Processes that are watched, and which one a kill hits."""

from __future__ import annotations

import os
import select
import signal
from typing import Any

import pytest

from safety.watched import Watched

pytestmark = pytest.mark.realtime


def test_a_living_process_is_not_dying_whatever_its_name(bench: Any) -> None:
    """Running, sleeping or stopped is alive, also under a name full of parentheses and digits (proc(5), comm)."""
    child = bench.start(
        "-c", "open('/proc/self/comm', 'w').write(') Z 4 (4 4'); print('up', flush=True); input()"
    )
    assert child.stdout.readline() == "up\n"
    watched = Watched(child.pid)
    assert not watched.is_dying()
    child.send_signal(signal.SIGSTOP)
    os.waitid(os.P_PID, child.pid, os.WSTOPPED | os.WNOWAIT)
    assert not watched.is_dying()
    watched.close()
    watched.close()


def test_a_dead_process_is_dying_before_and_after_it_is_reaped(bench: Any) -> None:
    """A kill is final: from the pidfd's word on the process counts as dying, as zombie and when it is gone."""
    child = bench.start("-c", "input()")
    watched = Watched(child.pid)
    watched.kill()
    assert select.select((watched.pidfd,), (), (), 10)[0]
    assert watched.is_dying()
    assert child.wait(10) == -signal.SIGKILL
    assert watched.is_dying()
    watched.kill()
    watched.close()


def test_nobody_cannot_be_watched() -> None:
    """A process that is not there is refused at once. (Identifiers end below 2**22: proc(5), pid_max.)"""
    with pytest.raises(OSError, match="process"):
        Watched(2**22 + 1)
