"""Reading CANopen nodes by expedited SDO uploads (CiA 301), timed. Sends nothing else; what it hears else it drops.

Owns the questions and their timing. Not the client of the drives' set-up (``drivers.can.sdo``), whose wait has a grain
of 0.2 ms: here the answer's instant is what is asked for.
"""

from __future__ import annotations

import struct

from drivers import cia402
from drivers.can import frames
from drivers.can.link import CanLink
from drivers.clock import NS_PER_S, Clock
from drivers.interface import DriveState
from drivers.look import NodeLook
from drivers.settings import GroupSettings

GRAIN_NS = 20_000
"""While an answer is awaited the link is read so often."""

PAUSE_NS = 2_000_000
"""Between questions: a bus with other users is not filled up."""

_QUESTIONS = (
    ("device_type", 0x1000, 0),
    ("error_register", 0x1001, 0),
    ("vendor", 0x1018, 1),
    ("product", 0x1018, 2),
    ("revision", 0x1018, 3),
    ("heartbeat_ms", 0x1017, 0),
    ("abort_option", 0x6007, 0),
    ("supported_modes", 0x6502, 0),
    ("fault_code", 0x603F, 0),
)
_STATUSWORD = 0x6041
_LOST_MAX = 3


def upload(
    link: CanLink, clock: Clock, node: int, index: int, subindex: int, timeout_ns: int
) -> tuple[int | None, int] | None:
    """The value of an object of up to 4 bytes, unsigned (None when the node refuses), and the round trip in ns.

    None when no answer comes in time. Raises LinkError when the link is gone.
    """
    link.receive()
    begin_ns = clock.now_ns()
    link.send_frames(((frames.SDO_REQUEST + node, struct.pack("<BHB4x", 0x40, index, subindex)),))
    while True:
        came = link.receive()
        now_ns = clock.now_ns()
        for can_id, data, _ in came:
            if can_id != frames.SDO_ANSWER + node or len(data) != 8:
                continue
            if struct.unpack_from("<HB", data, 1) != (index, subindex):
                continue
            if data[0] >> 5 == 4:
                return None, now_ns - begin_ns
            if data[0] >> 5 == 2:
                return _value(data), now_ns - begin_ns
        if now_ns - begin_ns >= timeout_ns:
            return None
        clock.sleep_until_ns(now_ns + GRAIN_NS)


def _value(data: bytes) -> int | None:
    """The value of an upload answer; None when it comes in segments, which nobody asks for here."""
    if not data[0] & 2:
        return None
    size = 4 - (data[0] >> 2 & 3) if data[0] & 1 else 4
    return int.from_bytes(data[4 : 4 + size], "little")


def look_at_nodes(settings: GroupSettings, link: CanLink, clock: Clock, rounds: int) -> list[NodeLook]:
    """See ``drivers.look.look``."""
    timeout_ns = round(settings.can.sdo_timeout_s * NS_PER_S)
    looks = [NodeLook(axis, drive.node_id) for axis, drive in settings.axes.items()]
    for look in looks:
        _ask_once(look, link, clock, timeout_ns)
    for _ in range(rounds):
        for look in looks:
            if look.trouble:
                continue
            clock.sleep_until_ns(clock.now_ns() + PAUSE_NS)
            got = upload(link, clock, look.node, _STATUSWORD, 0, timeout_ns)
            if got is None:
                look.lost += 1
                if look.lost >= _LOST_MAX:
                    look.trouble = (
                        f"{look.lost} questions without an answer within {settings.can.sdo_timeout_s:g} s"
                    )
                continue
            look.round_trips_ns.append(got[1])
            _take_status(look, got[0])
    return looks


def _ask_once(look: NodeLook, link: CanLink, clock: Clock, timeout_ns: int) -> None:
    for name, index, subindex in _QUESTIONS:
        got = upload(link, clock, look.node, index, subindex, timeout_ns)
        if got is None:
            look.trouble = f"no answer for {index:04X}h within {timeout_ns / NS_PER_S:g} s"
            return
        if got[0] is not None:
            look.values[name] = got[0]
    look.fault_code = look.values.get("fault_code", 0)
    got = upload(link, clock, look.node, _STATUSWORD, 0, timeout_ns)
    _take_status(look, None if got is None else got[0])


def _take_status(look: NodeLook, word: int | None) -> None:
    look.statusword = word or 0
    look.state = DriveState.UNKNOWN if word is None else cia402.decode(word)
