"""The simulated drives on the bus, judged by the open-source library canopen as their master.

The bus is a loop in this process: what the master sends is on the wire at once, what the drives answer is handed
back as the master's receiver would. The master's object types are written here from CiA 301 and CiA 402 (memory).
"""

from __future__ import annotations

import struct
from typing import Any

import canopen
import pytest
from canopen.objectdictionary import ODRecord, ODVariable, datatypes
from canopen.profiles.p402 import BaseNode402

from drivers.twin import physics
from drivers.twin.gantry import Gantry

from .conftest import MS, make_parameters, make_settings

U8, U16, U32 = datatypes.UNSIGNED8, datatypes.UNSIGNED16, datatypes.UNSIGNED32
I8, I16, I32 = datatypes.INTEGER8, datatypes.INTEGER16, datatypes.INTEGER32
VARIABLES = {
    0x1000: U32, 0x1001: U8, 0x1005: U32, 0x1014: U32, 0x1017: U16, 0x6007: I16, 0x603F: U16, 0x6040: U16,
    0x6041: U16, 0x605A: I16, 0x6060: I8, 0x6061: I8, 0x6064: I32, 0x606C: I32, 0x607A: I32, 0x6081: U32,
    0x6083: U32, 0x6084: U32, 0x6085: U32, 0x60FD: U32, 0x60FF: I32, 0x6502: U32,
}  # fmt: skip
RECORDS = {0x1018: {1: U32, 2: U32, 3: U32, 4: U32}, 0x60C2: {1: U8, 2: I8}, 0x60FE: {1: U32, 2: U32}}


def master_dictionary() -> canopen.ObjectDictionary:
    od = canopen.ObjectDictionary()
    for index, kind in VARIABLES.items():
        variable = ODVariable(f"object {index:04X}", index)
        variable.data_type = kind
        od.add_object(variable)
    records = dict(RECORDS)
    for number in range(4):
        records[0x1400 + number] = {1: U32, 2: U8}
        records[0x1800 + number] = {1: U32, 2: U8, 3: U16, 5: U16}
        for base in (0x1600, 0x1A00):
            records[base + number] = dict.fromkeys(range(1, 9), U32)
    for index, members in records.items():
        record = ODRecord(f"record {index:04X}", index)
        for sub, kind in {0: U8, **members}.items():
            variable = ODVariable(f"{index:04X}:{sub}", index, sub)
            variable.data_type = kind
            record.add_member(variable)
        od.add_object(record)
    return od


class Loop(canopen.Network):
    """A canopen network whose bus is the gantry itself."""

    def __init__(self) -> None:
        super().__init__()
        self.gantry = Gantry(make_settings(), make_parameters(), 0)
        self.now_ns = 0
        self.seen: list[tuple[int, bytes]] = []

    def send_message(self, can_id: int, data: bytes, remote: bool = False) -> None:
        """Put a frame on the wire."""
        self._hand_back(self.gantry.on_frame(can_id, bytes(data), self.now_ns))

    def wait(self, duration_ns: int) -> None:
        """Let time pass."""
        self.now_ns += duration_ns
        self._hand_back(self.gantry.advance_to(self.now_ns))

    def _hand_back(self, sent: list[tuple[int, int, bytes]]) -> None:
        for on_wire_ns, can_id, data in sent:
            self.seen.append((can_id, data))
            self.notify(can_id, bytearray(data), on_wire_ns * 1e-9)


@pytest.fixture
def loop() -> Loop:
    return Loop()


@pytest.fixture
def node(loop: Loop) -> BaseNode402:
    node = BaseNode402(1, master_dictionary())
    loop.add_node(node)
    loop.wait(1)
    return node


def test_boots_up_into_pre_operational(loop: Loop, node: BaseNode402):
    """Each drive says its boot-up message; NMT commands move it, as its heartbeat shows (CiA 301)."""
    assert loop.seen[:2] == [(0x701, b"\0"), (0x702, b"\0")]
    node.sdo[0x1017].raw = 10
    for command, state in (
        ("OPERATIONAL", "OPERATIONAL"),
        ("PRE-OPERATIONAL", "PRE-OPERATIONAL"),
        ("STOPPED", "STOPPED"),
    ):
        node.nmt.state = command
        loop.wait(11 * MS)
        assert node.nmt.state == state
    loop.seen.clear()
    node.nmt.state = "RESET"
    assert (0x701, b"\0") in loop.seen
    assert (0x702, b"\0") not in loop.seen
    assert node.sdo[0x1017].raw == 0


def test_heartbeat_keeps_its_period(loop: Loop, node: BaseNode402):
    """1017h: ten heartbeats in ten periods; none once it is zero again."""
    node.sdo[0x1017].raw = 20
    loop.seen.clear()
    loop.wait(200 * MS)
    assert loop.seen.count((0x701, b"\x7f")) == 10
    node.sdo[0x1017].raw = 0
    loop.seen.clear()
    loop.wait(200 * MS)
    assert (0x701, b"\x7f") not in loop.seen


