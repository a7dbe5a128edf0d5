"""Frames of described drives: every field both ways, every cut, every damage. Laws over generated layouts."""

from __future__ import annotations

import struct
from typing import Any

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from drivers.described.codec import SERIAL, Decoded, DriveCodec
from drivers.described.driveside import DriveSide
from drivers.described.format import DriveFile
from drivers.described.receiver import CanReceiver, SerialReceiver
from drivers.described.scale import told_apart_to
from drivers.interface import DriveState
from tests.fakes.drive_files import can_drive, serial_drive, velocity_field

CHECKSUMS = (
    "sum-8", "xor-8", "lrc-8", "crc-8", "crc-16-modbus", "crc-16-ccitt-false", "crc-16-xmodem", "crc-32",
)  # fmt: skip
STRUCTS = {"u8": "B", "i8": "b", "u16": "H", "i16": "h", "u32": "I", "i32": "i"}
ORDERS = {"low-first": "<", "high-first": ">"}


def made(data: dict[str, Any]) -> DriveFile:
    return DriveFile.model_validate(data)


def with_velocity(data: dict[str, Any], **field: Any) -> dict[str, Any]:
    data["commands"]["velocity"][0]["fields"] = [velocity_field(**field)]
    return data


def tide_like(checksum: str | None = "crc-16-modbus") -> tuple[DriveFile, SerialReceiver, DriveSide]:
    drive = made(serial_drive(checksum))
    return drive, SerialReceiver([DriveCodec(drive, node) for node in (2, 5)]), DriveSide(drive, 2)


# Fields


@pytest.mark.parametrize("kind", STRUCTS)
@pytest.mark.parametrize("order", ORDERS)
@given(share=st.floats(0, 1), at=st.integers(1, 4))
@settings(max_examples=10)
def test_whole_numbers_lie_as_struct_lays_them(kind: str, order: str, share: float, at: int) -> None:
    """Judge: the standard library's struct. A reply's number of each type and order is what struct unpacks."""
    letter = ORDERS[order] + STRUCTS[kind]
    data = can_drive()
    data["replies"][0]["fields"] = [
        {"name": "position", "at": at, "type": kind, "order": order, "unit": "counts"},
        {"name": "status", "at": 0 if at > 4 else 7 if at + struct.calcsize(letter) <= 7 else 1, "type": "bits",
         "size": 1, "bit": 0, "width": 4},
    ]  # fmt: skip
    assume(at + struct.calcsize(letter) <= 7)
    codec = DriveCodec(made(data), 3)
    wide = 8 * struct.calcsize(letter)
    low = -(1 << wide - 1) if kind[0] == "i" else 0
    number = low + round(share * ((1 << wide) - 1))
    frame = bytearray(8)
    frame[0] = 0xA0
    struct.pack_into(letter, frame, at, number)
    found = codec.replies["state"].decode(bytes(frame))
    assert found is not None
    assert found.position == number


@st.composite
def bit_places(draw: st.DrawFn) -> tuple[int, int, int]:
    """Bytes of a word, a bit in it, how many from there."""
    size = draw(st.integers(1, 7))
    bit = draw(st.integers(0, 8 * size - 2))
    return size, bit, draw(st.integers(2, 8 * size - bit))


@given(place=bit_places(), order=st.sampled_from(sorted(ORDERS)), number=st.integers(0, 2**56 - 1))
def test_bits_both_ways(place: tuple[int, int, int], order: str, number: int) -> None:
    """Bits of a word in either order: the compiled writer and reader agree with reading bit by bit, sign and all."""
    size, bit, width = place
    field = {"type": "bits", "order": order, "size": size, "bit": bit, "width": width, "signed": True}
    drive = made(with_velocity(can_drive(), **field))
    codec, side = DriveCodec(drive, 1), DriveSide(drive, 1)
    low, high = codec.velocity_limits
    assert (low, high) == (-(1 << width - 1), (1 << width - 1) - 1)
    units = low + number % (high - low + 1)
    (frame,) = codec.velocity(units)
    heard = side.heard(frame.can_id, frame.data)
    assert heard is not None
    assert heard.values == {"velocity": units}
    word = int.from_bytes(frame.data[1 : 1 + size], "little" if order == "low-first" else "big")
    assert word == (units & (1 << width) - 1) << bit


