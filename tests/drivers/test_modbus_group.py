"""Drives on a Modbus line in virtual time: slots and skew, late requests mended, states by the map, and every stop."""

from __future__ import annotations

from itertools import accumulate
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pydantic import ValidationError

from drivers.clock import VirtualClock
from drivers.errors import FaultError, LinkError, MisuseError
from drivers.interface import AxisFeedback, DriveState
from drivers.modbus.group import ModbusDriveGroup
from drivers.modbus.mirror import DriveMirror
from drivers.modbus.plan import broadcast_stop, modbus_stop_plan
from drivers.registry import stop_plan
from drivers.settings import GroupSettings, acts_after_ns, exchange_ns, registers_of
from drivers.twin.modbusvirtual import VirtualModbusGantry
from tests.fakes.modbus_settings import STATES, modbus_settings, modbus_twin_parameters, register_map

TICK_NS = 10_000_000
UNITS = 540_000  # 100 mm/s


class Stage:
    """A group and the gantry at the other end of its line."""

    def __init__(self, given_settings: GroupSettings | None = None) -> None:
        self.settings = modbus_settings() if given_settings is None else given_settings
        self.clock = VirtualClock()
        self.world = VirtualModbusGantry(self.settings, modbus_twin_parameters(), self.clock)
        self.line = self.world.link
        self.group = ModbusDriveGroup(self.settings, self.line, self.clock)

    def ready(self) -> None:
        """Configured and enabled."""
        self.group.configure()
        self.group.enable()

    def run(self, units: tuple[int, int], ticks: int, outputs: int = 0) -> None:
        """Whole ticks."""
        for _ in range(ticks):
            begun_ns = self.clock.now_ns()
            self.group.send_tick(units, outputs)
            self.clock.sleep_until_ns(begun_ns + self.settings.tick_us * 1000)
            self.group.poll()

    def is_still(self) -> bool:
        """By the truth of the world."""
        return all(motor.is_still for motor in self.world.gantry.motors)


def test_the_axes_follow_each_other_in_their_slots() -> None:
    """Every tick: x at the tick's instant, y one exchange later, always; the skew is what the settings say."""
    stage = Stage()
    stage.ready()
    stage.line.sent = []
    begun_ns = stage.clock.now_ns()
    stage.run((UNITS, -UNITS), 20)
    sent = stage.line.sent
    slot_ns = exchange_ns(stage.settings.modbus, registers_of("x", stage.settings.axes["x"]))
    assert [frame[0] for _, frame in sent] == [1, 2] * 20
    assert [at - begun_ns for at, _ in sent] == [k * TICK_NS + s for k in range(20) for s in (0, slot_ns)]
    first, second = stage.group.acts_after_ns
    assert second - first == slot_ns
    assert stage.group.latest_ns == (0, 0)
    assert stage.world.units.garbled == stage.world.units.collisions == 0


def test_a_line_of_the_standard_carries_what_is_computed() -> None:
    """Exchange: (13 + 2 w + 5 + 2 r) characters, two silences, a turnaround. By hand at 115200 bit/s:

    w = 4, r = 7: 21 + 19 characters of 95.486 us, 2 x 1.75 ms, 1 ms: 8.319 ms.
    """
    wire = modbus_settings(tick_us=25_000, bitrate_bit_s=115_200, silence_us=1750).modbus
    assert exchange_ns(wire, register_map()) == pytest.approx(8.319e6, abs=1e3)
    first, second = acts_after_ns(wire, [register_map(), register_map()])
    assert first == pytest.approx(21 * 95_486 + 1_750_000, abs=100)
    assert second - first == exchange_ns(wire, register_map())


def test_a_tick_that_the_line_cannot_carry_is_refused_with_the_numbers() -> None:
    """At 115200 bit/s and the standard's silence two axes take 16.64 ms: 20 ms are refused, 21 ms are taken."""
    with pytest.raises(MisuseError, match=r"16\.64 ms of 20 ms at 115200 bit/s"):
        Stage(modbus_settings(tick_us=20_000, bitrate_bit_s=115_200, silence_us=1750))
    Stage(modbus_settings(tick_us=21_000, bitrate_bit_s=115_200, silence_us=1750))


