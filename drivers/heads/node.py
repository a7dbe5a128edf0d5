"""A pen lift on a CANopen input/output node (CiA 401) of the drives' own bus.

Owns its set-up, its frames and what they mean; knows no millimetres of the machine. Facts of CiA 401 are from memory:
outputs 6200h and inputs 6000h in blocks of eight, analogue inputs 6401h (16 bits, signed), error mode and error value
of outputs 6206h and 6207h; of CiA 301: 1029h:1 = 2 means stopped when communication fails.

The command goes out at once (RPDO1, type 255), whenever it changes and as long as the head is elsewhere. The node
samples and tells at every SYNC (TPDO1, type 1), so the age of its word is known at every tick. Where ``error_output``
is 6206h the node takes the output back, the pen up, by itself when our heartbeat is missing: the beat leaves from the
supervised loop only, so that also holds for a loop that hangs.
"""

from __future__ import annotations

import struct
from typing import TYPE_CHECKING

from drivers.can import frames
from drivers.can.emcy import decode
from drivers.can.link import CanLink, Frame
from drivers.clock import NS_PER_MS, NS_PER_S, Clock
from drivers.errors import DriverError, FaultError, LinkError
from drivers.head import HeadFeedback, fits, switches
from drivers.heads.settings import NodeHead
from drivers.heads.tap import BusTap
from drivers.settings import CanWire

if TYPE_CHECKING:
    # canopen is loaded by ``configure`` only.
    from drivers.can.sdo import ObjectAccess

PROFILE_401 = 401
OUTPUTS, INPUTS, ANALOGUE = 0x6200, 0x6000, 0x6401
STOPPED_ON_SILENCE = 2
_IMMEDIATE, _EVERY_SYNC = 255, 1
_TOLD_AGAIN_NS = 20 * NS_PER_MS
_BOOT_UP = 0
_UNHEARD = -1


