"""The doctor and described drives: only reading commands leave, nothing changes, and what is made of the answers.

In virtual time, against the simulated gantry of both example drives.
"""

from __future__ import annotations

import json
from functools import cache
from typing import Any, cast

import pytest

from controller.config.load import load_machine
from controller.config.machine import Machine
from controller.config.places import shipped
from controller.session import doctorrate, doctorwire
from drivers.can.link import Frame
from drivers.clock import VirtualClock
from drivers.described.driveside import SERIAL, DriveSide
from drivers.described.format import DriveFile
from drivers.described.look import MAY_MOVE, why_not
from drivers.described.tick import codecs_of
from drivers.interface import DriveState
from drivers.look import NodeLook, look
from drivers.settings import GroupSettings
from drivers.twin.virtual import virtual_gantry
from tests.fakes.described_settings import (
    can_settings,
    described_twin_parameters,
    drive_file,
    serial_settings,
)

MS = 1_000_000
US = 1_000
KINDS = {"heron": "can", "tide": "serial"}
READS = {"heron": {"read_status", "read_position"}, "tide": {"read_position"}}


@cache
def machine_of(name: str) -> Machine:
    """The shipped machine with these drives."""
    return load_machine(shipped(f"machines/boathouse-described-{KINDS[name]}.toml"))


def settings_of(drive: DriveFile, **wire: Any) -> GroupSettings:
    """Two such drives on their wire."""
    return can_settings(drive, **wire) if drive.can is not None else serial_settings(drive, **wire)


def changed(name: str, change: Any) -> DriveFile:
    """A shipped drive with another table or two."""
    data = json.loads(json.dumps(drive_file(name).model_dump(mode="json", exclude={"samples"})))
    change(data)
    return DriveFile.model_validate(data)


class World:
    """The simulated gantry of two such drives, and all that was sent to it."""

    def __init__(self, drive: DriveFile, **wire: Any) -> None:
        self.settings, self.clock, self.drive = settings_of(drive, **wire), VirtualClock(), drive
        self.gantry = cast("Any", virtual_gantry(self.settings, described_twin_parameters(), self.clock))
        self.gantry.link.sent = []

    @property
    def sent(self) -> list[tuple[int, bytes]]:
        """Identifier and bytes of all that was sent."""
        return [(SERIAL, one[1]) if len(one) == 2 else one[1:] for one in self.gantry.link.sent]

    def commands(self) -> list[tuple[int, str]]:
        """Node and command of all that was sent, as the drives' end tells them, bit by bit."""
        sides = [DriveSide(self.drive, node) for node in (1, 2)]
        found: list[tuple[int, str]] = []
        for can_id, data in self.sent:
            heard = [
                (one.node, said.command) for one in sides if (said := one.heard(can_id, data)) is not None
            ]
            assert len(heard) == 1
            found += heard
        return found

    def enable(self) -> None:
        """Somebody else enables both drives, with a time-out, and is gone."""
        for codec in codecs_of(self.settings):
            timeout = codec.encode("set_timeout", timeout=160) if codec.has("set_timeout") else ()
            for frame in (*timeout, *codec.encode("enable")):
                if frame.can_id == SERIAL:
                    self.gantry.link.send(frame.data)
                else:
                    self.gantry.link.send_frames([(frame.can_id, frame.data)])
                self.clock.sleep_until_ns(self.clock.now_ns() + (frame.wait_ms + 5) * MS)
                self.gantry.link.receive()

    def look(self, rounds: int) -> list[NodeLook]:
        """Ask them."""
        return look(self.settings, self.gantry.link, self.clock, rounds)


class Talking:
    """A bus on which both drives say besides, every 20 ms, that they are switched on (03h by the drive file)."""

    def __init__(self, link: Any, clock: VirtualClock, drive: DriveFile) -> None:
        self._link, self._clock, self._due_ns = link, clock, clock.now_ns() + 20 * MS
        self._said = [DriveSide(drive, node).reply("status", {"status": 0x03}) for node in (1, 2)]

    def send_frames(self, some: Any) -> None:
        """As the link."""
        self._link.send_frames(some)

    def receive(self) -> list[Frame]:
        """As the link, and what is due."""
        now_ns = self._clock.now_ns()
        if now_ns < self._due_ns:
            return list(self._link.receive())
        self._due_ns += 20 * MS
        return [*self._link.receive(), *(Frame(can_id, data, now_ns) for can_id, data in self._said)]


