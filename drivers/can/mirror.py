"""What the drives of a bus have said, kept as the latest word of each: frames in, feedback out, no I/O.

Owns the decoding of process data, emergencies and heartbeats, the unwrapping of positions and the count of complete
rounds. Decides nothing and sends nothing. A drive is trusted only after it has been configured, and no longer once
it has started anew or its heartbeat is missing; of a drive that is not trusted every state is ``UNKNOWN``.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence

from drivers.can import emcy, frames
from drivers.can.link import Frame
from drivers.cia402 import STATUS_VOLTAGE, PowerMachine
from drivers.interface import AxisFeedback, DriveState, GroupFeedback
from drivers.quirks import INPUTS_INVERTED, NO_VOLTAGE_BIT, Quirk

_TPDO1, _TPDO2, _EMCY, _HEARTBEAT, _SDO = range(5)
_HALF = 1 << 31
_MASK = (1 << 32) - 1
_unpack_tpdo1 = frames.TPDO1_DATA.unpack
_unpack_tpdo2 = frames.TPDO2_DATA.unpack
_ENABLED = DriveState.OPERATION_ENABLED
_SWITCHES = 0b111
"""Bits of 60FDh that CiA 402 gives a meaning: limits and home."""

RESTARTED = (
    "has started anew by itself and lost its settings: look for a loose or weak supply of its electronics, "
    "then home again"
)


class GroupMirror:
    """The latest word of every drive, in axis order.

    ``on_sdo(can_id, data)`` gets the answers of SDO servers. ``quirks``: of each drive, those that change how its
    words are read.
    """

    __slots__ = (
        "_input_flips",
        "_on_sdo",
        "_raw_counts",
        "_round_full",
        "_round_mask",
        "_routes",
        "_status_masks",
        "feedback",
        "heartbeats_ns",
        "ignored",
        "machines",
        "nmt_states",
        "trusted",
    )

    def __init__(
        self,
        node_ids: Sequence[int],
        on_sdo: Callable[[int, bytes], None],
        quirks: Sequence[Sequence[Quirk]] = (),
    ) -> None:
        count = len(node_ids)
        quirks = quirks or [()] * count
        self._status_masks = [0xFFFF & ~STATUS_VOLTAGE if NO_VOLTAGE_BIT in own else 0xFFFF for own in quirks]
        self._input_flips = [_SWITCHES if INPUTS_INVERTED in own else 0 for own in quirks]
        self._on_sdo = on_sdo
        self.feedback = GroupFeedback([AxisFeedback() for _ in range(count)])
        self.machines = tuple(PowerMachine() for _ in range(count))
        self.trusted = [False] * count
        self.nmt_states: list[int | None] = [None] * count
        """State in each node's last heartbeat; None when none has come since it was last forgotten."""
        self.heartbeats_ns = [0] * count
        """Instant of each node's last heartbeat, or of being trusted."""
        self.ignored = 0
        """Frames that are none of ours or not of the expected length."""
        self._raw_counts: list[int | None] = [None] * count
        self._round_mask = 0
        self._round_full = (1 << 2 * count) - 1
        self._routes: dict[int, tuple[int, int]] = {}
        for position, node in enumerate(node_ids):
            for base, kind in (
                (frames.TPDO1, _TPDO1),
                (frames.TPDO2, _TPDO2),
                (frames.EMCY, _EMCY),
                (frames.HEARTBEAT, _HEARTBEAT),
                (frames.SDO_ANSWER, _SDO),
            ):
                self._routes[base + node] = (kind, position)

    def take(self, arrived: Iterable[Frame]) -> None:
        """Take in frames, oldest first."""
        routes = self._routes
        axes = self.feedback.axes
        for can_id, data, received_ns in arrived:
            route = routes.get(can_id)
            if route is None:
                self.ignored += 1
                continue
            kind, position = route
            if kind == _TPDO1 and len(data) == 6:
                self._take_status(position, data, received_ns)
            elif kind == _TPDO2 and len(data) == 8:
                axis = axes[position]
                inputs, axis.velocity_units = _unpack_tpdo2(data)
                axis.inputs = inputs ^ self._input_flips[position]
                self._count_round(2 << 2 * position)
            elif kind == _SDO:
                self._on_sdo(can_id, data)
            elif kind == _EMCY and len(data) == 8:
                self._take_emergency(position, data)
            elif kind == _HEARTBEAT and len(data) == 1:
                self._take_heartbeat(position, data, received_ns)
            else:
                self.ignored += 1

    def _take_status(self, position: int, data: bytes, received_ns: int) -> None:
        axis = self.feedback.axes[position]
        statusword, raw = _unpack_tpdo1(data)
        statusword &= self._status_masks[position]
        state = self.machines[position].observe(statusword)
        axis.statusword = statusword
        if not self.trusted[position]:
            axis.state = DriveState.UNKNOWN
        elif axis.fault_code and state is _ENABLED:
            # An emergency that has not been taken back outweighs a statusword that looks well.
            axis.state = DriveState.FAULT
        else:
            axis.state = state
        last = self._raw_counts[position]
        if last is None:
            axis.position_counts = raw
        else:
            axis.position_counts += ((raw - last + _HALF) & _MASK) - _HALF
        self._raw_counts[position] = raw
        axis.received_ns = received_ns
        self._count_round(1 << 2 * position)

    def begin_round(self) -> None:
        """A SYNC leaves: words of an incomplete round before it must not complete the next one."""
        self._round_mask = 0

    def _count_round(self, bit: int) -> None:
        mask = self._round_mask
        # A word that comes twice before the others begins a new round, too: answers may be late by a whole SYNC.
        mask = bit if mask & bit else mask | bit
        if mask == self._round_full:
            self.feedback.sequence += 1
            mask = 0
        self._round_mask = mask

    def _take_emergency(self, position: int, data: bytes) -> None:
        axis = self.feedback.axes[position]
        emergency = emcy.decode(data)
        axis.fault_code = 0 if emergency.is_all_clear else emergency.code
        if emergency.is_all_clear:
            return
        axis.event = str(emergency)
        if axis.state is not DriveState.UNKNOWN:
            axis.state = DriveState.FAULT

    def _take_heartbeat(self, position: int, data: bytes, received_ns: int) -> None:
        state = data[0] & 0x7F
        self.nmt_states[position] = state
        self.heartbeats_ns[position] = received_ns
        if state != frames.STATE_OPERATIONAL and self.trusted[position]:
            # What was configured can no longer be relied on.
            self.distrust(position)
            self.feedback.axes[position].event = (
                RESTARTED
                if state == frames.STATE_BOOT_UP
                else f"was told by somebody else to leave operation on the bus (heartbeat with state {state})"
            )

    def look_for_heartbeats(self, now_ns: int, limit_ns: int) -> None:
        """Trust no drive any more whose heartbeat is older than ``limit_ns``."""
        for position, heard_ns in enumerate(self.heartbeats_ns):
            if now_ns - heard_ns > limit_ns and self.trusted[position]:
                self.distrust(position)
                self.feedback.axes[position].event = (
                    f"has sent no heartbeat for {(now_ns - heard_ns) // 1_000_000} ms: "
                    "look at its supply, its plug and the bus"
                )

    def trust_all(self, now_ns: int) -> None:
        """Every drive has been configured and runs."""
        self.trusted[:] = [True] * len(self.trusted)
        self.heartbeats_ns[:] = [now_ns] * len(self.heartbeats_ns)
        for axis in self.feedback.axes:
            axis.event = ""

    def distrust_all(self, why: str = "") -> None:
        """Nothing is known of any drive."""
        for position, axis in enumerate(self.feedback.axes):
            self.distrust(position)
            axis.event = why

    def distrust(self, position: int) -> None:
        """Nothing is known of this drive until it has been configured again."""
        self.trusted[position] = False
        self.machines[position].lose()
        self._raw_counts[position] = None
        axis = self.feedback.axes[position]
        axis.state = DriveState.UNKNOWN
        axis.fault_code = 0

    def acknowledge(self, position: int) -> None:
        """Forget the emergency of a drive whose statusword shows no fault any more."""
        if self.trusted[position]:
            axis = self.feedback.axes[position]
            axis.fault_code = 0
            axis.event = ""
            axis.state = self.machines[position].state
