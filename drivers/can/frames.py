"""Ready-made frames and identifiers of the CANopen default connection set (CiA 301) as we use it.

Owns identifiers and byte layouts; knows no link and no state. Little-endian throughout.

| object | identifier | data |
|---|---|---|
| NMT | 000h | command, node |
| SYNC | 080h | none |
| EMCY | 080h + node | error code U16, error register U8, 5 bytes of the maker's |
| TPDO1 | 180h + node | statusword 6041h U16, position 6064h I32 |
| RPDO1 | 200h + node | controlword 6040h U16, target velocity 60FFh I32 |
| TPDO2 | 280h + node | digital inputs 60FDh U32, velocity 606Ch I32 |
| RPDO2 | 300h + node | digital outputs 60FEh:1 U32 |
| SDO answer, request | 580h + node, 600h + node | 8 bytes |
| heartbeat | 700h + node | NMT state; 0 is boot-up |
"""

from __future__ import annotations

import struct

from drivers.cia402 import Command

NMT = 0x000
SYNC = 0x080
EMCY = 0x080
TPDO1 = 0x180
RPDO1 = 0x200
TPDO2 = 0x280
RPDO2 = 0x300
SDO_ANSWER = 0x580
SDO_REQUEST = 0x600
HEARTBEAT = 0x700

DEVICE_TYPE = 0x1000
"""The object that every CANopen device has to have (CiA 301)."""

OUR_NODE_ID = 127
"""Our own node: the drives listen to its heartbeat."""

NMT_START = 0x01
NMT_PRE_OPERATIONAL = 0x80
STATE_BOOT_UP = 0x00
STATE_OPERATIONAL = 0x05

RPDO1_DATA = struct.Struct("<Hi")
TPDO1_DATA = struct.Struct("<Hi")
TPDO2_DATA = struct.Struct("<Ii")
RPDO2_DATA = struct.Struct("<I")

_EXPEDITED_DOWNLOAD = struct.Struct("<BHBI")
_SOCKETCAN = struct.Struct("=IB3x8s")

SYNC_FRAME = (SYNC, b"")
HEARTBEAT_FRAME = (HEARTBEAT + OUR_NODE_ID, bytes([STATE_OPERATIONAL]))


def expedited_write(node_id: int, index: int, subindex: int, value: int, size: int) -> tuple[int, bytes]:
    """The SDO request that writes ``value`` (``size`` 1-4 bytes, may be negative) in one frame.

    Byte 0 is 0010 nn11b with nn the number of unused bytes (CiA 301, SDO download initiate).
    """
    command = 0x23 | ((4 - size) << 2)
    packed = _EXPEDITED_DOWNLOAD.pack(command, index, subindex, value & ((1 << (8 * size)) - 1))
    return SDO_REQUEST + node_id, packed


def read_request(node_id: int, index: int, subindex: int = 0) -> tuple[int, bytes]:
    """The SDO request that reads a value: command 40h (CiA 301, SDO upload initiate). Changes nothing in the drive."""
    return SDO_REQUEST + node_id, _EXPEDITED_DOWNLOAD.pack(0x40, index, subindex, 0)


def stop_frames(node_ids: tuple[int, ...]) -> list[tuple[int, bytes]]:
    """Quick stop for all nodes in the same SYNC, then once more through each node's SDO server.

    The second way also reaches a drive whose process data are not running.
    """
    data = RPDO1_DATA.pack(Command.QUICK_STOP, 0)
    frames = [(RPDO1 + node_id, data) for node_id in node_ids]
    frames.append(SYNC_FRAME)
    return frames + stop_requests(node_ids)


def stop_requests(node_ids: tuple[int, ...]) -> list[tuple[int, bytes]]:
    """Quick stop for all nodes through their SDO servers alone."""
    return [expedited_write(node_id, 0x6040, 0, Command.QUICK_STOP, 2) for node_id in node_ids]


def socketcan_frame(can_id: int, data: bytes) -> bytes:
    """``struct can_frame`` of linux/can.h: identifier, length, padding, 8 data bytes, in host order."""
    return _SOCKETCAN.pack(can_id, len(data), data)
