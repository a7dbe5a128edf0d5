"""The simulated drive's EDS file, read by the `canopen` library, against what the drive answers by SDO."""

from __future__ import annotations

from pathlib import Path

import canopen
import pytest
from canopen.objectdictionary import ODVariable, datatypes

from controller.config.places import shipped
from drivers.can.group import CanDriveGroup
from drivers.clock import VirtualClock
from drivers.errors import FaultError
from drivers.twin.gantry import Gantry
from drivers.twin.virtual import VirtualGantry
from tests.fakes.drive_settings import group_settings, twin_parameters

from .conftest import make_parameters, make_settings

FILE = str(shipped("drives/boathouse-drive.eds"))
NODE = 2
SIZES = {
    datatypes.UNSIGNED8: (1, False), datatypes.UNSIGNED16: (2, False), datatypes.UNSIGNED32: (4, False),
    datatypes.INTEGER8: (1, True), datatypes.INTEGER16: (2, True), datatypes.INTEGER32: (4, True),
}  # fmt: skip
OF_THE_MACHINE = {(0x6081, 0), (0x6083, 0), (0x6084, 0), (0x6085, 0), (0x608F, 1), (0x60A9, 0), (0x60AA, 0)}
"""Defaults that follow from the machine; the file does not say them."""
LIVE = {(0x6041, 0), (0x6064, 0), (0x60FD, 0)}
"""What changes by itself."""


class Master(canopen.Network):
    """The library's network; what it sends is on the simulated bus at once."""

    def __init__(self) -> None:
        super().__init__()
        self.gantry = Gantry(make_settings(), make_parameters(), 0)

    def send_message(self, can_id: int, data: bytes, remote: bool = False) -> None:
        """Put a frame on the wire and hand back the answers."""
        for _, answer_id, answer in self.gantry.on_frame(can_id, bytes(data), 0):
            self.notify(answer_id, bytearray(answer), 0.0)


@pytest.fixture(scope="module")
def node() -> canopen.RemoteNode:
    network = Master()
    node = canopen.RemoteNode(NODE, canopen.import_od(FILE, NODE))
    network.add_node(node)
    return node


def variables(od: canopen.ObjectDictionary) -> list[ODVariable]:
    found = []
    for entry in od.values():
        found += [entry] if isinstance(entry, ODVariable) else list(entry.values())
    return found


def test_the_file_names_every_object_of_the_drive_and_no_other(node) -> None:
    """Index and sub-index of the library's dictionary are those of the drive's own."""
    theirs = {(one.index, one.subindex) for one in variables(node.object_dictionary)}
    assert theirs == set(node.network.gantry.nodes[1].od.entries)


def test_every_entry_answers_by_sdo_with_its_type(node) -> None:
    """The library's client reads each entry: as many bytes as its type has, and the default where the file tells it."""
    read = 0
    for one in variables(node.object_dictionary):
        key = (one.index, one.subindex)
        if one.index == 0x1003 and one.subindex:
            with pytest.raises(canopen.SdoAbortedError):
                node.sdo.upload(*key)
            continue
        data = node.sdo.upload(*key)
        size, signed = SIZES[one.data_type]
        assert len(data) == size, key
        value = int.from_bytes(data, "little", signed=signed)
        if key not in OF_THE_MACHINE | LIVE:
            assert value == one.default, key
        read += 1
    assert read > 130


def test_rights_and_mapping_are_those_of_the_drive(node) -> None:
    """What the file says can be written is not refused as read-only, and the other way round; mappable as said."""
    od = node.network.gantry.nodes[1].od
    for one in variables(node.object_dictionary):
        entry = od.entries[one.index, one.subindex]
        assert ("w" in entry.access) == (one.access_type in ("rw", "rww", "rwr", "wo")), one
        assert bool(entry.mapping) == one.pdo_mappable, one
        if one.access_type == "ro":
            with pytest.raises(canopen.SdoAbortedError) as caught:
                node.sdo.download(one.index, one.subindex, one.encode_raw(0))
            assert caught.value.code == 0x0601_0002


def group_with(eds: str) -> CanDriveGroup:
    settings, clock = group_settings(), VirtualClock()
    axes = {name: drive.model_copy(update={"eds": eds}) for name, drive in settings.axes.items()}
    settings = settings.model_copy(update={"axes": axes})
    return CanDriveGroup(settings, VirtualGantry(settings, twin_parameters(), clock).link, clock)


def test_the_drive_is_of_the_files_kind(tmp_path) -> None:
    """Vendor and product (1018h) are compared at set-up: the file of another drive is refused, and named."""
    group_with(FILE).configure()
    other = tmp_path / "other.eds"
    other.write_text(Path(FILE).read_text().replace("ProductNumber=0x47494F", "ProductNumber=0x123"))
    with pytest.raises(
        FaultError, match=r"axis x \(node 1\).*product code 123h, as in .*other.eds.*got 47494Fh"
    ):
        group_with(str(other)).configure()
