"""What a drive file does not have, and what that means for whoever stands beside the machine. Pure."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from drivers.described.checksums import CHECKSUMS
from drivers.described.codec import DriveCodec
from drivers.described.format import CommandName, DriveFile
from drivers.described.wholerules import same_frames


@dataclass(frozen=True, slots=True)
class Caution:
    """``where``: the place in the file at which it could be mended."""

    where: str
    text: str

    def __str__(self) -> str:
        return f"{self.where}: {self.text}"


_ALIKE: tuple[tuple[CommandName, CommandName], ...] = (
    ("stop", "disable"),
    ("stop", "clear_fault"),
    ("disable", "clear_fault"),
)


def cautions(drive: DriveFile) -> list[Caution]:
    """Every caution, the gravest first."""
    return list(_found(drive))


def _found(drive: DriveFile) -> Iterator[Caution]:
    commands = drive.commands
    if drive.timeout is None:
        yield Caution(
            "timeout",
            "none: the drive goes on turning at its last velocity when nothing is heard of us; limit switches and the "
            "emergency stop must be able to stop it alone",
        )
    if not commands.stop_all:
        yield Caution("commands.stop_all", "none: a stop is told to each drive by name, one after the other")
    yield from _of_line(drive)
    codec = DriveCodec(drive, drive.node_min)
    carriers = [reply.name for reply in drive.replies if reply.field("position") is not None]
    if not any(codec.position_place(name) for name in carriers):
        yield Caution(
            "replies",
            "the position is in no whole bytes as a whole number: the guard cannot read it nor prove standstill",
        )
    answers = {name for frame in commands.velocity for name in frame.answers}
    if not answers:
        yield Caution(
            "commands.velocity", "unanswered: feedback has to be asked for, which takes of every tick"
        )
    elif not any(drive.reply(name).field("position") for name in answers):
        yield Caution(
            "commands.velocity",
            "its answer brings no position: it is asked for apart, which takes of every tick",
        )
    if not any(reply.field("velocity") for reply in drive.replies):
        yield Caution("replies", "no velocity reported: it is reckoned from positions")
    if drive.switches.home is None:
        yield Caution("switches.home", "none: the machine cannot home by a switch on this drive")
    if drive.switches.negative_limit is None or drive.switches.positive_limit is None:
        yield Caution(
            "switches", "not both limit switches are reported: they are only seen by the drive itself"
        )
    if not any(frame.field("outputs") for _, frames in commands.all() for frame in frames):
        yield Caution("commands", "no outputs: this drive cannot carry the head")
    if not drive.status.power_mask:
        yield Caution("status.power_mask", "0: lost motor power is not noticed by itself")
    if not any(reply.field("fault") for reply in drive.replies):
        yield Caution("replies", "no fault code: a fault is seen by the status word, without its cause")
    for one, other in _ALIKE:
        if same_frames(drive, one, other):
            yield Caution(
                f"commands.{other}", f"the same frames as {one}: the drive cannot tell which is meant"
            )
    if not commands.position:
        yield Caution(
            "commands.position", "none: the drive cannot be sent to a place; painting does not need it"
        )
    unproved = _unproved(drive)
    if unproved:
        yield Caution("samples", f"none for {', '.join(unproved)}: not held against the manual")


def _of_line(drive: DriveFile) -> Iterator[Caution]:
    wire = drive.serial
    if wire is None:
        return
    if wire.checksum is None:
        yield Caution("wire.checksum", "none: a frame that the line has damaged may pass for a good one")
    elif CHECKSUMS[wire.checksum.name].size == 1:
        yield Caution(
            "wire.checksum",
            f"{wire.checksum.name} is one byte: of badly damaged frames one in 256 passes for good",
        )
    elif wire.checksum.begins == "payload" and "address" in wire.header:
        yield Caution(
            "wire.checksum.begins",
            "behind the address: one that the line has damaged may pass for another drive's",
        )
    if "address" not in wire.header:
        yield Caution("wire.header", "no address: one drive only on each line")


def _unproved(drive: DriveFile) -> list[str]:
    shown = {sample.command for sample in drive.samples} | {sample.reply for sample in drive.samples}
    names = [name for name, _ in drive.commands.all()]
    return [name for name in [*names, *(reply.name for reply in drive.replies)] if name not in shown]
