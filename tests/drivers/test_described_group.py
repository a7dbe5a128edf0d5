"""Described drives commanded together, in virtual time: slots, answers that do not come, rests, noise, stops."""

from __future__ import annotations

import random
import struct
from pathlib import Path
from typing import Any

import can
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drivers.can.pythoncan import PythonCanLink
from drivers.clock import VirtualClock
from drivers.described.driveside import DriveSide
from drivers.described.group import DescribedGroup
from drivers.described.mirror import DescribedMirror
from drivers.described.tick import codecs_of, refusals, tick_of
from drivers.describedfacts import drive_facts
from drivers.errors import FaultError, LinkError, MisuseError
from drivers.interface import AxisFeedback, DriveState
from drivers.line.master import Exchange
from drivers.registry import group_on_link, stop_plan
from drivers.settings import GroupSettings
from drivers.trace import traced
from drivers.tracefile import TraceWriter, read_trace
from drivers.twin.virtual import virtual_gantry
from tests.fakes.described_settings import (
    can_settings,
    described_twin_parameters,
    drive_data,
    drive_file,
    serial_settings,
)

TICK_NS = 10_000_000
KINDS = {"can": can_settings, "serial": serial_settings}
SPEED = {"can": 54_000, "serial": 9_000}  # 90 mm/s
COUNTS_S = {"can": 54_000, "serial": 90_000}


class Stage:
    """A group and the gantry at the other end of its wire."""

    def __init__(self, given_settings: GroupSettings) -> None:
        self.settings = given_settings
        self.clock = VirtualClock()
        self.world: Any = virtual_gantry(given_settings, described_twin_parameters(), self.clock)
        self.link = self.world.link
        self.group: Any = group_on_link(given_settings, self.link, self.clock)

    @property
    def drives(self) -> list[Any]:
        """The drives as the world has them."""
        return (self.world.bus if hasattr(self.world, "bus") else self.world.line).drives

    @property
    def mute(self) -> set[int]:
        """Drives that say nothing."""
        return (self.world.bus if hasattr(self.world, "bus") else self.world.line).mute

    def ready(self) -> None:
        """Configured and enabled."""
        self.group.configure()
        self.group.enable()

    def run(self, units: tuple[int, int], ticks: int, outputs: int = 0) -> None:
        """Whole ticks."""
        for _ in range(ticks):
            begun_ns = self.clock.now_ns()
            self.group.send_tick(units, outputs)
            self.clock.sleep_until_ns(begun_ns + TICK_NS)
            self.group.poll()

    def wait(self, ticks: int) -> None:
        """Time passes; nothing is sent."""
        for _ in range(ticks):
            self.clock.sleep_until_ns(self.clock.now_ns() + TICK_NS)
            self.group.poll()

    def is_still(self) -> bool:
        """By the truth of the world."""
        return all(motor.is_still for motor in self.world.gantry.motors)


@pytest.fixture(params=sorted(KINDS))
def kind(request: pytest.FixtureRequest) -> str:
    """Each wire in turn."""
    return str(request.param)


def stage_of(kind: str, **wire: Any) -> Stage:
    return Stage(KINDS[kind](**wire))


def test_slots_and_instants_of_a_serial_tick() -> None:
    """By hand, 11 bits a character at 1 Mbit/s (11 us): x acts after 11 characters and 300 us of silence = 421 us;

    its answer takes 600 us, 18 characters and 300 us more: y begins at 1519 us and acts 421 us later.
    """
    stage = stage_of("serial")
    stage.ready()
    assert stage.group.acts_after_ns == (421_000, 1_940_000)
    stage.link.sent = []
    begun_ns = stage.clock.now_ns()
    stage.run((900, -900), 10)
    sent = stage.link.sent
    assert [frame[1] for _, frame in sent] == [1, 2] * 10
    assert [at - begun_ns for at, _ in sent] == [k * TICK_NS + s for k in range(10) for s in (0, 1_519_000)]
    assert stage.group.latest_ns == (0, 0)
    assert stage.world.line.garbled == stage.world.line.collisions == 0


def test_instants_of_a_can_tick() -> None:
    """By hand, Davis et al. 2007: 55 + 10 x 6 = 115 us for a frame of 6 bytes at 1 Mbit/s; with 29 bits 80 + 60."""
    stage = stage_of("can")
    assert stage.group.acts_after_ns == (115_000, 230_000)
    long = drive_file("heron", wire={"kind": "can", "id_bits": 29, "turnaround_us": 300})
    given_settings = can_settings(long)
    tick = tick_of(given_settings.wire, codecs_of(given_settings), ("x", "y"), "x", 10_000)  # type: ignore[arg-type]
    assert [part.acts_ns for part in tick.axes] == [140_000, 280_000]


