"""Drive files at the door: what holds, and each mistake in one clear line."""

from __future__ import annotations

import json
import struct
from fractions import Fraction
from pathlib import Path
from typing import Any

import pytest

from controller.config.drivefile import drive_from, load_drive
from controller.config.errors import InputError
from controller.config.places import shipped
from drivers.described.cautions import cautions
from drivers.described.codec import DriveCodec
from drivers.described.format import DriveFile
from drivers.interface import DriveState
from tests.fakes.drive_files import can_drive, serial_drive

GONE = object()


def put(data: Any, path: str, value: Any) -> None:
    """Set, or take away, the value at a path of a parsed file."""
    *steps, last = [int(step) if step.isdecimal() else step for step in path.split(".")]
    for step in steps:
        data = data[step]
    if value is GONE:
        del data[last]
    elif isinstance(data, list) and last == len(data):
        data.append(value)
    else:
        data[last] = value


def mistakes(data: dict[str, Any]) -> list[str]:
    """Every mistake of a parsed file, in words."""
    try:
        drive_from(data, Path("moon.toml"))
    except InputError as error:
        return [str(one) for one in error.mistakes]
    return []


def position(**changes: Any) -> dict[str, Any]:
    return {"name": "position", "at": 3, "type": "i32", "unit": "counts", **changes}


def stop_all(**changes: Any) -> list[dict[str, Any]]:
    return [{"id": {"base": 0x40, "node": "none"}, "length": 0, **changes}]


def velocity(**changes: Any) -> dict[str, Any]:
    return {"name": "velocity", "at": 1, "type": "i32", "unit": "counts_s", **changes}


POSITION, VELOCITY = "replies.0.fields.1", "commands.velocity.0.fields.0"

