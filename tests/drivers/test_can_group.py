# ruff: noqa: D102
"""The CAN group of drives on fake nodes in virtual time: set-up, power, ticks, faults."""

from __future__ import annotations

import contextlib
import struct
import tracemalloc

import pytest

from drivers.can.group import NEVER_NS, CanDriveGroup
from drivers.can.setup import interpolation_period, quick_stop_units_s2
from drivers.errors import FaultError, LinkError, MisuseError
from drivers.interface import DriveState
from tests.fakes.drive_node import DISABLED, ENABLED, FAULT, ON, READY
from tests.fakes.drive_settings import group_settings


def rpdo1(frames: list[tuple[int, bytes]], node: int) -> list[tuple[int, int]]:
    """(controlword, velocity) of each RPDO1 to ``node``."""
    return [struct.unpack("<Hi", data) for can_id, data in frames if can_id == 0x200 + node]


# Setting up


def test_configuring_leaves_every_value_in_the_drive(rig) -> None:
    """What stops the drives when we die is in them after ``configure``: CiA 301 1016h, CiA 402 6007h, 605Ah, 6085h.

    6085h is 5000 mm/s2 x 5400 counts/mm; 5400 = 324 000 / 60.
    """
    rig.group.configure()
    for node in rig.nodes:
        assert node.value(0x1016, 1) == 127 << 16 | 160
        assert node.value(0x1017) == 40
        assert node.value(0x6007) == 3
        assert node.value(0x605A) == 2
        assert node.value(0x6085) == 27_000_000
        assert (node.value(0x60C2, 1), node.value(0x60C2, 2)) == (4, -3)
        assert node.value(0x6060) == 9
        assert node.nmt == 0x05
        assert node.state == DISABLED


def test_configuring_moves_and_enables_nothing(rig) -> None:
    """No process data leave during ``configure``, and no controlword but a stop."""
    rig.group.configure()
    assert not [frame for frame in rig.bus.sent if 0x200 <= frame[0] < 0x400 or frame[0] == 0x80]
    words = [data for _, data in rig.bus.sent if data[1:3] == b"\x40\x60"]
    assert {data[0::4] for data in words} <= {b"\x40\x00", b"\x2b\x02"}, "read, or quick stop"
    assert not [frame for frame in rig.bus.sent if frame[0] == 0x77F], "no heartbeat before motion"


@pytest.mark.parametrize(
    ("key", "number"),
    [((0x1016, 1), "1016h:01"), ((0x6007, 0), "6007h:00"), ((0x605A, 0), "605Ah:00"), ((0x6085, 0), "6085h:00"),
     ((0x6060, 0), "6060h:00"), ((0x1800, 2), "1800h:02"), ((0x1600, 1), "1600h:01"), ((0x1017, 0), "1017h:00")],
)  # fmt: skip
def test_a_value_that_does_not_hold_is_named(rig, key: tuple[int, int], number: str) -> None:
    """A drive that forgets a value: FaultError with axis, node, object, expected and got."""
    rig.nodes[1].broken.add(key)
    with pytest.raises(FaultError, match=rf"axis y \(node 2\): expected {number} .*got") as caught:
        rig.group.configure()
    assert caught.value.got != caught.value.expected
    with pytest.raises(MisuseError):
        rig.group.enable()


def test_a_refusal_is_named_in_words(rig) -> None:
    """An SDO abort is a FaultError with the object and the abort code of CiA 301 in words."""
    rig.nodes[0].refused[0x6007, 0] = 0x0609_0030
    with pytest.raises(FaultError, match=r"axis x \(node 1\): expected 6007h:00.*06090030.*[Vv]alue range"):
        rig.group.configure()


def test_a_silent_node_is_named(rig) -> None:
    """A node that does not answer: LinkError with axis and node, after the time-out and not later."""
    rig.nodes[1].is_silent = True
    before_ns = rig.clock.now_ns()
    with pytest.raises(LinkError, match=r"axis y \(node 2\).*silence for 0.5 s"):
        rig.group.configure()
    assert rig.clock.now_ns() - before_ns < 1_000_000_000


