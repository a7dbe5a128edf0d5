"""A pen lift that its owner has described: frames of a head file, on the drives' bus or on a serial port of its own."""

from __future__ import annotations

from drivers.can.link import CanLink, Frame
from drivers.clock import Clock
from drivers.head import HeadPlace, switches
from drivers.heads.framing import HeadCodec
from drivers.heads.headfile import HeadFile
from drivers.heads.polled import PolledHead
from drivers.heads.settings import DescribedHead
from drivers.heads.tap import BusTap
from drivers.line.port import SerialLine

BUFFER_MAX = 512


def device_of(settings: DescribedHead) -> HeadFile:
    """What the head's file says. Raises ValueError without one."""
    if settings.device is None:
        raise ValueError("head.head_file: expected a head file that was read, got none")
    return settings.device


class _DescribedHead(PolledHead):
    def __init__(self, settings: DescribedHead, clock: Clock, where: str) -> None:
        super().__init__(settings, clock, where)
        self._device = device_of(settings)
        self._codec = HeadCodec(self._device, settings.node_id)
        self._orders = (self._codec.up, self._codec.down, self._codec.ask)
        self._has_come = False

    def _keep(self, read: tuple[int, float], now_ns: int) -> None:
        inputs, value = read
        feedback, device = self._feedback, self._device
        up, down = device.up_bit, device.down_bit
        feedback.place = (
            HeadPlace.BETWEEN
            if up is None and down is None
            else switches(
                up is not None and bool(inputs >> up & 1), down is not None and bool(inputs >> down & 1)
            )
        )
        feedback.value = value
        feedback.received_ns = now_ns
        self._has_come = True


class DescribedBusHead(_DescribedHead):
    """A HeadLine on the drives' bus. ``tap`` is the bus that is left for the drives."""

    def __init__(self, settings: DescribedHead, link: CanLink, clock: Clock) -> None:
        super().__init__(settings, clock, f"head (node {settings.node_id})")
        self._link = link
        self._is_own_reader = False
        self.tap = BusTap(link, frozenset((self._codec.reply_id,)), self._hear)

    def configure(self) -> None:
        """Before the drives are set up nobody else reads the bus: what is theirs is dropped."""
        self._is_own_reader = True
        try:
            super().configure()
        finally:
            self._is_own_reader = False

    def _hear(self, frame: Frame) -> None:
        read = self._codec.read(frame.data)
        if read is not None:
            self._keep(read, self._clock.now_ns())

    def _take(self, now_ns: int) -> bool:  # noqa: ARG002
        if self._is_own_reader:
            self.tap.receive()
        has_come, self._has_come = self._has_come, False
        return has_come

    def _put(self, what: int) -> bool:
        order = self._orders[what]
        if order is None:
            return False
        self._link.send_frames((order,))
        return what == 2

    def _put_up_now(self) -> int:
        self._put(0)
        return 0


class DescribedPortHead(_DescribedHead):
    """A HeadLine on a serial port of its own."""

    def __init__(self, settings: DescribedHead, line: SerialLine, clock: Clock) -> None:
        super().__init__(settings, clock, f"head ({settings.channel})")
        wire = self._device.serial
        assert wire is not None
        self._line = line
        self._buffer = bytearray()
        self._silence_ns = wire.silence_us * 1000
        self._free_ns = 0

    def _speak(self, now_ns: int) -> None:
        if now_ns >= self._free_ns:
            super()._speak(now_ns)

    def _put(self, what: int) -> bool:
        order = self._orders[what]
        assert order is not None
        self._buffer.clear()
        self._line.send(order[1])
        # A command is not answered: the next frame keeps its distance.
        self._free_ns = self._clock.now_ns() + self._time_ns(len(order[1])) + self._silence_ns
        return what == 2

    def _put_up_now(self) -> int:
        self._line.drop_unsent()
        self._put(0)
        return self._free_ns - self._clock.now_ns()

    def _take(self, now_ns: int) -> bool:
        data = self._line.receive()
        if data:
            self._buffer += data
            del self._buffer[:-BUFFER_MAX]
            read = self._codec.take(self._buffer)
            if read is not None:
                self._keep(read, now_ns)
                self._free_ns = max(self._free_ns, now_ns + self._silence_ns)
        has_come, self._has_come = self._has_come, False
        return has_come

    def close(self) -> None:
        """Give the port back."""
        self._line.close()
