# ruff: noqa: D102 - the docstrings of the library's classes hold
"""Set-up and process data, judged by the `canopen` library playing the drive.

The library's LocalNode is the SDO server and the NMT slave; afterwards the library itself reads back which process
data it would send and receive. Nothing here runs in a thread.
"""

from __future__ import annotations

import canopen
import pytest
from canopen.objectdictionary import ODRecord, ODVariable, datatypes

from drivers.can.group import CanDriveGroup
from drivers.can.link import Frame
from drivers.can.sdo import Entry, ObjectAccess
from drivers.clock import VirtualClock
from drivers.errors import FaultError, LinkError
from tests.fakes.drive_settings import group_settings

TYPES = {
    "B": datatypes.UNSIGNED8,
    "H": datatypes.UNSIGNED16,
    "I": datatypes.UNSIGNED32,
    "b": datatypes.INTEGER8,
    "h": datatypes.INTEGER16,
    "i": datatypes.INTEGER32,
}


def dictionary() -> canopen.ObjectDictionary:
    """An object dictionary of a CiA 402 drive, built with the library's own classes."""
    od = canopen.ObjectDictionary()

    def variable(index: int, layout: str, value: int = 0) -> None:
        entry = ODVariable(f"object {index:04X}", index)
        entry.data_type, entry.default, entry.access_type = TYPES[layout], value, "rw"
        od.add_object(entry)

    def record(index: int, layouts: str, values: tuple[int, ...]) -> None:
        entry = ODRecord(f"object {index:04X}", index)
        for subindex, (layout, value) in enumerate(zip(layouts, values, strict=True)):
            member = ODVariable(f"{index:04X}-{subindex}", index, subindex)
            member.data_type, member.default, member.access_type = TYPES[layout], value, "rw"
            entry.add_member(member)
        od.add_object(entry)

    for index, layout, value in (
        (0x1000, "I", 402), (0x1017, "H", 0), (0x6007, "h", 1), (0x603F, "H", 0), (0x6040, "H", 0),
        (0x6041, "H", 0x0250), (0x605A, "h", 2), (0x6060, "b", 0), (0x6061, "b", 0), (0x6064, "i", 0),
        (0x606C, "i", 0), (0x6085, "I", 0), (0x60FD, "I", 0), (0x60FF, "i", 0), (0x6502, "I", 0x1A5),
    ):  # fmt: skip
        variable(index, layout, value)
    record(0x1016, "BI", (1, 0))
    record(0x60C2, "BBb", (2, 1, -3))
    record(0x60FE, "BII", (2, 0, 0))
    for number in range(4):
        record(0x1400 + number, "BIB", (2, 0x200 + 0x100 * number, 255))
        record(0x1600 + number, "BIIII", (0, 0, 0, 0, 0))
        record(0x1800 + number, "BIB", (2, 0x180 + 0x100 * number, 255))
        record(0x1A00 + number, "BIIII", (0, 0, 0, 0, 0))
    return od


class SentAtOnce:
    """In place of the library's periodic task, which would want a thread: each change is sent once."""

    def __init__(self, network: canopen.Network, can_id: int) -> None:
        self.network, self.can_id = network, can_id

    def update(self, data: bytes) -> None:
        self.network.send_message(self.can_id, data)

    def stop(self) -> None: ...


class JudgeNetwork(canopen.Network):
    """The library's network without bus or thread: what its nodes send is kept."""

    def __init__(self) -> None:
        super().__init__()
        self.out: list[tuple[int, bytes]] = []

    def send_message(self, can_id: int, data: bytes, remote: bool = False) -> None:
        self.out.append((can_id, bytes(data)))

    def send_periodic(self, can_id: int, data: bytes, period: float, remote: bool = False):
        self.send_message(can_id, data)

        return SentAtOnce(self, can_id)


class JudgeLink:
    """A CanLink whose other end is the library."""

    garbled = 0

    def __init__(self, network: JudgeNetwork) -> None:
        self.network = network
        self.sent: list[tuple[int, bytes]] = []

    def send_frames(self, frames) -> None:
        for can_id, data in frames:
            self.sent.append((can_id, bytes(data)))
            self.network.notify(can_id, bytearray(data), 0.0)

    def receive(self) -> list[Frame]:
        frames = [Frame(can_id, data, 1) for can_id, data in self.network.out]
        self.network.out.clear()
        return frames

    def close(self) -> None: ...


