"""The simulated drive's object dictionary: which objects there are, their types, access rights and values.

Owns names, types and stored values (CiA 301 and CiA 402 / IEC 61800-7-201 indices). Knows nothing of time, wire
or motion; the node hangs its own readers and writers on objects that mean something.

Velocities (606C, 60FF, 6081) are in the drive's velocity units (``velocity_unit_counts_s`` counts/s each),
accelerations (6083, 6084, 6085) in the drive's acceleration units, positions (6064, 607A, 6067) in counts.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from enum import IntEnum

from drivers.settings import DriveSettings


class AbortCode(IntEnum):
    """SDO abort codes of CiA 301 that this drive uses."""

    TOGGLE = 0x05030000
    COMMAND = 0x05040001
    UNSUPPORTED_ACCESS = 0x06010000
    WRITE_ONLY = 0x06010001
    READ_ONLY = 0x06010002
    NO_OBJECT = 0x06020000
    NOT_MAPPABLE = 0x06040041
    PDO_TOO_LONG = 0x06040042
    INCOMPATIBLE = 0x06040043
    LENGTH = 0x06070010
    TOO_LONG = 0x06070012
    TOO_SHORT = 0x06070013
    NO_SUBINDEX = 0x06090011
    VALUE = 0x06090030
    TOO_HIGH = 0x06090031
    TOO_LOW = 0x06090032
    DEVICE_STATE = 0x08000022


class SdoAbortError(Exception):
    """The drive refuses an access; ``code`` goes into the answer."""

    def __init__(self, code: AbortCode) -> None:
        self.code = code
        super().__init__(f"{code.name} ({code.value:08X}h)")


@dataclass(slots=True)
class Entry:
    """One sub-index. ``read`` and ``write`` replace plain storage where the object means something."""

    name: str
    size: int
    signed: bool
    access: str
    mapping: str
    value: int
    default: int
    low: int
    high: int
    read: Callable[[], int] | None = None
    write: Callable[[int], None] | None = None

    def get(self) -> int:
        """Present value."""
        return self.value if self.read is None else self.read()

    def put(self, value: int) -> None:
        """Store a value that has been checked. The writer may refuse with SdoAbortError; then nothing changes."""
        if self.write is not None:
            self.write(value)
        self.value = value

    def pack(self) -> bytes:
        """Present value as little-endian bytes of the object's size."""
        return (self.get() & ((1 << (8 * self.size)) - 1)).to_bytes(self.size, "little")


_TYPES = {
    "U8": (1, False),
    "U16": (2, False),
    "U32": (4, False),
    "I8": (1, True),
    "I16": (2, True),
    "I32": (4, True),
}


