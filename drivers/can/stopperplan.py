"""The plan for a stop through a second handle: what the guard is told, and what the process with the handle is told.

Owns the making of both. Knows CANopen's default identifiers; opens nothing.
"""

from __future__ import annotations

from collections.abc import Sequence

from drivers.can.pythoncan import backend_of
from drivers.errors import MisuseError
from drivers.interface import StandstillWord, StopPlan
from drivers.settings import CanAdapter
from drivers.stoppersettings import CanStopperSettings

MODULE = "drivers.can.stopper"
_IN_ONE_PROCESS = frozenset({"virtual"})


def handle_plan(
    wire: CanAdapter,
    channel: str,
    stop: Sequence[tuple[int, bytes]],
    poll: tuple[int, bytes],
    proof: Sequence[tuple[int, bytes, int]],
    standstill: tuple[StandstillWord, ...],
) -> StopPlan:
    """A stop plan of kind ``handle``. ``proof``: a harmless question to each drive, and its answer's identifier.

    Raises MisuseError for a name that is no backend, and for a bus that ends with its process.
    """
    if backend_of(wire.interface) in _IN_ONE_PROCESS:
        raise MisuseError(
            "wire.interface", "slcan, socketcan or a bus that a second process can open", repr(wire.interface)
        )
    told = CanStopperSettings(
        adapter=CanAdapter(
            interface=wire.interface,
            channel=channel,
            bitrate_bit_s=wire.bitrate_bit_s,
            options=wire.options,
        ),
        stop=tuple((can_id, data.hex()) for can_id, data in stop),
        poll=(poll[0], poll[1].hex()),
        proof=tuple((can_id, data.hex(), answer_id) for can_id, data, answer_id in proof),
        hear=tuple(word.can_id for word in standstill),
    )
    command = ("-P", "-m", MODULE, told.model_dump_json())
    return StopPlan("handle", channel, b"", (), b"", standstill, handle=command)
