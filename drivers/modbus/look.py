"""Reading Modbus units by function 03, timed. Writes no register. Keeps the line's silences.

Owns the questions and their timing; whose registers mean what is the mirror's.
"""

from __future__ import annotations

from drivers.clock import NS_PER_S, Clock
from drivers.interface import AxisFeedback
from drivers.line.master import AnswerError
from drivers.line.port import SerialLine
from drivers.look import NodeLook
from drivers.modbus import frames
from drivers.modbus.mirror import DriveMirror
from drivers.settings import GroupSettings, ModbusWire, registers_of

GRAIN_NS = 20_000
_LOST_MAX = 3


def ask(
    line: SerialLine, wire: ModbusWire, clock: Clock, request: frames.Request, timeout_ns: int
) -> tuple[tuple[int, ...], str, int]:
    """The registers of the answer, or why there is none (in words), and the round trip in ns: until its last character.

    Waits one silence first, so that the line is free. Raises LinkError when the line is gone.
    """
    clock.sleep_until_ns(clock.now_ns() + wire.silence_ns + 2 * wire.character_ns)
    line.receive()
    begin_ns = clock.now_ns()
    line.send(request.frame)
    came = b""
    while True:
        came += line.receive()
        now_ns = clock.now_ns()
        if len(came) >= 2 and len(came) >= request.needed(came[:2]):
            try:
                return request.content(came), "", now_ns - begin_ns
            except AnswerError as error:
                return (), str(error), now_ns - begin_ns
        if now_ns - begin_ns >= timeout_ns:
            return (), f"{len(came)} bytes of an answer" if came else "no answer", now_ns - begin_ns
        clock.sleep_until_ns(now_ns + GRAIN_NS)


def look_at_units(settings: GroupSettings, line: SerialLine, clock: Clock, rounds: int) -> list[NodeLook]:
    """See ``drivers.look.look``."""
    wire = settings.modbus
    timeout_ns = round(wire.answer_timeout_s * NS_PER_S)
    looks = [NodeLook(axis, drive.node_id) for axis, drive in settings.axes.items()]
    for _ in range(max(1, rounds)):
        for look in looks:
            if look.trouble:
                continue
            registers = registers_of(look.axis, settings.axes[look.axis])
            first, count = registers.looked_at
            got, why, took_ns = ask(line, wire, clock, frames.read(look.node, first, count), timeout_ns)
            if why:
                look.lost += 1
                if look.lost >= _LOST_MAX or not look.round_trips_ns:
                    look.trouble = f"registers {first:04X}h x{count}: {why}"
                continue
            look.round_trips_ns.append(took_ns)
            word = AxisFeedback()
            mirror = DriveMirror(registers, word)
            mirror.is_trusted = True
            mirror.take(got, clock.now_ns(), 0.0, 1.0)
            look.state, look.statusword, look.fault_code = word.state, word.statusword, word.fault_code
    return looks
