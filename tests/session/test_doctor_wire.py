"""The doctor at the wire: what it asks, that it changes nothing, and what it makes of the answers. Virtual time."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest

from controller.config.load import load_machine
from controller.config.machine import Machine
from controller.config.places import StateDir, shipped
from controller.session import doctor, doctorrate, doctorsleeper, doctorwire
from controller.session.daemon import locked
from controller.session.doctor import Roots, examine
from controller.session.simulated import SimulatedWorld
from controller.stream.record import TICK_DTYPE
from drivers.can import frames
from drivers.clock import VirtualClock
from drivers.interface import DriveState
from drivers.look import NodeLook, look
from drivers.twin.virtual import virtual_gantry

MS = 1_000_000


@pytest.fixture(scope="module")
def boathouse() -> Machine:
    return load_machine(shipped("machines/boathouse.toml"))


@pytest.fixture(scope="module")
def on_modbus() -> Machine:
    return load_machine(shipped("machines/boathouse-modbus.toml"))


def gantry_of(machine: Machine) -> tuple[Any, VirtualClock]:
    """The machine's own simulated gantry in virtual time."""
    clock = VirtualClock()
    assert machine.twin is not None
    return virtual_gantry(machine.group_settings(), machine.twin, clock), clock


class Watched:
    """A CAN link that remembers what was sent."""

    def __init__(self, link: Any) -> None:
        self._link = link
        self.sent: list[tuple[int, bytes]] = []

    def send_frames(self, some: Any) -> None:
        """As the link."""
        self.sent += [(can_id, bytes(data)) for can_id, data in some]
        self._link.send_frames(some)

    def receive(self) -> Any:
        """As the link."""
        return self._link.receive()


def test_on_can_only_uploads_are_sent(boathouse: Machine) -> None:
    """Every frame is an SDO upload request (40h, CiA 301): no SYNC, NMT, PDO, heartbeat or write; nothing moves."""
    world, clock = gantry_of(boathouse)
    link = Watched(world.link)
    looks = look(boathouse.group_settings(), link, clock, 10)
    assert {can_id for can_id, _ in link.sent} == {frames.SDO_REQUEST + 1, frames.SDO_REQUEST + 2}
    assert {data[0] for _, data in link.sent} == {0x40}
    assert [
        (one.axis, one.node, one.trouble, one.state, len(one.round_trips_ns), one.lost) for one in looks
    ] == [
        ("x", 1, "", DriveState.SWITCH_ON_DISABLED, 10, 0),
        ("y", 2, "", DriveState.SWITCH_ON_DISABLED, 10, 0),
    ]
    assert looks[0].values["device_type"] & 0xFFFF == 402
    # The simulated drive answers after 150 µs of its own time; we look every 20 µs.
    assert boathouse.twin is not None
    latency_ns = boathouse.twin.response_latency_us * 1000
    assert all(latency_ns <= ns <= latency_ns + MS for ns in looks[0].round_trips_ns)


def test_on_modbus_only_function_03_is_sent(on_modbus: Machine) -> None:
    """Every request reads (function 03); each answer comes by the line's own reckoning."""
    world, clock = gantry_of(on_modbus)
    world.link.sent = []
    looks = look(on_modbus.group_settings(), world.link, clock, 10)
    assert {data[1] for _, data in world.link.sent} == {0x03}
    assert [(one.trouble, one.state, len(one.round_trips_ns)) for one in looks] == [
        ("", DriveState.SWITCH_ON_DISABLED, 10)
    ] * 2
    assert on_modbus.twin is not None
    for one in looks:
        thought_ns = doctorrate.turnaround_ns(on_modbus, one)
        assert thought_ns is not None
        assert abs(thought_ns - on_modbus.twin.response_latency_us * 1000) < 0.2 * MS


@pytest.mark.parametrize("name", ["boathouse", "boathouse-modbus"])
def test_a_pulled_plug(name: str) -> None:
    """Nobody answers: each drive has its trouble, and must be mended; the rate cannot be told."""
    machine = load_machine(shipped(f"machines/{name}.toml"))
    patience = {"sdo_timeout_s": 0.02} if name == "boathouse" else {"answer_timeout_s": 0.02}
    machine = machine.model_copy(update={"wire": machine.wire.model_copy(update=patience)})
    world, clock = gantry_of(machine)
    world.link.plugged = False
    looks = look(machine.group_settings(), world.link, clock, 3)
    assert all("no answer" in one.trouble for one in looks)
    findings = [doctorwire.drive(machine, one) for one in looks]
    assert {one.state for one in findings} == {"must be mended"}
    assert [doctorwire.round_trips(machine, one) for one in looks] == [None, None]
    bounds = doctorrate.bounds(machine, None, looks)
    assert doctorrate.rate(machine, bounds, looks).state == "cannot tell"


