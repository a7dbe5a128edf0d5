"""A service that runs a client's pass, and what happens when one of the two dies; real processes, real time."""

from __future__ import annotations

import os
import pty
import select
import signal
import sys
import termios
import time

import pytest

from controller.session.journal import Journal
from safety import latch

from .sessionsite import Site
from .test_session_faults import _lives, _nothing_moves_until_cleared_and_homed, _stands_after


def _serve(site: Site):
    service = site.start("serve", "--log", "json")
    site.until("the service", lambda: service.poll() is not None or site.status().get("daemon"))
    assert service.poll() is None, service.communicate()
    return service


@pytest.mark.campaign
def test_client_killed_in_mid_pass(site: Site, capsys: pytest.CaptureFixture[str]) -> None:
    """SIGKILL of the client: the pass goes on; a gentle stop ends it on the path, and SIGTERM ends the service."""
    service = _serve(site)
    painting = site.paint_until_long_stroke()
    painting.kill()
    painting.communicate(timeout=60)
    reached = site.status()["ticks_sent"] + 100
    site.until("more of the pass", lambda: site.status()["ticks_sent"] >= reached)
    assert site.status()["state"] == "painting"
    assert site.here("stop", "--gently") == 0
    site.until("the end of the session", lambda: site.status()["session"] is None)
    assert site.status()["state"] == "paused"
    assert latch.read(site.state.latch) is None
    service.send_signal(signal.SIGTERM)
    _, said = service.communicate(timeout=60)
    assert service.returncode == 0, said
    assert b'"event": "verb_ended", "verb": "paint"' in said
    assert not site.state.control_socket.exists()


@pytest.mark.campaign
def test_service_killed_in_mid_pass(site: Site, capsys: pytest.CaptureFixture[str]) -> None:
    """SIGKILL of the service: the guard stops the axes and latches; the client says that it died, exit 5."""
    service = _serve(site)
    painting = site.paint_until_long_stroke()
    guard, twin = site.pid_of("safety.guard"), site.pid_of("drivers.twin")
    fault_ns = time.monotonic_ns()
    service.kill()
    _, said = painting.communicate(timeout=60)
    assert painting.returncode == 5, said
    assert b"giornata status" in said
    service.communicate(timeout=60)
    for pid in (guard, twin):
        site.until(f"the end of {pid}", lambda pid=pid: not _lives(pid))
    _stands_after(site, fault_ns)
    _nothing_moves_until_cleared_and_homed(site, capsys)
    journal = Journal.read(site.state.journal)
    assert "died" in {run.end for run in journal.runs()}
    journal.close()


@pytest.mark.campaign
def test_second_ctrl_c_in_the_client_stops_at_once(site: Site, capsys: pytest.CaptureFixture[str]) -> None:
    """SIGINT twice to the client: halted, exit 4; the service lives, says halted, and clears."""
    service = _serve(site)
    painting = site.paint_until_long_stroke()
    painting.send_signal(signal.SIGINT)
    time.sleep(0.05)  # two signals in one instant are one
    painting.send_signal(signal.SIGINT)
    _, said = painting.communicate(timeout=60)
    assert painting.returncode == 4, said
    assert site.status()["state"] == "halted"
    standing = latch.read(site.state.latch)
    assert standing is not None
    assert site.here("clear", "--reason", standing.reason, "--by", "Ada") == 0
    assert site.status()["state"] == "unregistered"
    service.send_signal(signal.SIGTERM)
    service.communicate(timeout=60)
    assert service.returncode == 0
    assert site.here("home", "--virtual", "--yes") == 0


@pytest.mark.parametrize("key", [b"q", b"\x03"], ids=["q", "ctrl-c"])
def test_live_screen_ends_by_a_key_and_leaves_the_terminal_as_it_was(site: Site, key: bytes) -> None:
    """status --follow on a terminal: ended by q or Ctrl-C with exit code 0, echo and lines are as before."""
    pid, terminal = pty.fork()
    if pid == 0:
        os.environ["TERM"] = "xterm"
        words = ["-m", "controller.cli.main", "status", "--follow", "--machine", str(site.machine)]
        os.execv(sys.executable, [sys.executable, *words, "--state", str(site.state.root)])
    before = termios.tcgetattr(terminal)
    said, sent = b"", False
    end_s = time.monotonic() + 60.0
    while time.monotonic() < end_s:
        if not select.select((terminal,), (), (), 1.0)[0]:
            continue
        try:
            said += os.read(terminal, 65536)
        except OSError:  # the other end is closed (pty(7))
            break
        if not sent and b"q ends this screen" in said:
            os.write(terminal, key)
            sent = True
    after = termios.tcgetattr(terminal)
    _, status = os.waitpid(pid, 0)
    os.close(terminal)
    assert os.waitstatus_to_exitcode(status) == 0
    assert b"boathouse" in said
    assert said.rstrip().endswith(b"\x1b[?1049l")
    assert after == before
