"""A short run of the campaign over damaged drive files and lines, and the proof that it would notice."""

from __future__ import annotations

import random
import tomllib
from pathlib import Path

import pytest

from controller.config.drivefile import drive_from
from drivers.described.codec import ReplyCodec, Sum
from drivers.described.format import DriveFile
from tests.fakes.drive_files import serial_drive
from tests.fuzz import described
from tests.fuzz.tables import written


def test_damaged_drives_hold_or_are_refused() -> None:
    """40 files, invented or damaged: each is refused in words or holds wholly, its line damaged as well."""
    campaign = described.run_campaign(40, seed=7)
    assert campaign.failures == {}
    assert min(campaign.counts["holds"], campaign.counts["refused"]) > 4


def test_trials_can_be_repeated() -> None:
    """A trial is its seed and number."""
    assert described.damaged(3, 14) == described.damaged(3, 14) != described.damaged(3, 15)


@pytest.mark.parametrize("source", described.SOURCES, ids=range(len(described.SOURCES)))
def test_writing_changes_nothing(source: str) -> None:
    """A good file written anew means the same, so that what a trial changes is the damage alone."""
    parsed = tomllib.loads(source)
    assert tomllib.loads(written(parsed)) == parsed


def lines(drive: DriveFile, chance: random.Random) -> None:
    """Twenty damaged lines."""
    for _ in range(20):
        described.line_holds(drive, chance)


@pytest.mark.parametrize("name", ["checksum", "constants"])
def test_a_careless_receiver_is_noticed(name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """With checksums taken for good, or constants not looked at, damaged lines bring what is not there."""
    drive = drive_from(serial_drive("xor-8"), Path("moon.toml"))
    chance = random.Random(5)
    lines(drive, chance)
    if name == "checksum":
        monkeypatch.setattr(Sum, "is_good", lambda self, frame: True)
    else:
        whole = ReplyCodec.__init__

        def careless(self: ReplyCodec, *arguments: object) -> None:
            whole(self, *arguments)
            self._mask = self._value = 0
            self.fixed = {}

        monkeypatch.setattr(ReplyCodec, "__init__", careless)
        monkeypatch.setattr(Sum, "is_good", lambda self, frame: True)
    with pytest.raises(AssertionError):
        lines(drive, chance)