CAN_CASES: dict[str, tuple[dict[str, Any], str]] = {
    "overlapping fields": (
        {POSITION + ".at": 2},
        "replies[state].fields[position].at: expected a place of its own (status is there), got bytes 2 to 5",
    ),
    "a field upon a constant": (
        {"replies.0.constants.0.at": 4},
        "replies[state].fields[position].at: expected a place of its own (constants[#1] is there), got bytes 3 to 6",
    ),
    "two constants in one place": (
        {"replies.0.constants.1": {"at": 0, "hex": "00"}},
        "replies[state].constants[#2].at: expected a place of its own (constants[#1] is there), got byte 0",
    ),
    "a field beyond the frame": (
        {POSITION + ".at": 5},
        "replies[state].fields[position].at: expected a place within the frame's 8 bytes, got bytes up to 8",
    ),
    "a constant beyond the frame": (
        {"commands.stop.0.constants.0.hex": "01 02"},
        "commands.stop[#1].constants[#1].at: expected a place within the frame's 1 bytes, got bytes up to 1",
    ),
    "a long CAN frame": (
        {"replies.0.length": 9},
        "replies[state].length: expected at most 8 bytes in a CAN frame, got 9",
    ),
    "no velocity": (
        {"commands.velocity": GONE},
        "commands.velocity: expected a list in brackets ([...]) (turn at",
    ),
    "no stop": ({"commands.stop": GONE}, "commands.stop: expected a list in brackets ([...]) (stop with"),
    "an empty command": ({"commands.stop": []}, "commands.stop: expected at least 1 entries, got []"),
    "nobody asks for the position": (
        {"commands.read_position": GONE},
        "commands.read_position: expected a command that asks for the position (or a reply with cyclic_ms that has it)",
    ),
    "velocity carries none": (
        {"commands.velocity.0.fields": []},
        "commands.velocity: expected a field velocity in one of its frames, got 0 of them",
    ),
    "a command that carries what it may not": (
        {"commands.stop.0.fields": [velocity()], "commands.stop.0.length": 8},
        "commands.stop[#1].fields[velocity].name: expected outputs, which stop may carry, got velocity",
    ),
    "a stop that is enable's": (
        {"commands.stop.0.constants.0.hex": "01"},
        "commands.stop: expected other frames than enable has, got the same",
    ),
    "a reply that reports outputs": (
        {POSITION: {"name": "outputs", "at": 3, "type": "u8"}},
        "replies[state].fields[outputs].name: expected something that a drive reports (current, fault, inputs,",
    ),
    "two fields of a name": (
        {"replies.0.fields.2": {"name": "status", "at": 7, "type": "u8"}},
        "replies[state].fields: expected one field status, got 2",
    ),
    "an answer that is nowhere": (
        {"commands.stop.0.answers": ["stat"]},
        "commands.stop[#1].answers: expected names of replies (state), got stat",
    ),
    "an answer without the status": (
        {"commands.read_status.0.answers": []},
        "commands.read_status: expected an answer with a field status, got none",
    ),
    "two replies of a name": (
        {"replies.1": {"name": "state", "id": {"base": 0x200}, "length": 0}},
        "replies[state].name: expected a name of its own, got state",
    ),
    "the wrong unit": (
        {POSITION + ".unit": "rpm"},
        "replies[state].fields[position].unit: expected counts or turns or degrees for position, got rpm",
    ),
    "no unit": (
        {VELOCITY + ".unit": GONE},
        "commands.velocity[#1].fields[velocity].unit: expected counts_s or rpm or turns_s or deg_s for velocity, got",
    ),
    "a scaled status": (
        {"replies.0.fields.0.scale": 2.0},
        "replies[state].fields[status].scale: expected no scale and no offset for status, got one",
    ),
    "a signed status": (
        {"replies.0.fields.0.type": "i16"},
        "replies[state].fields[status].type: expected u8, u16, u32 or unsigned bits for status, got i16",
    ),
    "bits without a place": (
        {"replies.0.fields.0": {"name": "status", "at": 1, "type": "bits", "size": 2, "width": 4}},
        "replies[state].fields[status].bit: expected a whole number, as type is bits, got nothing",
    ),
    "bits beyond their word": (
        {"replies.0.fields.0": {"name": "status", "at": 1, "type": "bits", "size": 1, "bit": 6, "width": 4}},
        "replies[state].fields[status].width: expected at most 2 bits from bit 6, got 4",
    ),
    "a place of bits in a whole number": (
        {"replies.0.fields.0.bit": 3},
        "replies[state].fields[status].bit: expected nothing, as type is u16, got a value",
    ),
    "steps that are no whole counts": (
        {POSITION: position(unit="degrees", scale=0.01)},
        (
            "replies[state].fields[position].scale: expected steps of whole counts, got 0.113778 counts a step at "
            "position.counts_per_turn = 4096 (one turn is 36000 steps)"
        ),
    ),
    "an offset between counts": (
        {POSITION + ".offset": 0.5},
        "replies[state].fields[position].offset: expected whole counts, got 0.5 counts",
    ),
    "an f32 position without its travel": (
        {POSITION: position(type="f32", unit="turns")},
        "position.travel_turns: expected a number, as the position is an f32 and holds only so many counts",
    ),
    "an f32 position that cannot hold the travel": (
        {POSITION: position(type="f32", unit="turns"), "position.travel_turns": 5000.0},
        (
            "replies[state].fields[position].type: expected a number that tells every count apart over 5000 turns "
            "either way, got f32, which does so to 2048 turns at position.counts_per_turn = 4096"
        ),
    ),
    "an f32 velocity without steps": (
        {VELOCITY: velocity(type="f32", min=-1.0, max=1.0)},
        "commands.velocity[#1].fields[velocity].step: expected a number, as an f32 alone has no steps and no end",
    ),
    "an f32 velocity with steps too fine": (
        {VELOCITY: velocity(type="f32", unit="rpm", step=0.0001, min=-6000.0, max=6000.0)},
        (
            "commands.velocity[#1].fields[velocity].step: expected a step that an f32 tells apart up to 6000 rpm, "
            "got 0.0001, told apart below 1024"
        ),
    ),
    "a velocity one way": (
        {VELOCITY + ".type": "u32"},
        "commands.velocity: expected velocities in both directions, got 0 to 4294967295 units",
    ),
    "limits beyond the field": (
        {VELOCITY: velocity(type="i16", max=40_000.0)},
        "commands.velocity[#1].fields[velocity].max: expected what the field holds (-32768 to 32767), got 40000",
    ),
    "limits the wrong way round": (
        {VELOCITY: velocity(min=5.0, max=-5.0)},
        "commands.velocity[#1].fields[velocity].max: expected a value above min (5), got -5",
    ),
    "an identifier that does not fit": (
        {"commands.stop.0.id.base": 0x7FF},
        "commands.stop[#1].id.base: expected at most 7FFh with node 7 in it, got 806h",
    ),
    "no identifier": (
        {"commands.stop.0.id": GONE},
        "commands.stop[#1].id: expected the identifier of the frame, got nothing",
    ),
    "an address on CAN": (
        {"commands.stop.0.address": {}},
        "commands.stop[#1].address: expected nothing on CAN (it has id), got a table",
    ),
    "a reply on what we send": (
        {"replies.0.id.base": 0x102},
        (
            "replies[state].id.base: expected an identifier that we do not send, got 103h, which commands.enable sends "
            "to node 3"
        ),
    ),
    "two nodes' commands on one identifier": (
        {"commands.stop.0.id.base": 0x101},
        (
            "commands.stop[#1].id.base: expected another identifier for every node, got 102h for node 1, and for node "
            "2 in commands.enable"
        ),
    ),
    "a command to nobody in particular": (
        {"commands.stop.0.id.node": "none"},
        'commands.stop[#1].id.node: expected "added": it goes to one drive, got "none"',
    ),
    "a reply of nobody in particular": (
        {"replies.0.id": {"base": 0x180, "node": "none"}},
        'replies[state].id.node: expected "added": a reply must tell whose it is, got "none"',
    ),
    "a stop to everybody that is one node's": (
        {"commands.stop_all": stop_all(id={"base": 0x103, "node": "none"})},
        (
            "commands.stop_all[#1].id.base: expected an identifier that is no single drive's, got 103h, which is node "
            "3's in commands.enable"
        ),
    ),
    "a stop to everybody with a node": (
        {"commands.stop_all": stop_all(id={"base": 0x40})},
        'commands.stop_all[#1].id.node: expected "none": it goes to every node, got "added"',
    ),
    "a stop to everybody that is answered": (
        {"commands.stop_all": stop_all(answers=["state"])},
        "commands.stop_all[#1].answers: expected no answer to what goes to everybody, got state",
    ),
    "replies that cannot be told apart": (
        {
            "replies.1": {
                "name": "other",
                "id": {"base": 0x180},
                "length": 8,
                "constants": [{"at": 1, "hex": "07"}],
            }
        },
        "replies[other]: expected another identifier, length or constant byte than state has, got none",
    ),
    "a state beyond the status word": (
        {"status.states.0.mask": 0x1000F},
        "status.states[#1].mask: expected bits of the status word (up to FFFFh), got 1000Fh",
    ),
    "a state outside its mask": (
        {"status.states.1.value": 0x13},
        "status.states[#2].value: expected bits of its mask (Fh), got 13h",
    ),
    "a state that is never reached": (
        {"status.states.2.value": 3},
        "status.states[#3].value: expected a word that does not fit operation enabled (Fh: 3h) as well, got Fh: 3h,",
    ),
    "no state of operation": (
        {"status.states.1.state": "switched on"},
        'status.states: expected a pattern for "operation enabled", got none',
    ),
    "a switch on a bit that is not there": (
        {"switches": {"home": {"word": "status", "bit": 16}}},
        "switches.home.bit: expected a bit of the status (0 to 15), got 16",
    ),
    "a switch on inputs that are not there": (
        {"switches": {"home": {"bit": 3}}},
        "switches.home.word: expected a field inputs in a reply, got none",
    ),
    "a time-out that nothing sets": (
        {"timeout": {"kind": "set"}},
        'commands.set_timeout: expected a command, as timeout.kind is "set", got nothing',
    ),
    "a time-out that cannot be switched off": (
        {
            "timeout": {"kind": "set"},
            "commands.set_timeout": [
                {
                    "id": {"base": 0x100},
                    "length": 3,
                    "constants": [{"at": 0, "hex": "20"}],
                    "fields": [{"name": "timeout", "at": 1, "type": "u16", "unit": "ms", "min": 10.0}],
                }
            ],
            "commands.read_timeout": [
                {
                    "id": {"base": 0x100},
                    "length": 1,
                    "constants": [{"at": 0, "hex": "21"}],
                    "answers": ["time"],
                }
            ],
            "replies.1": {
                "name": "time",
                "id": {"base": 0x180},
                "length": 2,
                "fields": [{"name": "timeout", "at": 0, "type": "u16", "unit": "ms"}],
            },
        },
        "commands.set_timeout[#1].fields[timeout].min: expected 0 among what can be set, as timeout.zero_is_off",
    ),
    "two position counters": (
        {
            "replies.1": {
                "name": "short",
                "id": {"base": 0x200},
                "length": 2,
                "fields": [{"name": "position", "at": 0, "type": "i16", "unit": "counts"}],
            }
        },
        "replies[short].fields[position].type: expected a counter of 4294967296 counts, as in reply state, got",
    ),
    "a counter that does not hold its own end": (
        {"position.wrap_counts": 5_000_000_000},
        "position.wrap_counts: expected at most the 4294967296 counts of reply state, got 5000000000",
    ),
    "a time-out of no kind": (
        {"timeout": {"kind": "soft"}},
        'timeout.kind: expected one of "fixed", "set", got "soft"',
    ),
    "nodes the wrong way round": (
        {"node_max": 0},
        "node_max: expected at least node_min (1), got 0",
    ),
    "a ratio with nothing below": (
        {VELOCITY + ".scale": [1, 0]},
        "commands.velocity[#1].fields[velocity].scale: expected a ratio of two numbers above 0, got [1, 0]",
    ),
    "no hex": (
        {"commands.stop.0.constants.0.hex": "3G"},
        'commands.stop[#1].constants[#1].hex: expected bytes in hex such as "21 00", got "3G"',
    ),
    "an unknown field": (
        {"commands.stop.0.lenght": 1},
        "commands.stop[#1].lenght: expected a known field (did you mean length?), got unknown field lenght",
    ),
    "a heading of one bracket": (
        {"commands.stop": {"length": 1}},
        "commands.stop: expected a heading [[commands.stop]], got [commands.stop]",
    ),
    "a scale in quotes": (
        {VELOCITY + ".scale": "0.01"},
        (
            "commands.velocity[#1].fields[velocity].scale: expected a number or a list in brackets ([...]), "
            'got "0.01"'
        ),
    ),
    "no wire": ({"wire": GONE}, "wire: expected a value (a table: how frames travel), got nothing"),
    "an unknown wire": (
        {"wire.kind": "parallel"},
        'wire.kind: expected one of "can", "serial", got "parallel"',
    ),
}