def test_both_axes_report_the_tick_s_instant(kind: str) -> None:
    """At steady speed the axis that is told d later is v d behind, though its position is read later, too."""
    stage = stage_of(kind)
    stage.ready()
    start = [axis.position_counts for axis in stage.group.feedback.axes]
    stage.run((SPEED[kind], SPEED[kind]), 60)
    x, y = (axis.position_counts - s for axis, s in zip(stage.group.feedback.axes, start, strict=True))
    first, second = stage.group.acts_after_ns
    assert x - y == pytest.approx(COUNTS_S[kind] * (second - first) * 1e-9, abs=3)


def test_a_tick_that_the_wire_cannot_carry_is_refused_with_the_numbers() -> None:
    """At 115200 bit/s and 29 characters of 95.5 us, 1.2 ms of silences and turnarounds each: 7.94 ms of 9."""
    with pytest.raises(MisuseError, match=r"7\.94 ms of 9 ms at 115200 bit/s"):
        Stage(serial_settings(tick_us=9_000, bitrate_bit_s=115_200))
    Stage(serial_settings(tick_us=10_000, bitrate_bit_s=115_200))
    with pytest.raises(MisuseError, match=r"of 1 ms at 250000 bit/s"):
        Stage(can_settings(tick_us=1_000, bitrate_bit_s=250_000))


@pytest.mark.parametrize(
    ("field", "value"), [("counts_per_turn", 36_001), ("velocity_unit_counts_s", 1.001), ("described", None)]
)
def test_a_machine_that_contradicts_the_drive_file_is_refused(field: str, value: object) -> None:
    """Counts, unit, or no drive file at all: MisuseError before anything is sent."""
    stage = stage_of("can")
    given_settings = stage.settings
    axes = dict(given_settings.axes)
    axes["y"] = axes["y"].model_copy(update={field: value})
    with pytest.raises(MisuseError):
        group_on_link(given_settings.model_copy(update={"axes": axes}), stage.link, stage.clock)


def test_rests_between_frames_are_kept() -> None:
    """Heron wants 20 ms between the two frames that enable it; meanwhile nobody's time-out runs out."""
    stage = stage_of("can", command_timeout_ms=15)
    stage.ready()
    assert [drive.hurried for drive in stage.drives] == [0, 0]
    assert [drive.timed_out for drive in stage.drives] == [0, 0]
    assert [drive.timeout_ms for drive in stage.drives] == [15, 15]
    stage.run((0, 0), 3)
    stage.group.disable()
    assert [drive.timeout_ms for drive in stage.drives] == [0, 0]


def test_a_time_out_that_is_not_kept_is_refused() -> None:
    """The drive reads back another time than the one that was set: FaultError, and nothing is enabled."""
    stage = stage_of("can")
    stage.group.configure()
    drive = stage.drives[1]
    plain = drive._said
    drive._said = lambda name: plain(name) | {"timeout": 999}
    with pytest.raises(FaultError, match="160 ms as set"):
        stage.group.enable()
    assert not stage.group.is_enabled


def test_a_drive_that_is_silent_ages(kind: str) -> None:
    """One drive says nothing any more: no round counts, its age grows, the other's does not. LinkError at set-up."""
    stage = stage_of(kind)
    stage.ready()
    stage.run((0, 0), 3)
    stage.mute.add(2)
    sequence = stage.group.feedback.sequence
    stage.run((0, 0), 6)
    x, _ = stage.group.feedback.axes
    assert stage.group.feedback.sequence == sequence
    assert stage.clock.now_ns() - x.received_ns <= 2 * TICK_NS
    assert stage.group.feedback_age_ns(stage.clock.now_ns()) >= 6 * TICK_NS
    again = Stage(stage.settings)
    again.mute.add(1)
    with pytest.raises(LinkError, match="axis x"):
        again.group.configure()


def test_a_partial_answer_ages_too() -> None:
    """A drive whose status no longer comes, while its position does, grows old all the same."""
    stage = stage_of("can")
    stage.ready()
    stage.run((0, 0), 3)
    drive = stage.drives[0]
    plain = drive.side.reply
    drive.side.reply = lambda name, values: plain("motion" if name == "status" else name, values)
    begun_ns = stage.clock.now_ns()
    stage.run((0, 0), 6)
    assert stage.group.feedback.axes[0].received_ns <= begun_ns


