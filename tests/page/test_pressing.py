"""What the button does: with a guard, without one, and with one that hangs; a real guard process without a wire."""

from __future__ import annotations

import os
import signal

import pytest

from controller.page import pressing
from controller.page.pressing import press
from controller.session.wire import Message, Request, WireError
from safety import latch

from .conftest import Scene, Served, Told, guarding


def test_the_guard_stops_and_latches_once(scene: Scene) -> None:
    """A press latches with who pressed; a second one does no harm and leaves the latch as it was."""
    with guarding(scene.state):
        first = press(scene.state, "Ada, live page, 127.0.0.1")
        standing = latch.read(scene.state.latch)
        assert first.is_stopped
        assert "stop-asked" in first.lines[0]
        assert standing is not None
        assert (standing.reason, "Ada, live page" in f"{standing.text} {standing.detail}") == (
            "stop-asked",
            True,
        )
        second = press(scene.state, "Ada, live page, 127.0.0.1")
        assert second.is_stopped
        again = latch.read(scene.state.latch)
        assert again is not None
        assert (again.reason, again.text, again.stopped_ns) == (
            standing.reason,
            standing.text,
            standing.stopped_ns,
        )


def test_a_press_works_while_the_service_hangs(scene: Scene) -> None:
    """The guard is asked and nobody else: a service that holds its socket and says nothing is not waited for."""
    served = Served(scene.state.control_socket, Told())
    served.hang()
    with guarding(scene.state):
        assert press(scene.state, "Ada").is_stopped
    served.close()
    assert served.told.asked == []


def test_without_a_guard_the_service_is_asked_to_stop_at_once(scene: Scene) -> None:
    """It may be about to start one; what it says is told, and nothing is called stopped."""
    served = Served(scene.state.control_socket, Told())
    said = press(scene.state, "Ada")
    assert not said.is_stopped
    assert served.told.asked == [Request("stop", kind="immediate")]
    words = " ".join(said.lines)
    assert "No guard answers" in words
    assert "stops at once" in words
    assert pressing.HARDWARE in said.lines
    served.close()


def test_with_nobody_there(scene: Scene) -> None:
    """No guard, no service: said so, with what remains to do."""
    said = press(scene.state, "Ada")
    assert not said.is_stopped
    assert "no service runs" in " ".join(said.lines)
    assert pressing.HARDWARE in said.lines
    assert latch.read(scene.state.latch) is None


def test_a_service_at_rest_has_nothing_to_stop(scene: Scene) -> None:
    """Its refusal is told in its words."""

    class AtRest(Told):
        def answer(self, request: Request) -> Message:
            raise WireError("a session to stop", "at rest")

    served = Served(scene.state.control_socket, AtRest())
    assert "at rest, nothing to stop" in " ".join(press(scene.state, "Ada").lines)
    served.close()


def test_a_guard_that_hangs_is_not_waited_for_long(scene: Scene, monkeypatch: pytest.MonkeyPatch) -> None:
    """After its bound the press answers that nothing was confirmed, and has asked the service as well."""
    monkeypatch.setattr(pressing, "GUARD_S", 0.2)
    with guarding(scene.state) as guard:
        os.kill(guard.pid, signal.SIGSTOP)
        said = press(scene.state, "Ada")
    assert not said.is_stopped
    assert said.lines[0] == (
        "The guard did not answer in 0.2 s. The machine may be moving: use its emergency stop."
    )
    assert not any("no session of ours" in line for line in said.lines)
    assert "does not answer" in said.lines[-1]


def test_a_guard_without_a_wire_stops_nothing(scene: Scene) -> None:
    """It latches, and that no stop bytes went out comes first, at the first press and behind the latch it has found."""
    for _ in range(2):
        with guarding(scene.state, wired=False):
            said = press(scene.state, "Ada")
        assert not said.is_stopped
        assert said.lines[0].startswith(
            "The guard was asked to stop: no stop bytes could be sent but the latch stands"
        )
        assert said.lines[1] == "The machine may be moving: use its emergency stop."
        assert latch.read(scene.state.latch) is not None


def test_what_else_a_guard_might_say(scene: Scene, monkeypatch: pytest.MonkeyPatch) -> None:
    """Standstill proved or not, trouble with the wire or the latch, and an answer that makes no sense."""
    answer: dict[str, object] = {}
    monkeypatch.setattr(
        "safety.client.request_stop", lambda *_: {"stopped": True, "reason": "lease-out", **answer}
    )
    answer["sent"] = True
    answer["standstill"] = "proved"
    assert pressing.HARDWARE not in press(scene.state, "Ada").lines
    answer.update(standstill="not proved", wire_error="no such device")
    said = press(scene.state, "Ada")
    assert said.is_stopped
    assert said.lines[0] == "Stopped by the guard: stop bytes are out and the latch stands (lease-out)."
    assert pressing.HARDWARE in said.lines
    assert "Trouble: no such device." in said.lines
    assert not any("told to move" in line for line in said.lines)
    answer["lease"] = "never given"
    assert any("nothing had been told to move" in line for line in press(scene.state, "Ada").lines)
    answer["sent"] = False
    said = press(scene.state, "Ada")
    assert not said.is_stopped
    assert said.lines[0] == (
        "The guard was asked to stop: no stop bytes could be sent (no such device) but the latch stands (lease-out)."
    )
    answer.update(sent=True, latch_error="disk full")
    said = press(scene.state, "Ada")
    assert not said.is_stopped
    assert said.lines[0] == (
        "The guard was asked to stop: stop bytes are out but the latch could not be written (disk full) (lease-out)."
    )
    answer["stopped"] = "yes"
    said = press(scene.state, "Ada")
    assert not said.is_stopped
    assert pressing.HARDWARE in said.lines
