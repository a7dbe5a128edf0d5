"""Simulated drives that do not keep to the standard or to what most drives do: each quirk, from the drive's side.

Owns how a node behaves that has one of the quirks of drivers/quirks.py; knows nothing of what a master does about it.
A drive whose quirk is not respected goes into a fault or refuses, as real ones do.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from drivers.quirks import Quirk
from drivers.twin.objects import AbortCode, SdoAbortError
from drivers.twin.power import Power

if TYPE_CHECKING:
    from drivers.twin.node import Node

MODE_CHANGE_NS = 300_000_000
MODE_DISPLAY_NS = 200_000_000
DWELL_NS = 80_000_000
RESET_NS = 50_000_000
WHILE_CHANGING, TOO_SOON, NOT_REMOTE = 0xFF01, 0xFF02, 0xFF03
"""Fault codes of the maker of these drives: told to switch on while the mode changes, too soon, under local control."""

_FAR_NS = 1 << 62
_RPM = 0x00B4_4700
_SWITCHES = 0b111
_FIXED: dict[int, tuple[int, ...]] = {
    0x1600: (0x6040_0010, 0x60FF_0020),
    0x1601: (0x60FE_0120,),
    0x1A00: (0x6041_0010, 0x6064_0020),
    0x1A01: (0x60FD_0020, 0x606C_0020),
}
_MAPPINGS = frozenset(base + number for base in (0x1600, 0x1A00) for number in range(4))
_SWITCHES_ON = (0x07, 0x0F)


class Habits:
    """What one node does otherwise. ``remote_from_ns``: the instant at which it leaves local control."""

    def __init__(self, node: Node, names: tuple[Quirk, ...]) -> None:
        self.names = frozenset(names)
        self.next_ns = _FAR_NS
        self.remote_from_ns = 0
        self._node = node
        self._last_word = 0
        self._zero_ns = 0
        self._mode: int | None = None
        self._entered = (node.power.state, 0)
        entries = node.od.entries
        if "no-abort-option" in names:
            node.od.remove(0x6007)
        if "no-interpolation-period" in names:
            node.od.remove(0x60C2)
        if "factors-unreliable" in names:
            entries[0x60A9, 0].value = entries[0x60A9, 0].default = _RPM
        if "fixed-mapping" in names:
            self._fix_mapping()
        if "immediate-by-254" in names:
            self._refuse_type_255()
        if "slow-mode-change" in names:
            self._set_mode = entries[0x6060, 0].write
            entries[0x6060, 0].write = self._write_mode

    def _fix_mapping(self) -> None:
        entries = self._node.od.entries
        for index, words in _FIXED.items():
            for sub, value in enumerate((len(words), *words)):
                entries[index, sub].value = entries[index, sub].default = value
        for (index, _), entry in entries.items():
            if index in _MAPPINGS:
                entry.access = "r"
        self._node.refresh_pdos()

    def _refuse_type_255(self) -> None:
        for (index, sub), entry in self._node.od.entries.items():
            if 0x1400 <= index <= 0x1403 and sub == 2:
                entry.high = 254

    def _write_mode(self, mode: int) -> None:
        if mode == self._node.motion.mode:
            return
        if mode != 9:
            raise SdoAbortError(AbortCode.VALUE)
        self._mode, self.next_ns = mode, self._node.now_ns + MODE_CHANGE_NS
        self._node.set_next()

    def step(self, now_ns: int) -> None:
        """The drive's own program: what was begun is finished when its time has come."""
        if now_ns >= self.next_ns:
            self.next_ns = _FAR_NS
            mode, self._mode = self._mode, None
            if mode is not None and self._set_mode is not None:
                self._set_mode(mode)

    def controlword(self, word: int) -> tuple[int, int]:
        """The word that the drive makes of ``word``, and the fault (0: none) that it goes into for it."""
        node, now_ns = self._node, self._node.now_ns
        last, self._last_word = self._last_word, word
        state = node.power.state
        if self._entered[0] is not state:
            self._entered = (state, now_ns)
        if word == 0 and last != 0:
            self._zero_ns = now_ns
        if "slow-reset" in self.names and state is Power.FAULT and word & 0x80:
            is_well = last == 0 and now_ns - self._zero_ns >= RESET_NS
            return (word if is_well else word & ~0x80), 0
        if word & 0x8F not in _SWITCHES_ON or state is Power.OPERATION_ENABLED:
            return word, 0
        if self._mode is not None:
            return word, WHILE_CHANGING
        if "remote-bit" in self.names and now_ns < self.remote_from_ns:
            return word, NOT_REMOTE
        rises = (state, word & 0x0F) in ((Power.READY_TO_SWITCH_ON, 7), (Power.SWITCHED_ON, 15))
        if "slow-switch-on" in self.names and rises and now_ns - self._entered[1] < DWELL_NS:
            return word, TOO_SOON
        return word, 0

    def entered(self) -> None:
        """The controlword has been acted on."""
        state = self._node.power.state
        if self._entered[0] is not state:
            self._entered = (state, self._node.now_ns)

    def statusword(self, word: int) -> int:
        """6041h as this drive shows it."""
        now_ns = self._node.now_ns
        if "no-voltage-bit" in self.names and now_ns // 8_000_000 % 2:
            word ^= 0x0010
        if "remote-bit" in self.names and now_ns < self.remote_from_ns:
            word &= ~0x0200
        return word

    def mode_shown(self, mode: int) -> int:
        """6061h as this drive shows it."""
        if "mode-display-late" not in self.names:
            return mode
        state, since_ns = self._entered
        shows = state is Power.OPERATION_ENABLED and self._node.now_ns - since_ns >= MODE_DISPLAY_NS
        return mode if shows else 0

    def inputs(self, word: int) -> int:
        """60FDh as this drive shows it."""
        return word ^ _SWITCHES if "inputs-inverted" in self.names else word
