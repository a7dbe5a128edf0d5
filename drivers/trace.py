"""What passes on a wire, put down on the way: wrappers round any link, and the description that a trace begins with.

Owns the wrapping. Knows no layout (``drivers.tracefile``) and no meaning (``drivers.tracewords``). What leaves is put
down after it has left, so the instant of a send is not touched: a frame costs the loop about a microsecond, behind the
wire's own write. Nothing here raises, blocks or waits; what the wire did not take is put down as such.

Only what passes this link is seen. What another process writes on a line of its own (the guard's stop, on a serial
adapter) is not; a trace shows what the drives answered to it.
"""

from __future__ import annotations

import json
import time
from collections.abc import Sequence
from pathlib import Path
from typing import Any, cast, overload

from drivers.can.link import CanLink, Frame
from drivers.clock import Clock
from drivers.described.format import DriveFile
from drivers.errors import LinkError
from drivers.line.port import SerialLine
from drivers.settings import GroupSettings, ModbusWire, SerialWire
from drivers.tracefile import NOT_TAKEN, OUT, SLOT_BYTES, TraceWriter

DEFAULT_MIB = 32
MIB_MAX = 1024
DRIVE_FILES_BYTES_MAX = 1 << 19
"""Of drive files in a trace's head, which may be twice as long."""


class TracedCanLink:
    """A CanLink that puts down what passes. ``close`` closes both."""

    __slots__ = ("_clock", "_link", "_writer")

    def __init__(self, link: CanLink, writer: TraceWriter, clock: Clock) -> None:
        self._link = link
        self._writer = writer
        self._clock = clock

    def send_frames(self, frames: Sequence[tuple[int, bytes]]) -> None:
        """As the link's own; the instant put down is that before it."""
        instant_ns = self._clock.now_ns()
        try:
            self._link.send_frames(frames)
        except LinkError:
            self._put(instant_ns, OUT | NOT_TAKEN, frames)
            raise
        self._put(instant_ns, OUT, frames)

    def _put(self, instant_ns: int, flags: int, frames: Sequence[tuple[int, bytes]]) -> None:
        frame = self._writer.frame
        for can_id, data in frames:
            frame(instant_ns, flags, can_id, data)
        self._writer.count()

    def receive(self) -> list[Frame]:
        """As the link's own."""
        came = self._link.receive()
        if came:
            frame = self._writer.frame
            for can_id, data, received_ns in came:
                frame(received_ns, 0, can_id, data)
            self._writer.count()
        return came

    @property
    def garbled(self) -> int:
        """The link's own count."""
        return self._link.garbled

    def __getattr__(self, name: str) -> Any:
        # What a link tells beyond the protocol (its adapter's refusals, say) is the link's own.
        return getattr(self._link, name)

    def close(self) -> None:
        """Close the link, then the trace."""
        self._link.close()
        self._writer.close()


class TracedLine:
    """A SerialLine that puts down what passes. ``close`` closes both."""

    __slots__ = ("_clock", "_line", "_writer")

    def __init__(self, line: SerialLine, writer: TraceWriter, clock: Clock) -> None:
        self._line = line
        self._writer = writer
        self._clock = clock

    def send(self, data: bytes) -> None:
        """As the line's own; the instant put down is that before it."""
        instant_ns = self._clock.now_ns()
        try:
            self._line.send(data)
        except LinkError:
            self._put(instant_ns, OUT | NOT_TAKEN, data)
            raise
        self._put(instant_ns, OUT, data)

    def _put(self, instant_ns: int, flags: int, data: bytes) -> None:
        self._writer.run_of_bytes(instant_ns, flags, data)
        self._writer.count()

    def receive(self) -> bytes:
        """As the line's own."""
        came = self._line.receive()
        if came:
            self._put(self._clock.now_ns(), 0, came)
        return came

    def drop_unsent(self) -> None:
        """As the line's own."""
        self._line.drop_unsent()

    def next_ns(self) -> int:
        """As the line's own."""
        return self._line.next_ns()

    def fileno(self) -> int:
        """As the line's own."""
        return self._line.fileno()

    def __getattr__(self, name: str) -> Any:
        return getattr(self._line, name)

    def close(self) -> None:
        """Close the line, then the trace."""
        self._line.close()
        self._writer.close()


@overload
def traced(link: CanLink, writer: TraceWriter, clock: Clock) -> CanLink: ...
@overload
def traced(link: SerialLine, writer: TraceWriter, clock: Clock) -> SerialLine: ...
def traced(link: CanLink | SerialLine, writer: TraceWriter, clock: Clock) -> CanLink | SerialLine:
    """``link`` with a trace of what passes; it takes both over."""
    if hasattr(link, "send_frames"):
        return TracedCanLink(cast("CanLink", link), writer, clock)
    return TracedLine(link, writer, clock)


def description(
    settings: GroupSettings, machine: str, run: str, time_kind: str, clock: Clock
) -> dict[str, Any]:
    """What a trace says of itself: machine, run, wire and drives, and one instant by both clocks.

    ``time_kind``: real or virtual.
    """
    wire = settings.wire
    carries = "bytes" if isinstance(wire, SerialWire) else "frames"
    told: dict[str, Any] = {"kind": wire.kind, "carries": carries, "bitrate_bit_s": wire.bitrate_bit_s}
    if isinstance(wire, ModbusWire):
        told |= {"character_ns": wire.character_ns, "silence_ns": wire.silence_us * 1000}
    maps = {
        str(drive.node_id): drive.registers.model_dump(mode="json")
        for drive in settings.axes.values()
        if drive.registers is not None
    }
    return {
        "machine": machine,
        "run": run,
        "clock": time_kind,
        "wire": told,
        "nodes": {str(drive.node_id): axis for axis, drive in settings.axes.items()},
        **({"registers": maps} if maps else {}),
        **_drive_files(settings),
        "instant_ns": clock.now_ns(),
        "wall_ns": time.time_ns(),
    }


def _drive_files(settings: GroupSettings) -> dict[str, Any]:
    """The drive files of described drives, each once, and which node has which; nothing where there are none.

    The manual's samples say nothing of a frame's meaning and are left out; so are files that are too long for a head.
    """
    files: list[DriveFile] = []
    drives: dict[str, int] = {}
    for drive in settings.axes.values():
        if drive.described is None:
            continue
        if drive.described not in files:
            files.append(drive.described)
        drives[str(drive.node_id)] = files.index(drive.described)
    told = [file.model_dump(mode="json", exclude_defaults=True, exclude={"samples"}) for file in files]
    if not told or len(json.dumps(told)) > DRIVE_FILES_BYTES_MAX:
        return {}
    return {"drive_files": told, "drives": drives}


def open_writer(
    path: Path, mib: int, settings: GroupSettings, *, machine: str, run: str, time_kind: str, clock: Clock
) -> TraceWriter:
    """A ring of ``mib`` MiB at ``path``. Raises OSError when there is no room for it."""
    told = description(settings, machine, run, time_kind, clock)
    return TraceWriter.create(path, mib * (1 << 20) // SLOT_BYTES, told)