class NodeLift:
    """A HeadLine on a bus. ``tap`` is the bus that is left for the drives."""

    def __init__(self, settings: NodeHead, wire: CanWire, link: CanLink, clock: Clock) -> None:
        self._settings = settings
        self._wire = wire
        self._clock = clock
        self._link = link
        node = settings.node_id
        self._where = f"head (node {node})"
        self._word_id, self._beat_id = frames.TPDO1 + node, frames.HEARTBEAT + node
        self._sdo_id, self._emcy_id = frames.SDO_ANSWER + node, frames.EMCY + node
        identifiers = (self._word_id, self._beat_id, self._sdo_id, self._emcy_id, frames.TPDO2 + node)
        self.tap = BusTap(link, frozenset(identifiers), self._take)
        self._orders = tuple(
            ((frames.RPDO1 + node, bytes([word])),) for word in (0, 1 << settings.output_bit)
        )
        measures = settings.analogue_input is not None
        self._layout = struct.Struct("<Bh" if measures else "<B")
        self._feedback = HeadFeedback()
        self._told: int | None = None
        self._told_ns = 0
        self._beat_ns = 0
        self._beat_limit_ns = (wire.heartbeat_lost_after_ms + wire.heartbeat_ms) * NS_PER_MS
        self._nmt = _UNHEARD
        self._is_up = False

    # Setting up

    def configure(self) -> None:
        """Profile, heartbeats, error value, process data; then operational, by its own heartbeat, and the pen up."""
        from drivers.can import setup
        from drivers.can.sdo import Entry, ObjectAccess

        node, wire = self._settings.node_id, self._wire
        access = ObjectAccess(
            self._link, self._clock, {node: self._where}, wire.sdo_timeout_s, pump=lambda: self._pump(access)
        )
        self._is_up = False
        self._feedback.trouble = ""
        self._link.send_frames(((frames.NMT, bytes((frames.NMT_PRE_OPERATIONAL, node))),))
        profile = access.read(node, setup.DEVICE_TYPE) & 0xFFFF
        if profile != PROFILE_401:
            raise FaultError(
                self._where,
                f"{setup.DEVICE_TYPE} of profile {PROFILE_401}",
                f"profile {profile}",
                code="drive-unsuitable",
            )
        access.hold(node, setup.HEARTBEAT_PRODUCER, wire.heartbeat_ms)
        if self._settings.error_output == "6206h":
            bit = 1 << self._settings.output_bit
            access.hold(node, Entry(0x1029, 1, "B", "reaction to a lost heartbeat"), STOPPED_ON_SILENCE)
            access.hold(node, Entry(0x6206, 1, "B", "outputs with an error value"), bit, bit)
            access.hold(node, Entry(0x6207, 1, "B", "error value of outputs"), 0, bit)
            awaited = setup.heartbeat_consumer_word(wire.heartbeat_lost_after_ms)
            access.hold(node, setup.HEARTBEAT_CONSUMER, awaited)
        told = [INPUTS << 16 | 0x0108]
        if self._settings.analogue_input is not None:
            told.append(ANALOGUE << 16 | self._settings.analogue_input << 8 | 16)
        receive = setup.PdoMapping(0x1400, 0x1600, frames.RPDO1, (OUTPUTS << 16 | 0x0108,))
        transmit = setup.PdoMapping(0x1800, 0x1A00, frames.TPDO1, tuple(told))
        for pdo, kind in ((receive, _IMMEDIATE), (transmit, _EVERY_SYNC)):
            setup.map_pdo(access, node, pdo, kind, is_fixed=False)
            setup.verify_mapping(access, node, pdo, kind)
        self._start(access)

    def _start(self, access: ObjectAccess) -> None:
        self._nmt = _UNHEARD
        self._link.send_frames(((frames.NMT, bytes((frames.NMT_START, self._settings.node_id))),))
        silent_ns = round(self._wire.sdo_timeout_s * NS_PER_S) + 2 * self._wire.heartbeat_ms * NS_PER_MS
        deadline_ns = self._clock.now_ns() + silent_ns
        while self._nmt != frames.STATE_OPERATIONAL:
            if self._clock.now_ns() >= deadline_ns:
                got = "no heartbeat" if self._nmt == _UNHEARD else f"heartbeat with state {self._nmt}"
                raise LinkError(self._where, "a heartbeat with state 5, operational", got)
            self._clock.sleep_until_ns(self._clock.now_ns() + NS_PER_MS)
            self._pump(access)
        self._is_up = True
        self._feedback.trouble = ""
        self._send(0)

    def _pump(self, access: ObjectAccess) -> None:
        for frame in self._link.receive():
            if frame.can_id == self._sdo_id:
                access.take(frame.can_id, frame.data)
            else:
                self._take(frame)

    # What comes in

    def _take(self, frame: Frame) -> None:
        can_id, data = frame.can_id, frame.data
        if can_id == self._word_id:
            self._take_word(data)
        elif can_id == self._beat_id and data:
            self._beat_ns = self._clock.now_ns()
            self._nmt = data[0] & 0x7F
            if self._is_up and self._nmt != frames.STATE_OPERATIONAL:
                what = "it has started anew" if self._nmt == _BOOT_UP else f"its state is {self._nmt}, not 5"
                self._feedback.trouble = what
        elif can_id == self._emcy_id and self._is_up:
            try:
                told = decode(data)
            except ValueError:
                return
            if not told.is_all_clear:
                self._feedback.trouble = str(told)

    def _take_word(self, data: bytes) -> None:
        if len(data) != self._layout.size or not self._is_up:
            return
        settings, feedback = self._settings, self._feedback
        bits, *measured = self._layout.unpack(data)
        up, down = settings.up_input_bit, settings.down_input_bit
        feedback.place = switches(
            up is not None and bool(bits >> up & 1), down is not None and bool(bits >> down & 1)
        )
        if measured:
            feedback.value = measured[0] * settings.analogue_step + settings.analogue_zero
        feedback.received_ns = self._clock.now_ns()

    # The interface

    def read(self) -> HeadFeedback:
        """As of the last poll of the bus."""
        return self._feedback

    def poll(self) -> None:
        """The bus is read by the drives' group; here only the heartbeat is missed."""
        silent_ns = self._clock.now_ns() - self._beat_ns
        if self._is_up and silent_ns > self._beat_limit_ns and not self._feedback.trouble:
            self._feedback.trouble = (
                f"no heartbeat of node {self._settings.node_id} for {silent_ns / 1e6:.0f} ms"
            )

    def command(self, outputs: int) -> None:
        """One frame when it changes, and again as long as the head is elsewhere."""
        now_ns = self._clock.now_ns()
        is_new = outputs != self._told
        if is_new or (
            now_ns - self._told_ns >= _TOLD_AGAIN_NS and not fits(self._settings, self._feedback, outputs)
        ):
            self._send(outputs)

    def _send(self, outputs: int) -> bool:
        self._told, self._told_ns = outputs, self._clock.now_ns()
        try:
            self._link.send_frames(self._orders[outputs])
        except DriverError as error:
            self._feedback.trouble = str(error)
            return False
        return True

    def raise_now(self) -> bool:
        """One frame, at once."""
        try:
            return self._send(0)
        except Exception:  # noqa: BLE001
            # Whatever broke: raising an error raises no pen.
            return False

    def close(self) -> None:
        """The bus is the drives'."""
        self._is_up = False