@dataclass(slots=True)
class ObjectDictionary:
    """All objects of one drive by (index, sub-index)."""

    entries: dict[tuple[int, int], Entry] = field(default_factory=dict)
    indices: set[int] = field(default_factory=set)

    def add(
        self,
        index: int,
        subindex: int,
        kind: str,
        access: str,
        name: str,
        default: int = 0,
        *,
        mapping: str = "",
        span: tuple[int, int] | None = None,
    ) -> Entry:
        """Declare one object. ``mapping``: "r" may go into an RPDO, "t" into a TPDO. ``span``: allowed values."""
        size, signed = _TYPES[kind]
        bits = 8 * size
        low, high = (-(1 << (bits - 1)), (1 << (bits - 1)) - 1) if signed else (0, (1 << bits) - 1)
        if span is not None:
            low, high = span
        entry = Entry(name, size, signed, access, mapping, default, default, low, high)
        self.entries[index, subindex] = entry
        self.indices.add(index)
        return entry

    def find(self, index: int, subindex: int) -> Entry:
        """The entry, or SdoAbortError with the code that says what is missing."""
        entry = self.entries.get((index, subindex))
        if entry is None:
            raise SdoAbortError(AbortCode.NO_SUBINDEX if index in self.indices else AbortCode.NO_OBJECT)
        return entry

    def upload(self, index: int, subindex: int) -> bytes:
        """Read over SDO."""
        entry = self.find(index, subindex)
        if "r" not in entry.access:
            raise SdoAbortError(AbortCode.WRITE_ONLY)
        return entry.pack()

    def download(self, index: int, subindex: int, data: bytes, *, sized: bool = True) -> None:
        """Write over SDO; ``data`` may be longer than the object only where the client gave no size."""
        entry = self.find(index, subindex)
        if "w" not in entry.access:
            raise SdoAbortError(AbortCode.READ_ONLY)
        if sized and len(data) != entry.size:
            raise SdoAbortError(AbortCode.TOO_LONG if len(data) > entry.size else AbortCode.TOO_SHORT)
        value = int.from_bytes(data[: entry.size], "little", signed=entry.signed)
        if value > entry.high:
            raise SdoAbortError(AbortCode.TOO_HIGH)
        if value < entry.low:
            raise SdoAbortError(AbortCode.TOO_LOW)
        entry.put(value)

    def reset(self, first: int, last: int) -> None:
        """Give the stored objects of a range of indices their defaults again, without calling writers."""
        for (index, _), entry in self.entries.items():
            if first <= index <= last:
                entry.value = entry.default

    def remove(self, index: int) -> None:
        """A drive without this object."""
        self.indices.discard(index)
        self.entries = {key: entry for key, entry in self.entries.items() if key[0] != index}

    def value(self, index: int, subindex: int = 0) -> int:
        """Stored or computed value of an object that is known to exist."""
        return self.entries[index, subindex].get()


INCREMENTS_S, INCREMENTS_S2 = 0x00B5_0300, 0x00B5_5700
"""60A9h and 60AAh: increments a second, increments a second squared."""

PDO_COUNT = 4
PDO_INVALID = 1 << 31


def _add_pdos(od: ObjectDictionary, node_id: int) -> None:
    """Communication and mapping records. PDO 1 starts as CiA 402 has it (control- and statusword); 2-4 are off."""
    for number in range(PDO_COUNT):
        off = 0 if number == 0 else PDO_INVALID
        for base, first_id, word in ((0x1400, 0x200, 0x6040), (0x1800, 0x180, 0x6041)):
            index = base + number
            transmit = base == 0x1800
            od.add(index, 0, "U8", "r", "highest sub-index", 5 if transmit else 2)
            od.add(index, 1, "U32", "rw", "COB-ID", (first_id + 0x100 * number + node_id) | off)
            od.add(index, 2, "U8", "rw", "transmission type", 255)
            if transmit:
                od.add(index, 3, "U16", "rw", "inhibit time, 100 us")
                od.add(index, 5, "U16", "rw", "event timer, ms")
            mapped = 1 if number == 0 else 0
            od.add(index + 0x200, 0, "U8", "rw", "number of mapped objects", mapped)
            for sub in range(1, 9):
                default = (word << 16) | 0x0010 if mapped and sub == 1 else 0
                od.add(index + 0x200, sub, "U32", "rw", "mapped object", default)