def test_an_undefined_status_is_unknown(kind: str) -> None:
    """A status word that fits no pattern of the file: UNKNOWN, and the next tick is a FaultError that sends nothing."""
    stage = stage_of(kind)
    stage.ready()
    stage.run((0, 0), 2)
    stage.drives[0]._status = lambda: 0x000F if kind == "serial" else 0x0015
    stage.run((0, 0), 1)
    assert stage.group.feedback.axes[0].state is DriveState.UNKNOWN
    assert stage.group.feedback.axes[0].statusword == 0
    stage.link.sent = []
    with pytest.raises(FaultError):
        stage.run((0, 0), 1)
    assert stage.link.sent == []


def test_faults_are_told_in_the_file_s_words(kind: str) -> None:
    """A fault is in the feedback with its code, refuses ticks, and is acknowledged with the file's own text."""
    stage = stage_of(kind)
    stage.ready()
    stage.run((0, 0), 2)
    stage.world.gantry.fail_drive("y", 0x2310)
    stage.run((0, 0), 1)
    with pytest.raises(FaultError, match="motor current too high"):
        stage.run((0, 0), 2)
    stage.group.abort()
    found = stage.group.clear_fault()
    assert len(found) == 1
    assert "axis y" in found[0]
    assert "motor current too high" in found[0]


def test_a_loop_that_hangs_is_stopped_by_the_drives(kind: str) -> None:
    """Nothing leaves while nobody sends: both drives stop by themselves after their time-out."""
    stage = stage_of(kind)
    stage.ready()
    stage.run((SPEED[kind], SPEED[kind]), 40)
    stage.link.sent = []
    stage.clock.sleep_until_ns(stage.clock.now_ns() + 400_000_000)
    assert stage.link.sent == []
    assert [drive.timed_out for drive in stage.drives] == [1, 1]
    assert stage.is_still()


def test_a_stop_goes_before_everything(kind: str) -> None:
    """In the middle of a tick whose second half has not left: the stop is the next on the wire, without velocities."""
    stage = stage_of(kind)
    stage.ready()
    stage.run((SPEED[kind], SPEED[kind]), 40)
    stage.group.send_tick((SPEED[kind], SPEED[kind]), 0)
    stage.link.sent = []
    at_ns = stage.clock.now_ns()
    stage.group.abort()
    for _ in range(60):
        stage.clock.sleep_until_ns(stage.clock.now_ns() + TICK_NS)
        stage.group.poll()
    codecs = codecs_of(stage.settings)
    (everybody,) = codecs[0].encode("stop_all")
    first = stage.link.sent[0]
    assert first[-1] == everybody.data
    # On a line the frame of the tick has to end, and one silence.
    assert first[0] - at_ns <= (11 * 11_000 + 300_000 if kind == "serial" else 0)
    velocities = {
        frame.make({"velocity": SPEED[kind], "outputs": 0}).data for frame in codecs[0].commands["velocity"]
    }
    assert not any(one[-1] in velocities for one in stage.link.sent)
    assert stage.is_still()
    assert stage.group.feedback_age_ns(stage.clock.now_ns()) >= 0


@pytest.mark.parametrize("name", ["heron", "tide"])
def test_drives_without_a_common_stop_are_stopped_by_name(name: str) -> None:
    """No stop_all: every drive's own stop, with room for its answer, and both stand."""
    data = drive_data_of(name)
    del data["commands"]["stop_all"]
    kind = "can" if name == "heron" else "serial"
    drive = drive_file(name, commands=data["commands"], samples=[])
    stage = Stage(KINDS[kind](drive))
    stage.ready()
    stage.run((SPEED[kind], SPEED[kind]), 40)
    stage.group.abort()
    stage.clock.sleep_until_ns(stage.clock.now_ns() + 300_000_000)
    assert stage.is_still()
    if kind == "serial":
        assert stage.world.line.collisions == 0


def drive_data_of(name: str) -> dict[str, Any]:
    import tomllib

    return tomllib.loads(drive_data(name))


