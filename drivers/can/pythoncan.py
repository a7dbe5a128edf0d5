"""A CanLink over any python-can backend, chosen by name.

Owns the python-can bus object: its options, its bounds, and what its backend leaves undone. Knows nothing of what the
frames mean. The configuration files and environment variables that python-can would search are not read: what the
machine file says is all.
"""

from __future__ import annotations

import contextlib
import importlib
import inspect
import select
import socket
import struct
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

import can
from can.interfaces import BACKENDS

from drivers.can.health import BusHealth
from drivers.can.link import Frame
from drivers.can.slcan import EXTENDED_FLAG
from drivers.clock import Clock, MonotonicClock
from drivers.errors import LinkError, MisuseError

BY_NAME = "python-can:"
"""Before a backend's name: python-can's own, also where a link of ours has the same name."""

_SEND_LIMIT_S = 0.02
_OPEN_LIMIT_S = 2.0
_DRAIN_MAX = 1024
_OWN_LINK = frozenset({"slcan"})
_UNFIT = frozenset({"udp_multicast"})
"""Backends without an order of frames or a bounded send."""

_SET_BY_US = frozenset({"self", "args", "kwargs", "channel", "interface", "bitrate", "can_filters", "fd"})
_ECHOES = frozenset({"receive_own_messages", "ignore_config", "config_context"})
_DEFAULTS: dict[str, dict[str, Any]] = {
    "slcan": {"timeout": 0.0, "sleep_after_open": 0.1},
    "socketcand": {"tcp_tune": True},
}
"""Where a backend's own default costs time: a read that waits 1 ms for each byte, two seconds after opening, small
packets that are held back until the last one has been acknowledged."""

_OPENS = "a bus that opens: look at wire.channel, wire.options, the adapter's plug, driver and rights"
_TAKES = "a bus that takes each frame within 20 ms: look at cable, terminators, bit rate, who else holds the adapter"
_READS = "a bus to read: look at the adapter's plug and at who else holds it"


def known_interfaces() -> tuple[str, ...]:
    """Names of the python-can backends that this link takes; each of them also behind ``BY_NAME``."""
    fit = set(can.VALID_INTERFACES) - _UNFIT
    return tuple(sorted({name if name not in _OWN_LINK else BY_NAME + name for name in fit}))


def backend_of(interface: str) -> str:
    """python-can's name for ``interface``. Raises MisuseError for one that this link does not take."""
    name = interface.removeprefix(BY_NAME)
    is_own = name in _OWN_LINK and name == interface
    if is_own or name in _UNFIT or name not in can.VALID_INTERFACES:
        raise MisuseError("wire.interface", f"one of {', '.join(known_interfaces())}", repr(interface))
    return name


class PythonCanLink:
    """A CanLink on a python-can bus. Not for two threads.

    Identifiers of 29 bits are marked by bit 31 (linux/can.h), both ways.
    """

    __slots__ = ("_bus", "_clock", "_fd", "_held", "_name", "_poll", "_socket", "garbled", "health")

    def __init__(self, bus: can.BusABC, name: str, clock: Clock | None = None) -> None:
        """Take over ``bus``; ``name`` is for messages. What its backend sends through gets a time-out."""
        self._bus: can.BusABC | None = bus
        self._name = name
        self._clock = clock if clock is not None else MonotonicClock()
        self._held: list[Frame] = []
        self._socket = _bounded(bus)
        self._fd = _descriptor(bus)
        if self._fd < 0 and self._socket is not None:
            self._fd = self._socket.fileno()
        self._poll = select.poll()
        if self._fd >= 0:
            self._poll.register(self._fd, select.POLLIN)
        self.garbled = 0
        self.health = BusHealth()

    @classmethod
    def open(
        cls,
        interface: str,
        channel: str,
        bitrate_bit_s: int,
        clock: Clock | None = None,
        options: Mapping[str, Any] | None = None,
    ) -> PythonCanLink:
        """Open ``channel`` with the backend ``interface``, telling it ``options`` by its own names.

        Raises MisuseError for a name that python-can or its backend does not know, LinkError when the bus cannot be
        opened.
        """
        backend = backend_of(interface)
        name = f"{interface} {channel}"
        told = {**_DEFAULTS.get(backend, {}), **(options or {})}
        try:
            _check_options(backend, options or {})
            with _reachable(told):
                bus = can.Bus(channel, backend, ignore_config=True, bitrate=bitrate_bit_s, **told)
        except MisuseError:
            raise
        except (TypeError, ValueError) as error:
            raise MisuseError(
                f"wire.options of {name}", "values that the backend takes", str(error)
            ) from error
        except Exception as error:
            # Backends load libraries of makers: anything may come.
            raise LinkError(f"wire {name}", _OPENS, _told(error), code="wire-not-opened") from error
        if backend == "slcan":
            # Letting go must leave the adapter's channel open: the guard may still need it.
            bus.close = lambda: None  # type: ignore[attr-defined]
        return cls(bus, name, clock)

    def fileno(self) -> int:
        """A descriptor that becomes readable when frames come; -1 where the backend has none, or after ``close``."""
        return self._fd

    def send_frames(self, frames: Sequence[tuple[int, bytes]]) -> None:
        """Send each frame with a short time-out. Raises LinkError when the bus does not take one."""
        bus = self._bus
        if bus is None:
            raise LinkError(f"wire {self._name}", "an open bus", "a closed bus")
        try:
            for can_id, data in frames:
                is_extended = bool(can_id & EXTENDED_FLAG)
                bare_id = can_id & ~EXTENDED_FLAG
                message = can.Message(arbitration_id=bare_id, data=data, is_extended_id=is_extended)
                bus.send(message, _SEND_LIMIT_S)
        except Exception as error:
            raise LinkError(f"wire {self._name}", _TAKES, _told(error)) from error

    def receive(self) -> list[Frame]:
        """All frames that have come, at most ``_DRAIN_MAX`` a call.

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
                    # Some backends read an acknowledgement and call that nothing, with frames behind it.
                    if not self._has_more():
                        break
                    continue
                if message.is_error_frame:
                    trouble = trouble or self.health.error_frame(message.arbitration_id, bytes(message.data))
                    self.garbled += 1
                elif message.is_remote_frame or message.is_fd:
                    self.garbled += 1
                else:
                    can_id = message.arbitration_id | (EXTENDED_FLAG if message.is_extended_id else 0)
                    frames.append(Frame(can_id, bytes(message.data), self._clock.now_ns()))
        except LinkError:
            raise
        except Exception as error:
            if not isinstance(error, ValueError) and not isinstance(error.__cause__, ValueError):
                raise LinkError(f"wire {self._name}", _READS, _told(error)) from error
            # A backend that could not read a line of its own: dropped; the next call goes on after it.
            self.garbled += 1
            rest = getattr(bus, "_buffer", None)
            if isinstance(rest, bytearray):
                # python-can's slcan keeps a line with a byte that is no character, and fails on it for ever.
                rest.clear()
        if trouble:
            self._held = frames
            raise LinkError(
                f"wire {self._name}", "a bus controller without errors", trouble, code="bus-errors"
            )
        return frames

    def _has_more(self) -> bool:
        """Whether something lies unread though the backend gave nothing. Raises LinkError at the other end's end."""
        if self._fd < 0 or not self._poll.poll(0):
            return False
        if self._socket is not None and self._socket.type == socket.SOCK_STREAM:
            with contextlib.suppress(BlockingIOError):
                if not self._socket.recv(1, socket.MSG_PEEK | socket.MSG_DONTWAIT):
                    raise LinkError(
                        f"wire {self._name}", _READS, "a connection that the other end has closed"
                    )
        return True

    def close(self) -> None:
        """Give the bus back; a second call does nothing."""
        bus, self._bus = self._bus, None
        self._fd, self._socket = -1, None
        if bus is not None:
            # Whatever a backend of a maker raises here: nothing is left to give back.
            with contextlib.suppress(Exception):
                bus.shutdown()


