# ruff: noqa: D102
"""The work of the guard's program in virtual time: proof, rounds, answers handed on, beats, and its end."""

from __future__ import annotations

import struct

import pytest

from drivers.can import stopperwork
from drivers.can.frames import stop_frames
from drivers.can.health import BusHealth
from drivers.can.stopperwork import ALONE_NS, HEAD, PROOF_NS, REFUSALS_MAX, HandleError, StopperWork
from drivers.clock import NS_PER_MS, VirtualClock
from drivers.errors import LinkError
from drivers.registry import stop_plan
from drivers.stoppersettings import CanStopperSettings
from tests.fakes.drive_node import FakeBus, FakeDriveNode
from tests.fakes.drive_settings import group_settings

OPTIONS = {"host": "127.0.0.1", "port": 29536}


class Held:
    """The program's work on a made-up bus."""

    def __init__(self) -> None:
        self.clock = VirtualClock()
        self.nodes = [FakeDriveNode(1, 1000), FakeDriveNode(2, -500)]
        self.bus = FakeBus(self.nodes, self.clock)
        plan = stop_plan(group_settings("socketcand", "vcan0", options=OPTIONS), "vcan0")
        self.settings = CanStopperSettings.model_validate_json(plan.handle[-1])
        self.sent: list[tuple[int, bytes]] = []
        send = self.bus.send_frames

        def noted(frames: list[tuple[int, bytes]]) -> None:
            self.sent += frames
            send(frames)

        self.bus.send_frames = noted  # type: ignore[method-assign,assignment]
        self.work = StopperWork(self.settings, self.bus, self.clock)

    def run(self, ms: float) -> list[tuple[bytes, bytes]]:
        """Words (kind, body) of so long."""
        said: list[bytes] = []
        end_ns = self.clock.now_ns() + round(ms * NS_PER_MS)
        while self.clock.now_ns() < end_ns:
            self.clock.sleep_until_ns(min(max(self.work.due_ns(), self.clock.now_ns() + 1000), end_ns))
            said += self.work.step()
        return [(word[:1], word[HEAD.size :]) for word in said]

    def rounds(self) -> int:
        (first, *_) = stop_frames((1, 2))
        return self.sent.count(first)


@pytest.fixture
def held() -> Held:
    return Held()


def test_it_is_ready_when_each_drive_has_answered(held: Held) -> None:
    """By a question of its own for object 1000h, which changes nothing; and until it is told, it says no more."""
    assert stopperwork.READY in dict(held.run(50))
    assert held.sent == [
        (0x601, bytes.fromhex("4000100000000000")),
        (0x602, bytes.fromhex("4000100000000000")),
    ]


def test_a_silent_drive_is_named_and_asked_again(held: Held) -> None:
    """Unproved after its time, with the node; PROVE asks once more."""
    held.nodes[1].is_silent = True
    held.bus.receive()
    held.work.order(stopperwork.PROVE)
    kinds = dict(held.run(PROOF_NS / NS_PER_MS + 50))
    if stopperwork.READY in kinds:  # the answers of the first question were there already
        held.work.order(stopperwork.PROVE)
        kinds = dict(held.run(PROOF_NS / NS_PER_MS + 50))
    assert b"node 2" in kinds[stopperwork.UNPROVED]
    held.nodes[1].is_silent = False
    held.work.order(stopperwork.PROVE)
    assert stopperwork.READY in dict(held.run(50))


def test_a_stop_goes_out_at_once_and_again_until_enough(held: Held) -> None:
    """The first round with the order itself, then one every 4 ms; a second order adds none; REST ends it."""
    held.run(50)
    assert held.work.order(stopperwork.STOP)[0][:1] == stopperwork.SENT
    assert held.sent[2:7] == stop_frames((1, 2))
    assert held.sent[-1] == (0x080, b"")
    assert held.work.order(stopperwork.STOP) == []
    held.run(40)
    assert 10 <= held.rounds() <= 11
    held.work.order(stopperwork.REST)
    before = held.rounds()
    held.run(40)
    assert held.rounds() == before


def test_beats_say_when_the_drives_were_heard(held: Held) -> None:
    """Every 20 ms; 0 while a drive has not brought its position."""
    beats = [body for kind, body in held.run(200) if kind == stopperwork.BEAT]
    assert 9 <= len(beats) <= 11
    assert struct.unpack("<Q", beats[-1]) == (0,)


def test_who_gives_orders_is_gone(held: Held) -> None:
    """Stop, said for a while; then it is over."""
    held.run(50)
    held.work.order(b"")
    assert held.rounds() == 1
    held.run(ALONE_NS / NS_PER_MS - 10)
    assert not held.work.is_over
    assert held.rounds() > 400
    held.run(20)
    assert held.work.is_over


def test_quit_says_nothing_on_the_bus(held: Held) -> None:
    """An end in order is no stop, though whoever gave the order is gone at once."""
    held.run(50)
    held.work.order(stopperwork.QUIT)
    held.work.order(b"")
    assert (held.work.is_over, held.rounds()) == (True, 0)


def test_a_bus_that_takes_nothing_is_given_up_in_the_end(held: Held) -> None:
    """Trouble is told once; after many refusals the handle has to be opened anew."""
    held.run(50)
    held.bus.is_broken = True
    (word,) = held.work.order(stopperwork.STOP)
    assert word[:1] == stopperwork.TROUBLE
    with pytest.raises(HandleError):
        held.run(4 * REFUSALS_MAX + 50)


def test_trouble_of_the_controller_is_told_and_the_end_of_the_handle_is_another_thing(held: Held) -> None:
    """A link tells the first once; what it raises behind that means that the handle must be opened anew."""
    held.run(50)
    held.bus.health = BusHealth("error-passive")  # type: ignore[attr-defined]

    def fails() -> list[object]:
        raise LinkError("wire fake", "a bus to read", "an end")

    held.bus.receive = fails  # type: ignore[method-assign,assignment]
    assert (stopperwork.TROUBLE, b"error-passive") in [
        (word[:1], word[HEAD.size :]) for word in held.work.step()
    ]
    with pytest.raises(HandleError):
        held.work.step()
