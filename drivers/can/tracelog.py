"""CAN frames of a trace in log formats that other programs read, by python-can's own writers.

Owns the choice of writer by suffix and what a frame becomes there. Knows no meaning.
"""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path
from typing import Any

import can
from can.io.asc import ASCWriter
from can.io.blf import BLFWriter
from can.io.canutils import CanutilsLogWriter
from can.io.csv import CSVWriter
from can.io.trc import TRCWriter

from drivers.tracefile import Piece

WRITERS: dict[str, Any] = {
    ".asc": ASCWriter,
    ".blf": BLFWriter,
    ".csv": CSVWriter,
    ".log": CanutilsLogWriter,
    ".trc": TRCWriter,
}
"""By suffix; ``.log`` is what can-utils' candump writes."""

_EXTENDED, _REMOTE, _ERROR = 0x8000_0000, 0x4000_0000, 0x2000_0000


def write_log(path: Path, pieces: Iterable[Piece], begin_ns: int, begin_wall_ns: int) -> int:
    """Write the CAN frames among ``pieces`` and answer how many; what the wire did not take is left out.

    ``begin_ns`` on the trace's clock is ``begin_wall_ns`` on the wall's. Raises OSError; KeyError for a suffix that
    ``WRITERS`` does not know.
    """
    make = WRITERS[path.suffix]
    count = 0
    with make(path) as writer:
        for piece in pieces:
            if piece.is_serial or not piece.is_taken:
                continue
            writer.on_message_received(_message(piece, (piece.instant_ns - begin_ns + begin_wall_ns) * 1e-9))
            count += 1
    return count


def _message(piece: Piece, timestamp_s: float) -> can.Message:
    is_extended = bool(piece.can_id & _EXTENDED)
    is_remote = bool(piece.can_id & _REMOTE)
    return can.Message(
        timestamp=timestamp_s,
        arbitration_id=piece.can_id & (0x1FFF_FFFF if is_extended else 0x7FF),
        is_extended_id=is_extended,
        is_remote_frame=is_remote,
        is_error_frame=bool(piece.can_id & _ERROR),
        is_rx=not piece.is_out,
        dlc=len(piece.data),
        data=None if is_remote else piece.data,
        channel=0,
    )
