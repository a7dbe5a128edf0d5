"""A slice of the campaign of frames, and the proof that it would notice."""

from __future__ import annotations

import random
from collections.abc import Callable, Iterable

import pytest

from drivers.can.link import Frame
from drivers.can.mirror import GroupMirror
from drivers.errors import DriverError
from drivers.interface import DriveGroup, DriveState
from drivers.modbus import frames as modbus
from safety import rtu
from tests.fuzz import frames, framesdecoders, framesjudge, framesmade
from tests.fuzz.framesdecoders import DECODERS, FindingError
from tests.fuzz.framesrunning import WORLDS, rain


@pytest.mark.parametrize("name", DECODERS)
def test_decoders_and_judges_agree(name: str) -> None:
    """250 frames into each decoder: what it makes of them is what the judge says, and nothing is raised."""
    assert frames.run_kind(name, 250, seed=7, looks=False).failures == {}


@pytest.mark.parametrize("state", ["setting up", "streaming", "fault"])
@pytest.mark.parametrize("wire", WORLDS)
def test_groups_bear_a_rain_of_frames(wire: str, state: str) -> None:
    """A group in a state under 40 frames: our own errors only, enabled by a drive's word only, a stop that holds."""
    counts = rain(wire, state, random.Random(f"slice/{wire}/{state}"), 40)
    assert counts["not enabled"] + counts["enabled"] > 0


def test_trials_can_be_repeated() -> None:
    """A trial is its seed, its name and its number."""
    assert frames.one("CAN mirror", 3, 14) == frames.one("CAN mirror", 3, 14)
    made = [
        framesmade.can_burst("can", frames.chance_of(3, "CAN mirror", trial), 25) for trial in (14, 14, 15)
    ]
    assert made[0] == made[1] != made[2]


def test_made_frames_are_good_and_bad() -> None:
    """What is made is worth the trial: good answers of drives, damaged ones, and words that enable, of every wire."""
    chance = random.Random(1)
    said = {framesjudge.can_word(1, *framesmade.can_frame("can", chance)) for _ in range(1200)}
    assert said == {"well", "unwell", "alarm", "all clear", "gone", "nothing"}
    said = {framesjudge.heron_word(1, *framesmade.can_frame("described-can", chance)) for _ in range(1200)}
    assert said == {"well", "unwell", "nothing"}
    asked = modbus.read_write(1, 0x1000, 7, 0x2000, [15, 0, 0, 0]).frame
    pieces = [framesmade.serial_piece("modbus-rtu", chance) for _ in range(1200)]
    assert {framesjudge.modbus_word(asked, one) for one in pieces} == {"well", "unwell", "nothing"}
    pieces = [framesmade.serial_piece("described-serial", chance) for _ in range(1200)]
    assert {framesjudge.tide_word(b"\xa5\x01", one) for one in pieces} == {"well", "unwell", "nothing"}


# The proof that it would notice


class _BlindMirror(GroupMirror):
    """Believes a statusword of any length, from anybody."""

    def take(self, arrived: Iterable[Frame]) -> None:
        super().take(Frame(one.can_id, (one.data + bytes(6))[:6], one.received_ns) for one in arrived)


def _blind_mirror(patch: pytest.MonkeyPatch) -> str:
    patch.setattr(framesdecoders, "GroupMirror", _BlindMirror)
    return "CAN mirror"


def _no_checksum(patch: pytest.MonkeyPatch) -> str:
    patch.setattr(modbus, "is_whole", lambda frame: len(frame) > 4)
    return "Modbus answers"


def _no_checksum_in_the_guard(patch: pytest.MonkeyPatch) -> str:
    patch.setattr(rtu, "crc16", lambda _: 0)
    return "guard, lines"


@pytest.mark.parametrize("flaw", [_blind_mirror, _no_checksum, _no_checksum_in_the_guard])
def test_a_careless_decoder_is_noticed(
    flaw: Callable[[pytest.MonkeyPatch], str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """A decoder that passes over a length or a checksum: trials end badly."""
    name = flaw(monkeypatch)
    assert frames.run_kind(name, 2000, seed=7, looks=False).failures


def _always_well(group: DriveGroup) -> DriveGroup:
    truly = group.poll

    def poll() -> None:
        truly()
        for axis in group.feedback.axes:
            axis.state = DriveState.OPERATION_ENABLED

    group.poll = poll  # type: ignore[method-assign]
    return group


def _crashing(group: DriveGroup) -> DriveGroup:
    truly = group.poll

    def poll() -> None:
        try:
            truly()
        except DriverError as error:
            raise KeyError(error.where) from error
        raise KeyError("180h")

    group.poll = poll  # type: ignore[method-assign]
    return group


def _loud_when_refused(group: DriveGroup) -> DriveGroup:
    truly = group.send_tick

    def send_tick(velocities: tuple[int, ...], outputs: int) -> None:
        group._link.send_frames(((0x201, b"\x0f\x00\x01\x00\x00\x00"),))  # type: ignore[attr-defined]
        truly(velocities, outputs)

    group.send_tick = send_tick  # type: ignore[method-assign]
    return group


@pytest.mark.parametrize(
    ("flaw", "kind"),
    [(_always_well, FindingError), (_crashing, KeyError), (_loud_when_refused, FindingError)],
)
def test_a_careless_group_is_noticed(flaw: Callable[[DriveGroup], DriveGroup], kind: type[Exception]) -> None:
    """A group that is always well, one that lets another error out, one that sends what it refuses: each is found."""
    with pytest.raises(kind):
        rain("can", "not configured", random.Random(1), 40, flaw)


def test_hoarding_is_noticed() -> None:
    """A group that keeps what it reads: Python's blocks are counted, and the long rain ends badly."""
    kept: list[list[int]] = []

    def adopt(group: DriveGroup) -> DriveGroup:
        truly = group.poll

        def poll() -> None:
            truly()
            kept.extend([len(kept)] for _ in range(100))

        group.poll = poll  # type: ignore[method-assign]
        return group

    failures = frames.flood("can", 200, 1, adopt).failures
    assert list(failures) == [1]
    assert "blocks more" in failures[1]