def test_both_axes_report_the_tick_s_instant() -> None:
    """At steady speed both axes' positions differ by what they should, though y is read a slot later.

    Straight motion of both at v from the same instant of command: the axis that is told d later is v d behind.
    """
    stage = Stage()
    stage.ready()
    start = [axis.position_counts for axis in stage.group.feedback.axes]
    stage.run((UNITS, UNITS), 60)
    x, y = (axis.position_counts - s for axis, s in zip(stage.group.feedback.axes, start, strict=True))
    first, second = stage.group.acts_after_ns
    assert x - y == pytest.approx(UNITS * (second - first) * 1e-9, abs=2)


LATE = Stage()


@given(st.lists(st.tuples(st.integers(-10_000, 10_000), st.integers(0, 5_000_000)), min_size=1, max_size=60))
@settings(deadline=None, max_examples=60)
def test_late_requests_leave_no_error(ticks: list[tuple[int, int]]) -> None:
    """Law: whatever velocities and latenesses up to half a tick, behind every tick the axis is where the plan is.

    Closed form: the velocity sent lasts from its own lateness to the end of the tick, the one before until then. What
    may remain is the rounding to a whole unit of one tick.
    """
    group = LATE.group
    group._owed[0], group._units[0] = 0.0, 0
    planned = moved = 0
    before = 0
    for units, late_ns in ticks:
        sent = group._mended(0, units, late_ns)
        moved += before * late_ns + sent * (TICK_NS - late_ns)
        planned += units * TICK_NS
        before = sent
        assert abs(moved - planned) <= TICK_NS


