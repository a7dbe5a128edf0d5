"""``giornata drive try``: what a person with a drive's manual sees, and what a script gets."""

from __future__ import annotations

from pathlib import Path

import pytest

from controller.config.drivefile import drive_from
from controller.config.places import shipped
from drivers.described import trial
from drivers.described.codec import CommandCodec, OutFrame
from tests.cli.conftest import Shell
from tests.fakes.drive_files import can_drive, serial_drive
from tests.fuzz.tables import written


@pytest.fixture(params=["heron", "tide"])
def example(request: pytest.FixtureRequest) -> Path:
    """Each of the shipped drives."""
    return shipped(f"drives/{request.param}.toml")


def test_an_example_holds(shell: Shell, example: Path) -> None:
    """Every command, every sample and both ways over the wires: all holds, exit 0, nothing is missing."""
    answer = shell.run("drive", "try", example)
    assert answer.code == 0
    assert answer.out.rstrip().endswith("all holds")
    assert answer.err == ""
    assert "stop_all" in answer.out


@pytest.mark.parametrize("columns", [80, 120])
def test_it_fits_the_terminal(
    shell: Shell, example: Path, columns: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Tables keep within the terminal's width, and nothing of the bytes is cut off."""
    monkeypatch.setenv("COLUMNS", str(columns))
    answer = shell.run("drive", "try", example)
    tables = answer.out.splitlines()[1:]
    assert max(map(len, tables)) <= columns
    assert "…" not in answer.out


def test_a_script_gets_one_object(shell: Shell, example: Path) -> None:
    """With --json: facts, commands with their bytes, samples, loopbacks, cautions."""
    answer = shell.run("drive", "try", example, "--json")
    assert answer.code == 0
    found = answer.json
    assert found["ok"] is True
    assert found["facts"]["velocity_unit_counts_s"] in (1.0, 10.0)
    assert {one["command"] for one in found["commands"]} >= {"enable", "velocity", "stop", "stop_all"}
    assert all(one["ok"] for kind in ("commands", "samples", "loopbacks") for one in found[kind])
    assert all(one["exchanges"] == trial.ROUNDS for one in found["loopbacks"])
    assert found["cautions"] == []


def test_a_sample_that_differs_is_bad_input(shell: Shell, tmp_path: Path) -> None:
    """A wrong byte in a sample: exit 2 and one line with what the file makes of it."""
    file = tmp_path / "tide.toml"
    file.write_text(shipped("drives/tide.toml").read_text(encoding="utf-8"))
    shell.edit(file, "A5 02 02 10 01 14 9A", "A5 02 02 10 01 14 9B")
    answer = shell.run("drive", "try", file)
    assert answer.code == 2
    assert "samples[#2].frames[#1]: expected A5 02 02 10 01 14 9A, got A5 02 02 10 01 14 9B" in answer.err


def test_a_bare_drive_holds_with_cautions(shell: Shell, tmp_path: Path) -> None:
    """No time-out, no stop to everybody, no checksum: it holds, and each is said."""
    file = tmp_path / "moon.toml"
    file.write_text(written(serial_drive(None, header=["length"])))
    answer = shell.run("drive", "try", file)
    assert answer.code == 0
    for words in (
        "timeout: none: the drive goes on turning",
        "commands.stop_all: none",
        "wire.checksum: none",
    ):
        assert f"warning: {words}" in answer.err


def test_a_file_that_is_not_there(shell: Shell, tmp_path: Path) -> None:
    """Exit 2, and which file."""
    answer = shell.run("drive", "try", tmp_path / "gone.toml")
    assert answer.code == 2
    assert "gone.toml: file: expected a file that can be read" in answer.err


@pytest.mark.parametrize("data", [can_drive(), serial_drive()], ids=["can", "serial"])
def test_a_codec_that_errs_is_found(data: dict[str, object], monkeypatch: pytest.MonkeyPatch) -> None:
    """The trial can fail: with one bit of every velocity wrong, commands and loopbacks do not hold."""
    drive = drive_from(data, Path("moon.toml"))
    assert trial.tried(drive).ok
    make = CommandCodec.make

    def wrong(self: CommandCodec, values: dict[str, int]) -> OutFrame:
        frame = make(self, values)
        if not self.names:
            return frame
        damaged = bytearray(frame.data)
        damaged[4] ^= 1
        return frame._replace(data=bytes(damaged))

    monkeypatch.setattr(CommandCodec, "make", wrong)
    found = trial.tried(drive)
    assert not found.ok
    assert not all(one.ok for one in found.frames)
    assert not any(one.ok for one in found.loopbacks)
