"""Machine files whose drives are on a CAN bus: budgets, latencies, quirks and EDS files, refused with numbers."""

from __future__ import annotations

import copy
import shutil
import tomllib
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from controller.config.derived import machine_numbers
from controller.config.errors import InputError
from controller.config.load import load_machine, machine_from
from controller.config.places import shipped
from drivers.can.eds import misfits, parsed_eds
from drivers.errors import MisuseError
from tests.fakes.drive_settings import group_settings

GOOD_TEXT = shipped("machines/boathouse.toml").read_text(encoding="utf-8")
GOOD = tomllib.loads(GOOD_TEXT)
EDS = shipped("drives/boathouse-drive.eds")
GOOD_EDS = EDS.read_text(encoding="utf-8").splitlines()
FILE = Path("machine.toml")


def changed(*changes: tuple[str, Any]) -> dict[str, Any]:
    data: dict[str, Any] = copy.deepcopy(GOOD)
    for path, value in changes:
        *steps, last = path.split(".")
        table = data
        for step in steps:
            table = table[step]
        table[last] = value
    return data


def mistakes(*changes: tuple[str, Any], file: Path = FILE) -> list[str]:
    with pytest.raises(InputError) as caught:
        machine_from(changed(*changes), file)
    return [str(one) for one in caught.value.mistakes]


@pytest.mark.parametrize(
    ("bitrate", "tick_us", "words"),
    [
        (
            500_000,
            2000,
            ["2.35 ms on", "93.0% at 500000 bit/s", "880 bits every 2 ms", "1005 bits every 40 ms"],
        ),
        (1_000_000, 1000, ["1.14 ms on", "90.5% at 1000000 bit/s", "880 bits every 1 ms"]),
        (250_000, 4000, ["5.04 ms on", "98.0% at 250000 bit/s"]),
    ],
)
def test_a_bus_above_80_percent_is_refused(bitrate: int, tick_us: int, words: list[str]) -> None:
    """By hand with 55 + 10 n bits a frame (Davis, Burns, Bril, Lukkien 2007).

    A tick: SYNC 55, outputs 95, 2 x (115 + 115 + 135) = 880. In 40 ms: three heartbeats of 65, and of each drive an SDO
    exchange and an emergency, 3 x 135: 195 + 810 = 1005. At 500 kbit/s and 2 ms: 0.88 + 0.05025.
    """
    (told,) = mistakes(("wire.bitrate_bit_s", bitrate), ("tick_us", tick_us))
    assert all(one in told for one in words), told


@pytest.mark.parametrize(
    ("bitrate", "tick_us", "load"),
    [(500_000, 4000, 0.44 + 0.05025), (500_000, 2400, 0.78358), (1_000_000, 1200, 0.75846)],
)
def test_a_bus_below_80_percent_is_taken(bitrate: int, tick_us: int, load: float) -> None:
    """The same sum below the limit loads, and ``check`` shows it."""
    machine = machine_from(
        changed(
            ("wire.bitrate_bit_s", bitrate),
            ("tick_us", tick_us),
            ("lease", {"lease_ms": 24.0, "beat_late_ms": 20.0}),
        ),
        FILE,
    )
    assert machine_numbers(machine).bus_load == pytest.approx(load, abs=1e-5)


def test_the_adapters_serial_side_has_a_limit_too() -> None:
    """Where the channel tells its speed. By hand at 115200 bit/s, 10 bits a character.

    Towards: 2 x 18 + 14 + 6 + 8 + 2 = 66 characters, 5.73 ms; from: 2 x (18 + 22 + 8) + 5 x 2 + 4 = 110, 9.55 ms.
    """
    towards, back = mistakes(("wire.channel", "/dev/ttyUSB0@115200"))
    assert "66 characters towards the adapter take 5.73 ms at 115200 bit/s" in towards
    assert "110 characters from the adapter take 9.55 ms at 115200 bit/s" in back
    assert "11.94 ms on" in back
    for channel in ("/dev/ttyUSB0@1000000", "/dev/ttyACM0"):
        assert machine_from(changed(("wire.channel", channel)), FILE).wire.channel == channel


