"""Damaged drive files and damaged lines, thousands: `python -m tests.fuzz.described --count 5000 --seed 1`.

Each trial invents a drive file, or damages a known one by its values or by its bytes. It must be refused in words, or
hold; and a file that holds must hold wholly: its trial (every command, every sample, both ways over a wire) finds
nothing wrong. Then bytes of any kind, between and upon its replies, come to its receiver in pieces: what the receiver
makes of them must lie in the bytes as whole good frames, found there by another reader that tries every place; the
receiver keeps no more than a frame of it, and the next good frame after a silence is taken.
"""

from __future__ import annotations

import random
import sys
import tempfile
from collections.abc import Callable, Iterator
from pathlib import Path

from controller.config.drivefile import load_drive
from drivers.described import trial as trials
from drivers.described.codec import Decoded, DriveCodec
from drivers.described.driveside import DriveSide
from drivers.described.format import DriveFile
from drivers.described.receiver import CanReceiver, SerialReceiver
from drivers.described.samples import ours_of, payload, picked
from tests.fakes.drive_files import can_drive, invented, serial_drive
from tests.fuzz.campaign import Campaign, Guard, Outcome, held, run_from_command_line, run_trials
from tests.fuzz.svg import ROOT
from tests.fuzz.tables import damaged_file, written

SOURCES = (
    *(path.read_text(encoding="utf-8") for path in sorted((ROOT / "configs/drives").glob("*.toml"))),
    written(can_drive()),
    written(serial_drive()),
    written(serial_drive("xor-8", header=["length"], start="", end="0D")),
    written(serial_drive(None, header=["address"])),
)
GOOD = frozenset({"holds", "refused"})
EXCHANGES = 4
STREAMS = 3


def damaged(seed: int, trial: int) -> bytes:
    """The drive file of one trial: of any make, or a known one; often left as it is, for its line's sake."""
    chance = random.Random(f"{seed}/{trial}")
    if chance.random() < 0.4:
        return written(invented(chance)).encode()
    source = chance.choice(SOURCES)
    return source.encode() if chance.random() < 0.15 else damaged_file(source, chance)


def frames_in(drive: DriveFile, nodes: list[int], stream: bytes) -> Iterator[tuple[int, Decoded]]:
    """Every whole good reply in the bytes, tried at every place, and where it ends; by the drive's side alone."""
    assert drive.serial is not None
    for at in range(len(stream)):
        for node in nodes:
            side = DriveSide(drive, node)
            for reply in drive.replies:
                whole = len(side.framed(drive.serial, reply, bytes(reply.length)))
                piece = stream[at : at + whole]
                body = payload(drive, reply, piece)
                if len(piece) < whole or side.framed(drive.serial, reply, body) != piece:
                    continue
                if any(
                    body[one.at : one.at + len(bytes.fromhex(one.hex))] != bytes.fromhex(one.hex)
                    for one in reply.constants
                ):
                    continue
                try:
                    ours = {
                        field.name: ours_of(drive, field, picked(drive, field, body))
                        for field in reply.fields
                    }
                except (ValueError, OverflowError):  # no number in a floating-point field
                    continue
                yield at + whole, Decoded(reply.name, node, **ours)


def line_holds(drive: DriveFile, chance: random.Random) -> None:
    """Damage a line, and see that only whole good frames come out of it."""
    assert drive.serial is not None
    nodes = [drive.node_min]
    if "address" in drive.serial.header and drive.node_max > drive.node_min:
        nodes.append(drive.node_max)
    codecs = [DriveCodec(drive, node) for node in nodes]
    longest = max(one.length for codec in codecs for one in codec.replies.values())
    receiver = SerialReceiver(codecs)
    for _ in range(STREAMS):
        stream = _stream(drive, nodes, chance)
        got, rest = [], stream
        while rest:
            size = chance.choice((1, 1, 2, 3, 8, 50))
            got += receiver.feed(rest[:size])
            rest = rest[size:]
            assert receiver.held < longest
        got += receiver.silence()
        assert receiver.held == 0
        there = iter(frames_in(drive, nodes, stream))
        for one in got:
            assert any(one == other for _, other in there), f"{one} is not in {stream.hex(' ')}"
        side = DriveSide(drive, chance.choice(nodes))
        clean = side.reply(drive.replies[0].name, {})[1]
        assert receiver.feed(clean) or receiver.silence()


def _stream(drive: DriveFile, nodes: list[int], chance: random.Random) -> bytes:
    pieces = []
    for _ in range(chance.randrange(1, 6)):
        side = DriveSide(drive, chance.choice(nodes))
        reply = chance.choice(drive.replies)
        frame = bytearray(
            side.reply(reply.name, {field.name: chance.randrange(256) for field in reply.fields})[1]
        )
        kind = chance.random()
        if kind < 0.3 and frame:
            frame[chance.randrange(len(frame))] ^= 1 << chance.randrange(8)
        elif kind < 0.5:
            del frame[chance.randrange(len(frame) + 1) :]
        elif kind < 0.6:
            del frame[: chance.randrange(len(frame) + 1)]
        elif kind < 0.7:
            at = chance.randrange(len(frame) + 1)
            frame[at:at] = bytes(chance.randrange(256) for _ in range(chance.randrange(1, 20)))
        pieces.append(bytes(frame))
        if chance.random() < 0.3:
            pieces.append(bytes(chance.randrange(256) for _ in range(chance.randrange(1, 40))))
    return b"".join(pieces)


def bus_holds(drive: DriveFile, chance: random.Random) -> None:
    """Any frames on a bus: only those that are whole and whose constants are right say anything."""
    codec = DriveCodec(drive, drive.node_min)
    receiver = CanReceiver([codec])
    for _ in range(20):
        name, reply = chance.choice(list(codec.replies.items()))
        data = bytes(chance.randrange(256) for _ in range(chance.randrange(9)))
        found = receiver.take(reply.can_id, data)
        if found is not None:
            length = codec.replies[found.reply].length
            assert len(data) == length, (name, data)


def run_trial(data: bytes, folder: Path, guard: Guard, chance: random.Random) -> Outcome:
    """All of one damaged file."""
    file = folder / "drive.toml"
    file.write_bytes(data)

    def act() -> str:
        drive = load_drive(file)
        found = trials.tried(drive, seed=chance.randrange(1 << 30), rounds=EXCHANGES)
        assert found.ok, [
            one.trouble
            for kind in (found.frames, found.samples, found.loopbacks)
            for one in kind
            if not one.ok
        ]
        if drive.serial is not None:
            line_holds(drive, chance)
        else:
            bus_holds(drive, chance)
        return "holds"

    return held(act, guard, [file])


def run_campaign(count: int, seed: int, tell: Callable[[str], None] | None = None) -> Campaign:
    """Run trials 0 to ``count`` of a seed."""

    def trial(number: int, folder: Path, guard: Guard) -> Outcome:
        data = SOURCES[number % 2].encode() if number < 0 else damaged(seed, number)
        return run_trial(data, folder, guard, random.Random(f"{seed}/{number}/line"))

    return run_trials(trial, GOOD, count, tell)


def _once(seed: int, trial: int) -> Outcome:
    with tempfile.TemporaryDirectory() as folder:
        return run_trial(damaged(seed, trial), Path(folder), Guard(), random.Random(f"{seed}/{trial}/line"))


if __name__ == "__main__":
    sys.exit(run_from_command_line("drive files", damaged, run_campaign, _once))