def looked(**changes: Any) -> NodeLook:
    """A drive as it should be, but for the changes."""
    values = {"device_type": 0x0002_0192, "supported_modes": 0x0000_0105, "abort_option": 3}
    one = NodeLook("x", 1, "", DriveState.SWITCH_ON_DISABLED, 0x0250, 0, values, [300_000] * 100)
    for name, value in changes.items():
        setattr(one, name, value)
    return one


@pytest.mark.parametrize(
    ("changes", "state", "words"),
    [
        ({}, "good", "switch on disabled"),
        ({"state": DriveState.FAULT, "fault_code": 0x8611}, "must be mended", "error code 8611h"),
        ({"state": DriveState.OPERATION_ENABLED}, "could be better", "though no session of ours runs"),
        ({"state": DriveState.UNKNOWN, "statusword": 1}, "must be mended", "0001h"),
        ({"values": {"device_type": 0x0002_0191, "abort_option": 3}}, "must be mended", "no CiA 402 drive"),
        (
            {"values": {"device_type": 402, "supported_modes": 5, "abort_option": 3}},
            "must be mended",
            "no cyclic velocity",
        ),
        ({"values": {"device_type": 402}}, "must be mended", "6007h"),
    ],
)
def test_drives_are_judged(boathouse: Machine, changes: dict[str, Any], state: str, words: str) -> None:
    """What a drive is and how it stands, against what a set-up would refuse (docs/drivers.md)."""
    finding = doctorwire.drive(boathouse, looked(**changes))
    assert finding.state == state
    assert words in finding.measured


def test_round_trips_are_judged(boathouse: Machine, on_modbus: Machine) -> None:
    """Short ones are good; longer than a tick, or lost ones, could be better; a drive that thinks too long is told."""
    assert doctorwire.round_trips(boathouse, looked()).state == "good"  # type: ignore[union-attr]
    late = doctorwire.round_trips(boathouse, looked(round_trips_ns=[16 * MS] * 10))
    assert late is not None
    assert (late.state, late.figures["p99"].value) == ("could be better", 16_000)
    lost = doctorwire.round_trips(boathouse, looked(lost=2))
    assert lost is not None
    assert "2 WITHOUT AN ANSWER" in lost.measured
    real = on_modbus.model_copy(
        update={"wire": on_modbus.wire.model_copy(update={"channel": "/dev/ttyUSB0"})}
    )
    for machine, state in ((on_modbus, "could be better"), (real, "must be mended")):
        slow = doctorwire.round_trips(machine, looked(round_trips_ns=[16 * MS] * 10))
        assert slow is not None
        assert slow.state == state
        assert "wire.turnaround_us" in slow.advice


def timed(p99_9_ns: int, max_ns: int = 0) -> dict[str, Any]:
    """What the timer's process says."""
    send = {"p50": 1000, "p99": 5000, "p99_9": p99_9_ns, "max": max(max_ns, p99_9_ns)}
    return {"send_ns": send, "count": 2500, "tick_ns": 4 * MS, "realtime": True, "core": 1}


@pytest.mark.parametrize(
    ("told", "state"),
    [
        (timed(28_000), "good"),
        (timed(1_640_000), "good"),  # (1.64 + 0.36) / 0.5 = 4 ms: just
        (timed(1_640_001), "could be better"),
        (timed(28_000, 95 * MS), "good"),
        (timed(28_000, 96 * MS), "must be mended"),  # lease 100 ms less a tick of 4 ms
    ],
)
def test_the_timer_is_judged_by_tick_and_lease(boathouse: Machine, told: dict[str, Any], state: str) -> None:
    """Late at p99.9 costs accuracy; as late as the lease stops the machine."""
    assert doctorrate.timer(boathouse, told).state == state


