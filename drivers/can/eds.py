"""A drive maker's EDS file (CiA 306), read by the canopen library: has it what we need, and of the right kind?

Owns the list of objects that we need and how each is used. Opens no bus. A file that says less than CiA 306 demands is
judged by what it says: a missing PDOMapping means "not mappable", as the standard has it.
"""

from __future__ import annotations

import configparser
import io
import logging
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any, NamedTuple

import canopen
from canopen.objectdictionary import ODVariable, datatypes

from drivers import quirks
from drivers.can import setup
from drivers.can.sdo import Entry
from drivers.errors import MisuseError
from drivers.settings import GroupSettings

FILE_BYTES_MAX = 4_000_000

_TYPES = {
    "B": datatypes.UNSIGNED8, "H": datatypes.UNSIGNED16, "I": datatypes.UNSIGNED32,
    "b": datatypes.INTEGER8, "h": datatypes.INTEGER16, "i": datatypes.INTEGER32,
}  # fmt: skip
TYPE_NAMES = {
    0x01: "BOOLEAN", 0x02: "INTEGER8", 0x03: "INTEGER16", 0x04: "INTEGER32", 0x05: "UNSIGNED8", 0x06: "UNSIGNED16",
    0x07: "UNSIGNED32", 0x08: "REAL32", 0x09: "VISIBLE_STRING", 0x0A: "OCTET_STRING", 0x0F: "DOMAIN",
    0x15: "INTEGER64", 0x1B: "UNSIGNED64",
}  # fmt: skip
"""Data types of CiA 301."""

_READABLE = frozenset({"rw", "rwr", "rww", "ro", "const"})
_WRITABLE = frozenset({"rw", "rwr", "rww", "wo"})
_INTO_RECEIVED = frozenset({"rw", "rww", "wo"})
"""Access types (CiA 306) with which a mappable object may go into a received PDO; rwr only into a sent one."""
_INTO_SENT = frozenset({"rw", "rwr", "ro", "const"})

logging.getLogger("canopen").addHandler(logging.NullHandler())


class Need(NamedTuple):
    """One object and how it is used: ``use`` holds r (read by SDO), w (written by SDO), R (in a received PDO), T (in a
    sent one). ``may_lack``: some drives do without.
    """

    entry: Entry
    use: str
    may_lack: bool = False


class Misfit(NamedTuple):
    """What an EDS file has otherwise than we need it; ``where`` is the object."""

    where: str
    expected: str
    got: str


@dataclass(frozen=True, slots=True)
class Eds:
    """An EDS file that has been read. ``vendor`` and ``product`` are 0 where it does not say."""

    path: str
    objects: canopen.ObjectDictionary
    vendor: int
    product: int


def read_eds(path: str) -> Eds:
    """The file at ``path``. Raises MisuseError naming it when it cannot be read or is no EDS file."""
    place = Path(path)
    try:
        if place.stat().st_size > FILE_BYTES_MAX:
            raise MisuseError(path, f"an EDS file of up to {FILE_BYTES_MAX} bytes", "a larger file")
        stamp = place.stat().st_mtime_ns
        return _read(path, stamp)
    except OSError as error:
        raise MisuseError(path, "an EDS file that can be read", error.strerror or str(error)) from error


@cache
def _read(path: str, _stamp: int) -> Eds:
    # Makers write these files in Latin-1 as well as in UTF-8; no number depends on it.
    return parsed_eds(path, Path(path).read_text(encoding="latin-1"))


def parsed_eds(path: str, text: str) -> Eds:
    """An EDS file's text. Raises MisuseError naming ``path`` when it is none."""
    if "[DeviceInfo]" not in text:
        raise MisuseError(path, "an EDS file with the section DeviceInfo (CiA 306)", "none")
    stream: Any = io.StringIO(text)
    stream.name = "drive.eds"  # the library tells the format by the name
    try:
        objects: Any = canopen.import_od(stream, node_id=1)
    except (configparser.Error, LookupError, ValueError, TypeError, AttributeError, ArithmeticError) as error:
        first = str(error).partition("\n")[0]
        got = f"{type(error).__name__}: {first}"
        raise MisuseError(path, "an EDS file as CiA 306 has it", got) from error
    if objects is None or 0x1000 not in objects:
        raise MisuseError(path, "an EDS file with object 1000h", "none")
    device = objects.device_information
    return Eds(path, objects, device.vendor_number or 0, device.product_number or 0)