def test_a_node_that_does_not_start_is_named(rig) -> None:
    """NMT start counts only when the node's own heartbeat says operational (5)."""
    rig.nodes[0].handle = lambda can_id, data, real=rig.nodes[0].handle: (
        [] if can_id == 0 and data[0] == 1 else real(can_id, data)
    )
    with pytest.raises(LinkError, match=r"axis x \(node 1\).*operational.*state 127"):
        rig.group.configure()


def test_another_kind_of_device_is_refused(rig) -> None:
    """Only device profile 402 (1000h) is taken for a drive."""
    rig.nodes[0].objects[0x1000, 0][1] = 401
    with pytest.raises(FaultError, match="402"):
        rig.group.configure()


def test_a_drive_without_the_mode_is_refused(rig) -> None:
    """6502h bit 8 tells cyclic velocity; without it the drive is refused before anything is written."""
    rig.nodes[0].objects[0x6502, 0][1] = 0b101
    with pytest.raises(FaultError, match="6502h"):
        rig.group.configure()
    assert rig.nodes[0].value(0x6060) == 1


def test_a_drive_found_in_operation_is_stopped_first(rig) -> None:
    """A drive that somebody left enabled is told quick stop before its set-up is touched."""
    rig.nodes[0].state = ENABLED
    rig.nodes[0].velocity = 5000
    rig.group.configure()
    assert rig.nodes[0].state == DISABLED
    writes = [frame for frame in rig.bus.sent if frame[0] == 0x601 and frame[1][0] != 0x40]
    assert writes[0][1] == bytes.fromhex("2B 40 60 00 02 00 00 00")


def test_optional_objects_may_be_missing(rig) -> None:
    """Drives without an output mask, a list of modes or third and fourth process data are taken."""
    for node in rig.nodes:
        for key in [(0x60FE, 2), (0x6502, 0), (0x1402, 1), (0x1803, 1)]:
            del node.objects[key]
    rig.group.configure()
    rig.group.enable()
    assert rig.group.is_enabled


@pytest.mark.parametrize(
    ("tick_us", "expected"),
    [(4000, (4, -3)), (2000, (2, -3)), (2500, (25, -4)), (1000, (1, -3)), (12_500, (125, -4))],
)
def test_interpolation_period(tick_us: int, expected: tuple[int, int]) -> None:
    """60C2h (CiA 402): value x 10^exponent seconds is the tick, exactly."""
    value, exponent = interpolation_period(tick_us)
    assert (value, exponent) == expected
    assert value * 10.0**exponent == pytest.approx(tick_us * 1e-6, rel=1e-12)


def test_a_tick_that_does_not_fit_is_refused() -> None:
    """A tick with more digits than 60C2h's 8 bits hold is refused, not rounded."""
    with pytest.raises(MisuseError, match="1234"):
        interpolation_period(1234)


def test_quick_stop_beyond_32_bits_is_refused() -> None:
    """6085h has 32 bits: a deceleration beyond is refused."""
    drive = group_settings().axes["x"].model_copy(update={"velocity_unit_counts_s": 1e-3})
    with pytest.raises(MisuseError, match="quick_stop_mm_s2"):
        quick_stop_units_s2(drive)


# Power


def test_enabling_walks_and_never_commands_motion(rig) -> None:
    """The way up uses shutdown, switch on, enable operation in this order, always at zero velocity."""
    rig.group.configure()
    mark = len(rig.bus.sent)
    rig.group.enable()
    sent = rpdo1(rig.sent_since(mark), 1)
    words = [word for word, _ in sent]
    assert {velocity for _, velocity in sent} == {0}
    walked = [word for word in dict.fromkeys(words) if word in (0x06, 0x07, 0x0F)]
    assert walked == [0x06, 0x07, 0x0F]
    assert [node.state for node in rig.nodes] == [ENABLED, ENABLED]