def test_a_drive_that_answers_in_parts_is_asked_for_the_rest() -> None:
    """Velocities that nobody answers: position and status are asked for in every tick, and rounds are whole."""
    data = drive_data_of("heron")
    for frame in data["commands"]["velocity"]:
        del frame["answers"]
    stage = Stage(can_settings(drive_file("heron", commands=data["commands"])))
    stage.ready()
    sequence = stage.group.feedback.sequence
    stage.run((SPEED["can"], 0), 40)
    assert stage.group.feedback.sequence == sequence + 40
    before = stage.group.feedback.axes[0].position_counts
    stage.run((SPEED["can"], 0), 20)
    moved = stage.group.feedback.axes[0].position_counts - before
    assert moved == pytest.approx(54_000 * 0.2, abs=3)


def test_a_drive_that_stays_in_quick_stop_loses_its_power_once_it_stands() -> None:
    """Option 6 of 605Ah (CiA 402: slow down and stay) at the other end: power goes when it has stood for a second."""
    stage = Stage(can_settings())
    stage.ready()
    stage.run((SPEED["can"], -SPEED["can"]), 40)
    for node in stage.world.gantry.nodes:
        node.power.quick_stop_option = 6
    stage.group.abort()
    stage.link.sent = []
    begun_ns = stage.clock.now_ns()
    stage.group.disable()
    off_ns = [at_ns for at_ns, can_id, data in stage.link.sent if (can_id, data) == (0x101, b"\0")]
    assert off_ns[0] - begun_ns >= 1_000_000_000
    assert [axis.state for axis in stage.group.feedback.axes] == [DriveState.SWITCH_ON_DISABLED] * 2


def test_a_drive_that_calls_its_state_without_power_ready() -> None:
    """Its file has no word for switch on disabled: it goes up, down, and out of a fault all the same."""
    data = drive_data_of("heron")
    states = [
        one | {"state": one["state"].replace("switch on disabled", "ready to switch on")}
        for one in data["status"]["states"]
    ]
    stage = Stage(can_settings(drive_file("heron", status=data["status"] | {"states": states})))
    stage.ready()
    stage.run((SPEED["can"], 0), 20)
    stage.group.disable()
    assert [axis.state for axis in stage.group.feedback.axes] == [DriveState.READY_TO_SWITCH_ON] * 2
    stage.world.gantry.nodes[0].power.fault(0x2310)
    stage.wait(2)
    stage.group.poll()
    assert [text[:6] for text in stage.group.clear_fault()] == ["axis x"]


def test_setting_up_beside_a_drive_that_says_nothing_stops_the_other(kind: str) -> None:
    """y still turns for somebody who is gone: that x does not answer is told, but all are told to stop before."""
    stage = stage_of(kind)
    stage.ready()
    stage.run((0, SPEED[kind]), 30)
    stage.mute.add(1)
    successor = group_on_link(stage.settings, stage.link, stage.clock)
    stage.link.sent = []
    begun_ns = stage.clock.now_ns()
    with pytest.raises(LinkError, match="axis x"):
        successor.configure()
    at_ns, *stop = stage.link.sent[0]
    assert at_ns == begun_ns
    side = DriveSide(drive_file("heron" if kind == "can" else "tide"), 2)
    heard = side.heard(*(stop if kind == "can" else (-1, *stop)))
    assert heard is not None
    assert heard.command == "stop_all"


def test_a_line_that_never_falls_silent_ends_in_words() -> None:
    """Somebody babbles on it: setting up is over in a bounded time, with the reason, and a stop has left."""
    stage = stage_of("serial")
    stage.link.receive = lambda: b"\x55"
    stage.link.sent = []
    with pytest.raises(LinkError, match=r"axis x .*got a line that never falls silent"):
        stage.group.configure()
    side = DriveSide(drive_file("tide"), 1)
    assert [heard.command for _, frame in stage.link.sent if (heard := side.heard(-1, frame))] == [
        "stop_all"
    ] * 3


def test_the_longest_time_out_lies_on_a_step() -> None:
    """By hand: a byte of 20 ms steps, at most 250 ms: 12 steps, 240 ms."""
    commands = drive_data_of("heron")["commands"]
    field = {"name": "timeout", "at": 0, "type": "u8", "unit": "ms", "scale": 20.0, "max": 250.0}
    commands["set_timeout"][0]["fields"] = [field]
    assert drive_facts(drive_file("heron", commands=commands, samples=[])).set_timeout_ms == (0, 240)