def needs(settings: GroupSettings, axis: str) -> list[Need]:
    """Every object that a drive of this axis must have, by its settings."""
    drive = settings.axes[axis]
    found = [
        Need(setup.DEVICE_TYPE, "r"),
        Need(setup.HEARTBEAT_PRODUCER, "rw"),
        Need(setup.FAULT_CODE, "r"),
        Need(setup.CONTROLWORD, "wR"),
        Need(setup.STATUSWORD, "rT"),
        Need(setup.QUICK_STOP_OPTION, "rw"),
        Need(setup.MODE, "rw"),
        Need(setup.MODE_DISPLAY, "r"),
        Need(Entry(0x6064, 0, "i", "position"), "T"),
        Need(Entry(0x606C, 0, "i", "velocity"), "T"),
        Need(setup.QUICK_STOP_DECELERATION, "rw"),
        Need(Entry(0x60FD, 0, "I", "digital inputs"), "T"),
        Need(Entry(0x60FF, 0, "i", "target velocity"), "R"),
        Need(setup.SUPPORTED_MODES, "r", may_lack=True),
    ]
    if drive.command_timeout == "heartbeat":
        found.append(Need(setup.HEARTBEAT_CONSUMER, "rw"))
        if quirks.NO_ABORT_OPTION not in drive.quirks:
            found.append(Need(setup.ABORT_OPTION, "rw"))
    if quirks.NO_INTERPOLATION_PERIOD not in drive.quirks:
        found += [Need(setup.INTERPOLATION_VALUE, "rw"), Need(setup.INTERPOLATION_EXPONENT, "rw")]
    pdos = [setup.RPDO1, setup.TPDO1, setup.TPDO2]
    if settings.drive_output is not None and axis == settings.drive_output.axis:
        found += [Need(setup.OUTPUTS, "R"), Need(setup.OUTPUT_MASK, "rw", may_lack=True)]
        pdos.append(setup.RPDO2)
    slots = "r" if quirks.FIXED_MAPPING in drive.quirks else "rw"
    for pdo in pdos:
        cob_id, kind, count = setup.pdo_entries(pdo)
        found += [Need(cob_id, "rw"), Need(kind, "rw"), Need(count, slots)]
        found += [
            Need(Entry(pdo.mapping, position, "I", "mapped object"), slots)
            for position in range(1, len(pdo.objects) + 1)
        ]
    return found


def misfits(eds: Eds, settings: GroupSettings, axis: str) -> list[Misfit]:
    """Everything in which the file does not offer what the drive of ``axis`` needs."""
    return [misfit for need in needs(settings, axis) for misfit in _misfits_of(eds, need)]


def tells_units(eds: Eds) -> bool:
    """Whether a drive of this file can be asked for its unit of velocity (60A9h or 6094h)."""
    return 0x60A9 in eds.objects or 0x6094 in eds.objects


def _misfits_of(eds: Eds, need: Need) -> Iterator[Misfit]:
    entry = need.entry
    variable = _variable(eds.objects, entry)
    where = str(entry)
    if variable is None:
        if not need.may_lack:
            yield Misfit(where, "an object of this number", "none")
        return
    expected = _TYPES[entry.layout]
    if variable.data_type != expected:
        yield Misfit(where, TYPE_NAMES[expected], _type_name(variable.data_type))
    access = variable.access_type
    if "r" in need.use and access not in _READABLE:
        yield Misfit(where, "an object to be read", f"access type {access}")
    if "w" in need.use and access not in _WRITABLE:
        yield Misfit(where, "an object to be written", f"access type {access}")
    for letter, kinds, words in (("R", _INTO_RECEIVED, "received"), ("T", _INTO_SENT, "sent")):
        if letter in need.use and not (variable.pdo_mappable and access in kinds):
            got = f"PDOMapping={int(variable.pdo_mappable)}, access type {access}"
            yield Misfit(where, f"an object that may go into {words} process data", got)


def _variable(objects: canopen.ObjectDictionary, entry: Entry) -> ODVariable | None:
    found: Any = objects.get(entry.index)
    if found is None:
        return None
    if isinstance(found, ODVariable):
        return found if entry.subindex == 0 else None
    member = found.get(entry.subindex)
    return member if isinstance(member, ODVariable) else None


def _type_name(data_type: int | None) -> str:
    return TYPE_NAMES.get(data_type or 0, f"data type {data_type}")