def test_the_head_is_told_up_once_when_enabled(rig) -> None:
    """Outputs go out once at the start (pen up), to the head's drive only."""
    rig.group.configure()
    mark = len(rig.bus.sent)
    rig.group.enable()
    outputs = [frame for frame in rig.sent_since(mark) if 0x300 <= frame[0] < 0x380]
    assert outputs == [(0x301, bytes(4))]


def test_another_mode_is_refused_and_stopped(rig) -> None:
    """A drive that shows another mode than 9 (6061h) after enabling: FaultError, and all are told to stop."""
    rig.group.configure()
    rig.nodes[1].mode_shown = 3
    with pytest.raises(FaultError, match=r"axis y \(node 2\).*6061h"):
        rig.group.enable()
    assert [node.state for node in rig.nodes] == [DISABLED, DISABLED]
    with pytest.raises(MisuseError):
        rig.group.send_tick((0, 0), 0)


@pytest.mark.parametrize("stuck", [DISABLED, READY, ON])
def test_a_drive_that_does_not_get_there_is_named(rig, stuck: int) -> None:
    """A drive that stays behind on its way up: FaultError with its state, and the other one is told to stop."""
    rig.group.configure()
    rig.nodes[0].stuck_at = stuck
    with pytest.raises(FaultError, match=r"axis x \(node 1\): expected operation enabled, got"):
        rig.group.enable()
    assert rig.nodes[1].state == DISABLED


def test_a_drive_in_fault_cannot_be_enabled(rig) -> None:
    """A fault is never cleared on the way: enabling raises, ``clear_fault`` is somebody's decision."""
    rig.group.configure()
    rig.nodes[0].fail(0x7305)
    with pytest.raises(FaultError, match="fault"):
        rig.group.enable()
    assert rig.nodes[0].state == FAULT
    (told,) = rig.group.clear_fault()
    assert "axis x (node 1)" in told
    assert "7305h" in told
    assert rig.nodes[0].state == DISABLED
    assert rig.group.clear_fault() == ()
    rig.group.enable()
    assert rig.group.is_enabled


def test_a_fault_that_stays_is_named_with_its_code(rig) -> None:
    """``clear_fault`` gives up after a while and names the drive's own error code (603Fh)."""
    rig.group.configure()
    rig.nodes[1].fail(0x7305)
    rig.nodes[1].can_be_reset = False
    with pytest.raises(FaultError, match=r"axis y \(node 2\).*603Fh.*7305h"):
        rig.group.clear_fault()


def test_silence_on_the_way_up_is_a_link_error(rig) -> None:
    """A drive whose process data do not come is named; the state is unknown."""
    rig.group.configure()
    rig.nodes[1].objects[0x1800, 1][1] |= 1 << 31
    with pytest.raises(LinkError, match=r"axis y \(node 2\).*nothing received"):
        rig.group.enable()


def test_disabling_lets_go_of_the_heartbeat(enabled) -> None:
    """After ``disable`` the drives wait for no heartbeat: an hour of silence is no fault."""
    enabled.group.disable()
    assert [node.value(0x1016, 1) for node in enabled.nodes] == [0, 0]
    enabled.clock.sleep_until_ns(enabled.clock.now_ns() + 3600 * 10**9)
    enabled.group.poll()
    assert [node.state for node in enabled.nodes] == [DISABLED, DISABLED]


def test_enabling_again_arms_the_heartbeat_again(enabled) -> None:
    """``enable`` after ``disable`` writes and checks 1016h before any motion."""
    enabled.group.disable()
    enabled.group.enable()
    assert [node.value(0x1016, 1) for node in enabled.nodes] == [127 << 16 | 160] * 2


