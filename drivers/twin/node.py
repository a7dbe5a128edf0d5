"""One simulated CiA 402 drive as the bus sees it: NMT, SDO, PDO, heartbeat, emergency, around power and motion.

Owns the communication side (CiA 301). Time is an argument: every call says what instant it is, and ``next_ns``
says when the drive wants to be looked at again though nothing comes. What it says goes to ``emit``.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable

from drivers.quirks import Quirk
from drivers.twin import sdo
from drivers.twin.axis import Axis
from drivers.twin.habits import Habits
from drivers.twin.motion import CYCLIC_VELOCITY, MotionControl
from drivers.twin.objects import PDO_COUNT, AbortCode, SdoAbortError, build_dictionary
from drivers.twin.pdo import ReceivePdo, TransmitPdo
from drivers.twin.power import Power, PowerMachine

FAR_NS = 1 << 62
_BOOT_UP, _STOPPED, _OPERATIONAL, _PRE_OPERATIONAL = 0x00, 0x04, 0x05, 0x7F
HEARTBEAT_LOST, UNDER_VOLTAGE, PDO_LENGTH = 0x8130, 0x3220, 0x8210

Emit = Callable[[int, bytes], None]


class Node:
    """One drive. ``emit(can_id, data)`` takes what it sends; ``head_inputs`` are further bits of 60FDh."""

    def __init__(self, node_id: int, axis: Axis, quick_stop_units_s: int, emit: Emit) -> None:
        self.node_id = node_id
        self.axis = axis
        self.head_inputs = 0
        self.next_ns = FAR_NS
        self.on_outputs: Callable[[int], None] | None = None
        self._emit = emit
        self.habits: Habits | None = None
        self._now_ns = 0
        self._nmt = _PRE_OPERATIONAL
        self._heartbeat_from: int | None = None
        self._lost_ns = FAR_NS
        self._beat_ns = FAR_NS
        self._errors: deque[int] = deque(maxlen=4)
        self._error_register = 0
        self.power = PowerMachine()
        self.power.voltage = axis.has_power
        self.od = build_dictionary(node_id, quick_stop_units_s, axis.drive)
        self.motion = MotionControl(self.od, self.power, axis)
        self._receive = [ReceivePdo(self.od, number) for number in range(PDO_COUNT)]
        self._transmit = [TransmitPdo(self.od, number) for number in range(PDO_COUNT)]
        self._wire_objects()
        self._sync_id = self.od.entries[0x1005, 0]

    def _wire_objects(self) -> None:
        entries, power = self.od.entries, self.power
        entries[0x1001, 0].read = lambda: self._error_register
        entries[0x1003, 0].read = lambda: len(self._errors)
        entries[0x1003, 0].write = lambda _: self._errors.clear()
        for sub in range(1, 5):
            entries[0x1003, sub].read = lambda sub=sub: self._error(sub)
        entries[0x1016, 1].write = self._write_consumer
        entries[0x1017, 0].write = self._write_producer
        entries[0x603F, 0].read = lambda: power.fault_code
        entries[0x6040, 0].write = self._write_controlword
        entries[0x6041, 0].read = self.statusword
        entries[0x605A, 0].write = self._write_quick_stop_option
        entries[0x605B, 0].write = lambda value: setattr(power, "shutdown_option", value)
        entries[0x605C, 0].write = lambda value: setattr(power, "disable_option", value)
        entries[0x605E, 0].write = lambda value: setattr(power, "fault_option", value)
        entries[0x6061, 0].read = self._mode_shown
        entries[0x6064, 0].read = lambda: self.axis.position_counts
        entries[0x606C, 0].read = lambda: self.axis.velocity_units
        entries[0x60FD, 0].read = self._inputs_shown
        entries[0x60FE, 1].write = self._write_outputs
        entries[0x60FE, 2].write = self._write_mask

    def behave(self, *names: Quirk) -> Habits:
        """From here on be a drive with these quirks; said before anything is set up."""
        self.habits = Habits(self, names)
        return self.habits

    def refresh_pdos(self) -> None:
        """Take the process data's records as they stand in the dictionary."""
        for pdo in (*self._receive, *self._transmit):
            pdo.refresh()

    @property
    def now_ns(self) -> int:
        """The instant of what it is doing."""
        return self._now_ns

    # What happens to it

    def fail(self, code: int, now_ns: int) -> None:
        """Its own supervision finds a fault."""
        self._now_ns = now_ns
        if self.power.fault(code):
            self._emergency(code)
        self.motion.update()

    def restart(self, now_ns: int) -> None:
        """Its program starts anew: everything as after power-on, whatever went on before."""
        self._now_ns = now_ns
        self._reset(whole=True)

    # What comes in

    def power_on(self, now_ns: int) -> None:
        """Boot: self-test passes, boot-up message, pre-operational."""
        self._now_ns = now_ns
        self.power.initialised()
        self._nmt = _PRE_OPERATIONAL
        self._emit(0x700 + self.node_id, bytes([_BOOT_UP]))

    def frame(self, can_id: int, data: bytes, now_ns: int) -> None:
        """Any frame except SYNC."""
        self._now_ns = now_ns
        if can_id == 0x600 + self.node_id:
            if self._nmt != _STOPPED:
                reply = sdo.answer(self.od, data)
                if reply is not None:
                    self._emit(0x580 + self.node_id, reply)
        elif can_id == 0x000:
            self._network_command(data)
        elif can_id == self._heartbeat_from:
            self._heard()
        elif self._nmt == _OPERATIONAL:
            for pdo in self._receive:
                if pdo.can_id == can_id:
                    self._take_pdo(pdo, data)

    def command(self, controlwords: tuple[int, ...], velocity_units: int, outputs: int, now_ns: int) -> None:
        """Commands by another wire than the bus, at ``now_ns``: velocity mode, taken at once."""
        self._now_ns = now_ns
        entries = self.od.entries
        if self.motion.mode != CYCLIC_VELOCITY:
            entries[0x6060, 0].put(CYCLIC_VELOCITY)
            entries[0x6007, 0].put(3)
            entries[0x60FE, 2].put(0xFFFF_FFFF)
        entries[0x60FF, 0].put(velocity_units)
        entries[0x60FE, 1].put(outputs)
        for word in controlwords:
            entries[0x6040, 0].put(word)
        self.motion.latch()

    def lose_master(self, now_ns: int) -> None:
        """Nothing has been heard of the master for too long: what the abort connection option says."""
        self._now_ns = now_ns
        self._connection_lost()

    def listens_to(self) -> set[int]:
        """Identifiers that mean something to this drive now, SYNC excluded."""
        ids = {0x000, 0x600 + self.node_id}
        ids |= {pdo.can_id for pdo in self._receive if pdo.can_id is not None}
        if self._heartbeat_from is not None:
            ids.add(self._heartbeat_from)
        return ids

    @property
    def sync_id(self) -> int:
        """Identifier of the SYNC it follows."""
        return self._sync_id.value

    def _take_pdo(self, pdo: ReceivePdo, data: bytes) -> None:
        if len(data) < pdo.length:
            self._emergency(PDO_LENGTH)
        elif pdo.is_synchronous:
            pdo.waiting = data
        else:
            pdo.apply(data)
            self.motion.latch()

    def sync_sample(self, now_ns: int) -> None:
        """First half of a SYNC: the synchronous TPDOs leave with the state as it is at this instant."""
        self._now_ns = now_ns
        if self._nmt != _OPERATIONAL:
            return
        for pdo in self._transmit:
            if pdo.can_id is not None and pdo.transmission <= 240:
                data = pdo.pack()
                if pdo.due_at_sync(data):
                    pdo.sent = data
                    self._emit(pdo.can_id, data)

    def sync_act(self) -> None:
        """Second half of a SYNC: waiting RPDOs take effect, mode 9 takes its velocity."""
        if self._nmt == _OPERATIONAL:
            for pdo in self._receive:
                if pdo.waiting is not None:
                    data, pdo.waiting = pdo.waiting, None
                    pdo.apply(data)
        self.motion.latch()

    def _network_command(self, data: bytes) -> None:
        if len(data) != 2 or data[1] not in (0, self.node_id):
            return
        command = data[0]
        if command == 0x01:
            self._nmt = _OPERATIONAL
        elif command == 0x80:
            self._nmt = _PRE_OPERATIONAL
        elif command == 0x02:
            if self._nmt != _STOPPED:
                self._nmt = _STOPPED
                self._connection_lost()
        elif command in (0x81, 0x82):
            self._reset(whole=command == 0x81)

    def _reset(self, *, whole: bool) -> None:
        if whole:
            self.power.restart()
            self.od.reset(0x2000, 0xFFFF)
            self._errors.clear()
            self._error_register = 0
            self.motion.set_mode(0)
            self.motion.update()
            self._tell_outputs()
        else:
            self._connection_lost()
        self.od.reset(0x1000, 0x1FFF)
        self.refresh_pdos()
        for receive in self._receive:
            receive.waiting = None
        self._write_consumer(0)
        self._write_producer(0)
        self._nmt = _PRE_OPERATIONAL
        self._emit(0x700 + self.node_id, bytes([_BOOT_UP]))

    # Time

    def step(self, now_ns: int) -> None:
        """The drive's own program: called at ``next_ns``, and every ms while ``needs_steps``."""
        self._now_ns = now_ns
        if self.axis.has_power != self.power.voltage:
            self._voltage_changed()
        if self.motion.needs_steps:
            self.motion.step()
        if self.habits is not None:
            self.habits.step(now_ns)
            self.set_next()
        if now_ns >= self._lost_ns:
            self._lost_ns = FAR_NS
            self.set_next()
            self._heartbeat_lost()
        if now_ns >= self._beat_ns:
            self._beat_ns += self.od.value(0x1017) * 1_000_000
            self.set_next()
            self._emit(0x700 + self.node_id, bytes([self._nmt]))

    def send_events(self, now_ns: int) -> None:
        """Event-driven TPDOs whose content has changed leave."""
        if self._nmt != _OPERATIONAL:
            return
        for pdo in self._transmit:
            if pdo.is_event_driven and pdo.can_id is not None:
                data = pdo.pack()
                if pdo.due_at_event(data, now_ns):
                    pdo.sent = data
                    self._emit(pdo.can_id, data)

    @property
    def has_event_pdos(self) -> bool:
        """Whether a change must be looked for between frames."""
        return self._nmt == _OPERATIONAL and any(pdo.is_event_driven for pdo in self._transmit)

    @property
    def needs_steps(self) -> bool:
        """Whether ``step`` must be called every ms."""
        return self.motion.needs_steps or self.axis.has_power != self.power.voltage

    def set_next(self) -> None:
        """Reckon ``next_ns`` anew."""
        self.next_ns = min(self._lost_ns, self._beat_ns)
        if self.habits is not None:
            self.next_ns = min(self.next_ns, self.habits.next_ns)

    def _heard(self) -> None:
        self._lost_ns = self._now_ns + (self.od.value(0x1016, 1) & 0xFFFF) * 1_000_000
        self.set_next()

    def _write_consumer(self, value: int) -> None:
        node, timeout_ms = value >> 16 & 0x7F, value & 0xFFFF
        self._heartbeat_from = 0x700 + node if node and timeout_ms else None
        self._lost_ns = FAR_NS  # counts from the first heartbeat that is heard
        self.set_next()

    def _write_producer(self, period_ms: int) -> None:
        self._beat_ns = self._now_ns + period_ms * 1_000_000 if period_ms else FAR_NS
        self.set_next()

    # Faults

    def _heartbeat_lost(self) -> None:
        self._emergency(HEARTBEAT_LOST)
        self._connection_lost()

    def _connection_lost(self) -> None:
        """Abort connection option 6007h; a drive whose power stage is not in use has nothing to stop."""
        power = self.power
        if power.state in (Power.SWITCH_ON_DISABLED, Power.NOT_READY_TO_SWITCH_ON):
            return
        # Without the object it does what its maker's tool has set: quick stop.
        option = self.od.value(0x6007) if 0x6007 in self.od.indices else 3
        if option == 1:
            power.fault(HEARTBEAT_LOST)
        elif option == 2:
            power.disable_voltage()
        elif option == 3:
            power.quick_stop()
        self.motion.update()

    def _voltage_changed(self) -> None:
        if self.axis.has_power:
            self.power.voltage = True
        elif self.power.power_lost(UNDER_VOLTAGE):
            self._emergency(UNDER_VOLTAGE)
        self.motion.update()

    def _emergency(self, code: int) -> None:
        bit = {0x3: 0x04, 0x8: 0x10}.get(code >> 12, 0)
        self._error_register |= 0x01 | bit
        self._errors.appendleft(code)
        if self._nmt != _STOPPED:
            self._emit(
                0x80 + self.node_id, code.to_bytes(2, "little") + bytes([self._error_register]) + bytes(5)
            )

    def _error(self, sub: int) -> int:
        if sub > len(self._errors):
            raise SdoAbortError(AbortCode.NO_SUBINDEX)
        return self._errors[sub - 1]

    # Objects that do something

    def _write_controlword(self, word: int) -> None:
        power = self.power
        if self.habits is not None:
            word, fault = self.habits.controlword(word)
            self.set_next()
            if fault:
                self.fail(fault, self._now_ns)
        before = power.state
        power.controlword(word)
        if self.habits is not None:
            self.habits.entered()
        self.motion.controlword(word)
        if power.state is not before:
            if before is Power.FAULT:
                self._error_register = 0
                self._emit(0x80 + self.node_id, bytes(8))
            if power.state is Power.OPERATION_ENABLED and before is not Power.QUICK_STOP_ACTIVE:
                self.motion.cyclic_units = self.od.value(0x60FF)
            self.motion.update()
        elif power.is_ramping_down:
            self.motion.update()

    def _write_quick_stop_option(self, option: int) -> None:
        if option not in (0, 1, 2, 5, 6):
            raise SdoAbortError(AbortCode.VALUE)
        self.power.quick_stop_option = option

    def _write_outputs(self, word: int) -> None:
        self.od.entries[0x60FE, 1].value = word
        self._tell_outputs()

    def _write_mask(self, mask: int) -> None:
        self.od.entries[0x60FE, 2].value = mask
        self._tell_outputs()

    def _tell_outputs(self) -> None:
        if self.on_outputs is not None:
            self.on_outputs(self.od.entries[0x60FE, 1].value & self.od.entries[0x60FE, 2].value)

    def _mode_shown(self) -> int:
        mode = self.motion.mode
        return mode if self.habits is None else self.habits.mode_shown(mode)

    def _inputs_shown(self) -> int:
        word = self.axis.inputs | self.head_inputs
        return word if self.habits is None else self.habits.inputs(word)

    def statusword(self) -> int:
        """6041h: state, voltage (4), remote (9), target reached (10), limit switch (11), mode bits."""
        power = self.power
        word = power.state.value | (0x0210 if power.voltage else 0x0A00) | self.motion.status_bits()
        return word if self.habits is None else self.habits.statusword(word)