@pytest.mark.parametrize("name", ["heron", "tide"])
def test_only_reading_commands_are_sent(name: str) -> None:
    """Each frame is a reading command by the drives' own end; both answer, and stand as they stood."""
    world = World(drive_file(name))
    looks = world.look(10)
    commands = world.commands()
    assert {command for _, command in commands} == READS[name]
    assert [(one.axis, one.trouble, one.not_asked, one.state, one.lost) for one in looks] == [
        ("x", "", "", DriveState.SWITCH_ON_DISABLED, 0),
        ("y", "", "", DriveState.SWITCH_ON_DISABLED, 0),
    ]
    assert [len(one.round_trips_ns) for one in looks] == [10, 10]
    assert len(commands) == 2 * (10 + len(READS[name]) - 1)
    # The simulated drive answers after 250 µs. On a line the rest is characters and silences; on the bus at 1 Mbit/s a
    # question of one byte takes at most 65 µs and its answer of eight 135 µs (Davis et al. 2007).
    for one in looks:
        rest_us = (one.round_trips_ns[0] - one.line_ns) / US - 250
        assert 0 <= rest_us < 20 + (200 if name == "heron" else 0)


@pytest.mark.parametrize("name", ["heron", "tide"])
def test_good_drives_are_found_good(name: str) -> None:
    """State and round trips in the doctor's words; the rate has its bounds: a line's answers are part of its load."""
    machine = machine_of(name)
    looks = World(drive_file(name)).look(5)
    findings = [doctorwire.drive(machine, one) for one in looks]
    noun = "node" if name == "heron" else "address"
    assert [one.name for one in findings] == [f"drive x ({noun} 1)", f"drive y ({noun} 2)"]
    assert {one.state for one in findings} == {"good"}
    assert "switch on disabled (statusword 0" in findings[0].measured
    trips = doctorwire.round_trips(machine, looks[0])
    assert trips is not None
    assert trips.state == "good"
    assert ("turnaround" in trips.figures) is (name == "tide")
    told = {"send_ns": {"p99_9": 28_000}, "count": 1, "tick_ns": machine.tick_ns}
    bounds = doctorrate.bounds(machine, told, looks)
    assert [one.what for one in bounds] == ["host", "wire", *(["answers"] if name == "heron" else [])]
    assert doctorrate.rate(machine, bounds, looks).state == "good"


@pytest.mark.parametrize("name", ["heron", "tide"])
def test_a_drive_in_operation_is_asked_once(name: str) -> None:
    """A question may keep a drive from noticing our silence: one that may move is asked no more and stops by itself."""
    world = World(drive_file(name))
    world.enable()
    world.gantry.link.sent.clear()
    looks = world.look(100)
    assert all(one.state in MAY_MOVE for one in looks)
    assert len(world.commands()) == 2 * len(READS[name])
    found = doctorwire.drive(machine_of(name), looks[0])
    assert (found.state, "no session of ours" in found.measured) == ("could be better", True)
    world.clock.sleep_until_ns(world.clock.now_ns() + 400 * MS)
    assert all(one.state not in MAY_MOVE - {DriveState.QUICK_STOP_ACTIVE} for one in world.look(1))


def test_a_fault_has_the_words_of_its_file() -> None:
    """A fault must be mended, with the file's own text."""
    one = NodeLook("x", 1, "", DriveState.FAULT, 9, 4, fault_text="nothing heard for too long")
    found = doctorwire.drive(machine_of("tide"), one)
    assert (found.state, found.measured) == (
        "must be mended", "fault (statusword 0009h), error code 0004h: nothing heard for too long",
    )  # fmt: skip


@pytest.mark.parametrize("name", ["heron", "tide"])
def test_a_pulled_plug(name: str) -> None:
    """Nobody answers: trouble at the first question, and no more questions to that drive."""
    world = World(drive_file(name), answer_timeout_s=0.1)
    world.gantry.link.plugged = False
    looks = world.look(10)
    assert len(world.commands()) == 2
    assert {doctorwire.drive(machine_of(name), one).state for one in looks} == {"must be mended"}
    assert all("no answer stat" in one.trouble and "within 0.1 s, got none" in one.trouble for one in looks)


def also_clears(data: dict[str, Any]) -> None:
    """Reading the status acknowledges a fault as well."""
    data["commands"]["clear_fault"][0]["constants"] = data["commands"]["read_status"][0]["constants"]
    data["commands"]["clear_fault"][0] |= {"id": data["commands"]["read_status"][0]["id"]}


def status_by_stop(data: dict[str, Any]) -> None:
    """The status comes to a stop only."""
    data["commands"]["read_status"] = data["commands"]["stop"]


def by_velocity(data: dict[str, Any]) -> None:
    """Nothing but a velocity of zero brings anything."""
    zero = {"length": 6, "answers": ["state"], "constants": [{"at": 0, "hex": "20 00 00 00 00 00"}]}
    data["commands"] |= {"read_status": [zero], "read_position": [zero]}