@pytest.mark.parametrize(
    ("index", "subindex", "data", "code"),
    [
        (0x2000, 0, None, 0x06020000),
        (0x1018, 9, None, 0x06090011),
        (0x6041, 0, b"\0\0", 0x06010002),
        (0x6040, 0, b"\0", 0x06070013),
        (0x6040, 0, b"\0\0\0\0", 0x06070012),
        (0x6060, 0, b"\x08", 0x06090030),
        (0x6060, 0, b"\x06", 0x06090030),
        (0x6007, 0, b"\x04\0", 0x06090031),
        (0x6007, 0, b"\xff\xff", 0x06090032),
        (0x6085, 0, bytes(4), 0x06090032),
        (0x1600, 1, struct.pack("<I", 0x6040_0010), 0x08000022),
        (0x1600, 0, b"\x02", 0x08000022),
        (0x1801, 2, b"\xfc", 0x06090030),
    ],
)
def test_refuses_with_the_standards_abort_code(
    node: BaseNode402, index: int, subindex: int, data: bytes | None, code: int
):
    """Abort codes of CiA 301, as canopen decodes them."""
    arguments = (index, subindex) if data is None else (index, subindex, data)
    access = node.sdo.upload if data is None else node.sdo.download
    with pytest.raises(canopen.SdoAbortedError) as refusal:
        access(*arguments)
    assert refusal.value.code == code


def test_mapping_rules(node: BaseNode402):
    """Only mappable objects of the right length and eight bytes at most, and only while the count is zero."""
    node.sdo[0x1800][1].raw = 0x181 | 1 << 31
    for word, code in ((0x6041_0010, 0x06010000),):
        with pytest.raises(canopen.SdoAbortedError) as refusal:
            node.sdo[0x1A00][1].raw = word
        assert refusal.value.code == code
    node.sdo[0x1A00][0].raw = 0
    for word, code in ((0x6040_0010, 0x06040041), (0x6041_0020, 0x06040041), (0x2222_0010, 0x06020000)):
        with pytest.raises(canopen.SdoAbortedError) as refusal:
            node.sdo[0x1A00][1].raw = word
        assert refusal.value.code == code
    for sub, word in enumerate((0x6064_0020, 0x606C_0020, 0x6041_0010), start=1):
        node.sdo[0x1A00][sub].raw = word
    with pytest.raises(canopen.SdoAbortedError) as refusal:
        node.sdo[0x1A00][0].raw = 3
    assert refusal.value.code == 0x06040042
    node.sdo[0x1A00][0].raw = 2
    node.sdo[0x1800][1].raw = 0x181
    with pytest.raises(canopen.SdoAbortedError) as refusal:
        node.sdo[0x1800][1].raw = 0x1FF
    assert refusal.value.code == 0x06090030


def map_with_canopen(node: BaseNode402) -> None:
    node.pdo.read()
    for rpdo, objects in ((1, (0x6040, 0x60FF)), (2, ())):
        node.rpdo[rpdo].clear()
        for index in objects:
            node.rpdo[rpdo].add_variable(index)
        node.rpdo[rpdo].trans_type = 1
        node.rpdo[rpdo].enabled = bool(objects)
    for tpdo, objects in ((1, (0x6041, 0x6064)), (2, (0x60FD, 0x606C))):
        node.tpdo[tpdo].clear()
        for index in objects:
            node.tpdo[tpdo].add_variable(index)
        node.tpdo[tpdo].trans_type = 1
        node.tpdo[tpdo].enabled = True
    node.pdo.save()


def test_canopen_maps_and_reads_the_process_data(loop: Loop, node: BaseNode402):
    """canopen's own mapping procedure succeeds; its decoded TPDOs say what SDO says."""
    map_with_canopen(node)
    node.nmt.state = "OPERATIONAL"
    loop.sync.transmit()
    assert node.tpdo[1][0x6041].raw == node.sdo[0x6041].raw == 0x0250
    assert node.tpdo[1][0x6064].raw == node.sdo[0x6064].raw == 300_000
    assert node.tpdo[2][0x60FD].raw == 1 << 17
    assert node.tpdo[2][0x606C].raw == 0


def test_canopens_402_node_walks_the_drive(loop: Loop, node: BaseNode402):
    """canopen's CiA 402 master brings the drive up, through quick stop and down again, and reads every state."""
    node.nmt.state = "OPERATIONAL"
    node.setup_402_state_machine(read_pdos=False)
    assert node.state == "SWITCH ON DISABLED"
    assert node.is_op_mode_supported("CYCLIC SYNCHRONOUS VELOCITY")
    assert not node.is_op_mode_supported("HOMING")
    node.op_mode = "PROFILED VELOCITY"
    assert node.sdo[0x6061].raw == 3
    for state in ("READY TO SWITCH ON", "SWITCHED ON", "OPERATION ENABLED"):
        node.state = state
        assert node.state == state
    node.sdo[0x60FF].raw = 50_000
    loop.wait(500 * MS)
    assert node.sdo[0x606C].raw == pytest.approx(50_000, abs=1)
    node.controlword = 0x02
    assert node.state == "QUICK STOP ACTIVE"
    loop.wait(500 * MS)
    assert node.state == "SWITCH ON DISABLED"
    assert node.sdo[0x606C].raw == 0


