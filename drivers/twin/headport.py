"""The simulated pen lift at a serial port of its own: as bytes at instants, in virtual time, and on a pty.

Owns the port's timing: an answer is there after the characters' time and the gantry's answering latency. ``is_silent``
pulls the plug, ``late_ns`` makes it answer late.
"""

from __future__ import annotations

import os
import tty
from typing import Protocol

from drivers.clock import VirtualClock
from drivers.errors import LinkError
from drivers.heads.settings import DescribedHead, SerialHead
from drivers.settings import GroupSettings
from drivers.twin.gantry import Gantry
from drivers.twin.headframes import SERIAL, FrameLift, TextLift

FAR_NS = 1 << 62
_BITS = 11
_BUFFER_MAX = 512
_READ_BYTES = 4096
_ENDS = {"lf": b"\n", "cr": b"\r", "cr-lf": b"\r\n"}


class _Protocol(Protocol):
    def hear(self, buffer: bytearray) -> list[bytes]:
        """Take whole messages out of ``buffer``, do what they say. The answers."""
        ...


class _Lines:
    def __init__(self, settings: SerialHead, device: TextLift) -> None:
        self._end = _ENDS[settings.line_end]
        self._device = device

    def hear(self, buffer: bytearray) -> list[bytes]:
        answers = []
        while (at := buffer.find(self._end)) >= 0:
            line = bytes(buffer[:at]).decode("ascii", "replace")
            del buffer[: at + len(self._end)]
            answer = self._device.hear(line)
            if answer is not None:
                answers.append(answer.encode() + self._end)
        return answers


class _Frames:
    def __init__(self, device: FrameLift) -> None:
        self._device = device

    def hear(self, buffer: bytearray) -> list[bytes]:
        answers: list[bytes] = []
        at = 0
        while at < len(buffer):
            known = next((one for one in self._device.heard if buffer.startswith(one, at)), None)
            if known is None:
                if any(one.startswith(bytes(buffer[at:])) for one in self._device.heard):
                    break
                at += 1
                continue
            at += len(known)
            answer = self._device.hear(SERIAL, known)
            if answer is not None:
                answers.append(answer[1])
        del buffer[:at]
        return answers


class LiftAtPort:
    """``hear`` takes bytes at an instant; ``due`` gives those whose instants have come."""

    def __init__(self, gantry: Gantry, head: SerialHead | DescribedHead) -> None:
        self._gantry = gantry
        self._character_ns = _BITS * 1_000_000_000 // head.bitrate_bit_s
        self._latency_ns = gantry.parameters.response_latency_us * 1000
        self._buffer = bytearray()
        self._answers: list[tuple[int, bytes]] = []
        self.is_silent = False
        self.late_ns = 0
        self._protocol: _Protocol
        if isinstance(head, SerialHead):
            self._protocol = _Lines(head, TextLift(head, gantry.lift))
        else:
            assert head.device is not None
            self._protocol = _Frames(FrameLift(head.device, head.node_id, gantry.lift))

    def hear(self, data: bytes, now_ns: int) -> None:
        """The port gets bytes."""
        if self.is_silent:
            return
        self._buffer += data
        del self._buffer[:-_BUFFER_MAX]
        for answer in self._gantry.at_head(now_ns, lambda: self._protocol.hear(self._buffer)):
            way_ns = (len(data) + len(answer)) * self._character_ns
            self._answers.append((now_ns + way_ns + self._latency_ns + self.late_ns, answer))

    @property
    def next_ns(self) -> int:
        """When the next answer is there."""
        return min((at_ns for at_ns, _ in self._answers), default=FAR_NS)

    def due(self, now_ns: int) -> bytes:
        """Answers that are there."""
        came = b"".join(data for at_ns, data in self._answers if at_ns <= now_ns)
        self._answers = [one for one in self._answers if one[0] > now_ns]
        return b"" if self.is_silent else came


def lift_at_port(gantry: Gantry, settings: GroupSettings) -> LiftAtPort | None:
    """The lift at its own port; None where the head has none."""
    head = settings.head
    is_port = isinstance(head, SerialHead) or (isinstance(head, DescribedHead) and not head.is_on_bus)
    if not is_port:
        return None
    assert isinstance(head, SerialHead | DescribedHead)
    return LiftAtPort(gantry, head)


class VirtualHeadLine:
    """A SerialLine to a lift in the same process. ``is_broken``: the port is gone."""

    def __init__(self, device: LiftAtPort, clock: VirtualClock) -> None:
        self.device = device
        self._clock = clock
        self.is_broken = False

    def send(self, data: bytes) -> None:
        """Bytes leave now. Raises LinkError when the port is gone."""
        self._refuse_broken()
        self.device.hear(data, self._clock.now_ns())

    def receive(self) -> bytes:
        """What has come. Raises LinkError when the port is gone."""
        self._refuse_broken()
        return self.device.due(self._clock.now_ns())

    def _refuse_broken(self) -> None:
        if self.is_broken:
            raise LinkError("head's simulated line", "an open line", "a line that has hung up")

    def drop_unsent(self) -> None:
        """Nothing waits here."""

    def next_ns(self) -> int:
        """When the next answer is there."""
        return self.device.next_ns

    def fileno(self) -> int:
        """None."""
        return -1

    def close(self) -> None:
        """It may be opened again."""


class HeadPty:
    """The lift at a pty, for the gantry's process. What nobody reads is dropped."""

    def __init__(self, device: LiftAtPort) -> None:
        self._device = device
        self._line, self._far_end = os.openpty()
        tty.setraw(self._far_end)
        os.set_blocking(self._line, False)

    @property
    def channel(self) -> str:
        """Path of the port."""
        return os.ttyname(self._far_end)

    def fileno(self) -> int:
        """To wait on."""
        return self._line

    @property
    def next_ns(self) -> int:
        """When the next answer is there."""
        return self._device.next_ns

    def live(self, now_ns: int) -> None:
        """Hear what has come, say what is due. Never raises."""
        try:
            received = os.read(self._line, _READ_BYTES)
        except OSError:
            received = b""
        if received:
            self._device.hear(received, now_ns)
        if due := self._device.due(now_ns):
            try:
                os.write(self._line, due)
            except OSError:
                return

    def close(self) -> None:
        """Give the pty back."""
        os.close(self._line)
        os.close(self._far_end)