def test_the_rate_is_the_worst_of_three(boathouse: Machine) -> None:
    """(0.14 + 0.36) / 0.5 = 1 ms; the bus by `check`; 0.3 + 0.6 = 0.9 ms. The line says which bounds it and how."""
    looks = [looked(), looked(axis="y", node=2)]
    bounds = {one.what: one.tick_ns for one in doctorrate.bounds(boathouse, timed(140_000), looks)}
    assert bounds["host"] == pytest.approx(1.0 * MS)
    assert bounds["answers"] == pytest.approx(0.9 * MS)
    # Worst case of n bytes: 55 + 10 n bits (Davis et al. 2007). A tick of two axes: 4 of 6, 2 of 8, one of 4, SYNC; and
    # heartbeats. 80 % of the bus may be taken.
    bits = 4 * (55 + 60) + 2 * 135 + (55 + 40) + 55
    wire_ns = bounds["wire"]
    assert wire_ns is not None
    assert bits / 0.8 * 1000 < wire_ns < 1.2 * bits / 0.8 * 1000
    finding = doctorrate.rate(boathouse, doctorrate.bounds(boathouse, timed(140_000), looks), looks)
    assert finding.state == "good"
    assert finding.figures["tick"].value == pytest.approx(wire_ns / MS)
    slow = doctorrate.rate(boathouse, doctorrate.bounds(boathouse, timed(5 * MS), looks), looks)
    assert (slow.state, slow.figures["tick"].value) == ("could be better", pytest.approx(10.72))
    assert "tick_us to at least 10720" in slow.advice


def test_the_sleeper_counts_lateness_from_absolute_instants() -> None:
    """A late wake-up makes none of the others late, and instants that have passed are skipped."""

    class Late(VirtualClock):
        """A clock on which the third sleep to an instant ends 2.5 ticks late."""

        sleeps = 0

        def sleep_until_ns(self, instant_ns: int) -> None:
            self.sleeps += 1
            super().sleep_until_ns(
                instant_ns + (2_500_000 if self.sleeps == 6 else 7_000 if self.sleeps % 2 == 0 else 0)
            )

    clock = Late()
    wakes, sends = doctorsleeper.measure(clock, clock, MS, 6, 600_000)
    assert sends == [7_000, 7_000, 2_500_000, 7_000, 7_000, 7_000]
    assert wakes == [0, 0, 0, 100_000, 0, 0]  # 0.5 ms were left of the 0.6 before the next instant
    assert doctorsleeper.summary(sends) == {
        "p50": 7_000,
        "p99": 2_500_000,
        "p99_9": 2_500_000,
        "max": 2_500_000,
    }


def test_feedback_age_comes_from_the_log(boathouse: Machine) -> None:
    """Sent less feedback, ticks without any left out; close to the lease's limit it could be better."""
    records = np.zeros(5, TICK_DTYPE)
    records["sent_ns"] = [10 * MS, 14 * MS, 18 * MS, 22 * MS, 26 * MS]
    records["feedback_ns"] = [0, 13 * MS, 17 * MS, 18 * MS, 22 * MS]
    ages = doctorwire.ages([records])
    assert ages.tolist() == [MS, MS, 4 * MS, 4 * MS]
    assert doctorwire.feedback_age(boathouse, "0001-moon", ages).state == "good"
    assert doctorwire.feedback_age(boathouse, "0001-moon", ages + 60 * MS).state == "could be better"
    assert doctorwire.feedback_age(boathouse, "0001-moon", ages[:0]).state == "cannot tell"
    assert doctorwire.ages([]).tolist() == []


async def test_while_a_session_runs_nothing_is_touched(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Somebody holds the machine: no timer at real-time priority, no gantry, no question; the findings say who."""

    def never(*_: object, **__: object) -> None:
        raise AssertionError("touched")

    monkeypatch.setattr(SimulatedWorld, "open", never)
    monkeypatch.setattr(doctor, "_timer", never)
    monkeypatch.setattr(doctor, "open_link", never)
    state = StateDir.open(tmp_path, "boathouse")
    with locked(state, "paint"):
        report = await examine(shipped("machines/boathouse.toml"), tmp_path, 5.0, lambda _text: None)
    untold = {one.name: one.measured for one in report.findings if one.state == "cannot tell"}
    assert {"timer latency", "drives", "rate"} <= set(untold)
    assert "giornata paint" in untold["drives"]
    assert report.looks == ()


async def test_a_wire_that_is_not_there(tmp_path: Path) -> None:
    """A missing port must be mended, and the drives are not asked before."""
    text = shipped("machines/template-slcan.toml").read_text()
    path = tmp_path / "bench.toml"
    path.write_text(text.replace("/dev/ttyACM0", str(tmp_path / "ttyACM9")))
    report = await examine(path, tmp_path / "s", 0.0, lambda _text: None, Roots(tmp_path, tmp_path))
    states = {one.name: one.state for one in report.findings}
    assert (states["port"], states["drives"], states["rate"]) == (
        "must be mended",
        "cannot tell",
        "cannot tell",
    )
    assert "USB latency timer" not in states
