"""The guard as a process on a pty: what reaches the wire when something dies, hangs, or asks.

No assertion on wall time but against the guard's own record: whoever is late here is the machine that runs the tests.
"""

from __future__ import annotations

import contextlib
import json
import resource
import signal
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

import pytest

from safety import client, latch
from safety.client import GuardUnreachableError, request_quit, request_status, request_stop
from safety.events import Reason
from safety.settings import GuardSettings

pytestmark = pytest.mark.realtime

STOP_FRAMES = (b"t2016020000000000\r", b"t2026020000000000\r")
ROUND = b"\r" + b"".join(STOP_FRAMES) + b"t0800\r"


@pytest.fixture
def wired(adapter: Any, bench: Any) -> GuardSettings:
    """Settings with the adapter's pty for a wire."""
    return bench.wired(adapter.channel)  # type: ignore[no-any-return]


def events(settings: GuardSettings, kind: str) -> list[dict[str, Any]]:
    try:
        lines = Path(settings.event_path).read_text().splitlines()
    except FileNotFoundError:
        return []
    return [event for event in map(json.loads, lines) if event["event"] == kind]


def noted(settings: GuardSettings, kind: str) -> dict[str, Any]:
    """The first such event, once it is written: the latch is written before it."""
    end_s = time.monotonic() + 10
    while time.monotonic() < end_s:
        if found := events(settings, kind):
            return found[0]
        time.sleep(0.005)
    raise AssertionError(f"no event {kind}")


def standing(settings: GuardSettings) -> latch.Latch:
    """The latch, once the guard has written it and said how standstill came out."""
    end_s = time.monotonic() + 10
    while time.monotonic() < end_s:
        found = latch.read(Path(settings.latch_path))
        if found is not None and found.standstill != "pending" and found.guard_pid:
            return found
        time.sleep(0.005)
    raise AssertionError(f"no settled latch; {found}")


def tell(process: subprocess.Popen[str], word: str) -> None:
    assert process.stdin is not None
    process.stdin.write(word + "\n")
    process.stdin.flush()


def test_a_killed_streamer_is_answered_by_stop_bytes(wired: GuardSettings, adapter: Any, bench: Any) -> None:
    """SIGKILL with half a line on the wire: the line is ended, the stop follows whole, standstill is proved.

    The latch comes after the first bytes; the guard refuses to arm again, quits by word, and a new guard refuses too
    until a person has cleared the latch with the reason that stands.
    """
    adapter.speed_counts_s = 50_000.0
    guard = bench.guard(wired)
    streamer = bench.streamer(adapter.channel)
    tell(streamer, "half")
    assert streamer.stdout.readline() == "half\n"
    adapter.wait_for(b"t2016AB")
    streamer.kill()
    adapter.wait_for(b"t2016AB" + ROUND)
    found = standing(wired)
    assert (found.reason, found.standstill, found.streamer_pid) == ("streamer-died", "proved", streamer.pid)
    assert (found.lease, found.doubt) == ("held", "")
    (stop,) = events(wired, "stop")
    assert stop["verdict_ns"] <= stop["first_bytes_ns"] <= stop["ns"]
    assert adapter.text().count(STOP_FRAMES[0]) >= 2
    bench.streamer(expect="refused")
    assert request_status(wired.stop_socket)["state"] == "latched"
    assert request_quit(wired.stop_socket)["quit"] is True
    assert guard.wait(10) == 0

    bench.guard(wired)
    assert bench.ready["state"] == "latched"
    bench.streamer(expect="refused")
    request_quit(wired.stop_socket)
    with pytest.raises(latch.ClearRefusedError):
        latch.clear(Path(wired.latch_path), "Ada", "lease-out")
    latch.clear(Path(wired.latch_path), "Ada", "streamer-died")
    bench.wait_gone("stop.sock")
    bench.guard(wired)
    bench.streamer(expect="armed")