SERIAL_CASES: dict[str, tuple[dict[str, Any], str]] = {
    "an identifier on a line": (
        {"commands.stop.0.id": {"base": 1}},
        "commands.stop[#1].id: expected nothing on a serial line (it has address), got a table",
    ),
    "an address too large": (
        {"wire.address": {"base": 0xFC}},
        "wire.address.base: expected at most FFh with node 7 in it, got 103h",
    ),
    "an address where there is none": (
        {"wire.header": ["length"], "commands.stop.0.address": {}},
        "commands.stop[#1].address: expected nothing, as wire.header has no address, got a table",
    ),
    "a header twice": (
        {"wire.header": ["length", "length"]},
        "wire.header: expected each part once, got length, length",
    ),
    "nothing to tell a frame by": (
        {"wire.header": [], "wire.start": ""},
        "wire.start: expected something by which a frame is told (start, header or end), got none",
    ),
    "an unknown checksum": (
        {"wire.checksum.name": "crc-16"},
        'wire.checksum.name: expected "sum-8", "xor-8", "lrc-8", "crc-8", "crc-16-modbus",',
    ),
    "replies apart by length alone, without a length": (
        {
            "wire.header": ["address"],
            "replies.1": {"name": "other", "length": 9, "constants": [{"at": 0, "hex": "A0"}]},
        },
        "replies[other]: expected another constant byte, or another length where the header has one than state has",
    ),
    "everybody's address that is one node's": (
        {"commands.stop_all": [{"address": {"base": 3, "node": "none"}, "length": 0}]},
        "commands.stop_all[#1].address.base: expected an address that is no single drive's, got 3h, which is node 3's",
    ),
    "everybody by each one's address": (
        {"commands.stop_all": [{"length": 0}]},
        'commands.stop_all[#1].address.node: expected "none": it goes to every node, got "added"',
    ),
}