def _told(error: Exception) -> str:
    return str(error) or type(error).__name__


def _check_options(backend: str, options: Mapping[str, Any]) -> None:
    """Refuse what the backend does not know: most swallow an unknown name without a word."""
    module, name = BACKENDS[backend]
    make = inspect.unwrap(getattr(importlib.import_module(module), name).__init__)
    parameters = inspect.signature(make).parameters
    # Some backends look their options up in **kwargs: those names stand in the code as constants.
    constants = {one for one in make.__code__.co_consts if isinstance(one, str) and one.isidentifier()}
    taken = (set(parameters) | (constants if _takes_any(parameters) else set())) - _SET_BY_US - _ECHOES
    for option in sorted(options):
        if option not in taken:
            named = ", ".join(sorted(set(parameters) - _SET_BY_US - _ECHOES)) or "no option"
            raise MisuseError(f"wire.options.{option}", f"an option of {backend} ({named})", "another name")
    missing = [
        one.name
        for one in parameters.values()
        if one.default is one.empty
        and one.kind in (one.POSITIONAL_OR_KEYWORD, one.KEYWORD_ONLY)
        and one.name not in _SET_BY_US
        and one.name not in options
    ]
    if missing:
        raise MisuseError("wire.options", f"{' and '.join(missing)} for {backend}", "none")


def _takes_any(parameters: Mapping[str, inspect.Parameter]) -> bool:
    return any(one.kind is one.VAR_KEYWORD for one in parameters.values())


@contextlib.contextmanager
def _reachable(options: Mapping[str, Any]) -> Iterator[None]:
    """Bound the opening of a bus behind a network address; any other is opened as it is.

    python-can's client tries a refused connection again without a pause for ten seconds, and waits for a mute server's
    greeting for ever: so the address is tried first, and sockets made meanwhile have a time-out.
    """
    host, port = options.get("host"), options.get("port")
    if not isinstance(host, str) or not isinstance(port, int):
        yield
        return
    socket.create_connection((host, port), _OPEN_LIMIT_S).close()
    before_s = socket.getdefaulttimeout()
    socket.setdefaulttimeout(_OPEN_LIMIT_S)
    try:
        yield
    finally:
        socket.setdefaulttimeout(before_s)


def _bounded(bus: can.BusABC) -> socket.socket | None:
    """Give what the backend sends through a time-out of its own: some ignore the one of ``send``.

    Returns the socket, where there is one.
    """
    found = None
    for value in vars(bus).values():
        if isinstance(value, socket.socket):
            found = value
            value.settimeout(None)
            limit = struct.pack("@ll", 0, round(_SEND_LIMIT_S * 1e6))
            value.setsockopt(socket.SOL_SOCKET, socket.SO_SNDTIMEO, limit)
        elif hasattr(value, "write_timeout"):
            value.write_timeout = _SEND_LIMIT_S
    return found


def _descriptor(bus: can.BusABC) -> int:
    try:
        return int(bus.fileno())
    except Exception:  # noqa: BLE001 - "not implemented" has many forms
        return -1
