"""Words for frames of described drives: outside are the drive files' samples, as a manual prints them.

Whole runs are held against what the simulated drives were told and said; any bytes give printable lines.
"""

from __future__ import annotations

import json
from functools import cache
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from drivers.clock import VirtualClock
from drivers.described.format import DriveFile
from drivers.registry import group_on_link
from drivers.settings import GroupSettings
from drivers.trace import description, open_writer, traced
from drivers.tracedescribed import DescribedWords, files_of
from drivers.tracefile import Piece, read_trace
from drivers.traceline import KINDS, Line
from drivers.tracewords import Decoder
from drivers.twin.virtual import virtual_gantry
from tests.fakes.described_settings import (
    can_settings,
    described_twin_parameters,
    drive_data,
    drive_file,
    serial_settings,
)
from tests.twin.test_twin_described import bits_and_floats

MS = 1_000_000


def described(settings_: GroupSettings) -> dict[str, Any]:
    """The head of a trace, as it comes back from its file."""
    told = description(settings_, "boathouse", "0001-moon", "virtual", VirtualClock())
    read: dict[str, Any] = json.loads(json.dumps(told))
    return read


@cache
def head(name: str) -> dict[str, Any]:
    """The head of a trace of the shipped drives."""
    return described(can_settings() if name == "heron" else serial_settings())


def can(can_id: int, data: str, told: dict[str, Any] | None = None, *, is_out: bool = False) -> Line:
    """The line of one frame on the bus."""
    piece = Piece(0, is_out, False, True, can_id, bytes.fromhex(data))
    (line,) = Decoder(told or head("heron")).lines([piece])
    return line


def serial(*runs: tuple[int, bool, str]) -> list[Line]:
    """Lines of runs of bytes: instant in ms, whether ours, bytes."""
    pieces = [Piece(ms * MS, is_out, True, True, 0, bytes.fromhex(data)) for ms, is_out, data in runs]
    return list(Decoder(head("tide")).lines(pieces))


@pytest.mark.parametrize("name", ["heron", "tide"])
def test_the_head_of_a_trace_tells_the_drive_file(name: str) -> None:
    """Each file once and which node has which; read back it is the same drive, but for the manual's samples."""
    told = head(name)
    assert (len(told["drive_files"]), told["drives"]) == (1, {"1": 0, "2": 0})
    assert files_of(told) == dict.fromkeys((1, 2), drive_file(name, samples=[]))


WARM_FAULT = (
    "y status fault (0168h, motor supply, warm, negative limit), inputs 0000h, "
    "fault 11h (motor current too high), current 0 mA"
)


@pytest.mark.parametrize(
    ("can_id", "data", "kind", "words"),
    [
        # The samples of heron.toml, at nodes 1 and 2 in place of 5 and 63.
        (0x141, "4FC5FFFF0100", "request", "x velocity -150.25 deg/s, outputs 0001h"),
        (0x101, "01", "request", "x enable 1/2"),
        (0x102, "02", "request", "y enable 2/2"),
        (0x040, "5354", "broadcast", "everybody stop_all"),
        (0x202, "A000", "request", "y set_timeout timeout 160 ms"),
        (0x101, "00", "request", "x disable"),
        (0x1C1, "01", "request", "x read_position"),
        (0x1C1, "02", "request", "x read_status"),
        (0x181, "28230000", "request", "x position 90 degrees"),
        (0x281, "6073FFFF5A230000", "answer", "x motion position -360 degrees, velocity 90.5 deg/s"),
        (
            0x2C1, "27040300000083FF", "answer",
            "x status operation enabled (0427h, motor supply, home), inputs 0003h, no fault, current -1250 mA",
        ),
        (0x302, "A000", "answer", "y timeout 160 ms"),
        (0x2C2, "6801000011000000", "answer", WARM_FAULT),
        (0x2C2, "1100000099000000", "answer",
         "y status no known state (0011h), inputs 0000h, fault 99h, current 0 mA"),
        (0x2C1, "2704", "broken", "x status of 2 bytes (8 are due)"),
        (0x1C1, "09", "broken", "x 1 bytes that are no read_position or read_status or read_timeout"),
        (0x103, "01", "other", "none of the drives' identifiers"),
        (0x8000_0101, "01", "other", "none of the drives' identifiers"),
        (0x4000_0101, "", "other", "remote frame, none of ours"),
        (0x2000_0040, "", "broken", "error frame, class 40h"),
    ],
)  # fmt: skip
def test_frames_on_a_bus(can_id: int, data: str, kind: str, words: str) -> None:
    """Name, values in the file's units, status as a state, faults in the file's words."""
    line = can(can_id, data)
    assert (line.kind, line.words) == (kind, words)
    assert line.node == (-1 if kind == "other" or can_id & 0x7FF == 0x40 else can_id & 0xF)