def test_a_hung_streamer_is_killed_within_its_lease(wired: GuardSettings, bench: Any) -> None:
    """One that sleeps on: the lease runs out, the streamer is killed before it can wake up, stop bytes go out."""
    bench.guard(wired)
    streamer = bench.streamer()
    hung_ns = time.monotonic_ns()
    tell(streamer, "hang")
    found = standing(wired)
    assert (found.reason, found.standstill) == ("lease-out", "proved")
    assert found.stopped_ns - hung_ns <= (450 + 4 + wired.overrun_ms) * 1e6
    assert streamer.wait(10) == -signal.SIGKILL


def test_a_stopped_streamer_is_killed_long_before_its_lease_ends(wired: GuardSettings, bench: Any) -> None:
    """SIGSTOP is seen in the process' state, not waited out: by the guard's record before the lease ends."""
    bench.guard(wired)
    streamer = bench.streamer()
    streamer.send_signal(signal.SIGSTOP)
    found = standing(wired)
    assert (found.reason, found.standstill) == ("streamer-stopped", "proved")
    assert streamer.wait(10) == -signal.SIGKILL


@pytest.mark.parametrize(
    ("word", "reason"),
    [
        ("close", "closed-without-word"),
        ("garble", "beat-unreadable"),
        ("repeat", "beat-repeated"),
        ("flood", "beat-flood"),
        ("spin", "streamer-spinning"),
        ("burn", "streamer-spinning"),
        ("rush", "disarmed-moving"),
        ("flag 2", "feedback-stale"),
        ("flag 7", "drive-fault"),
        ("flag 11", "input-open"),
        ("flag 19", "motor-power-lost"),
    ],
)
def test_a_streamer_that_misbehaves_is_killed(
    wired: GuardSettings, bench: Any, word: str, reason: str
) -> None:
    """Hanging up without the word, noise, a repeated beat, a lost clock, a spinning loop, DISARM in motion, and bad
    news from the drives each stop the machine and end the streamer."""
    bench.guard(wired, tick_ms=4.0, spin_share=0.3, spin_window_ms=200.0)
    streamer = bench.streamer()
    tell(streamer, word)
    assert standing(wired).reason == reason
    assert streamer.wait(10) == -signal.SIGKILL


def test_the_services_death_stops_and_ends_the_guard(wired: GuardSettings, adapter: Any, bench: Any) -> None:
    """Without the service that answers for it nothing moves: stop, proof, latch, and the guard ends by itself."""
    service = bench.start("-c", "input()")
    guard = bench.guard(wired, service_pid=service.pid)
    bench.streamer()
    service.kill()
    adapter.wait_for(ROUND)
    assert guard.wait(10) == 0
    found = standing(wired)
    assert (found.reason, found.standstill) == ("service-died", "proved")
    with pytest.raises(GuardUnreachableError):
        request_status(wired.stop_socket)


def test_disarming_and_leaving_is_no_death(wired: GuardSettings, adapter: Any, bench: Any) -> None:
    """DISARM and an immediate end leave no stop and no latch, and the next streamer arms."""
    bench.guard(wired)
    streamer = bench.streamer()
    tell(streamer, "disarm")
    assert streamer.stdout.readline() == "disarmed\n"
    assert streamer.wait(10) == 0
    bench.streamer()
    assert STOP_FRAMES[0] not in adapter.text()
    assert latch.read(Path(wired.latch_path)) is None


def test_anybody_may_stop_and_the_guard_does_not_quit_while_armed(wired: GuardSettings, bench: Any) -> None:
    """A request stops the machine, the answer names a latch that is on disk; a second streamer never arms."""
    guard = bench.guard(wired)
    streamer = bench.streamer()
    bench.streamer(expect="refused")
    assert request_quit(wired.stop_socket)["quit"] is False
    answer = request_stop(wired.stop_socket, "smoke", "Ada", timeout_s=10.0)
    assert answer["stopped"] is True
    assert answer["reason"] == Reason.STOP_ASKED
    found = latch.read(Path(str(answer["latch"])))
    assert found is not None
    assert found.text == "Ada asked: smoke"
    assert streamer.wait(10) == -signal.SIGKILL
    assert request_stop(wired.stop_socket, "again", "Bo")["text"] == "Ada asked: smoke"
    assert standing(wired).standstill == "proved"
    guard.terminate()
    assert guard.wait(10) == 0


