"""Processes that are watched, and which one a kill hits."""

from __future__ import annotations

import os
import select
import signal
from pathlib import Path
from typing import Any

import pytest

from safety.watched import Life, SpinWatch, Watched

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
    assert watched.look() is Life.STOPPED
    child.send_signal(signal.SIGCONT)
    os.waitid(os.P_PID, child.pid, os.WCONTINUED)
    assert watched.look() is Life.ALIVE
    watched.close()
    watched.close()


def test_a_process_held_by_a_debugger_is_stopped(bench: Any) -> None:
    """Tracing stop is a state of its own (t, proc(5)); it runs as little as one that a signal has stopped.

    PTRACE_TRACEME is request 0 (sys/ptrace.h, from memory): the child asks to be held by its parent, this test.
    """
    hold = "import ctypes, os, signal\nprint(ctypes.CDLL(None).ptrace(0, 0, 0, 0), flush=True)\n"
    child = bench.start("-c", f"{hold}input()\nos.kill(os.getpid(), signal.SIGSTOP)")
    if child.stdout.readline() != "0\n":
        pytest.skip("tracing is not permitted here")
    watched = Watched(child.pid)
    child.stdin.write("\n")
    child.stdin.flush()
    os.waitid(os.P_PID, child.pid, os.WSTOPPED | os.WNOWAIT)
    assert watched.look() is Life.STOPPED
    child.kill()
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


def test_what_gives_way_is_an_ordinary_program_in_every_thread(bench: Any) -> None:
    """A process with two threads at real-time priority, where that is permitted, has none at it any more; gone, no
    error. (SCHED_BATCH stands for it where it is not: everybody may take that.)"""
    rise = (
        "import os, threading\n"
        "try: os.sched_setscheduler(0, os.SCHED_FIFO, os.sched_param(1))\n"
        "except OSError: os.sched_setscheduler(0, os.SCHED_BATCH, os.sched_param(0))\n"
        "threading.Thread(target=threading.Event().wait, daemon=True).start()\n"
        "print(flush=True); input()"
    )
    child = bench.start("-c", rise)
    child.stdout.readline()
    threads = [int(one.name) for one in Path(f"/proc/{child.pid}/task").iterdir()]
    assert len(threads) == 2
    assert os.SCHED_OTHER not in {os.sched_getscheduler(one) for one in threads}
    watched = Watched(child.pid)
    watched.give_way()
    assert {os.sched_getscheduler(one) for one in threads} == {os.SCHED_OTHER}
    child.kill()
    child.wait(10)
    watched.give_way()
    watched.close()


def test_nobody_cannot_be_watched() -> None:
    """A process that is not there is refused at once. (Identifiers end below 2**22: proc(5), pid_max.)"""
    with pytest.raises(OSError, match="process"):
        Watched(2**22 + 1)


def test_processor_time_is_that_of_the_watched_process(bench: Any) -> None:
    """A process that burns adds to its time as the wall clock of its own burning says; a dead one adds nothing."""
    burn = (
        "import time; end = time.process_time_ns() + 50_000_000\nwhile time.process_time_ns() < end: pass\n"
    )
    child = bench.start("-c", f"print(flush=True); input()\n{burn}print(flush=True); input()")
    child.stdout.readline()
    watched = Watched(child.pid)
    before_ns = watched.cpu_ns()
    child.stdin.write("\n")
    child.stdin.flush()
    child.stdout.readline()
    assert watched.cpu_ns() - before_ns >= 50_000_000
    child.kill()
    child.wait(10)
    assert watched.cpu_ns() == 0
    watched.close()


MS = 1_000_000
LEASE = 24 * MS


def spin_watch() -> SpinWatch:
    spin = SpinWatch(0.9, 1000 * MS, LEASE)
    spin.begin(0, 0, 1)
    return spin


def test_the_normal_loop_is_no_spin() -> None:
    """Ticks of 2 ms with 0.3 ms of work and a spin of 0.2 ms before each: a quarter of a core, for an hour."""
    spin = spin_watch()
    for tick in range(1, 1_800_000, 97):
        assert spin.look(tick * 2 * MS, tick * MS // 2, tick) == ""


@pytest.mark.parametrize(("used_share", "found"), [(0.89, False), (0.9, False), (0.91, True), (1.5, True)])
def test_a_core_burned_is_seen_within_two_windows(used_share: float, found: bool) -> None:
    """Up to the share nothing; above it a text, at the end of the first whole window at the latest."""
    spin = spin_watch()
    texts = [spin.look(tick * 2 * MS, round(tick * 2 * MS * used_share), tick) for tick in range(1, 1001)]
    assert any(texts) is found
    assert not any(texts[:499])


@pytest.mark.parametrize(("cpu_ns", "found"), [(21_599_999, False), (21_600_000, True)])
def test_computing_without_a_beat(cpu_ns: int, found: bool) -> None:
    """Nine tenths of a lease of 24 ms computed away since the last beat is a spin; a ns less is not."""
    spin = spin_watch()
    assert spin.look(5 * MS, 100 * MS, 2) == ""
    assert bool(spin.look(30 * MS, 100 * MS + cpu_ns, 2)) is found


def test_sleeping_without_a_beat_is_the_leases_matter() -> None:
    """A process that hangs without using the processor is not called spinning, however long."""
    spin = spin_watch()
    assert not any(spin.look(tick * 2 * MS, 1000, 1) for tick in range(1, 5000))
