"""Stops and deaths in the middle of a stroke, with real processes: the gantry's own record is the judge."""

from __future__ import annotations

import os
import signal
import time

import numpy as np
import pytest

from controller.session.journal import Journal
from controller.session.prepared import load_prepared
from controller.session.strokewatch import FLAG_STOPPING
from controller.stream.timinglog import read_timing_log
from drivers.clock import NS_PER_S
from safety import latch

STOPPED_WITHIN_NS = 2 * NS_PER_S
"""Generous on a busy computer; how fast a stop is has a bench of its own."""


def _stands_after(site, fault_ns: int) -> None:
    """Both motors came to rest after the fault, were in motion at it, and the record goes on over the rest."""
    site.until("the gantry's record", lambda: _speaks_beyond(site, fault_ns))
    record = site.record()
    rest_ns = record.standstill_ns(fault_ns)
    assert rest_ns is not None
    assert rest_ns - fault_ns < STOPPED_WITHIN_NS
    assert record.travel_mm(fault_ns - 50_000_000, fault_ns).max() > 0.5
    assert record.travel_mm(rest_ns + 50_000_000, record.end_ns).max() < 0.01


def _speaks_beyond(site, fault_ns: int) -> bool:
    try:
        return site.record().end_ns > fault_ns
    except (OSError, ValueError, KeyError, EOFError):
        return False


def _nothing_moves_until_cleared_and_homed(site, capsys, standstill: str = "proved") -> None:
    standing = latch.read(site.state.latch)
    assert standing is not None
    assert standing.standstill == standstill
    before = len(site.record().t_ns)
    capsys.readouterr()
    assert site.here("paint", str(site.job), "--yes") == 3
    said = capsys.readouterr().err
    assert standing.reason in said
    assert "giornata clear" in said
    assert site.here("clear", "--reason", standing.reason, "--by", "Ada") == 0
    assert site.here("paint", str(site.job), "--yes") == 3
    assert "giornata home" in capsys.readouterr().err
    assert len(site.record().t_ns) == before
    assert site.here("home", "--virtual", "--yes") == 0


@pytest.mark.campaign
def test_stop_in_mid_pass(site, capsys) -> None:
    """``giornata stop``: the axes stand, the paint ends with 4, nothing moves until cleared and homed."""
    painting = site.paint_until_long_stroke()
    fault_ns = time.monotonic_ns()
    assert site.here("stop", "--reason", "a gull on the wall") == 0
    _, said = painting.communicate(timeout=60)
    assert painting.returncode == 4, said
    assert b"giornata clear" in said
    _stands_after(site, fault_ns)
    standing = latch.read(site.state.latch)
    assert standing is not None
    assert "a gull on the wall" in standing.text
    _nothing_moves_until_cleared_and_homed(site, capsys)


@pytest.mark.campaign
def test_streamer_killed(site, capsys) -> None:
    """SIGKILL of the streamer: the guard stops the axes; the service journals the latch and ends with 4."""
    painting = site.paint_until_long_stroke()
    fault_ns = time.monotonic_ns()
    os.kill(site.pid_of("controller.stream"), signal.SIGKILL)
    _, said = painting.communicate(timeout=60)
    assert painting.returncode == 4, said
    _stands_after(site, fault_ns)
    journal = Journal.read(site.state.journal)
    assert any(event.kind == "latch" for event in journal.events())
    assert not journal.registered
    open_pass = journal.open_pass()
    assert open_pass is not None
    assert (open_pass.state, journal.finished_strokes(open_pass.id)) == ("halted", [0])
    journal.close()
    _nothing_moves_until_cleared_and_homed(site, capsys)


@pytest.mark.campaign
def test_service_killed(site, capsys) -> None:
    """SIGKILL of the service: guard and drives stop without it; the next session finds latch and lost registration."""
    painting = site.paint_until_long_stroke()
    guard, twin = site.pid_of("safety.guard"), site.pid_of("drivers.twin")
    fault_ns = time.monotonic_ns()
    painting.kill()
    painting.communicate(timeout=60)
    for pid in (guard, twin):
        site.until(f"the end of {pid}", lambda pid=pid: not _lives(pid))
    _stands_after(site, fault_ns)
    _nothing_moves_until_cleared_and_homed(site, capsys)
    journal = Journal.read(site.state.journal)
    assert "died" in {run.end for run in journal.runs()}
    journal.close()


@pytest.mark.campaign
def test_guard_killed(site, capsys) -> None:
    """SIGKILL of the guard: no guard, no motion. The streamer stops the axes, the service latches in its place."""
    painting = site.paint_until_long_stroke()
    fault_ns = time.monotonic_ns()
    os.kill(site.pid_of("safety.guard"), signal.SIGKILL)
    _, said = painting.communicate(timeout=60)
    assert painting.returncode == 4, said
    _stands_after(site, fault_ns)
    _nothing_moves_until_cleared_and_homed(site, capsys, "not proved")


@pytest.mark.campaign
def test_everything_killed_at_once(site, capsys) -> None:
    """SIGKILL of service, guard and streamer together: the drives miss the heartbeat and stop by themselves.

    Nobody was left to latch; registration is lost all the same, and nothing moves before homing.
    """
    painting = site.paint_until_long_stroke()
    pids = [site.pid_of(name) for name in ("safety.guard", "controller.stream")]
    twin = site.pid_of("drivers.twin")
    fault_ns = time.monotonic_ns()
    for pid in (painting.pid, *pids):
        os.kill(pid, signal.SIGKILL)
    painting.communicate(timeout=60)
    site.until(f"the end of {twin}", lambda: not _lives(twin))
    _stands_after(site, fault_ns)
    before = len(site.record().t_ns)
    capsys.readouterr()
    assert site.here("paint", str(site.job), "--yes") == 3
    assert "giornata home" in capsys.readouterr().err
    assert len(site.record().t_ns) == before
    assert site.here("home", "--virtual", "--yes") == 0


@pytest.mark.campaign
def test_interrupted_then_painted_to_its_end(site, capsys) -> None:
    """SIGINT ends with 130 and no latch; the rest is painted in virtual time. Both streamed the ticks of one plan."""
    painting = site.paint_until_long_stroke()
    painting.send_signal(signal.SIGINT)
    _, said = painting.communicate(timeout=60)
    assert painting.returncode == 130, said
    assert latch.read(site.state.latch) is None
    capsys.readouterr()
    assert site.here("paint", str(site.job), "--virtual", "--yes", "--json") == 0
    assert '"state": "finished"' in capsys.readouterr().out

    schedule = load_prepared(site.state.root / "prepared" / "waves").schedule("teal-1")
    journal = Journal.read(site.state.journal)
    real, virtual = [run for run in journal.runs() if run.pass_id is not None][-2:]
    journal.close()
    assert (real.end, virtual.end) == ("stopped", "done")
    for run in (real, virtual):
        records = read_timing_log(run.folder / "timing.gtl").records
        by_plan = records[(records["segment"] >= 0) & ((records["flags"] & FLAG_STOPPING) == 0)]
        streamed = by_plan["velocity_units"] - by_plan["trim_units"]
        moving = streamed[np.any(streamed != 0, axis=1)]
        planned = schedule.velocity_units[int(schedule.segments[run.first_segment]["first_tick"]) :]
        planned = planned[np.any(planned != 0, axis=1)]
        assert len(moving) > 100
        assert by_plan["head"].any()
        assert np.array_equal(moving, planned[: len(moving)])
        if run is virtual:
            assert len(moving) == len(planned)


def _lives(pid: int) -> bool:
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return False
    return True