def test_disabling_in_motion_stops_first(enabled) -> None:
    """No drive loses its voltage while it turns: zero velocity comes first, then shutdown, then voltage off."""
    enabled.tick((50_000, 0))
    enabled.tick((50_000, 0))
    mark = len(enabled.bus.sent)
    enabled.group.disable()
    sent = rpdo1(enabled.sent_since(mark), 1)
    words = list(dict.fromkeys(word for word, _ in sent))
    assert words == [0x0F, 0x06, 0x00]
    assert {velocity for _, velocity in sent} == {0}


def test_a_drive_that_goes_on_turning_is_quick_stopped(enabled) -> None:
    """A drive that does not obey zero velocity is told quick stop; its voltage is never taken while it turns."""
    enabled.tick((50_000, 0))
    enabled.tick((50_000, 0))
    node = enabled.nodes[0]
    node.ignores_velocity = True
    mark = len(enabled.bus.sent)
    enabled.group.disable()
    walked = list(dict.fromkeys(word for word, _ in rpdo1(enabled.sent_since(mark), 1)))
    assert walked[:2] == [0x0F, 0x02]
    assert 0x06 not in walked
    assert node.state == DISABLED


def test_disabling_after_a_stop_that_was_lost(enabled) -> None:
    """An ``abort`` that the wire swallowed: ``disable`` says the stop again and never enables."""
    enabled.tick((50_000, 50_000))
    enabled.bus.is_broken = True
    enabled.group.abort()
    enabled.bus.is_broken = False
    assert enabled.nodes[0].state == ENABLED
    mark = len(enabled.bus.sent)
    enabled.group.disable()
    for node in (1, 2):
        sent = rpdo1(enabled.sent_since(mark), node)
        assert sent[0] == (0x02, 0)
        assert all(word & 0x0F != 0x0F and velocity == 0 for word, velocity in sent)
    assert [node.state for node in enabled.nodes] == [DISABLED, DISABLED]


def test_disabling_over_a_silent_wire_is_a_link_error(enabled) -> None:
    """``disable`` does not claim what it cannot see."""
    enabled.nodes[0].is_silent = True
    with pytest.raises(LinkError, match=r"axis x \(node 1\)"):
        enabled.group.disable()
    assert enabled.bus.sent[-6:] == enabled.group._stop_frames


# Ticks


def test_a_tick_is_one_batch_in_order(enabled) -> None:
    """RPDO1 of both axes, then SYNC: both take their velocity at the same instant."""
    enabled.tick()
    mark = len(enabled.bus.sent)
    enabled.group.send_tick((5400, -10_800), 0)
    sent = [frame for frame in enabled.sent_since(mark) if frame[0] != 0x77F]
    assert sent == [
        (0x201, struct.pack("<Hi", 0x0F, 5400)),
        (0x202, struct.pack("<Hi", 0x0F, -10_800)),
        (0x080, b""),
    ]


def test_outputs_leave_on_a_change_until_the_head_is_there(enabled) -> None:
    """The head's frame goes out on a change, before the SYNC of the same tick, and again until the switches agree.

    The answer to the SYNC of the change still shows the old place; the one after it does not.
    """
    counts = []
    for outputs in (0, 0, 1, 1, 1, 0, 0):
        mark = len(enabled.bus.sent)
        enabled.tick((0, 0), outputs)
        sent = enabled.sent_since(mark)
        heads = [frame for frame in sent if frame[0] == 0x301]
        counts.append(len(heads))
        if heads:
            assert heads == [(0x301, struct.pack("<I", outputs << 16))]
            assert sent.index(heads[0]) < sent.index((0x080, b""))
    assert counts == [0, 0, 1, 1, 0, 1, 1]


