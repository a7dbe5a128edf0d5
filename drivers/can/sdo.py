"""Reading and writing a node's object dictionary over a CanLink, with the canopen library doing the protocol.

Owns the waiting: the library's client would block on a queue that a thread fills; here the wait itself pumps the
link and the clock, so there is no thread, and the same code runs in virtual time. Knows nothing of which objects
mean what.
"""

from __future__ import annotations

import logging
import struct
from collections.abc import Callable
from dataclasses import dataclass

import canopen
from canopen.sdo.client import SdoClient
from canopen.sdo.exceptions import SdoAbortedError, SdoCommunicationError

from drivers.can import frames
from drivers.can.link import CanLink
from drivers.clock import NS_PER_S, Clock
from drivers.errors import FaultError, LinkError

_PUMP_NS = 200_000
_MISSING = frozenset({0x0602_0000, 0x0609_0011})
"""Abort codes of CiA 301: object, sub-index does not exist."""

_INITIATES = frozenset({1, 2})
"""Top three bits of requests that name an object: download and upload initiate."""

_NAMES_OBJECT = frozenset({2, 3, 4})
"""Top three bits of answers that name their object: upload initiate, download initiate, abort."""

# Each failure becomes an exception that says more; the library's own lines would only double it.
logging.getLogger("canopen").addHandler(logging.NullHandler())


@dataclass(frozen=True, slots=True)
class Entry:
    """One value in an object dictionary; ``layout`` is a struct code (little-endian)."""

    index: int
    subindex: int
    layout: str
    name: str

    def __str__(self) -> str:
        return f"{self.index:04X}h:{self.subindex:02X} {self.name}"


class _LinkNetwork(canopen.Network):
    """canopen's idea of a bus, sending on our link; frames come in through ``notify``."""

    def __init__(self, link: CanLink) -> None:
        super().__init__()
        self._link = link

    def send_message(self, can_id: int, data: bytes, remote: bool = False) -> None:
        assert not remote
        self._link.send_frames(((can_id, bytes(data)),))


class _PumpedClient(SdoClient):
    """canopen's SDO client whose wait for an answer pumps the link instead of blocking."""

    def __init__(self, node_id: int, network: _LinkNetwork, wait: Callable[[SdoClient], bool]) -> None:
        dictionary = canopen.ObjectDictionary()  # type: ignore[no-untyped-call]
        request_id, answer_id = frames.SDO_REQUEST + node_id, frames.SDO_ANSWER + node_id
        super().__init__(request_id, answer_id, dictionary)  # type: ignore[no-untyped-call]
        self.network = network
        self._wait = wait
        self._awaited = b""
        self._is_waiting = False

    def request_response(self, sdo_request: bytes) -> bytes:
        if sdo_request[0] >> 5 in _INITIATES:
            self._awaited = bytes(sdo_request[1:4])
        answer: bytes = super().request_response(sdo_request)  # type: ignore[no-untyped-call]
        return answer

    def on_response(self, can_id: int, data: bytearray, timestamp: float) -> None:
        # Unasked answers would pile up in the library's queue for as long as nobody asks.
        if not self._is_waiting:
            return
        # The stop frames (ours before, a guard's now) also ask the server for something; its answers to them
        # name their object, and are not ours.
        if data[0] >> 5 in _NAMES_OBJECT and bytes(data[1:4]) != self._awaited:
            return
        super().on_response(can_id, data, timestamp)  # type: ignore[no-untyped-call]

    def read_response(self) -> bytes:
        self._is_waiting = True
        try:
            has_come = self._wait(self)
        finally:
            self._is_waiting = False
        if not has_come:
            raise SdoCommunicationError("No SDO response received")
        answer: bytes = super().read_response()  # type: ignore[no-untyped-call]
        return answer


