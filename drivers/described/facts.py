"""The numbers that follow from a drive file, for whoever writes the machine file. Pure."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from drivers.described.codec import DriveCodec
from drivers.described.format import DriveFile, FixedTimeout


@dataclass(frozen=True, slots=True)
class Facts:
    """``tick_bytes``: bytes of one tick's commands and answers of one drive (CAN: data alone), ``tick_frames`` so many.

    ``velocity_unit_exact`` is the unit as a fraction, ``span_turns`` what the position counter holds (0: no end).
    """

    wire: str
    nodes: tuple[int, int]
    counts_per_turn: int
    span_turns: float
    velocity_unit_counts_s: float
    velocity_unit_exact: str
    velocity_min_units: int
    velocity_max_units: int
    velocity_max_turns_s: float
    tick_frames: int
    tick_bytes: int
    turnaround_us: int
    timeout: str

    def words(self) -> Iterator[tuple[str, str]]:
        """Name and value for people."""
        yield "wire", self.wire
        yield "nodes", f"{self.nodes[0]} to {self.nodes[1]}"
        yield "counts a turn", f"{self.counts_per_turn}"
        span = f"{self.span_turns:.6g} turns" if self.span_turns else "no end"
        yield "position counter", span
        exact = "" if self.velocity_unit_exact.isdigit() else f" ({self.velocity_unit_exact})"
        yield "one velocity unit", f"{self.velocity_unit_counts_s:.10g} counts/s{exact}"
        yield (
            "velocities",
            f"{self.velocity_min_units} to {self.velocity_max_units} units, {self.velocity_max_turns_s:.4g} turns/s",
        )
        yield "a tick", f"{self.tick_frames} frames, {self.tick_bytes} bytes each drive, answers included"
        yield "drive's own time-out", self.timeout


def facts_of(drive: DriveFile) -> Facts:
    """The numbers that follow."""
    codec = DriveCodec(drive, drive.node_min)
    unit, turn = codec.velocity_unit_counts_s, drive.position.counts_per_turn
    low, high = codec.velocity_limits
    sent = codec.velocity(0)
    answers = [codec.replies[name].length for frame in sent for name in frame.answers]
    if drive.can is not None:
        wire = f"CAN, {drive.can.id_bits}-bit identifiers"
    else:
        assert drive.serial is not None
        check = drive.serial.checksum.name if drive.serial.checksum is not None else "no checksum"
        wire = f"serial, {check}, {drive.serial.silence_us} us of silence between frames"
    if drive.timeout is None:
        timeout = "none"
    elif isinstance(drive.timeout, FixedTimeout):
        timeout = f"{drive.timeout.ms} ms, its own"
    else:
        timeout = "set by us"
    return Facts(
        wire,
        (drive.node_min, drive.node_max),
        turn,
        codec.position_span_counts / turn,
        float(unit),
        str(unit),
        low,
        high,
        float(max(-low, high) * unit / turn),
        len(sent) + len(answers),
        sum(len(frame.data) for frame in sent) + sum(answers),
        drive.wire.turnaround_us,
        timeout,
    )