@pytest.mark.parametrize("lost", [1, 2, 7])
def test_a_head_that_did_not_hear_is_told_again(enabled, lost: int) -> None:
    """Lost frames of the head (its switches still say up) are made up for by the next one that arrives."""
    is_up = enabled.nodes[0].inputs
    for _ in range(lost):
        enabled.tick((0, 0), 1)
        enabled.nodes[0].inputs = is_up
    enabled.tick((0, 0), 1)
    assert enabled.nodes[0].inputs >> 16 & 3 == 1
    enabled.tick((0, 0), 1)
    mark = len(enabled.bus.sent)
    enabled.tick((0, 0), 1)
    assert not [frame for frame in enabled.sent_since(mark) if frame[0] == 0x301]


def test_outputs_that_were_not_sent_are_sent_again(enabled) -> None:
    """When the wire did not take a batch, the change of outputs goes out with the next one."""
    enabled.bus.is_broken = True
    with pytest.raises(LinkError):
        enabled.group.send_tick((0, 0), 1)
    enabled.bus.is_broken = False
    mark = len(enabled.bus.sent)
    enabled.tick((0, 0), 1)
    assert (0x301, struct.pack("<I", 1 << 16)) in enabled.sent_since(mark)


def test_the_heartbeat_leaves_with_ticks_only(enabled) -> None:
    """One heartbeat in 40 ms while ticks go out; none at all when they stop, and then the drives stop."""
    mark = len(enabled.bus.sent)
    for _ in range(100):
        enabled.tick((1000, 1000))
    beats = [frame for frame in enabled.sent_since(mark) if frame[0] == 0x77F]
    assert beats == [(0x77F, b"\x05")] * 10
    mark = len(enabled.bus.sent)
    for _ in range(100):
        enabled.clock.sleep_until_ns(enabled.clock.now_ns() + 4_000_000)
        enabled.group.poll()
    assert enabled.sent_since(mark) == []
    assert [node.state for node in enabled.nodes] == [FAULT, FAULT]
    assert [axis.fault_code for axis in enabled.group.feedback.axes] == [0x8130, 0x8130]
    with pytest.raises(FaultError, match="emergency 8130h"):
        enabled.group.send_tick((1000, 1000), 0)


@pytest.mark.parametrize(
    "velocities", [(1.5, 0), (1 << 31, 0), (None, 0), ((0, 0), 0)], ids=["float", "large", "none", "tuple"]
)
def test_misuse_sends_nothing_at_all(enabled, velocities) -> None:
    """A tick that cannot be packed sends not even the other axis' part."""
    mark = len(enabled.bus.sent)
    with pytest.raises(MisuseError):
        enabled.group.send_tick(velocities, 0)
    assert enabled.sent_since(mark) == []


def test_the_full_range_of_velocities_is_taken(enabled) -> None:
    """60FFh is a signed 32-bit number: its ends pass unchanged."""
    mark = len(enabled.bus.sent)
    enabled.group.send_tick((-(1 << 31), (1 << 31) - 1), 0)
    sent = enabled.sent_since(mark)
    assert rpdo1(sent, 1) == [(0x0F, -(1 << 31))]
    assert rpdo1(sent, 2) == [(0x0F, (1 << 31) - 1)]


def test_twenty_wraps_of_the_counter_are_exact(rig) -> None:
    """The drive's 32-bit counter wraps at 2^32; the unwrapped position does not, up or down, 20 times over."""
    rig.group.configure()
    rig.group.enable()
    start = [axis.position_counts for axis in rig.group.feedback.axes]
    for node in rig.nodes:
        node.units_to_counts = 100_000.0
    velocity = 2_000_000  # 8e8 counts a tick: a wrap in 5.4 ticks
    for _ in range(110):
        rig.tick((velocity, -velocity))
    rig.tick((0, 0))
    rig.tick((0, 0))
    moved = [axis.position_counts - s for axis, s in zip(rig.group.feedback.axes, start, strict=True)]
    assert moved == [110 * 800_000_000, -110 * 800_000_000]
    assert abs(moved[0]) > 20 << 32


# Faults and other words