def build_dictionary(node_id: int, quick_stop_units_s: int, drive: DriveSettings) -> ObjectDictionary:
    """The dictionary of one drive with its defaults. ``quick_stop_units_s``: the maker's value of 6085h.

    Of its units the drive tells the encoder's counts a turn, and those of velocity and acceleration where they are
    increments; else it is silent (0).
    """
    od = ObjectDictionary()
    od.add(0x1000, 0, "U32", "r", "device type", 0x0002_0192)  # servo drive, profile 402
    od.add(0x1001, 0, "U8", "r", "error register")
    od.add(0x1003, 0, "U8", "rw", "number of errors", span=(0, 0))
    for sub in range(1, 5):
        od.add(0x1003, sub, "U32", "r", "error history")
    od.add(0x1005, 0, "U32", "rw", "COB-ID SYNC", 0x80, span=(1, 0x7FF))
    od.add(0x1014, 0, "U32", "r", "COB-ID EMCY", 0x80 + node_id)
    od.add(0x1016, 0, "U8", "r", "number of heartbeat consumers", 1)
    od.add(0x1016, 1, "U32", "rw", "consumer heartbeat time", span=(0, 0x7F_FFFF))
    od.add(0x1017, 0, "U16", "rw", "producer heartbeat time, ms")
    od.add(0x1018, 0, "U8", "r", "highest sub-index", 4)
    for sub, (name, value) in enumerate(
        (("vendor", 0), ("product", 0x47494F), ("revision", 1), ("serial", node_id)), start=1
    ):
        od.add(0x1018, sub, "U32", "r", name, value)
    _add_pdos(od, node_id)
    od.add(0x6007, 0, "I16", "rw", "abort connection option", 1, span=(0, 3))
    od.add(0x603F, 0, "U16", "r", "error code", mapping="t")
    od.add(0x6040, 0, "U16", "rw", "controlword", mapping="r")
    od.add(0x6041, 0, "U16", "r", "statusword", mapping="t")
    od.add(0x605A, 0, "I16", "rw", "quick stop option", 2)
    od.add(0x605B, 0, "I16", "rw", "shutdown option", 0, span=(0, 1))
    od.add(0x605C, 0, "I16", "rw", "disable operation option", 1, span=(0, 1))
    od.add(0x605D, 0, "I16", "rw", "halt option", 1, span=(1, 2))
    od.add(0x605E, 0, "I16", "rw", "fault reaction option", 2, span=(0, 2))
    od.add(0x6060, 0, "I8", "rw", "mode of operation", mapping="r")
    od.add(0x6061, 0, "I8", "r", "mode of operation display", mapping="t")
    od.add(0x6064, 0, "I32", "r", "position actual value", mapping="t")
    od.add(0x6067, 0, "U32", "rw", "position window", 100)
    od.add(0x606C, 0, "I32", "r", "velocity actual value", mapping="t")
    od.add(0x607A, 0, "I32", "rw", "target position", mapping="r")
    od.add(0x6081, 0, "U32", "rw", "profile velocity", max(1, quick_stop_units_s // 50), mapping="r")
    od.add(0x6083, 0, "U32", "rw", "profile acceleration", max(1, quick_stop_units_s // 5), mapping="r")
    od.add(0x6084, 0, "U32", "rw", "profile deceleration", max(1, quick_stop_units_s // 5), mapping="r")
    od.add(0x6085, 0, "U32", "rw", "quick stop deceleration", quick_stop_units_s, mapping="r")
    for index in (0x6083, 0x6084, 0x6085):
        od.entries[index, 0].low = 1
    od.add(0x608F, 0, "U8", "r", "highest sub-index", 2)
    od.add(0x608F, 1, "U32", "r", "encoder increments", drive.counts_per_turn)
    od.add(0x608F, 2, "U32", "r", "motor revolutions", 1)
    by_increments = drive.velocity_unit_counts_s == 1.0
    od.add(0x60A9, 0, "U32", "r", "SI unit of velocity", INCREMENTS_S if by_increments else 0)
    by_increments = drive.quick_stop_unit_counts_s2 == 1.0
    od.add(0x60AA, 0, "U32", "r", "SI unit of acceleration", INCREMENTS_S2 if by_increments else 0)
    od.add(0x60C2, 0, "U8", "r", "highest sub-index", 2)
    od.add(0x60C2, 1, "U8", "rw", "interpolation period", 1, span=(1, 255))
    od.add(0x60C2, 2, "I8", "rw", "interpolation period's power of ten, s", -3, span=(-6, 0))
    od.add(0x60FD, 0, "U32", "r", "digital inputs", mapping="t")
    od.add(0x60FE, 0, "U8", "r", "highest sub-index", 2)
    od.add(0x60FE, 1, "U32", "rw", "digital outputs", mapping="rt")
    od.add(0x60FE, 2, "U32", "rw", "digital outputs' mask", 0xFFFF_0000, mapping="r")
    od.add(0x60FF, 0, "I32", "rw", "target velocity", mapping="r")
    od.add(0x6502, 0, "U32", "r", "supported modes", 1 << 0 | 1 << 2 | 1 << 8)
    return od
