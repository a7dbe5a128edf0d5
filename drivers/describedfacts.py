"""What a machine's described drives make of its wire and tick: figures and misfits, for whoever checks a machine file.

Owns the questions; the answers are ``drivers.described``'s. Pure.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from drivers.described.codec import DriveCodec
from drivers.described.format import DriveFile, FixedTimeout, SetTimeout
from drivers.described.scale import limits, position_span_counts
from drivers.described.tick import GroupTick, Wire, refusals, tick_of
from drivers.described.together import can_ids, clashes
from drivers.serialtime import TICK_SHARE_MAX as TICK_SHARE_MAX
from drivers.settings import DESCRIBED_KINDS as DESCRIBED_KINDS

UNIT_TOLERANCE = 1e-9
"""Of a velocity unit in the machine file beside the drive file's own, which may not end in decimals."""


@dataclass(frozen=True, slots=True)
class DriveFacts:
    """One drive by its file. ``lacks``: path in the file, what was expected, what stands there.

    ``span_counts``: what its counter tells apart.
    """

    wire_kind: str
    nodes: tuple[int, int]
    has_address: bool
    counts_per_turn: int
    velocity_unit_counts_s: float
    velocity_units: tuple[int, int]
    outputs: int
    has_home: bool
    lacks: tuple[tuple[str, str, str], ...]
    guard_commands: frozenset[str]
    fixed_timeout_ms: int | None
    set_timeout_ms: tuple[int, int] | None
    span_counts: int


def drive_facts(drive: DriveFile) -> DriveFacts:
    """The facts of one drive file."""
    from drivers.described.plan import position_answers

    codec = DriveCodec(drive, drive.node_min)
    settable = None
    if isinstance(drive.timeout, SetTimeout):
        fields = [
            field for frame in drive.commands.set_timeout for field in frame.fields if field.name == "timeout"
        ]
        low, high = limits(drive, fields[0])
        # The longest that lies on a step: what a machine file asks for is rounded up to one.
        settable = low, high - int((high - fields[0].offset_exact) % fields[0].scale_exact)
    return DriveFacts(
        wire_kind=drive.wire.kind,
        nodes=(drive.node_min, drive.node_max),
        has_address=drive.serial is None or "address" in drive.serial.header,
        counts_per_turn=drive.position.counts_per_turn,
        velocity_unit_counts_s=float(codec.velocity_unit_counts_s),
        velocity_units=codec.velocity_limits,
        outputs=outputs_width(drive),
        has_home=drive.switches.home is not None,
        lacks=tuple(refusals(codec)),
        guard_commands=frozenset(position_answers(codec)),
        fixed_timeout_ms=drive.timeout.ms if isinstance(drive.timeout, FixedTimeout) else None,
        set_timeout_ms=settable,
        span_counts=counter_span(drive),
    )


def counter_span(drive: DriveFile) -> int:
    """Counts that the drive's counter tells apart."""
    travel = drive.position.travel_turns or 0.0
    return position_span_counts(drive) or int(2 * travel * drive.position.counts_per_turn)


def outputs_width(drive: DriveFile) -> int:
    """How many outputs a drive's commands carry; 0: it has none."""
    frames = (*drive.commands.velocity, *drive.commands.outputs)
    widths = [field.bits_wide for frame in frames for field in frame.fields if field.name == "outputs"]
    return min(widths, default=0)


def differs(unit: float, drive: DriveFacts) -> bool:
    """Whether a velocity unit is another than the drive's."""
    return abs(unit - drive.velocity_unit_counts_s) > UNIT_TOLERANCE * drive.velocity_unit_counts_s


def taken_ids(drive: DriveFile, node: int) -> set[int]:
    """Identifiers of frames to and from a drive; bit 31 marks 29 bits. Raises ValueError for a node that cannot be."""
    return can_ids(DriveCodec(drive, node))


def mixed_up(drives: Sequence[DriveFile], nodes: Iterable[int]) -> list[tuple[int, str, str]]:
    """Drives on one wire of which one takes or sends what is another's: place, expected, got.

    Raises ValueError for a node that a drive cannot have.
    """
    return clashes([DriveCodec(drive, node) for drive, node in zip(drives, nodes, strict=True)])


def group_tick(
    wire: Wire,
    drives: Sequence[DriveFile],
    nodes: Iterable[int],
    axes: Sequence[str],
    head_axis: str,
    tick_us: int,
) -> GroupTick:
    """The tick of a wire with these drives, in axis order. Raises ValueError for a node that a drive cannot have."""
    codecs = [DriveCodec(drive, node) for drive, node in zip(drives, nodes, strict=True)]
    return tick_of(wire, codecs, axes, head_axis, tick_us)