def test_stop_works_when_nothing_is_armed_and_bytes_go_out(
    wired: GuardSettings, adapter: Any, bench: Any
) -> None:
    """Somebody who presses stop gets one, armed or not; nonsense on the stop socket is answered, not obeyed."""
    bench.guard(wired)
    assert "error" in client._request(wired.stop_socket, {"dance": 1}, 5.0)
    assert request_status(wired.stop_socket)["state"] == "idle"
    assert request_stop(wired.stop_socket, "just in case", "Ada", timeout_s=10.0)["sent"] is True
    adapter.wait_for(ROUND)
    assert standing(wired).streamer_pid == 0


def test_a_stop_before_anything_was_armed_says_that_nothing_had_been_told_to_move(
    wired: GuardSettings, adapter: Any, bench: Any
) -> None:
    """Drives that answer nothing prove nothing, and no book of leases stands in for it: the guard sends on.

    But it says what it knows: no position came, and nobody had been given a lease.
    """
    adapter.mute = True
    bench.guard(wired, give_up_after_s=0.3)
    answer = request_stop(wired.stop_socket, "just in case", "Ada", timeout_s=10.0)
    assert (answer["lease"], answer["standstill"]) == ("never given", "pending")
    found = standing(wired)
    assert (found.standstill, found.lease, found.streamer_pid) == ("not proved", "never given", 0)
    assert found.doubt == "no position came from axis x and y"
    rounds = adapter.text().count(ROUND)
    end_s = time.monotonic() + 10
    while adapter.text().count(ROUND) < rounds + 3:
        assert time.monotonic() < end_s
        time.sleep(0.005)
    adapter.mute = False
    while standing(wired).standstill != "proved":
        assert time.monotonic() < end_s
        time.sleep(0.005)
    assert standing(wired).doubt == ""


def test_the_latch_keeps_whether_a_lease_stood(wired: GuardSettings, adapter: Any, bench: Any) -> None:
    """Held when a streamer was armed, given back when it had said DISARM: the guard's own book."""
    bench.guard(wired)
    assert adapter is not None
    streamer = bench.streamer()
    tell(streamer, "disarm")
    end_s = time.monotonic() + 10
    while request_status(wired.stop_socket)["state"] != "idle":
        assert time.monotonic() < end_s
        time.sleep(0.005)
    assert request_status(wired.stop_socket)["lease"] == "given back"
    request_stop(wired.stop_socket, "just in case", "Ada", timeout_s=10.0)
    assert standing(wired).lease == "given back"


def test_axes_that_do_not_stop_are_never_called_standing(
    wired: GuardSettings, adapter: Any, bench: Any
) -> None:
    """While positions change the guard goes on; given up it says so, and still sends; told to end, it keeps trying."""
    adapter.speed_counts_s, adapter.deaf = 50_000.0, True
    guard = bench.guard(wired, give_up_after_s=0.3)
    bench.streamer().kill()
    assert standing(wired).standstill == "not proved"
    rounds = adapter.text().count(ROUND)
    adapter.deaf = False
    end_s = time.monotonic() + 10
    while latch.read(Path(wired.latch_path)).standstill != "proved":  # type: ignore[union-attr]
        assert time.monotonic() < end_s
        time.sleep(0.005)
    assert adapter.text().count(ROUND) > rounds
    guard.terminate()
    assert guard.wait(10) == 0


