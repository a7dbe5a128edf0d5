"""Drive files of a machine file: read beside it, held against wire, axis, head and tick, all told in one answer."""

from __future__ import annotations

import re
import shutil
from pathlib import Path

import pytest

from controller.config.derived import machine_numbers
from controller.config.describedrules import machine_files
from controller.config.errors import InputError
from controller.config.load import load_machine
from drivers.twin.settings import TwinSettings

CONFIGS = Path(__file__).parents[2] / "configs"
FILES = {"can": "heron", "serial": "tide"}


@pytest.fixture(params=sorted(FILES))
def kind(request: pytest.FixtureRequest) -> str:
    """Each wire in turn."""
    return str(request.param)


def copied(
    folder: Path, kind: str, changes: dict[str, str], drive_changes: dict[str, str] | None = None
) -> Path:
    """The shipped machine and its drive file in a folder of their own, with passages changed."""
    for place, name, told in (
        ("machines", f"boathouse-described-{kind}.toml", changes),
        ("drives", f"{FILES[kind]}.toml", drive_changes or {}),
    ):
        (folder / place).mkdir(exist_ok=True)
        text = (CONFIGS / place / name).read_text(encoding="utf-8")
        for old, new in told.items():
            assert old in text
            text = text.replace(old, new)
        (folder / place / name).write_text(text, encoding="utf-8")
    return folder / "machines" / f"boathouse-described-{kind}.toml"


def mistakes(path: Path) -> list[str]:
    with pytest.raises(InputError) as caught:
        load_machine(path)
    return [str(one) for one in caught.value.mistakes]


def test_the_shipped_machines_hold(kind: str) -> None:
    """Both are taken, their wire is loaded below 80 %, and what the gantry's process is told can be read again."""
    path = CONFIGS / "machines" / f"boathouse-described-{kind}.toml"
    machine = load_machine(path)
    assert 0.02 < machine_numbers(machine).bus_load < 0.8
    assert machine.twin is not None
    told = TwinSettings(group=machine.group_settings(), parameters=machine.twin, state_dir="state")
    assert TwinSettings.model_validate_json(told.model_dump_json()) == told
    assert [one.name for one in machine_files(path)] == [path.name, f"{FILES[kind]}.toml"]


def test_a_mistake_in_a_drive_file_names_that_file(kind: str, tmp_path: Path) -> None:
    """The drive's mistakes and the machine's come in one answer, each with its own file."""
    found = mistakes(
        copied(tmp_path, kind, {"park_mm = [120.0": "park_mm = [1.0"}, {"format = 1": "format = 2"})
    )
    assert any(f"{FILES[kind]}.toml: format" in text for text in found)
    assert any("park_mm" in text for text in found)


def test_a_drive_file_that_is_not_there(kind: str, tmp_path: Path) -> None:
    """The path is told as it was looked for."""
    path = copied(tmp_path, kind, {})
    shutil.rmtree(tmp_path / "drives")
    (text,) = mistakes(path)
    assert f"{FILES[kind]}.toml" in text
    assert "no such file" in text