def test_an_answer_of_the_round_before_does_not_make_this_one_whole() -> None:
    """It came late, behind a loop that was held up: what it says is taken, and the round waits for its own."""
    stage = stage_of("serial")
    stage.ready()
    stage.run((SPEED["serial"], 0), 10)
    group, mirror = stage.group, stage.group._mirrors[0]
    before_ns = stage.clock.now_ns()
    stage.group.send_tick((SPEED["serial"], 0), 0)
    late = Exchange(lambda _: None)  # type: ignore[arg-type, return-value]
    _, frame = DriveSide(drive_file("tide"), 1).reply("state", {"status": 3, "position": 1_234})
    late.content = [group._codecs[0].replies["state"].decode(frame)]
    late.is_done, late.received_ns = True, stage.clock.now_ns()
    group._taker(0, before_ns - TICK_NS, 11)(late)
    assert group.feedback.axes[0].position_counts == 1_234
    assert not mirror.is_whole


def test_a_position_beyond_everything_is_none() -> None:
    """An f32 without a checksum may be damaged into any number (IEEE 754: to 3.4e38): it counts as no answer."""
    data = drive_data_of("heron")
    field = {"name": "position", "at": 0, "type": "f32", "unit": "counts"}
    data["position"]["travel_turns"] = 100.0
    data["replies"][0]["fields"][0] = field
    given_settings = can_settings(
        drive_file("heron", replies=data["replies"], position=data["position"], samples=[])
    )
    codec = codecs_of(given_settings)[0]
    tick = tick_of(given_settings.wire, codecs_of(given_settings), ("x", "y"), "x", 10_000)  # type: ignore[arg-type]
    mirror = DescribedMirror(tick.axes[0], 1.0, AxisFeedback())
    for position, wanted in ((5.0, 5), (3.4e38, 5), (-7.0, -7)):
        word = codec.replies["motion"].decode(struct.pack("<fi", position, 0))
        assert word is not None
        mirror.take(word, 1, 1, 1)
        assert mirror.feedback.position_counts == wanted


def test_a_drive_that_does_not_tell_its_velocity() -> None:
    """Position alone: the velocity is the change of position, and the drive comes to rest, is enabled, goes."""
    data = drive_data_of("heron")
    replies = [
        reply | {"fields": [field for field in reply["fields"] if field["name"] != "velocity"]}
        for reply in data["replies"]
    ]
    stage = Stage(can_settings(drive_file("heron", replies=replies, samples=[])))
    stage.ready()
    stage.run((SPEED["can"], -SPEED["can"]), 60)
    assert stage.group.feedback.axes[0].velocity_units == pytest.approx(SPEED["can"], rel=0.001)
    stage.group.disable()
    assert [axis.state for axis in stage.group.feedback.axes] == [DriveState.SWITCH_ON_DISABLED] * 2


def test_positions_that_a_drive_sends_by_itself_are_no_positions() -> None:
    """A reply that also comes by itself has no known instant: a file with no other position is refused."""
    data = drive_data_of("heron")
    data["replies"][0]["cyclic_ms"] = 10
    codec = codecs_of(can_settings(drive_file("heron", replies=data["replies"])))[0]
    ((where, _, _),) = refusals(codec)
    assert where == "commands.read_position"


def test_identifiers_of_29_bits() -> None:
    """The same drives with long identifiers: every frame is marked, rounds are whole, the axes go and stop."""
    wire = {"kind": "can", "id_bits": 29, "turnaround_us": 300}
    stage = Stage(can_settings(drive_file("heron", wire=wire)))
    stage.link.sent = []
    stage.ready()
    sequence = stage.group.feedback.sequence
    stage.run((SPEED["can"], 0), 40)
    assert stage.group.feedback.sequence == sequence + 40
    assert all(can_id >> 31 for _, can_id, _ in stage.link.sent)
    stage.group.abort()
    stage.wait(30)
    assert stage.is_still()


def test_identifiers_of_29_bits_through_python_can() -> None:
    """Judge: python-can's own bus at the other end. Both kinds go out and come in as they are marked."""
    channel = "described-29"
    far_end = can.Bus(channel, "virtual", ignore_config=True)
    link = PythonCanLink.open("virtual", channel, 1_000_000, VirtualClock())
    link.send_frames([(0x123, b"a"), (0x8000_0123, b"b")])
    got = [far_end.recv(1) for _ in range(2)]
    assert [(m.arbitration_id, m.is_extended_id) for m in got if m] == [(0x123, False), (0x123, True)]
    far_end.send(can.Message(arbitration_id=0x1ABCDE, data=b"c", is_extended_id=True))
    assert [(frame.can_id, frame.data) for frame in link.receive()] == [(0x801A_BCDE, b"c")]
    link.close()
    far_end.shutdown()


