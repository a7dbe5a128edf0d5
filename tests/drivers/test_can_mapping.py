"""Process data mapped in the order of CiA 301, whole and read back; commands at the SYNC or at once."""

from __future__ import annotations

import struct

import pytest

from drivers.can.group import CanDriveGroup
from drivers.can.link import Frame
from drivers.cantiming import acts_after_ns
from drivers.clock import VirtualClock
from drivers.errors import FaultError
from drivers.settings import GroupSettings
from drivers.twin.virtual import VirtualGantry
from tests.fakes.drive_node import FakeBus, FakeDriveNode
from tests.fakes.drive_settings import group_settings, twin_parameters

WORDS = {
    0x1600: (0x6040_0010, 0x60FF_0020),
    0x1601: (0x60FE_0120,),
    0x1A00: (0x6041_0010, 0x6064_0020),
    0x1A01: (0x60FD_0020, 0x606C_0020),
}
"""Mapping words by CiA 301: index, sub-index, bits. 6040 U16, 60FF I32, 60FE:1 U32, 6041 U16, 6064 I32, 60FD U32,
606C I32 by CiA 402's tables."""


def writes_to(sent: list[tuple[int, bytes]], node: int) -> list[tuple[int, int, int]]:
    """(index, sub-index, value) of each expedited SDO write to ``node``, in order."""
    found = []
    for can_id, data in sent:
        if can_id == 0x600 + node and data[0] >> 5 == 1:
            index, subindex = struct.unpack_from("<HB", data, 1)
            size = 4 - (data[0] >> 2 & 3)
            found.append((index, subindex, int.from_bytes(data[4 : 4 + size], "little")))
    return found


@pytest.mark.parametrize("communication", [0x1400, 0x1401, 0x1800, 0x1801])
def test_the_order_of_ci_a_301(rig, communication: int) -> None:
    """Identifier with bit 31, count 0, objects, their count, then the type while still off, then the identifier."""
    rig.group.configure()
    mapping = communication + 0x200
    cob_id = {0x1400: 0x201, 0x1401: 0x301, 0x1800: 0x4000_0181, 0x1801: 0x4000_0281}[communication]
    mine = [one for one in writes_to(rig.bus.sent, 1) if one[0] in (communication, mapping)]
    words = WORDS[mapping]
    assert mine == [
        (communication, 1, cob_id | 1 << 31),
        (mapping, 0, 0),
        *((mapping, place, word) for place, word in enumerate(words, start=1)),
        (mapping, 0, len(words)),
        (communication, 2, 1),
        (communication, 1, cob_id),
    ]


@pytest.mark.parametrize(
    ("key", "value", "words"),
    [
        ((0x1600, 0), 1, r"1600h:00 number of mapped objects = 2.*got 1"),
        ((0x1600, 2), 0x6042_0010, r"1600h:02 mapped object.*60FF0020h.*got.*60420010h"),
        ((0x1A01, 1), 0x60FD_0010, r"1A01h:01 mapped object.*60FD0020h.*got.*60FD0010h"),
        ((0x1400, 2), 255, r"1400h:02 PDO transmission type = 1.*got 255"),
        ((0x1800, 1), 0x8000_0182, r"1800h:01 PDO identifier.*got.*80000182h"),
    ],
)
def test_what_a_drive_makes_of_it_afterwards_is_seen(rig, key, value: int, words: str) -> None:
    """A drive that takes each word but ends with another: index, sub-index, expected and got are named."""
    node = rig.nodes[1]
    write = node._write

    def change(where: tuple[int, int], what: int) -> None:
        write(where, what)
        if where == (0x1801, 1) and not what >> 31:
            node.objects[key][1] = value

    node._write = change
    with pytest.raises(FaultError, match=rf"axis y \(node 2\): expected {words}"):
        rig.group.configure()


def test_at_once_means_type_255_for_what_is_received_only() -> None:
    """CiA 301: 254 and 255 are event-driven. The drives' own words still answer the SYNC (type 1)."""
    clock = VirtualClock()
    nodes = [FakeDriveNode(1), FakeDriveNode(2)]
    bus = FakeBus(nodes, clock)
    CanDriveGroup(group_settings(pdo="immediate"), bus, clock).configure()
    for node in nodes:
        assert node.value(0x1400, 2) == 255
        assert (node.value(0x1800, 2), node.value(0x1801, 2)) == (1, 1)
    assert nodes[0].value(0x1401, 2) == 255