@pytest.mark.parametrize("case", CAN_CASES)
def test_a_mistake_on_can_is_told_in_words(case: str) -> None:
    """One thing wrong in a good file: that mistake is named with its field, what was expected and what came."""
    _is_told(can_drive(), *CAN_CASES[case])


@pytest.mark.parametrize("case", SERIAL_CASES)
def test_a_mistake_on_a_line_is_told_in_words(case: str) -> None:
    """The same for a serial line."""
    _is_told(serial_drive(), *SERIAL_CASES[case])


def _is_told(data: dict[str, Any], edits: dict[str, Any], words: str) -> None:
    assert mistakes(data) == []
    for path, value in edits.items():
        put(data, path, value)
    found = mistakes(data)
    assert any(one.startswith(f"moon.toml: {words}") for one in found), found


def test_one_mistake_is_one_line() -> None:
    """A type that is not known is told once, and not as a command without frames besides."""
    data = can_drive()
    put(data, VELOCITY + ".type", "i24")
    assert len(mistakes(data)) == 1


def sample(**changes: Any) -> dict[str, Any]:
    return {"command": "velocity", "node": 3, "values": {"velocity": -2}, **changes}


SAMPLE_CASES: dict[str, tuple[dict[str, Any], str]] = {
    "other bytes": (
        sample(frames=["103: 10 FE FF FF 7F 00 00 00"]),
        ".frames[#1]: expected 103: 10 FE FF FF FF 00 00 00, got 103: 10 FE FF FF 7F 00 00 00",
    ),
    "another identifier": (
        sample(frames=["102: 10 FE FF FF FF 00 00 00"]),
        ".frames[#1]: expected 103: 10 FE FF FF FF 00 00 00, got 102: 10",
    ),
    "no frame": (
        sample(frames=["103"]),
        '.frames[#1]: expected identifier and bytes in hex, such as "105: 23 24", got "103"',
    ),
    "too many frames": (sample(frames=["103:", "103:"]), ".frames: expected 1 frames, as velocity has, got 2"),
    "a node that is not": (sample(node=9, frames=["103:"]), ".node: expected 1 to 7, got 9"),
    "a value between steps": (
        sample(values={"velocity": 0.5}, frames=["103: 10"]),
        ".values.velocity: expected a value on a step of 1, got 0.5",
    ),
    "a value for nothing": (
        sample(values={"position": 1}, frames=["103: 10"]),
        ".values.position: expected a number for a field that the command carries",
    ),
    "no value": (sample(values={}, frames=["103: 10"]), ".values: expected a value, got none"),
    "neither": (sample(command=GONE, frames=["103: 10"]), ".command: expected either command or reply, got none"),
    "a reply's other value": (
        {"reply": "state", "node": 3, "values": {"position": 6}, "frames": ["183: A0 03 00 05 00 00 00 00"]},
        ".values.position: expected 5 as in the bytes, got 6",
    ),
    "a reply's other state": (
        {"reply": "state", "node": 3, "values": {"state": "fault"}, "frames": ["183: A0 03 00 05 00 00 00 00"]},
        '.values.state: expected "operation enabled" (status 3h), got "fault"',
    ),
    "a reply cut short": (
        {"reply": "state", "node": 3, "frames": ["183: A0 03 00 05 00 00 00"]},
        ".frames[#1]: expected a whole good frame state (A0 .. .. .. .. .. .. ..), got 183: A0 03",
    ),
    "a reply of another": (
        {"reply": "state", "node": 3, "frames": ["184: A0 03 00 05 00 00 00 00"]},
        ".frames[#1]: expected identifier 183h of node 3, got 184h",
    ),
}  # fmt: skip