def test_identifiers_of_29_bits() -> None:
    """A frame of 29 bits is told by its flag; the same number without it is none of the drives'."""
    data = json.loads(json.dumps(drive_file("heron").model_dump(mode="json")))
    long = DriveFile.model_validate(data | {"wire": data["wire"] | {"id_bits": 29}})
    told = described(can_settings(long))
    assert can(0x8000_0101, "01", told).words == "x enable 1/2"
    assert can(0x101, "01", told).kind == "other"


def test_a_number_that_is_none() -> None:
    """Numbers across bytes and floats have their value; an f32 that is none makes the frame a broken one."""
    told = described(can_settings(bits_and_floats()))
    good = can(0x281, "D8040000 0000F8C2", told)
    assert (good.kind, good.words) == ("answer", "x motion position 1.55 degrees, velocity -124 rpm")
    bad = can(0x281, "D8040000 0000C07F", told)
    assert (bad.kind, bad.words.endswith("velocity no finite number")) == ("broken", True)


ASKED, STATE = "A5 02 01 50 CB 38", "A5 82 0D A0 01 03 FF ED 29 79 FF FF FE 0C 41 00 58 17"
FAULT = "A5 82 0D A0 00 09 00 00 00 00 00 00 00 00 02 04 FE 4E"
STATE_WORDS = "y state operation enabled (0103h, motor supply), position -1234567 counts, velocity -5 rpm, "
FAULT_WORDS = (
    "CRC good, y state fault (0009h), position 0 counts, velocity 0 rpm, inputs 02h, "
    "fault 04h (nothing heard for too long)"
)
ASKED_WORDS = "CRC good, y read_position or read_status"


def test_frames_on_a_line() -> None:
    """The samples of tide.toml: bytes in any pieces, whole frames, and the same sum in words."""
    lines = serial(
        (0, True, "A5 02 06 20 01 FF FE 1D C0 9F 77"), (1, False, STATE[:20]), (2, False, STATE[20:]),
        (10, True, ASKED), (11, False, FAULT), (20, True, "A5 00 01 30 C9 FE"),
    )  # fmt: skip
    assert [(line.node, line.kind, line.words) for line in lines] == [
        (2, "request", "CRC good, y velocity -1234.56 rpm, outputs 01h"),
        (2, "answer", f"CRC good, {STATE_WORDS}inputs 41h (home), no fault"),
        (2, "request", ASKED_WORDS),
        (2, "answer", FAULT_WORDS),
        (-1, "broadcast", "CRC good, everybody stop_all"),
    ]  # fmt: skip
    assert lines[1].instant_ns == 1 * MS  # when the first of its bytes came


def test_damage_on_a_line() -> None:
    """A bad sum is told with what the bytes would say; noise, cut frames and what is none of ours are told as such."""
    lines = serial(
        (0, True, ASKED), (1, False, STATE.replace("29 79", "29 78")),
        (10, True, ASKED), (11, False, "00 A5 82 " + STATE),
        (20, True, ASKED), (21, False, STATE[:20]),
        (30, True, ASKED), (31, False, STATE.replace("58 17", "58 18") + FAULT),
        (40, True, "01 02 03"), (41, False, "A5 83 01"),
    )  # fmt: skip
    told = [(line.kind, line.words) for line in lines if line.words != ASKED_WORDS]
    assert told == [
        ("broken", f"CRC BAD, {STATE_WORDS.replace('567', '568')}inputs 41h (home), no fault"),
        ("broken", "3 bytes that are no whole frame"),
        ("answer", f"CRC good, {STATE_WORDS}inputs 41h (home), no fault"),
        ("broken", "7 bytes that are no whole frame"),
        ("broken", f"CRC BAD, {STATE_WORDS}inputs 41h (home), no fault"),
        ("answer", FAULT_WORDS),
        ("broken", "3 bytes that are no whole command"),
        ("broken", "3 bytes that are no whole frame"),
    ]