def test_lying_beats_prove_nothing(wired: GuardSettings, adapter: Any, bench: Any) -> None:
    """The streamer says it stands while the axes run on, to its last beat: standstill is not proved.

    The record shows how far the guard itself has seen them run. Once they do stop, that is proved, by the wire alone.
    """
    adapter.speed_counts_s, adapter.deaf = 50_000.0, True
    bench.guard(wired, give_up_after_s=0.3)
    streamer = bench.streamer()
    tell(streamer, "close")
    assert standing(wired).standstill == "not proved"
    assert min(noted(wired, "standstill")["spread_um"]) > wired.standstill_um
    assert "axis x still moved" in standing(wired).doubt
    adapter.deaf = False
    end_s = time.monotonic() + 10
    while standing(wired).standstill != "proved":
        assert time.monotonic() < end_s
        time.sleep(0.005)


def test_boasting_beats_do_not_hinder_the_proof(wired: GuardSettings, adapter: Any, bench: Any) -> None:
    """The streamer says top speed while the axes stand: standstill is proved by what the wire says."""
    bench.guard(wired)
    streamer = bench.streamer()
    tell(streamer, "boast")
    time.sleep(0.02)
    streamer.kill()
    assert standing(wired).standstill == "proved"


def test_silence_on_the_wire_is_no_standstill(wired: GuardSettings, adapter: Any, bench: Any) -> None:
    """Drives that answer nothing may be moving; the latch says not proved and so does the exit code."""
    adapter.mute = True
    guard = bench.guard(wired, give_up_after_s=0.2)
    bench.streamer().kill()
    assert standing(wired).standstill == "not proved"
    assert request_quit(wired.stop_socket)["quit"] is True
    assert guard.wait(10) == 3


def test_a_pulled_adapter_stops(wired: GuardSettings, adapter: Any, bench: Any) -> None:
    """With the wire gone while armed the streamer is killed and the machine latched, standstill not proved."""
    bench.guard(wired, give_up_after_s=0.2)
    streamer = bench.streamer()
    adapter.unplug()
    found = standing(wired)
    assert (found.reason, found.standstill, found.first_bytes_ns) == ("wire-lost", "not proved", 0)
    assert streamer.wait(10) == -signal.SIGKILL


@pytest.mark.parametrize("trouble", ["latch", "wire"])
def test_arming_is_refused(settings: GuardSettings, bench: Any, folder: Path, trouble: str) -> None:
    """A latch that cannot be read, or a wire that cannot be opened: nothing arms, and status says why."""
    if trouble == "latch":
        guard = bench.guard(settings)
        Path(settings.latch_path).write_bytes(b"{")
    else:
        guard = bench.guard(settings, wire_kind="tty", wire_channel=str(folder / "nothing"))
    bench.streamer(expect="refused")
    status = request_status(settings.stop_socket)
    said = str(status["last_refusal"])
    assert latch.UNREADABLE in said if trouble == "latch" else "nothing" in said
    guard.send_signal(signal.SIGINT)
    assert request_status(settings.stop_socket)["pid"] == guard.pid
    guard.terminate()
    assert guard.wait(10) == 0


def test_sigterm_while_armed_is_a_stop(wired: GuardSettings, adapter: Any, bench: Any) -> None:
    """A guard that is told to end while it answers for motion stops the motion first."""
    guard = bench.guard(wired)
    streamer = bench.streamer()
    guard.terminate()
    assert guard.wait(10) == 0
    assert streamer.wait(10) == -signal.SIGKILL
    assert (standing(wired).reason, standing(wired).standstill) == ("stop-asked", "proved")
    adapter.wait_for(ROUND)


def test_a_guard_that_breaks_still_stops(
    wired: GuardSettings, adapter: Any, bench: Any, folder: Path
) -> None:
    """An error in the guard's own loop while armed kills the streamer, sends stop bytes, latches and proves."""
    wired.dump(folder / "guard.json")
    broken = (
        "import sys, safety.guard as g\n"
        "class Broken(g.Guard):\n"
        "    def _on_request(self, peer): raise RuntimeError('bug')\n"
        "g.Guard = Broken\n"
        "sys.exit(g.main(sys.argv[1:]))\n"
    )
    guard = bench.start("-c", broken, str(folder / "guard.json"))
    assert json.loads(guard.stdout.readline())["event"] == "ready"
    streamer = bench.streamer()
    with contextlib.suppress(GuardUnreachableError):
        request_status(wired.stop_socket)
    assert guard.wait(10) == 0
    assert streamer.wait(10) == -signal.SIGKILL
    assert (standing(wired).reason, standing(wired).standstill) == ("guard-failed", "proved")
    adapter.wait_for(ROUND)