def test_a_late_answer_is_mended_in_the_world() -> None:
    """x answers late in some ticks, so that y is told late: y still ends in its place, to 0.1 um."""
    ends = []
    for late in (False, True):
        stage = Stage()
        stage.ready()
        start = stage.world.gantry.motors[1].motor_mm
        for k in range(40):
            stage.world.units._turnaround_ns = 2_400_000 if late and k % 3 == 0 else 1_000_000
            stage.run((UNITS, UNITS // 40 * min(k, 39 - k)), 1)
        stage.run((0, 0), 30)
        ends.append(stage.world.gantry.motors[1].motor_mm - start)
        assert (stage.group.latest_ns[1] > 1_000_000) is late
    assert ends[0] == pytest.approx(ends[1], abs=1e-4)


@given(st.lists(st.integers(100_000, 2_400_000), min_size=1, max_size=4))
def test_an_answer_may_be_late_by_what_the_tick_leaves(slots_ns: list[int]) -> None:
    """Law: every answer is waited for beyond its slot, the last to the tick's end, and no axis is half a tick late."""
    waits_ns = LATE.group._waits_ns(slots_ns)
    ends_ns = list(accumulate(slots_ns))
    late_ns = [wait - end for wait, end in zip(waits_ns, ends_ns, strict=True)]
    assert waits_ns[-1] == TICK_NS
    assert sorted(late_ns) == late_ns
    assert late_ns[0] > 0
    assert all(late <= TICK_NS // 2 for late in late_ns[:-1])


@pytest.mark.parametrize("late_us", [0, 600])
def test_rounds_are_whole_near_the_line_s_limit(late_us: int) -> None:
    """Exchanges of 79 % of the tick, each answer later than reckoned by nearly its part of the rest: none is lost.

    By hand: 2 x 2.44 ms of 6.18 ms leave 1.3 ms, 0.65 ms each.
    """
    stage = Stage(modbus_settings(tick_us=6180))
    stage.ready()
    stage.world.units._turnaround_ns += late_us * 1000
    sequence = stage.group.feedback.sequence
    stage.run((UNITS, -UNITS), 50)
    assert stage.group.feedback.sequence - sequence == 50
    assert stage.group.master.unanswered == 0


def test_the_states_of_the_map_and_nothing_else() -> None:
    """All 65536 status words: the eight patterns of CiA 402 as given, every other word is UNKNOWN."""
    mirror = DriveMirror(register_map(), AxisFeedback())
    for word in range(1 << 16):
        wanted = [one["state"] for one in STATES if word & one["mask"] == one["value"]]
        assert mirror.decode(word) is (DriveState(wanted[0]) if wanted else DriveState.UNKNOWN)


@given(st.integers(-(1 << 31), (1 << 31) - 1), st.sampled_from(["high-first", "low-first"]))
def test_numbers_of_two_registers_come_back(value: int, order: str) -> None:
    """Law: what is split in an order of words is joined to the same number; high-first is as in memory, big-endian."""
    mirror = DriveMirror(register_map(word_order=order), AxisFeedback())
    words = mirror.split(value, 32)
    assert mirror.joined(words) == value
    straight = b"".join(word.to_bytes(2, "big") for word in words)
    assert (straight == value.to_bytes(4, "big", signed=True)) or order == "low-first"


def test_a_counter_that_wraps_is_unwrapped() -> None:
    """32-bit positions over their end go on in the same sense."""
    mirror = DriveMirror(register_map(), AxisFeedback())
    for raw in ((1 << 31) - 10, (1 << 31) + 10, (1 << 32) - 5, 5):
        words = [0x37, 0, raw >> 16 & 0xFFFF, raw & 0xFFFF, 0, 0, 0]
        mirror.take(words, 1, 0.0, 1.0)
    assert mirror.feedback.position_counts == (1 << 32) + 5


@pytest.mark.parametrize("order", ["high-first", "low-first"])
@pytest.mark.parametrize(("bits", "enable"), [(32, [6, 7, 15]), (16, [1])])
def test_other_maps_drive_the_same_machine(order: str, bits: int, enable: list[int]) -> None:
    """Either order of words, velocities of 16 or 32 bits, one enabling word or three: the axes go where they should."""
    registers = register_map(
        word_order=order, velocity_bits=bits, outputs=0x2001 + bits // 16, enable_words=enable,
        disable_word=0, quick_stop_word=4, clear_word=8,
    )  # fmt: skip
    stage = Stage(modbus_settings(registers=registers))
    stage.ready()
    start = stage.world.gantry.motors[0].motor_mm
    stage.run((30_000, -30_000), 50, outputs=1)
    stage.run((0, 0), 20)
    way_mm = stage.world.gantry.motors[0].motor_mm - start
    assert way_mm == pytest.approx(30_000 * 0.5 / 5400, abs=1e-3)
    assert stage.group.feedback.axes[0].inputs >> 17 & 1  # the head was sent down and came up again
    stage.group.abort()
    stage.clock.sleep_until_ns(stage.clock.now_ns() + 20 * TICK_NS)
    assert stage.is_still()


def test_a_stop_in_full_motion() -> None:
    """The broadcast is on the line within one silence behind the frame on it; both axes stand by the world's record."""
    stage = Stage()
    stage.ready()
    stage.run((5 * UNITS, -5 * UNITS), 30)
    stage.group.send_tick((5 * UNITS, -5 * UNITS), 0)
    stage.clock.sleep_until_ns(stage.clock.now_ns() + 100_000)  # x's request is leaving
    stage.line.sent = []
    begun_ns = stage.clock.now_ns()
    stage.group.abort()
    stage.clock.sleep_until_ns(begun_ns + 60 * TICK_NS)
    (stop,) = broadcast_stop(stage.settings)
    at_ns, frame = stage.line.sent[0]
    assert frame == stop
    assert at_ns - begun_ns <= 21 * 11_000 + 500_000
    assert stage.is_still()
    # Way: 500 mm/s for the time until both heard a stop that came through, then the quick stop at 5000 mm/s^2.
    now_ns = stage.clock.now_ns()
    ways = stage.world.gantry.record().travel_mm(begun_ns, now_ns)
    assert max(abs(way) for way in ways) <= 500 * (0.010 + 0.008) + 500**2 / (2 * 5000)


def test_our_silence_stops_the_drives() -> None:
    """Nobody speaks any more: each drive's own time-out stops it, 160 ms after the last request and a quick stop."""
    stage = Stage()
    stage.ready()
    stage.run((UNITS, -UNITS), 30)
    last_ns = stage.clock.now_ns()
    stage.line.plugged = False
    stage.clock.sleep_until_ns(last_ns + 150 * 1_000_000)
    assert not stage.is_still()
    stage.clock.sleep_until_ns(last_ns + 260 * 1_000_000)
    assert stage.is_still()
    assert [unit.timed_out for unit in stage.world.units.units.values()] == [1, 1]


def test_a_loop_that_sleeps_elsewhere_sends_nothing() -> None:
    """Only what belongs to the tick leaves: two requests, however long the loop hangs behind it."""
    stage = Stage()
    stage.ready()
    stage.line.sent = []
    stage.group.send_tick((UNITS, UNITS), 0)
    stage.clock.sleep_until_ns(stage.clock.now_ns() + 100 * TICK_NS)
    assert len(stage.line.sent) == 2
    assert stage.is_still()


def test_a_dead_unit_is_seen_and_holds_up_nobody() -> None:
    """y answers no more: x is still told in every tick, rounds are no longer complete, y's word grows old."""
    stage = Stage()
    stage.ready()
    stage.run((UNITS, UNITS), 5)
    stage.world.units.mute.add(2)
    sequence, heard_ns = stage.group.feedback.sequence, stage.group.feedback.axes[1].received_ns
    stage.run((UNITS, UNITS), 20)
    assert stage.group.feedback.sequence == sequence
    assert stage.group.feedback.axes[1].received_ns == heard_ns
    assert stage.clock.now_ns() - stage.group.feedback.axes[0].received_ns < TICK_NS
    assert stage.group.master.unanswered == 20


def test_a_unit_that_is_not_there() -> None:
    """``configure`` names axis and unit, and what it asked for, after its attempts."""
    stage = Stage()
    stage.world.units.mute.add(2)
    with pytest.raises(LinkError, match=r"axis y \(unit 2\).*function 06h.*no answer"):
        stage.group.configure()


def test_a_register_that_does_not_hold() -> None:
    """What is read back differs, or the unit refuses the place: FaultError with register and values."""
    stage = Stage(modbus_settings(registers=register_map(set_up=[{"number": 0x4000, "value": 7}])))
    for unit in stage.world.units.units.values():
        unit._memory.pop(0x4000)
    with pytest.raises(FaultError, match=r"register 16384.*illegal data address"):
        stage.group.configure()


def test_a_fault_is_seen_cleared_and_told() -> None:
    """A drive's own fault: the next tick is refused; ``clear_fault`` says axis, unit and code, and enables nothing."""
    stage = Stage()
    stage.ready()
    stage.run((UNITS, UNITS), 10)
    stage.world.gantry.fail_drive("y", 0x2310)
    with pytest.raises(FaultError, match=r"axis y \(unit 2\).*fault code 2310h"):
        stage.run((UNITS, UNITS), 3)
    (told,) = stage.group.clear_fault()
    assert told.startswith("axis y (unit 2)")
    assert not stage.group.is_enabled
    stage.group.enable()
    stage.run((0, 0), 3)


def test_the_drives_own_time_out_is_written_and_given_back() -> None:
    """In operation the register holds 160 ms; without power nobody awaits us."""
    stage = Stage()
    units = stage.world.units.units.values()
    stage.ready()
    assert [unit.read(0x3000, 1) for unit in units] == [[160], [160]]
    stage.group.disable()
    assert [unit.read(0x3000, 1) for unit in units] == [[0], [0]]


def test_the_guards_bytes() -> None:
    """Broadcast of the quick stop word, and for each axis one request that writes it again and reads the position.

    Frames by hand from V1.1b3 6.6 and 6.17; checksums by the guide.
    """
    given_settings = modbus_settings()
    plan = stop_plan(given_settings, "a line")
    assert plan == modbus_stop_plan(given_settings, "a line")
    assert (plan.kind, plan.end_frame) == ("modbus-rtu", b"")
    assert plan.frames[0][:-2].hex() == "000620000002"
    half = len(plan.poll_frame) // 2
    assert plan.poll_frame[:half][:-2].hex() == "0117100200022000000102" + "0002"
    assert plan.poll_frame[half:][0] == 2
    assert [word.can_id for word in plan.standstill] == [1, 2]


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"velocity": 0x2002}, "side by side"),
        ({"outputs": 0x2001}, "side by side"),
        ({"inputs": 0x1100}, "within 32 registers"),
        ({"states": STATES[:2]}, "operation enabled"),
        ({"enable_words": []}, "at least 1"),
    ],
)
def test_bad_maps_are_refused(changes: dict[str, Any], words: str) -> None:
    """Holes in what is written, a block too wide to read, a map without operation."""
    with pytest.raises(ValidationError, match=words):
        register_map(**changes)


def test_a_silence_below_three_and_a_half_characters_is_refused() -> None:
    """V1.02: 3.5 characters; at 115200 bit/s 334 us."""
    with pytest.raises(ValidationError, match=r"at least 3\.5 characters"):
        modbus_settings(bitrate_bit_s=115_200, silence_us=300)