scales = st.one_of(
    st.sampled_from([1.0, 0.1, 0.01, 0.001, 0.25, 2.0, 60.0]),
    st.tuples(st.integers(1, 1000), st.integers(1, 1000)).map(list),
)


@given(
    kind=st.sampled_from(["i16", "i32"]),
    unit=st.sampled_from(["counts_s", "rpm", "turns_s", "deg_s"]),
    scale=scales,
    turn=st.integers(1, 10_000_000),
    share=st.floats(0, 1),
    reported=st.booleans(),
)
def test_a_scaled_velocity_is_exact(
    kind: str, unit: str, scale: Any, turn: int, share: float, reported: bool
) -> None:
    """One unit of ours is one step of the drive's field, whatever scale and unit: out, taken, reported, the same."""
    data = with_velocity(can_drive(), type=kind, unit=unit, scale=scale)
    data["position"]["counts_per_turn"] = turn
    data["replies"][0]["fields"][0] = {
        "name": "status",
        "at": 1,
        "type": "bits",
        "size": 1,
        "bit": 0,
        "width": 8,
    }
    data["replies"][0]["fields"][1] = {"name": "position", "at": 2, "type": "i16", "unit": "counts"}
    data["replies"][0]["fields"].append(
        {"name": "velocity", "at": 4, "type": kind, "unit": unit, "scale": scale}
    )
    drive = made(data)
    codec, side = DriveCodec(drive, 1), DriveSide(drive, 1)
    low, high = codec.velocity_limits
    units = low + round(share * (high - low))
    (frame,) = codec.velocity(units)
    assert struct.unpack_from("<h" if kind == "i16" else "<i", frame.data, 1) == (units,)
    assert side.heard(frame.can_id, frame.data).values == {"velocity": units}
    found = codec.replies["state"].decode(side.reply("state", {"velocity": units})[1])
    assert found is not None
    assert found.velocity == units
    with pytest.raises(ValueError, match="velocity: expected"):
        codec.velocity(high + 1)
    with pytest.raises(ValueError, match="velocity: expected"):
        codec.velocity(low - 1)


def test_one_unit_is_what_the_manual_says() -> None:
    """Closed form: 0.01 rpm at 60000 counts a turn are 10 counts/s; 0.01 deg/s at 36000 are one."""
    data = with_velocity(can_drive(), unit="rpm", scale=0.01)
    data["position"]["counts_per_turn"] = 60_000
    assert DriveCodec(made(data), 1).velocity_unit_counts_s == 10
    data = with_velocity(can_drive(), unit="deg_s", scale=0.01)
    data["position"]["counts_per_turn"] = 36_000
    assert DriveCodec(made(data), 1).velocity_unit_counts_s == 1


def test_a_coarser_report_is_rounded_to_the_nearest_unit() -> None:
    """A velocity reported in whole turns a minute, commanded in hundredths: 3 rpm reads as 300 units."""
    data = with_velocity(can_drive(), unit="rpm", scale=0.01)
    data["replies"][0]["fields"] = [
        {"name": "status", "at": 1, "type": "u8"},
        {"name": "position", "at": 2, "type": "i16", "unit": "counts"},
        {"name": "velocity", "at": 4, "type": "i16", "unit": "rpm"},
    ]
    codec = DriveCodec(made(data), 1)
    found = codec.replies["state"].decode(struct.pack("<BBhhxx", 0xA0, 3, 0, -3))
    assert found is not None
    assert found.velocity == -300


def test_an_offset_is_taken_off() -> None:
    """A velocity from 0 to 65535 whose middle is standstill: 32768 means none."""
    data = with_velocity(can_drive(), type="u16", unit="counts_s", scale=2.0, offset=-65_536.0)
    codec = DriveCodec(made(data), 1)
    assert codec.velocity_limits == (-32_768, 32_767)
    assert struct.unpack_from("<H", codec.velocity(0)[0].data, 1) == (32_768,)
    assert struct.unpack_from("<H", codec.velocity(-32_768)[0].data, 1) == (0,)


# Floating-point numbers