def test_commands_that_act_at_once_need_latencies() -> None:
    """The second axis hears its command one frame after the first: 115 and 230 us at 1 Mbit/s; planner must know."""
    at_once = ("wire.pdo", "immediate")
    first, second = mistakes(at_once)
    assert "axes.x.latency_ms: expected at least 0.115" in first
    assert "axes.y.latency_ms: expected at least 0.230" in second
    machine = machine_from(changed(at_once, ("axes.x.latency_ms", 0.12), ("axes.y.latency_ms", 0.23)), FILE)
    assert machine.axes["y"].latency_ms > machine.axes["x"].latency_ms


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ([("axes.x.drive.quirks", ["slow-start"])], 'axes.x.drive.quirks[#1]: expected "fixed-mapping"'),
        ([("axes.x.drive.quirks", ["remote-bit", "remote-bit"])], "each quirk once"),
        ([("axes.y.drive.quirks", ["immediate-by-254"])], 'only with wire.pdo = "immediate"'),
        ([("wire.pdo", "later")], "wire.pdo: expected"),
    ],
)
def test_quirks_come_from_a_closed_set(changes: list[tuple[str, Any]], words: str) -> None:
    """A name that nobody knows, one twice, one that needs another setting: refused with the field."""
    told = mistakes(*changes)
    assert any(words in one for one in told), told


def test_quirks_and_eds_files_are_of_canopen() -> None:
    """A drive on another wire has neither."""
    data = tomllib.loads(shipped("machines/boathouse-modbus.toml").read_text(encoding="utf-8"))
    data["axes"]["x"]["drive"]["quirks"] = ["remote-bit"]
    data["axes"]["y"]["drive"]["eds"] = "heron.eds"
    with pytest.raises(InputError) as caught:
        machine_from(data, FILE)
    told = [str(one) for one in caught.value.mistakes]
    assert any(
        "axes.x.drive.quirks: expected no quirks but of drives on a CANopen bus" in one for one in told
    )
    assert any("axes.y.drive.eds: expected no EDS file but of drives on a CANopen bus" in one for one in told)


def test_a_missing_abort_option_is_warned_of() -> None:
    """Nobody here can see what such a drive does without our heartbeat."""
    machine = machine_from(changed(("axes.y.drive.quirks", ["no-abort-option"])), FILE)
    assert any("axes.y.drive.quirks" in str(one) for one in machine_numbers(machine).warnings)


