"""The gantry's drives as their owner describes them in a file: frames in, answers out, on a serial line or on CAN.

Owns what each command does to a drive, the rests that a drive wants between frames, and its own time-out. Frames are
taken apart and put together by ``drivers.twin.describedside``, apart from the compiled codec that the group commands
with; only the drive file is shared, as a drive's manual would be.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from functools import partial
from heapq import heappop, heappush
from itertools import count

from drivers.can.slcan import EXTENDED_FLAG
from drivers.described.driveside import SERIAL, Heard
from drivers.described.format import DataField, DriveFile, FixedTimeout, SetTimeout, SwitchBit
from drivers.described.scale import fractions_of
from drivers.settings import DescribedSerialWire, GroupSettings, described_of
from drivers.twin.describedside import QuickSide
from drivers.twin.gantry import Gantry
from drivers.twin.line import DrivesOnLine
from drivers.twin.node import FAR_NS, Node
from drivers.twin.power import Power

_MS = 1_000_000
_UP = (0x06, 0x07, 0x0F)
_NAMES = {
    Power.NOT_READY_TO_SWITCH_ON: "not ready to switch on",
    Power.SWITCH_ON_DISABLED: "switch on disabled",
    Power.READY_TO_SWITCH_ON: "ready to switch on",
    Power.SWITCHED_ON: "switched on",
    Power.OPERATION_ENABLED: "operation enabled",
    Power.QUICK_STOP_ACTIVE: "quick stop active",
    Power.FAULT_REACTION_ACTIVE: "fault reaction active",
    Power.FAULT: "fault",
}
_OWN_STATE: dict[str, tuple[str, ...]] = {
    "ready to switch on": ("switch on disabled", "switched on"),
    "switched on": ("ready to switch on", "switch on disabled"),
    "switch on disabled": ("ready to switch on",),
    "quick stop active": ("switched on", "ready to switch on", "switch on disabled"),
    "fault reaction active": ("fault",),
}
"""States by which a drive calls one for which its file has no word."""


class DescribedDrive:
    """One drive: ``side`` takes frames apart, ``obey`` acts on one and gives the answers, identifier and bytes each."""

    def __init__(self, node: Node, drive: DriveFile, number: int) -> None:
        self.node, self.drive, self.number = node, drive, number
        self.side = QuickSide(drive, number)
        self.next_ns = FAR_NS
        self.timed_out = 0
        self.timeout_ms = drive.timeout.ms if isinstance(drive.timeout, FixedTimeout) else 0
        self.hurried = 0
        """Frames that came before the rest which the file asks for was over."""
        self._outputs = 0
        self._units = 0
        self._step: tuple[str, int] = ("", 0)
        self._rest_ns = 0
        positions = [field for reply in drive.replies for field in reply.fields if field.name == "position"]
        wrap = drive.position.wrap_counts
        self._spans = {
            one.bits_wide: wrap or int(fractions_of(drive, one)[0] * (1 << one.bits_wide))
            for one in positions
        }
        words = {one.state: one.value for one in reversed(drive.status.states)}
        self._words = {
            power: next((words[one] for one in (name, *_OWN_STATE.get(name, ())) if one in words), None)
            for power, name in _NAMES.items()
        }
        self._power_mask = drive.status.power_mask
        switches = (drive.switches.negative_limit, drive.switches.positive_limit, drive.switches.home)
        self._shown = {
            word: tuple(
                (1 << bit, 1 << switch.bit)
                for bit, switch in enumerate(switches)
                if isinstance(switch, SwitchBit) and switch.word == word
            )
            for word in ("inputs", "status")
        }
        self._fault_code = node.od.entries[0x603F, 0]
        self._says = {
            reply.name: tuple((field.name, self._saying(field)) for field in reply.fields)
            for reply in drive.replies
        }

    def obey(self, told: Heard, now_ns: int) -> list[tuple[int, bytes]]:
        """Do what a frame from the wire says, and answer."""
        self.next_ns = now_ns + self.timeout_ms * _MS if self.timeout_ms else FAR_NS
        if told.place and told.command == self._step[0] and now_ns < self._rest_ns:
            self.hurried += 1
            return []
        if told.frame.wait_ms:
            self._rest_ns = now_ns + told.frame.wait_ms * _MS
        self._obey(told, now_ns)
        return [self.side.reply(name, self._said(name)) for name in told.frame.answers]

    def live(self, now_ns: int) -> None:
        """Stop when nothing has been heard for too long."""
        if now_ns >= self.next_ns:
            self.next_ns = FAR_NS
            self.timed_out += 1
            self.node.lose_master(now_ns)

    def _obey(self, told: Heard, now_ns: int) -> None:
        frames = self.drive.commands.frames(told.command)
        begun = self._step == (told.command, told.place) or told.place == 0
        is_last = told.place == len(frames) - 1
        if told.command not in ("read_position", "read_status", "read_timeout"):
            self._step = (told.command, told.place + 1) if begun else ("", 0)
        self._outputs = told.values.get("outputs", self._outputs)
        self._units = told.values.get("velocity", self._units)
        if not begun:
            return
        words: tuple[int, ...] = ()
        if told.command == "enable":
            self._units = 0
            # Of several frames the first energises, the last follows velocities.
            words = _UP if len(frames) == 1 else _UP[:2] if told.place == 0 else _UP[2:] if is_last else ()
        elif not is_last:
            return
        elif told.command in ("stop", "stop_all"):
            words = (0x02,)
        elif told.command == "disable":
            words = (0x00,)
        elif told.command == "clear_fault":
            words = (0x00, 0x80)
        elif told.command == "set_timeout" and isinstance(self.drive.timeout, SetTimeout):
            self.timeout_ms = told.values["timeout"]
            self.next_ns = now_ns + self.timeout_ms * _MS if self.timeout_ms else FAR_NS
        if words or told.command in ("velocity", "outputs"):
            self.node.command(words, self._units, self._outputs << 16, now_ns)

    # What it says

    def _said(self, name: str) -> dict[str, int]:
        return {field: say() for field, say in self._says[name]}

    def _saying(self, field: DataField) -> Callable[[], int]:
        """What a field of a reply is filled with; 0 where this drive knows nothing of it."""
        node = self.node
        if field.name == "position":
            return self._counting(field)
        return {
            "status": lambda: self._status(),
            "inputs": lambda: node.head_inputs >> 16 | self._switches("inputs"),
            "fault": lambda: self._fault(),
            "velocity": node.od.entries[0x606C, 0].get,
            "timeout": lambda: self.timeout_ms,
        }.get(field.name, lambda: 0)

    def _status(self) -> int:
        power = self.node.power
        word = self._words[power.state]
        if word is None:
            raise ValueError(f"status.states: expected a word for {_NAMES[power.state]}, got none")
        return word | (self._power_mask if power.voltage else 0) | self._switches("status")

    def _switches(self, word: str) -> int:
        own, found = self.node.axis.inputs, 0
        for bit, shown in self._shown[word]:
            if own & bit:
                found |= shown
        return found

    def _fault(self) -> int:
        """Too much current is the first fault that the file knows; for others it has no words."""
        code = self._fault_code.get()
        return self.drive.faults[0].code if code >> 12 == 2 and self.drive.faults else code

    def _counting(self, field: DataField) -> Callable[[], int]:
        """The position as the counter shows it, which begins anew after its span."""
        counts_of = self.node.od.entries[0x6064, 0].get
        if field.is_float:
            return counts_of
        span, is_signed = self._spans[field.bits_wide], field.is_signed

        def counter() -> int:
            counts = counts_of() % span
            return counts - span if is_signed and 2 * counts >= span else counts

        return counter


def described_drives(gantry: Gantry, settings: GroupSettings) -> list[DescribedDrive]:
    """Every drive of the gantry by its file. Raises ValueError where one has none."""
    return [
        DescribedDrive(node, described_of(name, drive), drive.node_id)
        for node, (name, drive) in zip(gantry.nodes, settings.axes.items(), strict=True)
    ]


class DescribedOnLine(DrivesOnLine):
    """Both drives on one serial line."""

    def __init__(self, gantry: Gantry, settings: GroupSettings, *, lenient: bool) -> None:
        wire = settings.wire
        assert isinstance(wire, DescribedSerialWire)
        self.drives = described_drives(gantry, settings)
        serial = [one.drive.serial for one in self.drives]
        silence_ns = max(one.silence_us for one in serial if one is not None) * 1000
        super().__init__(gantry, wire.character_ns, silence_ns, lenient=lenient)
        self._lengths = sorted({length for one in self.drives for length in one.side.lengths})

    def _drives(self) -> Iterable[DescribedDrive]:
        return self.drives

    def _heard(self, frame: bytes, now_ns: int) -> None:
        if not self._lenient:
            self.garbled += not self._obeyed(frame, now_ns)
            return
        at, lost = 0, False
        while at < len(frame):
            for long in self._lengths:
                if at + long <= len(frame) and self._obeyed(frame[at : at + long], now_ns):
                    at += long
                    break
            else:
                at, lost = at + 1, True
        self.garbled += lost

    def _obeyed(self, frame: bytes, now_ns: int) -> bool:
        """Whether it was a frame for anybody."""
        is_known = False
        for drive in self.drives:
            told = drive.side.heard(SERIAL, frame)
            if told is None:
                continue
            is_known = True
            if drive.number not in self.mute:
                for _, answer in self._gantry.act(now_ns, partial(drive.obey, told, now_ns)):
                    self._answer(answer, now_ns)
        return is_known


class DescribedOnBus:
    """Both drives on one CAN bus: one frame at a time, each as long as a frame may be at most.

    ``hear`` takes what a controller is given at an instant; ``live`` brings the bus up to one; ``answers`` collects
    (instant of the last bit, identifier, data) in order. Identifiers of 29 bits are marked by bit 31 (linux/can.h).
    """

    def __init__(self, gantry: Gantry, settings: GroupSettings) -> None:
        self._gantry = gantry
        self._bit_ns = 1e9 / settings.wire.bitrate_bit_s
        self._latency_ns = gantry.parameters.response_latency_us * 1000
        self._free_ns = self._last_ns = 0
        self._coming: list[tuple[int, int, int, bytes]] = []
        self._order = count()
        self.drives = described_drives(gantry, settings)
        self._flags = [
            EXTENDED_FLAG if one.drive.can and one.drive.can.id_bits == 29 else 0 for one in self.drives
        ]
        self.answers: list[tuple[int, int, bytes]] = []
        self.ignored = 0
        self.mute: set[int] = set()

    def _frame_ns(self, can_id: int, data: bytes) -> int:
        bits = (80 if can_id & EXTENDED_FLAG else 55) + 10 * len(data)
        return round(bits * self._bit_ns)

    @property
    def next_ns(self) -> int:
        """When something happens though nothing comes."""
        due_ns = min(drive.next_ns for drive in self.drives)
        return min(due_ns, self._coming[0][0]) if self._coming else due_ns

    @property
    def is_awaited(self) -> bool:
        """Whether a frame is under way; answers are taken away by whoever hands them over."""
        return bool(self._coming)

    @property
    def look_ns(self) -> int:
        """Until when nobody has to look: frames that follow each other are taken together, before the first's answer.

        Each of them is acted on at its own instant all the same.
        """
        due_ns = min(drive.next_ns for drive in self.drives)
        if not self._coming:
            return due_ns
        return min(due_ns, self._last_ns, self._coming[0][0] + self._latency_ns)

    def hear(self, can_id: int, data: bytes, now_ns: int) -> None:
        """A controller has a frame to send, behind those that it has already."""
        self.live(now_ns)
        end_ns = max(now_ns, self._free_ns) + self._frame_ns(can_id, data)
        self._free_ns = self._last_ns = end_ns
        heappush(self._coming, (end_ns, next(self._order), can_id, data))

    def live(self, now_ns: int) -> None:
        """Everything up to ``now_ns``, each at its own instant."""
        while (due_ns := self.next_ns) <= now_ns:
            if self._coming and self._coming[0][0] == due_ns:
                _, _, can_id, data = heappop(self._coming)
                self._arrived(can_id, data, due_ns)
            else:
                self._gantry.act(due_ns, lambda due_ns=due_ns: self._time_out(due_ns))  # type: ignore[misc]
        self._gantry.advance_to(now_ns)

    def _time_out(self, now_ns: int) -> None:
        for drive in self.drives:
            drive.live(now_ns)

    def _arrived(self, can_id: int, data: bytes, now_ns: int) -> None:
        is_known = False
        for drive, flag in zip(self.drives, self._flags, strict=True):
            if can_id & EXTENDED_FLAG != flag or drive.number in self.mute:
                continue
            told = drive.side.heard(can_id & ~EXTENDED_FLAG, data)
            if told is None:
                continue
            is_known = True
            answers = self._gantry.act(now_ns, partial(drive.obey, told, now_ns))
            for own_id, answer in answers:
                begin_ns = max(now_ns + self._latency_ns, self._free_ns)
                self._free_ns = begin_ns + self._frame_ns(own_id | flag, answer)
                self.answers.append((self._free_ns, own_id | flag, answer))
        self.ignored += not is_known