@pytest.mark.parametrize(
    ("name", "change", "asked", "words"),
    [
        ("heron", also_clears, {"read_position"}, "the frame of read_status is one of clear_fault as well"),
        ("heron", status_by_stop, {"read_position"}, "the frame of read_status is one of stop as well"),
        ("tide", by_velocity, set(), "the frame of read_status is one of velocity as well"),
    ],
)
def test_what_does_more_is_not_sent(name: str, change: Any, asked: set[str], words: str) -> None:
    """A command whose frame has another meaning as well never leaves; the finding cannot tell, and says why."""
    world = World(changed(name, change))
    looks = world.look(3)
    assert {command for _, command in world.commands()} == asked
    for one in looks:
        found = doctorwire.drive(machine_of(name), one)
        assert (found.state, words in found.measured) == ("cannot tell", True)
        assert found.measured.startswith(
            "it answers; its state was not asked for" if asked else "it was not asked for"
        )
        assert (doctorwire.round_trips(machine_of(name), one) is None) is not bool(asked)


def test_the_frame_of_one_drive_may_move_another() -> None:
    """A question that another drive on the wire takes for a command is not sent either."""

    def shifted(data: dict[str, Any]) -> None:
        """Enabled at the identifier and by the byte with which node 1 is asked for its status."""
        for frame in data["commands"]["enable"]:
            frame["id"] = {"base": 0x1BF}
            frame["constants"] = [{"at": 0, "hex": "02"}]
        for name in ("read_position", "read_status", "read_timeout"):
            data["commands"][name][0]["id"] = {"base": 0x400}

    first, second = drive_file("heron"), changed("heron", shifted)
    settings = can_settings(first)
    axes = settings.axes | {"y": settings.axes["y"].model_copy(update={"described": second})}
    world = World(first)
    mixed = settings.model_copy(update={"axes": axes})
    looks = look(mixed, world.gantry.link, world.clock, 1)
    assert "one of enable of node 2 as well" in looks[0].not_asked
    assert (0x1C1, b"\x02") not in world.sent


def test_the_frame_of_a_drive_may_move_the_head() -> None:
    """Nor one that a head on the same bus takes for its own."""
    (codec, _) = codecs_of(can_settings())
    assert why_not(codec, "read_status", [codec], []) == ""
    assert why_not(codec, "read_status", [codec], [(0x1C1, b"\x01"), (0x1C2, b"\x02")]) == ""
    assert (
        why_not(codec, "read_status", [codec], [(0x1C1, b"\x02")])
        == "the frame of read_status is one of the head's"
    )


def test_a_status_that_comes_by_itself() -> None:
    """It is waited for; when it does not come though the file says so, that must be mended."""

    def cyclic(data: dict[str, Any]) -> None:
        data["commands"]["read_status"] = []
        data["replies"][1]["cyclic_ms"] = 20

    world = World(changed("heron", cyclic))
    talking = Talking(world.gantry.link, world.clock, world.drive)
    assert [
        (one.trouble, one.not_asked, one.state) for one in look(world.settings, talking, world.clock, 2)
    ] == [("", "", DriveState.SWITCHED_ON)] * 2
    assert {command for _, command in world.commands()} == {"read_position"}
    for one in world.look(2):
        assert one.trouble == "its file says that it tells its status every 20 ms, and nothing came"
        assert len(one.round_trips_ns) == 2


def test_slow_thinking_must_be_allowed_for() -> None:
    """Longer than the drive file allows on a line: the file's number is named, and the wire's bound grows by it."""
    machine = machine_of("tide")
    real = machine.model_copy(update={"wire": machine.wire.model_copy(update={"channel": "/dev/ttyUSB0"})})
    good = NodeLook("x", 1, "", DriveState.SWITCH_ON_DISABLED, 0x101, round_trips_ns=[900 * US] * 10)
    good.line_ns, good.allowed_ns = 564 * US, 600 * US
    slow = NodeLook("x", 1, "", DriveState.SWITCH_ON_DISABLED, 0x101, round_trips_ns=[2_564 * US] * 10)
    slow.line_ns, slow.allowed_ns = 564 * US, 600 * US
    for one, state in ((machine, "could be better"), (real, "must be mended")):
        found = doctorwire.round_trips(one, slow)
        assert found is not None
        assert found.state == state
        assert "set wire.turnaround_us in the drive file to 2000 (" in found.advice
    # One answered frame a tick for each drive of this file: 1.4 ms more in 80 % of a tick.
    grown_ns = doctorrate.wire_tick_ns(real, [slow]) - doctorrate.wire_tick_ns(real, [good])
    assert grown_ns == pytest.approx(1.4 * MS / 0.8)