@pytest.mark.parametrize(
    ("bitrate_bit_s", "pdo", "instants_us"),
    [
        (1_000_000, "sync", (0, 0)),
        (1_000_000, "immediate", (115, 230)),
        (500_000, "immediate", (230, 460)),
    ],
)
def test_instants_of_the_axes(bitrate_bit_s: int, pdo: str, instants_us: tuple[int, int]) -> None:
    """One frame of 6 bytes is 55 + 10 x 6 = 115 bits at most (Davis, Burns, Bril, Lukkien 2007)."""
    wire = group_settings(pdo=pdo).can.model_copy(update={"bitrate_bit_s": bitrate_bit_s})
    assert acts_after_ns(wire, 2) == tuple(1000 * us for us in instants_us)


def test_at_once_the_sync_goes_first() -> None:
    """SYNC, then the axes in order: positions are those of the instant from which the commands' own count."""
    clock = VirtualClock()
    bus = FakeBus([FakeDriveNode(1), FakeDriveNode(2)], clock)
    group = CanDriveGroup(group_settings(pdo="immediate"), bus, clock)
    group.configure()
    group.enable()
    mark = len(bus.sent)
    group.send_tick((1, 2), 1)
    assert [can_id for can_id, _ in bus.sent[mark:] if can_id != 0x77F] == [0x080, 0x201, 0x202, 0x301]


def ways_counts(settings: GroupSettings) -> tuple[tuple[int, ...], CanDriveGroup]:
    """How far each simulated axis has come after 50 equal ticks at 540 000 counts/s out of rest."""
    clock = VirtualClock()
    gantry = VirtualGantry(settings, twin_parameters(), clock)
    group = CanDriveGroup(settings, gantry.link, clock)
    group.configure()
    group.enable()
    begun = [axis.position_counts for axis in group.feedback.axes]
    due_ns = clock.now_ns()
    for _ in range(50):
        due_ns += 4_000_000
        clock.sleep_until_ns(due_ns)
        group.poll()
        group.send_tick((540_000, 540_000), 0)
    clock.sleep_until_ns(due_ns + 4_000_000)
    group.poll()
    ends = [axis.position_counts for axis in group.feedback.axes]
    return tuple(end - start for end, start in zip(ends, begun, strict=True)), group


@pytest.mark.parametrize(("pdo", "skew_ns"), [("immediate", 115_000), ("sync", 0)])
def test_the_skew_on_the_simulated_bus_is_the_stated_one(pdo: str, skew_ns: int) -> None:
    """At once: y begins one frame later and stays v x skew behind, 62.1 counts at 540 000 counts/s; at the SYNC none.

    Two equal motors with equal lags; the counters round, which is a count for each.
    """
    (x, y), group = ways_counts(group_settings(pdo=pdo))
    first_ns, second_ns = group.acts_after_ns
    assert second_ns - first_ns == skew_ns
    assert x > 90_000
    assert abs(x - y - 540_000 * skew_ns * 1e-9) <= 2


def test_a_stop_at_once_does_not_wait_for_a_sync() -> None:
    """With commands that act at once the stop frames' first part already stops, were the SYNC behind it lost."""
    settings = group_settings(pdo="immediate")
    clock = VirtualClock()
    gantry = VirtualGantry(settings, twin_parameters(), clock)
    group = CanDriveGroup(settings, gantry.link, clock)
    group.configure()
    group.enable()
    gantry.link.send_frames([(0x201, struct.pack("<Hi", 0x02, 0))])
    clock.sleep_until_ns(clock.now_ns() + 4_000_000)
    gantry.link.send_frames([(0x080, b"")])
    clock.sleep_until_ns(clock.now_ns() + 4_000_000)
    words = {frame.can_id: frame for frame in gantry.link.receive() if isinstance(frame, Frame)}
    assert struct.unpack_from("<H", words[0x181].data)[0] & 0x6F in (0x07, 0x40)