@given(power=st.integers(-20, 40), odd=st.integers(1, 999))
def test_what_an_f32_tells_apart(power: int, odd: int) -> None:
    """Judge: numpy's float32. Below the bound neighbours come back as themselves; twice as far up some do not."""
    from fractions import Fraction

    factor = Fraction(odd) * Fraction(2) ** power
    bound = told_apart_to(factor)
    top = int(Fraction(bound) * factor)
    assume(top > 2000)
    below = np.arange(max(0, top - 1000), top - 1, dtype=np.int64)
    back = np.rint(np.float64(np.float32(below / float(factor))) * float(factor)).astype(np.int64)
    assert np.array_equal(back, below)
    assume(top < 2**52)
    above = np.arange(4 * top - 1000, 4 * top, dtype=np.int64)
    back = np.rint(np.float64(np.float32(above / float(factor))) * float(factor)).astype(np.int64)
    assert not np.array_equal(back, above)


@given(share=st.floats(0, 1))
def test_an_f32_velocity_round_trips(share: float) -> None:
    """Steps of 0.01 rpm in an f32, up to 3000 rpm: every unit comes back, and struct reads the same number."""
    data = with_velocity(can_drive(), type="f32", unit="rpm", step=0.01, scale=1.0, min=-3000.0, max=3000.0)
    drive = made(data)
    codec, side = DriveCodec(drive, 1), DriveSide(drive, 1)
    assert codec.velocity_limits == (-300_000, 300_000)
    units = round(share * 600_000) - 300_000
    (frame,) = codec.velocity(units)
    assert struct.unpack_from("<f", frame.data, 1)[0] == pytest.approx(units / 100, rel=1e-7)
    assert side.heard(frame.can_id, frame.data).values == {"velocity": units}


@pytest.mark.parametrize("number", [float("nan"), float("inf"), float("-inf")])
def test_no_number_is_no_reply(number: float) -> None:
    """A position that is no number changes nothing: the frame says nothing at all."""
    data = can_drive()
    data["position"] |= {"travel_turns": 100.0}
    data["replies"][0]["fields"][1] = {"name": "position", "at": 3, "type": "f32", "unit": "turns"}
    codec = DriveCodec(made(data), 1)
    good = struct.pack("<BHfx", 0xA0, 3, 1.5)
    found = codec.replies["state"].decode(good)
    assert found is not None
    assert found.position == 1.5 * 4096
    assert codec.replies["state"].decode(struct.pack("<BHfx", 0xA0, 3, number)) is None
    assert codec.position_span_counts == 0
    assert codec.position_place("state") is None


# Commands


def test_what_is_missing_or_unknown_is_refused() -> None:
    """A value too many, one too few, a command that the drive has not: ValueError, nothing made."""
    codec = DriveCodec(made(can_drive()), 1)
    with pytest.raises(ValueError, match="velocity: expected a value"):
        codec.encode("velocity")
    with pytest.raises(ValueError, match="expected a field position"):
        codec.encode("velocity", velocity=1, position=2)
    with pytest.raises(ValueError, match="expected a command that the drive has"):
        codec.encode("position", position=2)
    with pytest.raises(ValueError, match="node: expected 1 to 7, got 8"):
        DriveCodec(codec.drive, 8)
    assert not codec.has("stop_all")


def test_outputs_are_off_unless_asked_for() -> None:
    """The outputs in a velocity frame are 0 when nothing is said of them, and never an older word."""
    data = can_drive()
    data["commands"]["velocity"][0]["fields"].append({"name": "outputs", "at": 5, "type": "u8"})
    codec = DriveCodec(made(data), 1)
    assert codec.velocity(1, 0xFF)[0].data[5] == 0xFF
    assert codec.velocity(1)[0].data[5] == 0
    assert codec.encode("velocity", velocity=1)[0].data[5] == 0
    with pytest.raises(ValueError, match="outputs: expected 0 to 255"):
        codec.velocity(1, 256)