def test_a_fault_in_mid_run_stops_the_ticks(enabled) -> None:
    """A drive that faults: its state says so at the next poll, and no velocity leaves any more."""
    enabled.tick((1000, 1000))
    for frame in enabled.nodes[1].fail(0x7305):
        enabled.bus.put(*frame)
    enabled.group.poll()
    assert enabled.group.feedback.axes[1].state is DriveState.FAULT
    assert enabled.group.feedback.axes[1].fault_code == 0x7305
    mark = len(enabled.bus.sent)
    with pytest.raises(FaultError, match=r"axis y \(node 2\).*7305h"):
        enabled.group.send_tick((1000, 1000), 0)
    assert enabled.sent_since(mark) == []


def test_a_fault_without_emergency_is_seen_in_the_statusword(enabled) -> None:
    """The emergency message may be lost; the next statusword tells."""
    enabled.nodes[0].fail(0x2310)
    enabled.tick((0, 0))
    assert enabled.group.feedback.axes[0].state is DriveState.FAULT


def test_an_emergency_outweighs_a_statusword_that_looks_well(enabled) -> None:
    """While an emergency stands the axis is not healthy, though its statusword says enabled; code 0 takes it back."""
    enabled.bus.put(0x81, bytes.fromhex("10 23 01 00 00 00 00 00"))
    enabled.group.poll()
    enabled.bus.put(0x181, struct.pack("<Hi", 0x0237, 0))
    enabled.group.poll()
    assert enabled.group.feedback.axes[0].state is DriveState.FAULT
    enabled.bus.put(0x81, bytes(8))
    enabled.bus.put(0x181, struct.pack("<Hi", 0x0237, 0))
    enabled.group.poll()
    assert enabled.group.feedback.axes[0].state is DriveState.OPERATION_ENABLED


def test_a_node_that_starts_anew_is_unknown_until_configured(enabled) -> None:
    """A boot-up message in mid-run: UNKNOWN from then on, whatever statuswords say, until ``configure``."""
    enabled.tick((0, 0))
    for frame in enabled.nodes[0].reboot():
        enabled.bus.put(*frame)
    enabled.bus.put(0x181, struct.pack("<Hi", 0x0237, 0))
    enabled.group.poll()
    assert enabled.group.feedback.axes[0].state is DriveState.UNKNOWN
    with pytest.raises(FaultError, match=r"axis x \(node 1\).*unknown"):
        enabled.group.send_tick((0, 0), 0)
    with pytest.raises(LinkError):
        enabled.group.disable()
    enabled.group.configure()
    enabled.group.enable()
    assert enabled.group.is_enabled


def test_a_lost_word_costs_one_round(enabled) -> None:
    """A round with a lost word is not counted; the next one is, and is whole when it counts."""
    enabled.tick()
    sequence = enabled.group.feedback.sequence
    enabled.group.send_tick((0, 0), 0)
    arrived = [frame for frame in enabled.bus.receive() if frame.can_id != 0x181]
    for frame in arrived:
        enabled.bus.put(frame.can_id, frame.data)
    enabled.group.poll()
    assert enabled.group.feedback.sequence == sequence
    enabled.group.send_tick((0, 0), 0)
    second = enabled.bus.receive()
    for count, frame in enumerate((frame for frame in second if 0x180 < frame.can_id < 0x300), start=1):
        enabled.bus.put(frame.can_id, frame.data)
        enabled.group.poll()
        assert enabled.group.feedback.sequence == sequence + (count == 4)


def test_feedback_age(rig) -> None:
    """Never heard is older than anything; then the age is that of the oldest axis."""
    assert rig.group.feedback_age_ns(rig.clock.now_ns()) == NEVER_NS
    rig.group.configure()
    rig.group.enable()
    rig.tick()
    rig.nodes[1].is_silent = True
    for _ in range(5):
        rig.tick()
    age_ns = rig.group.feedback_age_ns(rig.clock.now_ns())
    assert 5 * 4_000_000 <= age_ns <= 6 * 4_000_000


