"""Two simulated drives on one bus in cyclic velocity mode: SYNC, stops, lost heartbeats, limit switches, the lift."""

from __future__ import annotations

import struct

import numpy as np
import pytest

from .conftest import MS, TICK_NS, MakeMaster, make_axis, make_parameters, make_settings


def test_cyclic_velocities_take_effect_together_at_the_sync(make_master: MakeMaster):
    """RPDOs alone move nothing; at the SYNC both axes take their value at the same instant."""
    master = make_master().ready()
    record_from = master.clock.now_ns()
    master.send(0x201, struct.pack("<Hi", 0x0F, 100_000))
    master.wait(3 * MS)
    master.send(0x202, struct.pack("<Hi", 0x0F, 50_000))
    master.wait(3 * MS)
    assert master.twin.gantry.record().travel_mm(record_from, master.clock.now_ns()).max() == 0.0
    master.send(0x080)
    synced_ns = master.clock.now_ns()
    master.wait(200 * MS)
    record = master.twin.gantry.record()
    first = np.flatnonzero(record.is_moving(0.0))[0]
    assert record.t_ns[first] == (synced_ns // MS + 1) * MS
    assert np.all(record.motor_mm_s[first] != 0.0)
    assert record.motor_mm_s[-1] == pytest.approx([100.0, -50.0], abs=1e-6)


def test_status_and_position_are_those_of_the_sync(make_master: MakeMaster):
    """TPDOs of a SYNC carry the state sampled at it, before its commands act; they arrive after the latency."""
    master = make_master().ready()
    master.tick(100_000, 0)
    assert master.position(1) == 300_000
    assert master.position(2) == -200_000  # the y drive counts the other way
    before_ns = master.clock.now_ns()
    master.heard.clear()
    master.send(0x080)
    master.wait(100_000)
    assert master.heard == []
    master.wait(MS)
    assert [can_id for can_id, _ in master.heard] == [0x181, 0x281, 0x182, 0x282]
    truth_mm = master.twin.gantry.record().motor_at([before_ns])[0, 0]
    assert master.position(1) == int(truth_mm * 1000)
    assert 300_000 < master.position(1) < 300_400


def test_without_new_commands_the_drive_goes_on_turning(make_master: MakeMaster):
    """Silence of commands is no stop: as real drives do, until the heartbeat fails."""
    master = make_master().ready()
    master.tick(50_000, 0)
    for _ in range(250):
        master.send(0x77F, b"\x05")
        master.wait(TICK_NS)
    assert master.twin.gantry.motors[0].motor_mm == pytest.approx(300 + 50 * 1.004, abs=1.0)


@pytest.mark.parametrize(
    ("option", "state", "code"), [(1, 0x08, 0x8130), (2, 0x40, 0), (3, 0x40, 0), (0, 0x27, 0)]
)
def test_lost_heartbeat_stops_as_the_abort_option_says(
    make_master: MakeMaster, option: int, state: int, code: int
):
    """1016h and 6007h: fault, disable voltage, quick stop, nothing; the first three end at standstill in time.

    From 300 mm/s at 5000 mm/s2 with 8 ms of lag: v*lag + v^2/2a = 11.4 mm after the time-out (closed form).
    """
    master = make_master()
    master.map_all()
    for node in (1, 2):
        master.must(node, 0x1016, 1, 127 << 16 | 100, 4)
        master.must(node, 0x6007, 0, option, 2)
    master.enable()
    for _ in range(50):
        master.tick(300_000, -300_000)
    lost_ns = master.clock.now_ns() - TICK_NS + 100 * MS  # the last beat went out with the last tick
    master.beats = False
    master.wait(96 * MS)
    assert np.all(np.abs(master.twin.gantry.record().motor_mm_s[-1]) > 299.9)
    master.wait(400 * MS)
    record = master.twin.gantry.record()
    master.send(0x080)
    master.wait(MS)
    assert [master.status(node) & 0x4F for node in (1, 2)] == [state & 0x4F] * 2
    stood_ns = record.standstill_ns(lost_ns)
    if option == 0:
        assert stood_ns is None
        return
    assert stood_ns is not None
    assert stood_ns - lost_ns < 150 * MS
    way_mm = np.abs(record.motor_mm[-1] - record.motor_at([lost_ns])[0])
    closed_mm = 300**2 / (2 * 4000) if option == 2 else 300 * 0.008 + 300**2 / (2 * 5000)
    assert way_mm == pytest.approx([closed_mm] * 2, abs=0.6)
    assert master.read(1, 0x603F) == code
    emergencies = [data for can_id, data in master.heard if can_id == 0x081]
    assert [int.from_bytes(data[:2], "little") for data in emergencies] == [0x8130]


def test_lost_heartbeat_of_an_idle_drive_is_no_fault(make_master: MakeMaster):
    """A drive whose power stage is not in use reports the loss and stays where it is."""
    master = make_master()
    master.must(1, 0x1016, 1, 127 << 16 | 50, 4)
    master.send(0x77F, b"\x05")
    master.wait(200 * MS)
    assert master.read(1, 0x6041) & 0x6F == 0x40
    assert (0x081, struct.pack("<HB5x", 0x8130, 0x11)) in master.heard


@pytest.mark.parametrize(("option", "end"), [(2, 0x40), (6, 0x07)])
def test_quick_stop_by_frame(make_master: MakeMaster, option: int, end: int):
    """Controlword 0002h stops by the 6085h ramp and ends in the state that 605Ah asks for."""
    master = make_master()
    for node in (1, 2):
        master.must(node, 0x605A, 0, option, 2)
    master.ready()
    for _ in range(50):
        master.tick(400_000, 400_000)
    told_ns = master.clock.now_ns()
    at_mm = master.twin.gantry.motors[0].motor_mm
    for _ in range(60):
        master.tick(400_000, 400_000, word=0x02)
    assert master.status(1) & 0x6F == end
    record = master.twin.gantry.record()
    stood_ns = record.standstill_ns(told_ns)
    assert stood_ns is not None
    assert stood_ns - told_ns == pytest.approx(400 / 5000 * 1e9, abs=60 * MS)
    assert record.motor_mm[-1, 0] - at_mm == pytest.approx(400 * 0.008 + 400**2 / 10_000, abs=0.01)


def test_halt_and_disable_operation_slow_down_first(make_master: MakeMaster):
    """Bit 8 halts within OPERATION ENABLED; controlword 0007h slows down before the drive leaves it."""
    master = make_master().ready()
    for _ in range(25):
        master.tick(100_000, 0)
    for _ in range(50):
        master.tick(100_000, 0, word=0x10F)
    assert master.status(1) & 0x46F == 0x427
    for _ in range(25):
        master.tick(100_000, 0)
    assert master.twin.gantry.record().motor_mm_s[-1, 0] == pytest.approx(100, abs=1e-3)
    master.tick(100_000, 0, word=0x07)
    master.tick(100_000, 0, word=0x07)
    assert master.status(1) & 0x6F == 0x27
    for _ in range(50):
        master.tick(100_000, 0, word=0x07)
    assert master.status(1) & 0x6F == 0x23
    assert master.twin.gantry.is_still


def test_limit_switch_cuts_the_motor_and_a_push_brings_it_back(make_master: MakeMaster):
    """The switch takes the motor's power: FAULT 3220h, voltage bit gone, its input closed, no reset until freed."""
    master = make_master().ready()
    while master.twin.gantry.motors[0].has_power:
        master.tick(-300_000, 0)
    for _ in range(50):
        master.tick(-300_000, 0)
    assert master.status(1) & 0x5F == 0x08  # fault, no voltage
    assert master.status(2) & 0x7F == 0x37
    assert master.inputs(1) & 0b111 == 0b101  # negative limit and home
    assert (0x081, struct.pack("<HB5x", 0x3220, 0x05)) in master.heard
    gantry = master.twin.gantry
    assert gantry.motors[0].head_mm == pytest.approx(-(300**2) / 8000, abs=1e-6)
    with pytest.raises(ValueError, match="without torque"):
        gantry.push("y", 100.0)
    master.tick(0, 0, word=0x80)
    master.tick(0, 0, word=0x00)
    assert master.status(1) & 0x4F == 0x08
    gantry.push("x", 60.0)
    master.tick(0, 0, word=0x80)
    master.tick(0, 0, word=0x00)
    assert master.status(1) & 0x5F == 0x50
    assert gantry.motors[0].head_mm == 60.0
    assert gantry.motors[0].is_still


def test_limits_of_a_reversed_drive_are_in_its_own_sense(make_master: MakeMaster):
    """The y drive counts backwards: the switch at true zero is its positive limit (CiA 402: drive's direction)."""
    parameters = make_parameters(axes={"x": make_axis(), "y": make_axis(start_mm=5.0, home_switch_mm=-10.0)})
    master = make_master(parameters).ready()
    for _ in range(60):
        master.tick(0, 100_000)
    assert master.inputs(2) & 0b11 == 0b10


def test_home_switch_shows_on_the_input(make_master: MakeMaster):
    """60FDh bit 2 closes when the head reaches the edge, and touches scatter."""
    parameters = make_parameters(
        axes={"x": make_axis(start_mm=20.0, home_switch_scatter_mm=0.2), "y": make_axis()}
    )
    master = make_master(parameters).ready()
    places = []
    for _ in range(8):
        while not master.inputs(1) & 4:
            master.tick(-10_000, 0)
        places.append(master.position(1))
        for _ in range(120):
            master.tick(10_000, 0)
        assert not master.inputs(1) & 4
    assert np.std(places) > 40
    assert np.mean(places) == pytest.approx(15_000, abs=250)


def test_lift_takes_its_time_and_tells(make_master: MakeMaster):
    """The output starts the lift; neither end switch is closed under way; the lower one after 60 ms (parameter)."""
    master = make_master().ready()
    assert master.inputs(1) >> 16 == 0b10
    master.tick(0, 0, outputs=1 << 16)
    seen = []
    for _ in range(20):
        master.tick(0, 0)
        seen.append(master.inputs(1) >> 16)
    assert seen == [0b00] * 14 + [0b01] * 6
    master.must(1, 0x60FE, 2, 0, 4)  # the mask takes the output away
    master.wait(100 * MS)
    master.tick(0, 0)
    assert master.inputs(1) >> 16 == 0b10


def test_encoder_is_absolute_and_counts_wrap_at_32_bits(make_master: MakeMaster):
    """A reading near the end of 32 bits runs over into the negative, count by count."""
    zero = 2**31 - 301_000
    parameters = make_parameters(axes={"x": make_axis(encoder_zero_counts=zero), "y": make_axis()})
    master = make_master(parameters).ready()
    assert master.position(1) == 2**31 - 1000
    for _ in range(15):
        master.tick(100_000, 0)
    for _ in range(40):
        master.tick(0, 0)
    assert master.position(1) == -(2**31) + 5000 - 1 or master.position(1) == -(2**31) + 5000


def test_belt_may_be_longer_than_its_name(make_master: MakeMaster):
    """travel_scale: 1 % more true travel for the same counts."""
    parameters = make_parameters(axes={"x": make_axis(travel_scale=1.01), "y": make_axis()})
    master = make_master(parameters).ready()
    for _ in range(25):
        master.tick(100_000, 0)
    for _ in range(50):
        master.tick(0, 0)
    assert master.twin.gantry.motors[0].motor_mm == pytest.approx(300 + 10 * 1.01, abs=1e-4)


def test_two_hours_of_nothing_cost_nothing(make_master: MakeMaster):
    """Stillness takes no room in the record."""
    master = make_master()
    for _ in range(72):
        master.wait(100_000 * MS)
    record = master.twin.gantry.record()
    assert len(record.t_ns) == 2
    assert record.standstill_ns(master.clock.now_ns()) == master.clock.now_ns()


def test_pulled_plug_and_closed_link(make_master: MakeMaster):
    """Nothing passes a pulled plug; a closed link says so."""
    from drivers.errors import LinkError

    master = make_master()
    master.wait(MS)
    master.twin.link.plugged = False
    master.heard.clear()
    master.send(0x601, b"\x40\x41\x60\x00" + bytes(4))
    master.wait(10 * MS)
    assert master.heard == []
    master.twin.link.close()
    master.twin.link.close()
    with pytest.raises(LinkError):
        master.twin.link.receive()
    with pytest.raises(LinkError):
        master.send(0x080)


def test_axes_must_agree():
    """Parameters for other axes than the wire's are refused, naming both."""
    from drivers.twin.gantry import Gantry

    with pytest.raises(ValueError, match=r"axes: expected the same two axes"):
        Gantry(make_settings(), make_parameters(axes={"x": make_axis(), "z": make_axis()}), 0)