def test_a_timeout_is_set_no_shorter_than_asked() -> None:
    """In steps of 25 ms, 160 ms become 175."""
    data = can_drive()
    data["timeout"] = {"kind": "set"}
    data["commands"]["set_timeout"] = [
        {"id": {"base": 0x200}, "length": 2, "answers": ["timeout"],
         "fields": [{"name": "timeout", "at": 0, "type": "u8", "scale": 25.0, "unit": "ms"}]}
    ]  # fmt: skip
    data["commands"]["read_timeout"] = [
        {"id": {"base": 0x280}, "length": 0, "answers": ["timeout"]},
    ]
    data["replies"].append(
        {"name": "timeout", "id": {"base": 0x300}, "length": 1,
         "fields": [{"name": "timeout", "at": 0, "type": "u8", "scale": 25.0, "unit": "ms"}]}
    )  # fmt: skip
    codec = DriveCodec(made(data), 1)
    assert codec.timeout_ms(160) == 175
    assert codec.timeout_ms(150) == 150
    assert codec.encode("set_timeout", timeout=175)[0].data == bytes([7, 0])
    with pytest.raises(ValueError, match="own steps"):
        codec.encode("set_timeout", timeout=160)


def test_states_are_the_files() -> None:
    """The first pattern that fits; a word that fits none is UNKNOWN."""
    codec = DriveCodec(made(can_drive()), 1)
    assert codec.state(0xF3) is DriveState.OPERATION_ENABLED
    assert codec.state(0x09) is DriveState.FAULT
    assert codec.state(0x05) is DriveState.UNKNOWN


def test_identifiers_hold_the_node() -> None:
    """Base and node, added or shifted, in 29 bits: 18EF0000h + 2 x 2^8."""
    data = can_drive()
    data["wire"]["id_bits"] = 29
    for frames in data["commands"].values():
        frames[0]["id"] = {"base": 0x18EF0000, "shift": 8}
    codec = DriveCodec(made(data), 2)
    assert codec.encode("stop")[0].can_id == 0x18EF0200
    assert codec.encode("stop")[0].data == b"\x03"


def test_the_position_has_a_fixed_place() -> None:
    """A stranger finds the position in the whole frame: behind start, address, length, code and status."""
    drive, _, side = tide_like()
    place = DriveCodec(drive, 2).position_place("state")
    assert place is not None
    _, frame = side.reply("state", {"position": -123_456})
    raw = frame[place.at : place.at + place.size]
    assert int.from_bytes(raw, "little" if place.low_first else "big", signed=place.signed) == -123_456
    assert place.at == 3 + 3


# On a line

state_values = st.fixed_dictionaries(
    {"status": st.integers(0, 0xFFFF), "position": st.integers(-(2**31), 2**31 - 1)}
)


def said(values: dict[str, int], node: int = 2) -> Decoded:
    return Decoded("state", node, position=values["position"], status=values["status"])


@given(values=st.lists(state_values, min_size=1, max_size=6), cuts=st.lists(st.integers(1, 20), min_size=1))
def test_any_cut_is_the_same(values: list[dict[str, int]], cuts: list[int]) -> None:
    """Frames in pieces of any size come out whole, in order, none left over, never more than one held."""
    drive, receiver, side = tide_like()
    stream = b"".join(side.reply("state", one)[1] for one in values)
    longest = DriveCodec(drive, 2).replies["state"].length
    got: list[Decoded] = []
    place = 0
    while stream:
        size = cuts[place % len(cuts)]
        got += receiver.feed(stream[:size])
        stream = stream[size:]
        place += 1
        assert receiver.held < longest
    assert got == [said(one) for one in values]
    assert (receiver.held, receiver.dropped) == (0, 0)


