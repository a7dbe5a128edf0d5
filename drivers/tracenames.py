"""What numbers on a wire are called: objects, abort codes, states, functions. Tables only.

Object and code numbers are those of CiA 301 (1xxxh) and CiA 402 / IEC 61800-7-201 (6xxxh); the words are ours.
"""

from __future__ import annotations

OBJECTS = {
    0x1000: "device type",
    0x1001: "error register",
    0x1002: "maker's status",
    0x1003: "error history",
    0x1005: "SYNC identifier",
    0x1006: "SYNC period",
    0x1008: "device name",
    0x1009: "hardware version",
    0x100A: "software version",
    0x1010: "store parameters",
    0x1011: "restore parameters",
    0x1014: "EMCY identifier",
    0x1015: "EMCY inhibit time",
    0x1016: "consumer heartbeat",
    0x1017: "producer heartbeat",
    0x1018: "identity",
    0x1029: "error behaviour",
    0x603F: "error code",
    0x6007: "abort connection option",
    0x6040: "controlword",
    0x6041: "statusword",
    0x605A: "quick stop option",
    0x605B: "shutdown option",
    0x605C: "disable operation option",
    0x605D: "halt option",
    0x605E: "fault reaction option",
    0x6060: "mode of operation",
    0x6061: "mode display",
    0x6062: "position demand",
    0x6064: "position",
    0x6065: "following error window",
    0x606B: "velocity demand",
    0x606C: "velocity",
    0x6071: "target torque",
    0x6077: "torque",
    0x6078: "current",
    0x6079: "supply voltage",
    0x607A: "target position",
    0x607C: "home offset",
    0x607D: "soft position limit",
    0x6081: "profile velocity",
    0x6083: "profile acceleration",
    0x6084: "profile deceleration",
    0x6085: "quick stop deceleration",
    0x6091: "gear ratio",
    0x608F: "encoder resolution",
    0x6092: "feed constant",
    0x6094: "velocity encoder factor",
    0x6098: "homing method",
    0x6099: "homing speeds",
    0x609A: "homing acceleration",
    0x60A8: "position unit",
    0x60A9: "velocity unit",
    0x60AA: "acceleration unit",
    0x60C2: "interpolation period",
    0x60F4: "following error",
    0x60FD: "digital inputs",
    0x60FE: "digital outputs",
    0x60FF: "target velocity",
    0x6502: "supported modes",
}
_RANGES = (
    (0x1200, 0x127F, "SDO server parameter"),
    (0x1280, 0x12FF, "SDO client parameter"),
    (0x1400, 0x15FF, "RPDO parameter"),
    (0x1600, 0x17FF, "RPDO mapping"),
    (0x1800, 0x19FF, "TPDO parameter"),
    (0x1A00, 0x1BFF, "TPDO mapping"),
    (0x2000, 0x5FFF, "maker's object"),
    (0x6000, 0x9FFF, "profile object"),
)


def object_name(index: int) -> str:
    """What an object is called; the area it lies in where nobody says more."""
    known = OBJECTS.get(index)
    if known is not None:
        return known
    for low, high, name in _RANGES:
        if low <= index <= high:
            return f"{name} {index - low + 1}" if "PDO" in name or "SDO" in name else name
    return "reserved object"


ABORTS = {
    0x0503_0000: "toggle bit did not alternate",
    0x0504_0000: "SDO timed out",
    0x0504_0001: "command unknown",
    0x0504_0002: "block size invalid",
    0x0504_0003: "sequence number invalid",
    0x0504_0004: "checksum wrong",
    0x0504_0005: "out of memory",
    0x0601_0000: "access not supported",
    0x0601_0001: "it can only be written",
    0x0601_0002: "it can only be read",
    0x0602_0000: "no such object",
    0x0604_0041: "object cannot be mapped",
    0x0604_0042: "mapped objects too long",
    0x0604_0043: "parameters incompatible",
    0x0604_0047: "incompatible inside the device",
    0x0606_0000: "hardware error",
    0x0607_0010: "length does not match",
    0x0607_0012: "too long",
    0x0607_0013: "too short",
    0x0609_0011: "no such sub-index",
    0x0609_0030: "value out of range",
    0x0609_0031: "value too high",
    0x0609_0032: "value too low",
    0x0609_0036: "maximum below minimum",
    0x060A_0023: "resource not available",
    0x0800_0000: "general error",
    0x0800_0020: "cannot be stored",
    0x0800_0021: "not under local control",
    0x0800_0022: "not in this state",
    0x0800_0023: "no object dictionary",
    0x0800_0024: "no data",
}
"""SDO abort codes of CiA 301."""

NMT_COMMANDS = {1: "start", 2: "stop", 128: "pre-operational", 129: "reset node", 130: "reset communication"}
NMT_STATES = {0: "boot-up", 4: "stopped", 5: "operational", 127: "pre-operational"}

FUNCTIONS = {
    0x01: "read coils",
    0x02: "read inputs",
    0x03: "read",
    0x04: "read input registers",
    0x05: "write coil",
    0x06: "write",
    0x07: "read status",
    0x08: "diagnose",
    0x0F: "write coils",
    0x10: "write",
    0x16: "mask",
    0x17: "write and read",
    0x2B: "identify",
}
"""Modbus function codes (MODBUS Application Protocol V1.1b3), in few words."""
