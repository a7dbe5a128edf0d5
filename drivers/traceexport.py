"""A trace in formats that other programs read: CAN by python-can's writers, bytes of a serial line as a table.

Owns which format is written for which wire. Knows no meaning.
"""

from __future__ import annotations

import csv
from pathlib import Path

from drivers.tracefile import Trace

CAN_SUFFIXES = (".asc", ".blf", ".csv", ".log", ".trc")
SERIAL_SUFFIXES = (".csv",)


def suffixes_for(trace: Trace) -> tuple[str, ...]:
    """The suffixes that this trace can be exported to."""
    return SERIAL_SUFFIXES if is_serial(trace) else CAN_SUFFIXES


def is_serial(trace: Trace) -> bool:
    """Whether it is of a serial line."""
    wire = trace.description.get("wire")
    return isinstance(wire, dict) and wire.get("carries") == "bytes"


def export(trace: Trace, path: Path) -> int:
    """Write the trace to ``path`` in the format of its suffix, and answer how many frames (runs of bytes) it has.

    Instants become the wall clock's. Raises ValueError for a suffix that this trace has no format for; OSError.
    """
    if path.suffix not in suffixes_for(trace):
        raise ValueError(path.suffix)
    begin_ns, begin_wall_ns = origin(trace)
    if not is_serial(trace):
        from drivers.can.tracelog import write_log

        return write_log(path, trace.pieces(), begin_ns, begin_wall_ns)
    count = 0
    with path.open("w", newline="", encoding="utf-8") as file:
        table = csv.writer(file)
        table.writerow(("timestamp", "direction", "taken", "bytes"))
        for piece in trace.pieces():
            count += 1
            at_ns = piece.instant_ns - begin_ns + begin_wall_ns
            seconds, rest_ns = divmod(at_ns, 1_000_000_000)
            way = "out" if piece.is_out else "in"
            table.writerow((f"{seconds}.{rest_ns:09d}", way, int(piece.is_taken), piece.data.hex().upper()))
    return count


def origin(trace: Trace) -> tuple[int, int]:
    """One instant by the trace's clock and by the wall's, ns; zeros where the trace does not say."""
    told = trace.description.get("instant_ns"), trace.description.get("wall_ns")
    return (told[0], told[1]) if isinstance(told[0], int) and isinstance(told[1], int) else (0, 0)