def test_a_traced_bus_of_python_can_s_has_both_kinds(tmp_path: Path) -> None:
    """A group takes a link with a trace round it, and a reply of 29 bits reaches group and trace."""
    channel, clock = "described-29-traced", VirtualClock()
    given_settings = can_settings(
        drive_file("heron", wire={"kind": "can", "id_bits": 29, "turnaround_us": 300})
    )
    with can.Bus(channel, "virtual", ignore_config=True) as far_end:
        writer = TraceWriter.create(tmp_path / "ring", 16, {})
        link = traced(PythonCanLink.open("virtual", channel, 1_000_000, clock), writer, clock)
        group: Any = group_on_link(given_settings, link, clock)
        # Node 1, status 0021h: motor supply, switch on disabled; fault 11h.
        far_end.send(can.Message(arbitration_id=0x2C1, data=b"\x21\0\0\0\x11\0\0\0", is_extended_id=True))
        group.poll()
        assert group.feedback.axes[0].fault_code == 0x11
        group.close()
    assert [piece.can_id for piece in read_trace(tmp_path / "ring").pieces()] == [0x8000_02C1]


class Noisy:
    """A wire that damages what comes back: ``harm(data)`` for every answer of drive ``number``'s."""

    def __init__(self, stage: Stage, seed: int) -> None:
        self.random = random.Random(seed)
        self.on = True
        self._receive = stage.link.receive
        stage.link.receive = self.receive

    def receive(self) -> Any:
        """What has come, harmed."""
        came = self._receive()
        if not self.on:
            return came
        if isinstance(came, bytes):
            return self.harmed(came)
        return [frame._replace(data=self.harmed(frame.data)) for frame in came]

    def harmed(self, data: bytes) -> bytes:
        """Whole, cut, with a wrong bit, or behind noise."""
        how = self.random.randrange(4)
        if not data or how == 0:
            return data
        if how == 1:  # cut
            return data[: self.random.randrange(len(data))]
        if how == 2:  # a wrong byte
            at = self.random.randrange(len(data))
            return data[:at] + bytes((data[at] ^ 1 << self.random.randrange(8),)) + data[at + 1 :]
        return bytes(self.random.randrange(256) for _ in range(3)) + data  # noise ahead


@given(st.integers(0, 1 << 32))
@settings(deadline=None, max_examples=6)
def test_noise_on_the_line_never_heals_and_never_delays_a_stop(seed: int) -> None:
    """Law: whatever happens to answers, the feedback shows nothing that the drives did not say, and a stop is at once.

    The checksum of Tide catches a wrong byte and what is cut; what is lost ages.
    """
    stage = stage_of("serial")
    stage.ready()
    stage.run((900, -900), 5)
    noise = Noisy(stage, seed)
    said = {axis.state for axis in stage.group.feedback.axes}
    for _ in range(12):
        try:
            stage.run((900, -900), 1)
        except FaultError:
            pytest.fail("no drive said that it is not in operation")
        assert {axis.state for axis in stage.group.feedback.axes} == said
        for word, motor in zip(stage.group.feedback.axes, stage.world.gantry.motors, strict=True):
            assert abs(word.position_counts - motor.position_counts) <= 10_000 * 0.15 * 10
    # The drive is in fault: no noise makes it look healthy again.
    stage.world.gantry.fail_drive("x", 0x2310)
    for _ in range(8):
        try:
            stage.run((0, 0), 1)
        except FaultError:
            break
    stage.link.sent = []
    at_ns = stage.clock.now_ns()
    stage.group.abort()
    for _ in range(60):
        stage.clock.sleep_until_ns(stage.clock.now_ns() + TICK_NS)
        stage.group.poll()
        assert stage.group.feedback.axes[0].state is not DriveState.OPERATION_ENABLED or (
            stage.group.feedback.axes[0].received_ns < at_ns
        )
    assert stage.link.sent[0][0] - at_ns <= 2_000_000
    assert stage.is_still()
    noise.on = False


@pytest.mark.parametrize("kind_", sorted(KINDS))
def test_a_group_is_a_described_one(kind_: str) -> None:
    """The registry opens the group of described drives by the wire's kind, and makes its stop plan."""
    assert isinstance(stage_of(kind_).group, DescribedGroup)
    plan = stop_plan(KINDS[kind_](), "a line")
    assert plan.kind == ("tty" if kind_ == "can" else "described-serial")
    assert [word.axis for word in plan.standstill] == ["x", "y"]