@pytest.mark.parametrize(
    ("kind_", "changes", "drive_changes", "expected"),
    [
        ("serial", {"tick_us = 10_000": "tick_us = 3_500"}, {}, r"tick_us: expected .*from 3798 on, got 3500"),
        ("can", {"bitrate_bit_s = 1_000_000": "bitrate_bit_s = 90_000"}, {}, r"tick_us: expected .*at most 80%"),
        ("serial", {"latency_ms = 1.942": "latency_ms = 1.0"}, {}, r"axes\.y\.latency_ms: expected at least 1\.94"),
        ("can", {"counts_per_turn = 36_000": "counts_per_turn = 36_001"}, {}, r"expected 36000, as in the drive"),
        ("can", {"velocity_unit_counts_s = 1.0": "velocity_unit_counts_s = 2.0"}, {}, "one step of the drive file"),
        ("can", {"output_bit = 16": "output_bit = 15"}, {}, r"head\.output_bit: expected 16 to 31"),
        ("serial", {"output_bit = 16": "output_bit = 24"}, {}, r"head\.output_bit: expected 16 to 23"),
        ("serial", {"command_timeout_ms = 160": "command_timeout_ms = 200"}, {}, "expected 160, the fixed time"),
        ("can", {"node_id = 2": "node_id = 64"}, {}, r"axes\.y\.drive\.node_id: expected 1 to 63"),
        ("can", {'interface = "slcan"': 'interface = "virtual"'}, {}, r"wire\.interface: expected slcan or socketcan"),
        ("serial", {'drive_file = "../drives/tide.toml"\n': ""}, {}, r"axes\.x\.drive\.drive_file: expected a drive"),
        ("serial", {}, {"home = { bit = 6 }\n": ""}, r"switches\.home\): expected the home switch"),
        # By hand: 60 mm a turn, 36 000 counts; x has 3360 mm of travel, of which 4032 mm are 2 419 200 counts.
        ("can", {}, {"counts_per_turn = 36_000": "counts_per_turn = 36_000\nwrap_counts = 2_419_000"},
         r"drive_file \(position\): expected a counter that tells 4032 mm apart.*, got 4031.67 mm"),
        # By hand: 2985 mm/s, 2 of trim, and 2000 mm/s2 in a tick of 10 ms.
        ("serial", {"speed_max_mm_s = 700.0": "speed_max_mm_s = 2985.0"}, {}, r"up to 3000 by its file, got 3007"),
    ],
)  # fmt: skip
def test_what_does_not_fit_is_refused_with_the_numbers(
    kind_: str, changes: dict[str, str], drive_changes: dict[str, str], expected: str, tmp_path: Path
) -> None:
    """Each contradiction of machine and drive file has its own message. The tick by hand: 2 x 1519 us / 0.8."""
    found = mistakes(copied(tmp_path, kind_, changes, drive_changes))
    assert any(re.search(expected, text) for text in found), found


def two_files(folder: Path, kind: str, changes: dict[str, str]) -> Path:
    """The shipped machine whose y has another drive file: its own, changed, without samples."""
    path = copied(folder, kind, {})
    name = FILES[kind]
    text = (CONFIGS / "drives" / f"{name}.toml").read_text(encoding="utf-8").partition("[[samples]]")[0]
    for old, new in changes.items():
        assert old in text
        text = text.replace(old, new)
    (folder / "drives" / "other.toml").write_text(text, encoding="utf-8")
    x, y = path.read_text(encoding="utf-8").split("[axes.y.drive]")
    path.write_text(f"{x}[axes.y.drive]{y.replace(f'{name}.toml', 'other.toml')}", encoding="utf-8")
    return path


def test_two_drive_files_on_one_wire_have_nothing_in_common(kind: str, tmp_path: Path) -> None:
    """Another file whose numbers begin one lower: its node 2 hears heron 1's orders, or answers with tide 1's address.

    Orders of heron go to 100h and the node, answers of tide come with 80h and the node. One stop_all for all is right.
    """
    load_machine(two_files(tmp_path, kind, {"invented": "another"}))
    lower, clash = {
        "can": ({"base = 0x100": "base = 0x0FF"}, ("101h, commands.enable.0", "commands.enable.0")),
        "serial": ({"base = 0x80": "base = 0x7F"}, ("replies.0", "replies.0")),
    }[kind]
    (text,) = mistakes(two_files(tmp_path, kind, lower))
    assert (
        "axes.y.drive.drive_file: expected frames that are none of node 1's, which is on the same wire"
        in text
    )
    assert text.endswith(f"got {clash[0]}, which may be taken for its {clash[1]}")


def test_a_drive_file_elsewhere_is_refused(tmp_path: Path) -> None:
    """A CAN drive on a serial line, a drive file on a wire that is not described, a drive written into the machine."""
    swapped = copied(tmp_path, "serial", {"../drives/tide.toml": "../drives/heron.toml"})
    shutil.copy(CONFIGS / "drives" / "heron.toml", tmp_path / "drives" / "heron.toml")
    assert any("wire.kind serial" in text for text in mistakes(swapped))
    text = (CONFIGS / "machines" / "boathouse.toml").read_text(encoding="utf-8")
    text = text.replace("[axes.x.drive]\n", '[axes.x.drive]\ndrive_file = "../drives/heron.toml"\n')
    plain = tmp_path / "machines" / "boathouse.toml"
    plain.write_text(text, encoding="utf-8")
    assert any("no drive file but on a described wire" in one for one in mistakes(plain))
    inline = copied(tmp_path, "serial", {"[axes.x.drive]\n": "[axes.x.drive]\ndescribed = { format = 1 }\n"})
    assert any("drive.described: expected no such field" in one for one in mistakes(inline))