def test_listening_hears_both_sides() -> None:
    """Where nothing is ours on the line, both sides are told, glued or cut; long silence ends what had begun."""
    glued = serial(
        (0, False, ASKED + STATE[:12]), (1, False, STATE[12:] + ASKED), (2, False, "A5 82"), (500, False, STATE)
    )  # fmt: skip
    assert [line.kind for line in glued] == ["request", "answer", "request", "broken", "answer"]
    assert [line.instant_ns // MS for line in glued] == [0, 0, 1, 2, 500]


@pytest.mark.parametrize("name", ["heron", "tide"])
def test_a_whole_run_has_a_meaning(tmp_path: Path, name: str) -> None:
    """Set-up, enabling, ticks and a stop of both simulated drives: every frame is told, each tick's velocities too."""
    given_ = can_settings() if name == "heron" else serial_settings()
    clock = VirtualClock()
    world = virtual_gantry(given_, described_twin_parameters(), clock)
    ring = open_writer(
        tmp_path / "ring", 1, given_, machine="boathouse", run="0001-moon", time_kind="virtual", clock=clock
    )
    group = group_on_link(given_, traced(world.link, ring, clock), clock)
    group.configure()
    group.enable()
    for units in (100, 200, -300):
        group.send_tick((units, -units), 0)
        for _ in range(10):
            clock.sleep_until_ns(clock.now_ns() + MS)
            group.poll()
    group.abort()
    group.close()
    trace = read_trace(tmp_path / "ring")
    pieces = list(trace.pieces())
    lines = list(Decoder(trace.description).lines(pieces))
    assert {line.kind for line in lines} == {"request", "answer", "broadcast"}
    assert b"".join(line.data for line in lines) == b"".join(piece.data for piece in pieces)
    unit = "deg/s" if name == "heron" else "rpm"
    for axis, sign in (("x", 1), ("y", -1)):
        told = [line.words for line in lines if line.is_out and f"{axis} velocity " in line.words]
        wanted = [f"velocity {sign * value} {unit}" for value in (1, 2, -3)]
        assert [one for one in wanted if any(one in words for words in told)] == wanted
        assert any(f"{axis} sta" in line.words and "operation enabled" in line.words for line in lines)


DAMAGED = [
    {"drives": {"1": 7}}, {"drives": {"1": True, "x": 0, "²": 0}}, {"drives": []}, {"drive_files": {}},
    {"drive_files": [None, 3]}, {"drive_files": [{"format": 1}]}, {"wire": {"kind": ["described-can"]}},
]  # fmt: skip


@pytest.mark.parametrize("change", DAMAGED)
def test_a_head_that_does_not_hold(change: dict[str, Any]) -> None:
    """Whatever the head says of its drives: the bytes are shown, if without a meaning."""
    (line,) = Decoder(head("heron") | change).lines([Piece(0, True, False, True, 0x101, b"\x01")])
    assert (line.data, line.kind, line.words) == (b"\x01", "other", "1 bytes")


def places_in(value: Any, way: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
    """The way to every value in a head."""
    parts = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    return [way, *(place for name, part in parts for place in places_in(part, (*way, name)))]


@settings(max_examples=25, deadline=None)
@given(
    name=st.sampled_from(["heron", "tide"]),
    at=st.integers(0, 10_000),
    value=st.sampled_from(
        [None, True, -1, 0, 7, 1 << 70, 0.5, "A5", "x\n", [], [3], {}, {"1": 0}, float("inf")]
    ),
)
def test_any_damage_to_a_head_is_borne(name: str, at: int, value: object) -> None:
    """Law: with any one value of the head replaced there is still one printable line with its bytes."""
    told = json.loads(json.dumps(head(name)))
    places = [place for place in places_in(told) if place]
    *way, last = places[at % len(places)]
    table = told
    for step in way:
        table = table[step]
    table[last] = value
    frame = bytes.fromhex(ASKED) if name == "tide" else b"\x01"
    for is_out in (True, False):
        (line,) = Decoder(told).lines([Piece(0, is_out, name == "tide", True, 0x101, frame)])
        assert line.data == frame
        assert line.words.isprintable()


def test_a_file_too_long_for_a_head_is_left_out() -> None:
    """The head of a trace has an end; what would not fit leaves the bytes without a meaning, and the trace whole."""
    drive = drive_file("heron", faults=[{"code": code, "text": "\u3042" * 400} for code in range(256)])
    told = described(can_settings(drive))
    assert "drive_files" not in told
    assert can(0x101, "01", told).words == "1 bytes"


def test_texts_of_a_file_stay_on_their_line() -> None:
    """A text with a line's end in it does not end the line."""
    drive = drive_file("heron", faults=[{"code": 0x11, "text": "too\nhot\x1b[31m"}])
    line = can(0x2C1, "0800000011000000", described(can_settings(drive)))
    assert "fault 11h (too?hot?[31m)" in line.words


@cache
def files() -> tuple[dict[int, DriveFile], ...]:
    """What heads of traces tell of the shipped drives, and of drives with weak sums, without any, and with floats."""
    bare = json.loads(json.dumps(drive_file("tide").model_dump(mode="json", exclude={"samples"})))
    loose = DriveFile.model_validate(bare | {"wire": bare["wire"] | {"checksum": None, "start": ""}})
    short = bare["wire"]["checksum"] | {"name": "sum-8", "begins": "start"}
    weak = DriveFile.model_validate(bare | {"wire": bare["wire"] | {"checksum": short, "end": "0D 0A"}})
    floats = described(can_settings(bits_and_floats()))
    told = (
        head("heron"),
        head("tide"),
        described(serial_settings(loose)),
        described(serial_settings(weak)),
        floats,
    )
    return tuple(files_of(one) for one in told)


def words_of(which: int) -> DescribedWords:
    """Words for one of them, fresh."""
    return DescribedWords(files()[which], {1: "x", 2: "y"})


PARTS = st.sampled_from(
    [bytes.fromhex(one) for one in (ASKED, STATE, FAULT, STATE[:9], "A5 82 0D", "A5 01", "A5")]
)
DATA = st.lists(PARTS | st.binary(max_size=10), max_size=4).map(b"".join)
IDS = st.sampled_from([0x40, 0x101, 0x141, 0x1C2, 0x281, 0x2C1, 0x302]) | st.integers(0, 2**32 - 1)
PIECES = st.lists(
    st.builds(Piece, st.integers(0, 2**62), st.booleans(), st.booleans(), st.booleans(), IDS, DATA),
    max_size=8,
)


@settings(max_examples=25, deadline=None)
@given(pieces=PIECES, which=st.integers(0, 4))
@example(pieces=[Piece(0, False, True, True, 0, b""), Piece(0, False, True, True, 0, b"\xa5")], which=1)
def test_any_bytes_give_printable_lines(pieces: list[Piece], which: int) -> None:
    """Law: whatever passed, each byte is in one line, in the order of its direction; words print; nothing raises."""
    lines = list(words_of(which).lines(pieces))
    assert {line.kind for line in lines} <= set(KINDS)
    assert all(line.words.isprintable() and line.words for line in lines)
    for is_out in (True, False):
        said = b"".join(line.data for line in lines if line.is_out is is_out)
        assert said == b"".join(piece.data for piece in pieces if piece.is_out is is_out)


@settings(max_examples=25, deadline=None)
@given(
    noise=st.binary(max_size=12).filter(lambda one: 0xA5 not in one),
    cuts=st.lists(st.integers(0, 60), max_size=6),
    flip=st.integers(0, 18 * 8 - 1),
)
def test_good_frames_are_found_and_damaged_ones_are_not(noise: bytes, cuts: list[int], flip: int) -> None:
    """Law: behind any noise, in any pieces, the good frame is told good; with any bit turned over it never is."""
    good = bytes.fromhex(STATE)
    bad = bytearray(good)
    bad[flip // 8] ^= 1 << flip % 8
    for frame, count in ((good, 1), (bytes(bad), 0)):
        whole = noise + frame
        places = [0, *sorted(cut % (len(whole) + 1) for cut in cuts), len(whole)]
        pieces = [
            Piece(at, False, True, True, 0, whole[begin:end])
            for at, (begin, end) in enumerate(pairwise(places))
        ]
        lines = list(words_of(1).lines(pieces))
        assert sum(line.kind == "answer" for line in lines) == count
        assert b"".join(line.data for line in lines) == whole


def test_no_sample_of_a_file_is_without_words() -> None:
    """Every sample of both files, at its own node, is told by the name that the file gives it."""
    for name in ("heron", "tide"):
        drive = drive_file(name)
        assert len(drive.samples) > 5
        assert drive_data(name)
        for sample in drive.samples:
            words = DescribedWords({sample.node: drive}, {sample.node: "x"})
            for text in sample.frames:
                numbers, _, data = text.rpartition(":")
                piece = Piece(
                    0,
                    sample.command is not None,
                    name == "tide",
                    True,
                    int(numbers or "0", 16),
                    bytes.fromhex(data),
                )
                (line,) = words.lines([piece])
                assert (sample.command or sample.reply or "") in line.words
                assert line.kind in ("request", "answer", "broadcast")