def test_answers_to_a_stop_are_not_taken_for_ours(enabled) -> None:
    """SDO answers to stop frames that somebody sent just before do not confuse the next set-up."""
    enabled.group.abort()
    again = CanDriveGroup(enabled.settings, enabled.bus, enabled.clock)
    for _ in range(3):
        enabled.bus.put(0x581, bytes.fromhex("60 40 60 00 00 00 00 00"))
        enabled.bus.put(0x582, bytes.fromhex("80 40 60 00 22 00 00 08"))
    again.configure()
    again.enable()
    assert again.is_enabled


# Ends


def test_abort_says_it_in_both_ways_and_again(enabled) -> None:
    """Quick stop goes to every node by process data with SYNC and by SDO; each call says it once more."""
    enabled.tick((9000, 9000))
    mark = len(enabled.bus.sent)
    enabled.group.abort()
    once = enabled.sent_since(mark)
    assert rpdo1(once, 1) == rpdo1(once, 2) == [(0x02, 0)]
    assert {frame[0] for frame in once} == {0x201, 0x202, 0x080, 0x601, 0x602, 0x301}
    assert once[-1] == (0x301, bytes(4)), "behind the stop: pen up"
    enabled.group.abort()
    assert enabled.sent_since(mark) == once * 2
    assert [node.state for node in enabled.nodes] == [DISABLED, DISABLED]


def test_no_velocity_leaves_after_abort(enabled) -> None:
    """After ``abort`` no call sends a velocity other than 0 or a controlword that enables."""
    enabled.tick((9000, 9000))
    enabled.group.abort()
    mark = len(enabled.bus.sent)
    for call in (
        lambda: enabled.group.send_tick((9000, 9000), 1),
        enabled.group.enable,
        enabled.group.configure,
        enabled.group.clear_fault,
        enabled.group.disable,
        enabled.group.poll,
    ):
        with contextlib.suppress(MisuseError):
            call()
    sent = enabled.sent_since(mark)
    for node in (1, 2):
        for word, velocity in rpdo1(sent, node):
            assert velocity == 0
            assert word & 0x0F != 0x0F
    assert not [frame for frame in sent if frame[0] in (0x301, 0x77F)]


class WildLink:
    """A link that breaks in a way that nobody foresaw."""

    garbled = 0

    def send_frames(self, frames) -> None:
        raise RuntimeError("out of the blue")

    def receive(self):
        raise RuntimeError("out of the blue")

    def close(self) -> None:
        raise RuntimeError("out of the blue")


def test_abort_and_close_never_raise_whatever_breaks(rig) -> None:
    """Even an exception that is no driver error stays inside ``abort`` and ``close``."""
    group = CanDriveGroup(rig.settings, WildLink(), rig.clock)
    group.abort()
    group.close()
    group.close()


def test_closing_in_operation_stops_first(enabled) -> None:
    """``close`` without ``disable`` tells the drives to stop before the wire is given back."""
    enabled.tick((9000, 9000))
    enabled.group.close()
    assert enabled.bus.is_closed
    assert [node.state for node in enabled.nodes] == [DISABLED, DISABLED]


def test_answers_that_nobody_asked_for_are_not_kept(enabled) -> None:
    """Segment answers name no object (CiA 301); thousands of them in motion leave nothing behind, and no later read
    takes one for its own."""
    rig = enabled
    tracemalloc.start()
    try:
        before = tracemalloc.get_traced_memory()[0]
        for _ in range(200):
            for _ in range(50):
                rig.bus.put(0x581, bytes([0x00, 1, 2, 3, 4, 5, 6, 7]))
            rig.group.poll()
        assert tracemalloc.get_traced_memory()[0] - before < 100_000
    finally:
        tracemalloc.stop()
    rig.group.disable()
    rig.group.configure()
    assert rig.nodes[0].value(0x6007) == 3
