"""Process data objects of the simulated drive: mapping as CiA 301 demands, packing and unpacking.

Owns the rules of the communication (1400h, 1800h) and mapping (1600h, 1A00h) records: mapping changes only while
the PDO is off and its count is zero. Knows values only through the dictionary's entries.
"""

from __future__ import annotations

from drivers.twin.objects import PDO_INVALID, AbortCode, Entry, ObjectDictionary, SdoAbortError

_EXTENDED = 1 << 29


class ProcessData:
    """What receive and transmit PDOs have in common: one communication and one mapping record."""

    __slots__ = ("_cob", "_count", "_od", "_slots", "_transmit", "_type",
                 "can_id", "length", "mapped", "transmission")  # fmt: skip

    def __init__(self, od: ObjectDictionary, number: int, *, transmit: bool) -> None:
        base = (0x1800 if transmit else 0x1400) + number
        self._od = od
        self._transmit = transmit
        self._cob = od.entries[base, 1]
        self._type = od.entries[base, 2]
        self._count = od.entries[base + 0x200, 0]
        self._slots = [od.entries[base + 0x200, sub] for sub in range(1, 9)]
        self._cob.write = self._write_cob
        self._type.write = self._write_type
        self._count.write = self._write_count
        for slot in self._slots:
            slot.write = self._write_slot
        self.can_id: int | None = None
        self.mapped: tuple[Entry, ...] = ()
        self.length = 0
        self.transmission = 255
        self.refresh()

    def refresh(self) -> None:
        """Take the records as they stand in the dictionary (start, reset)."""
        cob = self._cob.value
        self.can_id = None if cob & PDO_INVALID else cob & 0x7FF
        self.transmission = self._type.value
        self._map(self._count.value)

    def _map(self, count: int) -> None:
        self.mapped = tuple(self._entry(slot.value) for slot in self._slots[:count])
        self.length = sum(entry.size for entry in self.mapped)

    def _entry(self, word: int) -> Entry:
        entry = self._od.entries.get((word >> 16, word >> 8 & 0xFF))
        if entry is None:
            raise SdoAbortError(AbortCode.NO_OBJECT)
        if ("t" if self._transmit else "r") not in entry.mapping or word & 0xFF != 8 * entry.size:
            raise SdoAbortError(AbortCode.NOT_MAPPABLE)
        return entry

    def _write_cob(self, value: int) -> None:
        if value & _EXTENDED:
            raise SdoAbortError(AbortCode.VALUE)
        valid = not value & PDO_INVALID
        if valid and self.can_id is not None and value & 0x7FF != self.can_id:
            raise SdoAbortError(AbortCode.VALUE)  # an identifier may change only while the PDO is off
        self.can_id = value & 0x7FF if valid else None

    def _write_type(self, value: int) -> None:
        if 240 < value < 254:
            raise SdoAbortError(AbortCode.VALUE)
        self.transmission = value

    def _write_count(self, value: int) -> None:
        if self.can_id is not None:
            raise SdoAbortError(AbortCode.DEVICE_STATE)
        if value > len(self._slots):
            raise SdoAbortError(AbortCode.VALUE)
        entries = [self._entry(slot.value) for slot in self._slots[:value]]
        if sum(entry.size for entry in entries) > 8:
            raise SdoAbortError(AbortCode.PDO_TOO_LONG)
        self._map(value)

    def _write_slot(self, value: int) -> None:
        if self.can_id is not None:
            raise SdoAbortError(AbortCode.DEVICE_STATE)
        if self._count.value != 0:
            raise SdoAbortError(AbortCode.UNSUPPORTED_ACCESS)
        if value:
            self._entry(value)


class ReceivePdo(ProcessData):
    """One RPDO. A synchronous one keeps its latest data until the next SYNC."""

    __slots__ = ("waiting",)

    def __init__(self, od: ObjectDictionary, number: int) -> None:
        super().__init__(od, number, transmit=False)
        self.waiting: bytes | None = None

    @property
    def is_synchronous(self) -> bool:
        """Whether data takes effect at the SYNC."""
        return self.transmission <= 240

    def apply(self, data: bytes) -> None:
        """Write the mapped objects in order; a value that the object refuses is dropped."""
        at = 0
        for entry in self.mapped:
            size = entry.size
            value = int.from_bytes(data[at : at + size], "little", signed=entry.signed)
            at += size
            if entry.low <= value <= entry.high:
                try:
                    entry.put(value)
                except SdoAbortError:
                    continue


class TransmitPdo(ProcessData):
    """One TPDO: on every n-th SYNC (1-240), on change at a SYNC (0), or on change (254, 255)."""

    __slots__ = ("_event_timer", "_inhibit", "_syncs", "next_timer_ns", "quiet_until_ns", "sent")

    def __init__(self, od: ObjectDictionary, number: int) -> None:
        super().__init__(od, number, transmit=True)
        self._inhibit = od.entries[0x1800 + number, 3]
        self._event_timer = od.entries[0x1800 + number, 5]
        self._syncs = 0
        self.sent: bytes | None = None
        self.quiet_until_ns = 0
        self.next_timer_ns: int | None = None

    @property
    def is_event_driven(self) -> bool:
        """Whether it is sent without a SYNC."""
        return self.can_id is not None and self.transmission >= 254

    def pack(self) -> bytes:
        """The mapped objects' present values."""
        return b"".join([entry.pack() for entry in self.mapped])

    def due_at_sync(self, data: bytes) -> bool:
        """Count a SYNC; whether ``data`` goes out on it."""
        if self.transmission == 0:
            return data != self.sent
        if self.transmission > 240:
            return False
        self._syncs += 1
        if self._syncs < self.transmission:
            return False
        self._syncs = 0
        return True

    def due_at_event(self, data: bytes, now_ns: int) -> bool:
        """Whether an event-driven PDO with ``data`` goes out now, by change or by its event timer."""
        if now_ns < self.quiet_until_ns:
            return False
        timer_ms = self._event_timer.value
        timed = timer_ms > 0 and (self.next_timer_ns is None or now_ns >= self.next_timer_ns)
        if not timed and data == self.sent:
            return False
        self.quiet_until_ns = now_ns + self._inhibit.value * 100_000
        self.next_timer_ns = now_ns + timer_ms * 1_000_000 if timer_ms else None
        return True