class ObjectAccess:
    """Reads and writes of the object dictionaries of all nodes on a link."""

    def __init__(
        self,
        link: CanLink,
        clock: Clock,
        nodes: dict[int, str],
        timeout_s: float,
        pump: Callable[[], None] | None = None,
    ) -> None:
        """``nodes`` maps node ids to how messages name them.

        ``pump`` is called while waiting: it must read the link and give every frame of an SDO answer to
        ``take``. Without it the link is read here and other frames are dropped.
        """
        self._clock = clock
        self._link = link
        self._names = nodes
        self._timeout_ns = round(timeout_s * NS_PER_S)
        self._timeout_s = timeout_s
        self._pump = pump if pump is not None else self._pump_alone
        self._network = _LinkNetwork(link)
        self._clients = {node: _PumpedClient(node, self._network, self._wait) for node in nodes}
        for node, client in self._clients.items():
            self._network.subscribe(frames.SDO_ANSWER + node, client.on_response)

    def take(self, can_id: int, data: bytes) -> None:
        """Give an arrived frame to whoever waits for it. Answers that are not 8 bytes long are dropped."""
        if len(data) == 8:
            self._network.notify(can_id, bytearray(data), 0.0)

    def _pump_alone(self) -> None:
        for frame in self._link.receive():
            self.take(frame.can_id, frame.data)

    def _wait(self, client: SdoClient) -> bool:
        deadline_ns = self._clock.now_ns() + self._timeout_ns
        while True:
            self._pump()
            if not client.responses.empty():
                return True
            now_ns = self._clock.now_ns()
            if now_ns >= deadline_ns:
                return False
            self._clock.sleep_until_ns(now_ns + _PUMP_NS)

    def read(self, node_id: int, entry: Entry) -> int:
        """The value of ``entry``.

        Raises LinkError when the node does not answer, FaultError when it refuses or answers nonsense.
        """
        layout = struct.Struct("<" + entry.layout)
        try:
            data = self._clients[node_id].upload(entry.index, entry.subindex)
        except SdoAbortedError as error:
            raise FaultError(
                self._names[node_id], f"{entry} to be read", str(error), code="drive-refuses-object"
            ) from error
        except SdoCommunicationError as error:
            raise self._silence(node_id, entry, error) from error
        if len(data) < layout.size:
            raise FaultError(
                self._names[node_id],
                f"{entry} of {layout.size} bytes",
                f"{len(data)} bytes",
                code="drive-refuses-object",
            )
        value: int = layout.unpack_from(data)[0]
        return value

    def read_if_there(self, node_id: int, entry: Entry) -> int | None:
        """As ``read``, but None when the node has no such object."""
        try:
            return self.read(node_id, entry)
        except FaultError as error:
            if _is_missing(error):
                return None
            raise

    def write(self, node_id: int, entry: Entry, value: int) -> None:
        """Write without reading back. Raises as ``read`` does."""
        try:
            self._clients[node_id].download(
                entry.index, entry.subindex, struct.pack("<" + entry.layout, value)
            )
        except SdoAbortedError as error:
            raise FaultError(
                self._names[node_id], f"{entry} = {value}", str(error), code="drive-refuses-object"
            ) from error
        except SdoCommunicationError as error:
            raise self._silence(node_id, entry, error) from error

    def hold(self, node_id: int, entry: Entry, value: int, mask: int = -1) -> None:
        """Write ``value`` and read it back; bits outside ``mask`` may differ.

        Raises FaultError when the value does not hold, and as ``read`` does.
        """
        self.write(node_id, entry, value)
        self.require(node_id, entry, value, mask)

    def require(self, node_id: int, entry: Entry, value: int, mask: int = -1) -> None:
        """Read ``entry``, which must be ``value`` but for bits outside ``mask``.

        Raises FaultError when it is not, and as ``read`` does.
        """
        got = self.read(node_id, entry)
        if got & mask != value & mask:
            raise FaultError(
                self._names[node_id], f"{entry} = {_shown(value)}", _shown(got), code="drive-refuses-object"
            )

    def hold_if_there(self, node_id: int, entry: Entry, value: int, mask: int = -1) -> bool:
        """As ``hold``, but False when the node has no such object."""
        try:
            self.hold(node_id, entry, value, mask)
        except FaultError as error:
            if _is_missing(error):
                return False
            raise
        return True

    def _silence(self, node_id: int, entry: Entry, error: Exception) -> LinkError:
        what = str(error) if str(error) != "No SDO response received" else f"silence for {self._timeout_s} s"
        return LinkError(self._names[node_id], f"an answer for {entry}", what, code="node-silent")


def _is_missing(error: FaultError) -> bool:
    cause = error.__cause__
    return isinstance(cause, SdoAbortedError) and cause.code in _MISSING


def _shown(value: int) -> str:
    return f"{value} ({value & 0xFFFF_FFFF:X}h)"