def test_one_guard_a_place(settings: GuardSettings, bench: Any, folder: Path) -> None:
    """A second guard on the same sockets is refused with a message; a killed one's leftovers are no hindrance."""
    first = bench.guard(settings)
    second = bench.start("-m", "safety.guard", str(folder / "guard.json"))
    refusal = json.loads(second.stdout.readline())
    assert refusal["event"] == "refused"
    assert "another guard" in refusal["why"]
    assert second.wait(10) == 2
    first.kill()
    first.wait(10)
    assert Path(settings.beat_socket).is_socket()
    bench.guard(settings)
    assert bench.ready["event"] == "ready"


def test_bad_settings_end_with_one_clear_line(folder: Path) -> None:
    """A guard that cannot start says why on standard output and exits with 2."""
    (folder / "bad.json").write_text("{")
    done = subprocess.run(
        [sys.executable, "-m", "safety.guard", str(folder / "bad.json")],
        capture_output=True, text=True, timeout=30, check=False,
    )  # fmt: skip
    assert done.returncode == 2
    assert "bad.json" in json.loads(done.stdout)["why"]
    assert done.stderr == ""
    assert [path.name for path in folder.iterdir()] == ["bad.json"]


def test_a_full_disk_does_not_hinder_the_stop(
    wired: GuardSettings, adapter: Any, bench: Any, folder: Path
) -> None:
    """When the disk takes no byte, the stop bytes go out and the answer says that the latch could not be written.

    The guard does not quit over a latch that exists in its memory only; when the disk takes it, it is written.
    """
    wired.dump(folder / "guard.json")
    full = (
        "import resource, sys, safety.guard as g\n"
        "resource.setrlimit(resource.RLIMIT_FSIZE, (0, resource.RLIM_INFINITY))\n"
        "sys.exit(g.main(sys.argv[1:]))\n"
    )
    guard = bench.start("-c", full, str(folder / "guard.json"))
    assert json.loads(guard.stdout.readline())["event"] == "ready"
    streamer = bench.streamer()
    answer = request_stop(wired.stop_socket, "smoke", "Ada", timeout_s=10.0)
    adapter.wait_for(ROUND)
    assert (answer["stopped"], answer["sent"]) == (True, True)
    assert "File too large" in str(answer["latch_error"])
    assert streamer.wait(10) == -signal.SIGKILL
    assert request_quit(wired.stop_socket)["quit"] is False
    resource.prlimit(guard.pid, resource.RLIMIT_FSIZE, (resource.RLIM_INFINITY, resource.RLIM_INFINITY))
    assert standing(wired).reason == "stop-asked"


def test_a_stop_ends_every_streamer_that_has_a_line(wired: GuardSettings, bench: Any) -> None:
    """One that is connected and not armed may be writing to the wire too: it is killed with the armed one."""
    bench.guard(wired)
    armed, refused = bench.streamer(), bench.streamer(expect="refused")
    request_stop(wired.stop_socket, "smoke", "Ada", timeout_s=10.0)
    assert armed.wait(10) == -signal.SIGKILL
    assert refused.wait(10) == -signal.SIGKILL
    assert standing(wired).standstill == "proved"


def test_hung_askers_do_not_shut_a_person_out(settings: GuardSettings, bench: Any) -> None:
    """Any number of silent connections to the stop socket leaves room for the next request."""
    bench.guard(settings)
    lines = [client._connect(settings.stop_socket, 5.0) for _ in range(20)]
    assert request_status(settings.stop_socket)["state"] == "idle"
    for line in lines:
        line.close()