@pytest.fixture
def network() -> JudgeNetwork:
    network = JudgeNetwork()
    for node in (1, 2):
        network.create_node(node, dictionary())
    return network


@pytest.fixture
def access(network: JudgeNetwork) -> ObjectAccess:
    return ObjectAccess(JudgeLink(network), VirtualClock(), {1: "axis x (node 1)", 9: "axis z (node 9)"}, 0.1)


@pytest.mark.parametrize(
    ("entry", "value"),
    [
        (Entry(0x1016, 1, "I", "consumer heartbeat"), 0x7F00A0),
        (Entry(0x1017, 0, "H", "producer heartbeat"), 40),
        (Entry(0x6007, 0, "h", "abort option"), 3),
        (Entry(0x6060, 0, "b", "mode"), 9),
        (Entry(0x60FF, 0, "i", "target velocity"), -123_456),
        (Entry(0x60C2, 2, "b", "exponent"), -3),
    ],
)
def test_values_reach_the_librarys_dictionary(
    network: JudgeNetwork, access: ObjectAccess, entry: Entry, value: int
) -> None:
    """What is written with its size and sign is what the `canopen` SDO server keeps, and reads back the same."""
    access.write(1, entry, value)
    owner = network[1].sdo[entry.index]
    kept = owner[entry.subindex].raw if entry.subindex else owner.raw
    assert kept == value
    assert access.read(1, entry) == value


def test_a_missing_object_is_told_apart(access: ObjectAccess) -> None:
    """The library's abort 06020000h (CiA 301: object does not exist) means None where that is allowed."""
    missing = Entry(0x2345, 0, "I", "nothing")
    assert access.read_if_there(1, missing) is None
    assert access.hold_if_there(1, missing, 1) is False
    with pytest.raises(FaultError, match=r"axis x \(node 1\).*2345h:00.*06020000"):
        access.read(1, missing)


def test_silence_is_a_link_error(access: ObjectAccess) -> None:
    """A node that is not there is named, with the object and the time waited."""
    with pytest.raises(LinkError, match=r"axis z \(node 9\).*1000h:00.*silence for 0.1 s"):
        access.read(9, Entry(0x1000, 0, "I", "device type"))


def test_the_library_would_exchange_our_process_data(network: JudgeNetwork) -> None:
    """After set-up the `canopen` library reads its own dictionary as the mapping that docs and guard rely on."""
    link = JudgeLink(network)
    group = CanDriveGroup(group_settings(), link, VirtualClock())
    group.configure()
    for node_id in (1, 2):
        node = network[node_id]
        node.rpdo.read(from_od=False)
        node.tpdo.read(from_od=False)
        received, statused, measured = node.rpdo[1], node.tpdo[1], node.tpdo[2]
        assert [(v.index, v.length) for v in received.map] == [(0x6040, 16), (0x60FF, 32)]
        assert [(v.index, v.length) for v in statused.map] == [(0x6041, 16), (0x6064, 32)]
        assert [(v.index, v.length) for v in measured.map] == [(0x60FD, 32), (0x606C, 32)]
        assert (received.cob_id, statused.cob_id, measured.cob_id) == (
            0x200 + node_id, 0x180 + node_id, 0x280 + node_id,
        )  # fmt: skip
        assert all(pdo.enabled and pdo.trans_type == 1 for pdo in (received, statused, measured))
        assert node.rpdo[2].enabled == (node_id == 1)
        assert not any(pdo.enabled for pdo in (node.rpdo[3], node.rpdo[4], node.tpdo[3], node.tpdo[4]))
        assert node.sdo[0x1016][1].raw == 127 << 16 | 160
        assert node.sdo[0x6007].raw == 3
        assert node.sdo[0x605A].raw == 2
        assert node.sdo[0x6085].raw == 27_000_000
        assert (node.sdo[0x60C2][1].raw, node.sdo[0x60C2][2].raw) == (4, -3)
        assert node.sdo[0x6060].raw == 9
        assert node.nmt.state == "OPERATIONAL"
    outputs = network[1].rpdo[2]
    assert [(v.index, v.subindex, v.length) for v in outputs.map] == [(0x60FE, 1, 32)]
    assert network[1].sdo[0x60FE][2].raw == 1 << 16