# EDS files beside the machine file


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A machine file that names an EDS file beside it for both drives."""
    shutil.copy(EDS, tmp_path / "drive.eds")
    text = GOOD_TEXT.replace("quick_stop_mm_s2 = 5000.0", 'quick_stop_mm_s2 = 5000.0\neds = "drive.eds"')
    (tmp_path / "machine.toml").write_text(text, encoding="utf-8")
    return tmp_path


def spoil(folder: Path, old: str, new: str, section: str) -> None:
    """Change one line of one section of the EDS file."""
    text = (folder / "drive.eds").read_text(encoding="utf-8")
    head, found, rest = text.partition(f"[{section}]\n")
    body, gap, tail = rest.partition("\n\n")
    assert found
    assert old in body
    (folder / "drive.eds").write_text(head + found + body.replace(old, new) + gap + tail, encoding="utf-8")


def test_a_good_eds_file_is_taken_and_told_in_full(folder: Path) -> None:
    """It lies beside the machine file; whoever sets drives up gets its whole path. The rest is as without it."""
    machine = load_machine(folder / "machine.toml")
    assert machine.axes["x"].drive.eds == str(folder / "drive.eds")
    assert machine_numbers(machine).warnings == ()


WRITTEN = "expected an object to be written, got access type"


@pytest.mark.parametrize(
    ("section", "old", "new", "words"),
    [
        (
            "60FF",
            "PDOMapping=1",
            "PDOMapping=0",
            "60FFh:00 target velocity (axis x): expected an object that may go into received process data, got PDOM",
        ),
        (
            "6064",
            "=ro",
            "=wo",
            "6064h:00 position (axis y): expected an object that may go into sent process data",
        ),
        ("6085", "=rww", "=ro", f"6085h:00 quick stop deceleration (axis x): {WRITTEN} ro"),
        (
            "60FF",
            "=0x0004",
            "=0x0003",
            "60FFh:00 target velocity (axis x): expected INTEGER32, got INTEGER16",
        ),
        ("1016sub1", "=rw", "=const", f"1016h:01 consumer heartbeat (axis x): {WRITTEN} const"),
        ("1600sub2", "=rw", "=ro", f"1600h:02 mapped object (axis y): {WRITTEN} ro"),
        (
            "6041",
            "=ro",
            "=wo",
            "6041h:00 statusword (axis x): expected an object to be read, got access type wo",
        ),
    ],
)
def test_an_eds_file_that_does_not_offer_it(
    folder: Path, section: str, old: str, new: str, words: str
) -> None:
    """File, object, axis, what is needed and what the file says: told by ``check``, before anything is connected."""
    spoil(folder, old, new, section)
    with pytest.raises(InputError) as caught:
        load_machine(folder / "machine.toml")
    told = [str(one) for one in caught.value.mistakes]
    assert any(f"drive.eds: {words}" in one for one in told), told


def test_an_object_that_is_missing(folder: Path) -> None:
    """Without 6007h the file is refused; with the quirk that says so it is not."""
    text = (folder / "drive.eds").read_text(encoding="utf-8")
    head, _, rest = text.partition("[6007]\n")
    (folder / "drive.eds").write_text(head + rest.partition("\n\n")[2], encoding="utf-8")
    with pytest.raises(
        InputError, match=r"6007h:00 abort connection option \(axis x\): expected an object of this"
    ):
        load_machine(folder / "machine.toml")
    machine = (folder / "machine.toml").read_text(encoding="utf-8")
    (folder / "machine.toml").write_text(
        machine.replace('eds = "drive.eds"', 'eds = "drive.eds"\nquirks = ["no-abort-option"]'),
        encoding="utf-8",
    )
    assert load_machine(folder / "machine.toml").axes["x"].drive.quirks == ("no-abort-option",)


def test_a_drive_that_tells_no_unit_is_noted(folder: Path) -> None:
    """An EDS file without 60A9h and 6094h: ``check`` warns that only a measurement can tell the unit."""
    text = (folder / "drive.eds").read_text(encoding="utf-8")
    head, _, rest = text.partition("[60A9]\n")
    (folder / "drive.eds").write_text(head + rest.partition("\n\n")[2], encoding="utf-8")
    warned = [str(one) for one in machine_numbers(load_machine(folder / "machine.toml")).warnings]
    assert len(warned) == 2
    assert all("does not tell its unit of velocity" in one for one in warned)


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (None, "no such file"),
        (b"", "DeviceInfo"),
        (b"[DeviceInfo]\n", "object 1000h"),
        (b"a picture of a heron [DeviceInfo]", "MissingSectionHeaderError"),
        (
            b"[DeviceInfo]\n[1000]\nParameterName=type\nObjectType=0x7\nDataType=seven\nAccessType=ro\n",
            "ValueError",
        ),
        (b"[DeviceInfo]\n[1000sub1]\nParameterName=x\n", "ObjectDictionaryError|KeyError"),
        (b"\xff\xfe\x00\x00", "DeviceInfo"),
    ],
)
def test_what_is_no_eds_file_is_refused(folder: Path, content: bytes | None, words: str) -> None:
    """Missing, empty or damaged: one mistake an axis at the field that names it, never a traceback."""
    if content is None:
        (folder / "drive.eds").unlink()
    else:
        (folder / "drive.eds").write_bytes(content)
    with pytest.raises(InputError, match=rf"(?i)axes\.x\.drive\.eds: expected an EDS file.*({words})"):
        load_machine(folder / "machine.toml")


@settings(max_examples=25)
@given(st.data())
def test_damaged_eds_files_are_refused_or_judged(data: st.DataObject) -> None:
    """Lines lost, doubled, swapped, digits changed: an EDS file that is read, or a MisuseError; never anything else."""
    lines = GOOD_EDS[:]
    for _ in range(data.draw(st.integers(1, 4))):
        place = data.draw(st.integers(0, len(lines) - 1))
        kind = data.draw(st.sampled_from(["lose", "double", "swap", "garble"]))
        if kind == "lose":
            del lines[place]
        elif kind == "double":
            lines.insert(place, lines[place])
        elif kind == "swap":
            lines[place - 1], lines[place] = lines[place], lines[place - 1]
        else:
            lines[place] = data.draw(st.text("[]=0x19subF$NODEID+\u00e9 ;", max_size=12))
    try:
        eds = parsed_eds("damaged.eds", "\n".join(lines))
    except MisuseError:
        return
    assert all(one.expected and one.got for one in misfits(eds, group_settings(), "x"))