@pytest.mark.parametrize("checksum", CHECKSUMS)
@given(values=state_values)
@settings(max_examples=4)
def test_every_flipped_bit_is_refused(checksum: str, values: dict[str, int]) -> None:
    """Each bit of a whole checked frame in turn, with every checksum: such a frame says nothing."""
    _, receiver, side = tide_like(checksum)
    _, frame = side.reply("state", values)
    assert receiver.feed(frame) == [said(values)]
    for bit in range(8 * len(frame)):
        damaged = bytearray(frame)
        damaged[bit // 8] ^= 1 << bit % 8
        assert receiver.feed(bytes(damaged)) + receiver.silence() == []
    assert receiver.feed(frame) == [said(values)]


@given(
    values=state_values, cut=st.integers(0, 11), before=st.binary(max_size=30), after=st.binary(max_size=30)
)
def test_garbage_and_half_frames_pass(values: dict[str, int], cut: int, before: bytes, after: bytes) -> None:
    """Noise before and behind, half a frame before: with a silence between, the whole frame is found, and only it."""
    drive, receiver, side = tide_like("crc-32")
    _, frame = side.reply("state", values)
    judge = SerialReceiver([DriveCodec(drive, 2), DriveCodec(drive, 5)])
    assume(not judge.feed(before + frame[:cut]) + judge.silence() + judge.feed(after) + judge.silence())
    got = receiver.feed(before) + receiver.feed(frame[:cut]) + receiver.silence()
    got += receiver.feed(frame) + receiver.feed(after) + receiver.silence()
    assert got == [said(values)]
    assert receiver.held == 0


@given(values=state_values, cut=st.integers(1, 10))
def test_a_frame_behind_half_a_frame_waits_for_silence_at_most(values: dict[str, int], cut: int) -> None:
    """Without a silence between, the good frame comes out at the latest when the line falls silent."""
    _, receiver, side = tide_like("crc-32")
    _, frame = side.reply("state", values)
    assert receiver.feed(frame[:cut] + frame) + receiver.silence() == [said(values)]


@given(st.lists(st.binary(max_size=400), max_size=8))
def test_noise_says_nothing_and_is_not_kept(pieces: list[bytes]) -> None:
    """Bytes of any kind: no reply (four bytes of checksum and four constants are not met by chance), little held."""
    drive, receiver, _ = tide_like("crc-32")
    longest = DriveCodec(drive, 2).replies["state"].length
    for piece in pieces:
        assert receiver.feed(piece) == []
        assert receiver.held < longest
    receiver.silence()
    assert receiver.dropped == sum(map(len, pieces))


def test_our_own_commands_are_no_replies() -> None:
    """An adapter that echoes what we send: the echo of a command changes nothing."""
    drive, receiver, _ = tide_like()
    codec = DriveCodec(drive, 2)
    for name in codec.commands:
        values = {"velocity": 5} if name == "velocity" else {}
        for frame in codec.encode(name, **values):
            assert frame.can_id == SERIAL
            assert receiver.feed(frame.data) + receiver.silence() == []


def test_several_drives_need_an_address() -> None:
    """Without an address in the frames a line carries one drive: ValueError for two."""
    drive = made(serial_drive(header=["length"]))
    assert SerialReceiver([DriveCodec(drive, 2)]).feed(DriveSide(drive, 2).reply("state", {})[1])
    with pytest.raises(ValueError, match="an address where several drives share a line"):
        SerialReceiver([DriveCodec(drive, 2), DriveCodec(drive, 3)])


@given(values=state_values)
def test_parts_of_a_serial_frame(values: dict[str, int]) -> None:
    """Start, header in another order, a length that counts more, a reply's own start, an end: both ways."""
    data = serial_drive(
        "sum-8",
        start="02 03",
        reply_start="06",
        header=["length", "address"],
        length_adds=2,
        end="0D 0A",
        reply_address={"base": 0x40},
    )
    data["wire"]["checksum"]["begins"] = "start"
    drive = made(data)
    codec, side = DriveCodec(drive, 5), DriveSide(drive, 5)
    (frame,) = codec.encode("stop")
    body = bytes([2, 3, 3, 5, 3])
    assert frame.data == body + bytes([sum(body)]) + b"\r\n"
    _, reply = side.reply("state", values)
    assert reply[:4] == bytes([6, 8 + 2, 0x45, 0xA0])
    assert SerialReceiver([codec]).feed(reply) == [said(values, 5)]


# On CAN


@given(values=state_values, can_id=st.integers(0, 0x7FF), data=st.binary(max_size=8))
def test_frames_by_identifier(values: dict[str, int], can_id: int, data: bytes) -> None:
    """A drive's reply is its own; any other identifier, length or constant says nothing."""
    drive = made(can_drive())
    receiver = CanReceiver([DriveCodec(drive, node) for node in (2, 5)])
    good_id, good = DriveSide(drive, 5).reply("state", values)
    assert receiver.take(good_id, good) == said(values, 5)
    if can_id not in (0x182, 0x185):
        assert receiver.take(can_id, good) is None
    assert receiver.take(good_id, good[:-1]) is None
    assert receiver.take(good_id, good + b"\0") is None
    assert receiver.take(good_id, b"\xa1" + good[1:]) is None
    found = receiver.take(0x182, data)
    assert (found is not None) == (len(data) == 8 and data[0] == 0xA0)