@pytest.mark.parametrize("case", SAMPLE_CASES)
def test_a_sample_that_differs_is_told(case: str) -> None:
    """A sample of the manual that the file does not reproduce is refused with what the file makes of it."""
    entry, words = SAMPLE_CASES[case]
    data = can_drive()
    data["samples"] = [{key: value for key, value in entry.items() if value is not GONE}]
    found = mistakes(data)
    assert any(one.startswith(f"moon.toml: samples[#1]{words}") for one in found), found


@pytest.mark.parametrize(("written", "holds"), [(12.3, True), (12.333, True), (12.4, False), (12.0, False)])
def test_steps_whose_decimals_do_not_end(written: float, holds: bool) -> None:
    """Thirds of a count a second: 37 steps are 12.333..., as the manual rounds it; another third is not."""
    data = can_drive()
    put(data, VELOCITY + ".scale", [1, 3])
    data["samples"] = [sample(values={"velocity": written}, frames=["103: 10 25 00 00 00 00 00 00"])]
    assert (mistakes(data) == []) == holds


def test_all_mistakes_of_a_stage_are_told_at_once() -> None:
    """Three things wrong in three frames: three lines."""
    data = can_drive()
    put(data, POSITION + ".at", 5)
    put(data, VELOCITY + ".unit", "mA")
    put(data, "commands.stop.0.answers", ["moon"])
    assert len(mistakes(data)) == 3


