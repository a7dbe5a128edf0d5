"""A CanLink over any python-can backend, chosen by name.

Owns the python-can bus object. Knows nothing of what the frames mean. The configuration files and environment
variables that python-can would search are not read: what the machine file says is all.
"""

from __future__ import annotations

from collections.abc import Sequence

import can

from drivers.can.health import BusHealth
from drivers.can.link import Frame
from drivers.clock import Clock, MonotonicClock
from drivers.errors import LinkError, MisuseError

_SEND_LIMIT_S = 0.005
_DRAIN_MAX = 1024
_OWN_LINK = frozenset({"slcan"})
_UNFIT = frozenset({"udp_multicast"})
"""Backends without an order of frames or a bounded send."""


def known_interfaces() -> tuple[str, ...]:
    """Names of the python-can backends that this link takes."""
    return tuple(sorted(set(can.VALID_INTERFACES) - _OWN_LINK - _UNFIT))


class PythonCanLink:
    """A CanLink on a python-can bus. Not for two threads."""

    __slots__ = ("_bus", "_clock", "_held", "_name", "garbled", "health")

    def __init__(self, bus: can.BusABC, name: str, clock: Clock | None = None) -> None:
        """Take over ``bus``; ``name`` is for messages."""
        self._bus: can.BusABC | None = bus
        self._name = name
        self._clock = clock if clock is not None else MonotonicClock()
        self._held: list[Frame] = []
        self.garbled = 0
        self.health = BusHealth()

    @classmethod
    def open(
        cls, interface: str, channel: str, bitrate_bit_s: int, clock: Clock | None = None
    ) -> PythonCanLink:
        """Open ``channel`` with the backend ``interface``.

        Raises MisuseError for a name that python-can does not know, LinkError when the bus cannot be opened.
        """
        if interface not in known_interfaces():
            raise MisuseError("wire.interface", f"one of {', '.join(known_interfaces())}", repr(interface))
        try:
            bus = can.Bus(channel, interface, ignore_config=True, bitrate=bitrate_bit_s)
        except (can.CanError, OSError, ValueError, ImportError) as error:
            raise LinkError(f"wire {interface} {channel}", "a bus that opens", str(error)) from error
        return cls(bus, f"{interface} {channel}", clock)

    def send_frames(self, frames: Sequence[tuple[int, bytes]]) -> None:
        """Send each frame with a short time-out. Raises LinkError when the bus does not take one."""
        bus = self._bus
        if bus is None:
            raise LinkError(f"wire {self._name}", "an open bus", "a closed bus")
        try:
            for can_id, data in frames:
                bus.send(can.Message(arbitration_id=can_id, data=data, is_extended_id=False), _SEND_LIMIT_S)
        except (can.CanError, OSError) as error:
            raise LinkError(f"wire {self._name}", "a bus that takes frames", str(error)) from error

    def receive(self) -> list[Frame]:
        """All frames that have come.

        Raises LinkError when the bus is closed or gone, and once when its controller is found to be error-passive, off
        the bus or back from there; what came with that is handed out by the next call. Opening anew forgets it.
        """
        bus = self._bus
        if bus is None:
            raise LinkError(f"wire {self._name}", "an open bus", "a closed bus")
        frames, self._held = self._held, []
        trouble = ""
        try:
            for _ in range(_DRAIN_MAX):
                message = bus.recv(0)
                if message is None:
                    break
                if message.is_error_frame:
                    trouble = trouble or self.health.error_frame(message.arbitration_id, bytes(message.data))
                    self.garbled += 1
                elif message.is_extended_id or message.is_remote_frame or message.is_fd:
                    self.garbled += 1
                else:
                    frames.append(Frame(message.arbitration_id, bytes(message.data), self._clock.now_ns()))
        except (can.CanError, OSError) as error:
            raise LinkError(f"wire {self._name}", "a bus to read", str(error)) from error
        except ValueError:
            # A backend that could not read a line of its own: dropped; the next call goes on after it.
            self.garbled += 1
        if trouble:
            self._held = frames
            raise LinkError(f"wire {self._name}", "a bus controller without errors", trouble)
        return frames

    def close(self) -> None:
        """Give the bus back; a second call does nothing."""
        bus, self._bus = self._bus, None
        if bus is not None:
            try:
                bus.shutdown()
            except (can.CanError, OSError):
                # Nothing left to give back.
                return