def test_emergency_and_fault_reset(loop: Loop, node: BaseNode402):
    """A lost heartbeat gives EMCY 8130h, error register, 603Fh and history; the reset gives EMCY 0000h."""
    node.sdo.download(0x1016, 1, struct.pack("<I", 127 << 16 | 100))
    loop.send_message(0x77F, b"\x05")
    node.nmt.state = "OPERATIONAL"
    node.setup_402_state_machine(read_pdos=False)
    node.sdo[0x6060].raw = 3
    node.state = "OPERATION ENABLED"
    loop.wait(90 * MS)
    assert not node.emcy.active
    loop.wait(20 * MS)
    assert [(error.code, error.register) for error in node.emcy.active] == [(0x8130, 0x11)]
    assert node.sdo[0x603F].raw == 0x8130
    assert node.sdo.upload(0x1003, 1) == struct.pack("<I", 0x8130)
    assert node.state == "FAULT"
    node.controlword = 0x00
    node.controlword = 0x80
    assert node.state == "SWITCH ON DISABLED"
    assert not node.emcy.active
    assert node.sdo[0x603F].raw == 0
    assert node.sdo[0x1001].raw == 0


def test_dies_with_its_master_only_after_the_first_heartbeat(loop: Loop, node: BaseNode402):
    """1016h starts counting at the first heartbeat heard: written but never heard, nothing happens (CiA 301)."""
    node.sdo.download(0x1016, 1, struct.pack("<I", 127 << 16 | 50))
    loop.wait(1000 * MS)
    assert not node.emcy.active


def test_event_driven_process_data(loop: Loop, node: BaseNode402):
    """The default TPDO 1 (type 255) says the statusword on change, and not otherwise."""
    node.nmt.state = "OPERATIONAL"
    loop.wait(20 * MS)
    loop.seen.clear()
    loop.wait(100 * MS)
    assert loop.seen == []
    loop.send_message(0x201, struct.pack("<H", 0x06))
    assert loop.seen == [(0x181, struct.pack("<H", 0x0231))]


def test_short_process_data_is_reported_and_ignored(loop: Loop, node: BaseNode402):
    """An RPDO shorter than its mapping gives EMCY 8210h and changes nothing."""
    node.nmt.state = "OPERATIONAL"
    loop.send_message(0x201, b"\x06")
    assert node.emcy.log[-1].code == 0x8210
    assert node.sdo[0x6041].raw & 0x6F == 0x40


@pytest.mark.parametrize("target", [305_000, 300_013, 250_000, 700_000])
def test_profile_position_lands_on_the_count(loop: Loop, node: BaseNode402, target: int):
    """Mode 1: the drive acknowledges, never exceeds its profile velocity, ends on the count, and says reached."""
    node.nmt.state = "OPERATIONAL"
    node.setup_402_state_machine(read_pdos=False)
    node.sdo[0x6060].raw = 1
    node.sdo[0x6081].raw, node.sdo[0x6083].raw, node.sdo[0x6084].raw = 200_000, 1_000_000, 500_000
    node.state = "OPERATION ENABLED"
    node.sdo.download(0x6067, 0, bytes(4))  # no window: reached means reached
    node.sdo[0x607A].raw = target
    node.controlword = 0x1F
    assert node.sdo[0x6041].raw & 0x1400 == 0x1000
    node.controlword = 0x0F
    loop.wait(4000 * MS)
    assert node.sdo[0x6041].raw & 0x1400 == 0x0400
    assert node.sdo[0x6064].raw == target
    record = loop.gantry.record()
    assert abs(record.motor_mm_s).max() <= 200.0 + 1e-9
    overshoot = (record.motor_mm[:, 0] - target / 1000) * (1 if target > 300_000 else -1)
    assert overshoot.max() < 0.01


def test_unknown_frames_are_nobodys_business(loop: Loop, node: BaseNode402):
    """Frames of other devices, short SDO requests and strange NMT commands change nothing and are not answered."""
    loop.seen.clear()
    for can_id, data in (
        (0x123, b"x"),
        (0x601, b"\x40"),
        (0x000, b"\x01"),
        (0x000, b"\x55\x01"),
        (0x7E5, bytes(8)),
    ):
        loop.send_message(can_id, data)
    loop.wait(100 * MS)
    assert loop.seen == []
    assert not loop.gantry._state[0, physics.TORQUE]


def test_segmented_transfer_is_refused(loop: Loop, node: BaseNode402):
    """A segmented download's first frame gets the abort "command specifier not valid"."""
    loop.send_message(0x601, b"\x21" + struct.pack("<HBI", 0x6081, 0, 4))
    assert loop.seen[-1] == (0x581, b"\x80" + struct.pack("<HBI", 0x6081, 0, 0x05040001))


def test_transfer_without_size_takes_the_objects_length(node: BaseNode402, loop: Loop):
    """An expedited download without size bit fills the object (CiA 301: s = 0)."""
    request: Any = b"\x22" + struct.pack("<HBI", 0x6081, 0, 77_000)
    loop.send_message(0x601, request)
    assert node.sdo[0x6081].raw == 77_000