@pytest.mark.parametrize("name", ["heron", "tide"])
def test_the_examples_hold(name: str) -> None:
    """Both example drives load, with every command but what they say they lack, and go through JSON unchanged."""
    drive = load_drive(shipped(f"drives/{name}.toml"))
    assert DriveFile.model_validate(json.loads(drive.model_dump_json()), strict=False) == drive
    codec = DriveCodec(drive, 2)
    assert {"enable", "disable", "velocity", "position", "stop", "stop_all", "clear_fault"} <= set(
        codec.commands
    )
    assert drive.notices_silence
    assert cautions(drive) == []
    assert codec.position_span_counts == 2**32


def test_what_heron_sends() -> None:
    """Packed by the standard library: hundredths of a degree a second, low byte first, 140h + node."""
    codec = DriveCodec(load_drive(shipped("drives/heron.toml")), 9)
    (frame,) = codec.velocity(-123_456, 1)
    assert (frame.can_id, frame.data) == (0x149, struct.pack("<iH", -123_456, 1))
    assert frame.answers == ("motion", "status")
    found = codec.replies["status"].decode(struct.pack("<HHBxh", 0x0427, 2, 0, -7))
    assert found is not None
    assert (found.status, found.inputs, found.fault, found.current) == (0x0427, 2, 0, -70)
    assert codec.state(0x0427) is DriveState.OPERATION_ENABLED
    assert codec.velocity_unit_counts_s == Fraction(1)


def test_what_tide_sends() -> None:
    """Packed by the standard library, its CRC by binascii: A5, address, length, payload, CRC-16 over all but A5."""
    import binascii

    codec = DriveCodec(load_drive(shipped("drives/tide.toml")), 9)
    (frame,) = codec.velocity(-123_456, 1)
    body = bytes([9, 6, 0x20, 1]) + struct.pack(">i", -123_456)
    assert frame.data == b"\xa5" + body + struct.pack(">H", binascii.crc_hqx(body, 0xFFFF))
    assert codec.velocity_unit_counts_s == Fraction(10)
    assert codec.velocity_limits == (-300_000, 300_000)


def test_cautions_name_what_is_missing() -> None:
    """A drive without time-out, broadcast, checksum and the rest: each is said, the gravest first."""
    data = serial_drive(None, header=["length"])
    found = cautions(drive_from(data, Path("moon.toml")))
    assert found[0].where == "timeout"
    assert "goes on turning" in found[0].text
    wheres = {one.where for one in found}
    assert wheres >= {
        "commands.stop_all", "wire.checksum", "wire.header", "switches.home", "commands.position", "samples",
    }  # fmt: skip


def test_an_address_outside_the_checksum_is_a_caution() -> None:
    """A sum over the payload alone lets a damaged address pass for another drive's."""
    data = serial_drive()
    data["wire"]["checksum"]["begins"] = "payload"
    assert any("address" in one.text for one in cautions(drive_from(data, Path("moon.toml"))))
