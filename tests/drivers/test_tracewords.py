"""Words for frames, against published words of CiA 301, CiA 402 and the Modbus specification; any bytes give a line."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.modbus import frames as modbus
from drivers.tracefile import Piece
from drivers.tracewords import KINDS, Decoder, Line, control_words, status_words, value_words

CAN = {"wire": {"kind": "can"}, "nodes": {"1": "x", "2": "y"}}
STATES = [
    {"mask": 0x4F, "value": 0x40, "state": "switch on disabled"},
    {"mask": 0x6F, "value": 0x27, "state": "operation enabled"},
]
MAP = {
    "word_order": "high-first", "control": 0x2000, "velocity": 0x2001, "velocity_bits": 32, "outputs": 0x2003,
    "status": 0x1000, "fault": 0x1001, "position": 0x1002, "speed": 0x1004, "inputs": 0x1006, "states": STATES,
    "quick_stop_word": 2,
}  # fmt: skip
MODBUS = {
    "wire": {"kind": "modbus-rtu", "silence_ns": 500_000},
    "nodes": {"1": "x", "2": "y"},
    "registers": {"1": MAP, "2": MAP},
}


def can(can_id: int, data: str = "", described: dict[str, Any] = CAN) -> Line:
    """The line of one frame."""
    (line,) = Decoder(described).lines([Piece(0, False, False, True, can_id, bytes.fromhex(data))])
    return line


def serial(*runs: tuple[int, bool, bytes], described: dict[str, Any] = MODBUS) -> list[Line]:
    """Lines of runs of bytes: instant in ms, whether ours, bytes."""
    pieces = [Piece(ms * 1_000_000, is_out, True, True, 0, data) for ms, is_out, data in runs]
    return list(Decoder(described).lines(pieces))


@pytest.mark.parametrize(
    ("word", "command"),
    [
        (0x0006, "shutdown"),
        (0x0007, "switch on"),
        (0x000F, "enable operation"),
        (0x0000, "disable voltage"),
        (0x0002, "quick stop"),
        (0x0080, "fault reset"),
        (0x010F, "enable operation, halt"),
        (0x001F, "enable operation"),
    ],
)
def test_controlwords(word: int, command: str) -> None:
    """Commands of IEC 61800-7-201 (CiA 402), table of the controlword's command coding; bit 8 is halt."""
    assert control_words(word) == command


@pytest.mark.parametrize(
    ("word", "state"),
    [
        (0x0200, "not ready to switch on"),
        (0x0240, "switch on disabled"),
        (0x0250, "switch on disabled"),
        (0x0231, "ready to switch on"),
        (0x0233, "switched on"),
        (0x0237, "operation enabled"),
        (0x0637, "operation enabled"),  # with bit 10, target reached
        (0x0217, "quick stop active"),
        (0x021F, "fault reaction active"),
        (0x0218, "fault"),
        (0x02B7, "operation enabled, warning"),
        (0x0A37, "operation enabled, internal limit"),
        (0x0227, "operation enabled, no voltage"),
        (0x0037, "operation enabled, local"),
        (0x0201, "a state that CiA 402 does not know"),
    ],
)
def test_statuswords(word: int, state: str) -> None:
    """States of IEC 61800-7-201 (CiA 402), table of the statusword's state coding, with bits 4, 7, 9 and 11."""
    assert status_words(word) == state


@pytest.mark.parametrize(
    ("can_id", "data", "kind", "words"),
    [
        (0x000, "0101", "nmt", "NMT start, x"),
        (0x000, "8000", "nmt", "NMT pre-operational, all nodes"),
        (0x000, "8202", "nmt", "NMT reset communication, y"),
        (0x080, "", "sync", "SYNC"),
        (0x701, "00", "heartbeat", "x boot-up: it has started anew"),
        (0x702, "05", "heartbeat", "y heartbeat, operational"),
        (0x702, "7F", "heartbeat", "y heartbeat, pre-operational"),
        (0x77F, "05", "heartbeat", "our heartbeat, operational"),
        (0x201, "0F00FEFFFFFF", "pdo", "x enable operation, velocity -2"),
        (0x181, "37061B000000", "pdo", "x operation enabled, position 27"),
        (0x282, "0500010007000000", "pdo", "y velocity 7, inputs 00010005h (negative limit, home)"),
        (0x301, "00000100", "pdo", "x outputs 00010000h"),
        (0x381, "0102", "pdo", "x TPDO3 of 2 bytes"),
        # CiA 301: expedited download of 2 bytes is 2Bh, of 4 bytes 23h, of 1 byte 2Fh; its answer 60h.
        (0x601, "2B40600006000000", "sdo", "x write 6040h:00 = 0006h shutdown: controlword"),
        (0x601, "2F60600009000000", "sdo", "x write 6060h:00 = 9 cyclic velocity: mode of operation"),
        (0x581, "6040600000000000", "sdo", "x written 6040h:00 controlword"),
        # Upload: request 40h, expedited answers 4Fh, 4Bh, 47h, 43h for 1 to 4 bytes.
        (0x601, "4041600000000000", "sdo", "x read 6041h:00 statusword"),
        (0x581, "4B41600050020000", "sdo", "x is 6041h:00 = 0250h switch on disabled: statusword"),
        (0x581, "4364600085FFFFFF", "sdo", "x is 6064h:00 = -123: position"),
        (0x581, "8060600011000906", "sdo", "x abort 6060h:00, no such sub-index (06090011h): mode of operation"),
        (0x581, "4108100014000000", "sdo", "x is 1008h:00 of 20 bytes: device name"),
        (0x581, "0041", "sdo", "x SDO of 2 bytes (8 are due)"),
        (0x100, "", "time", "time stamp"),
        (0x8000_0701, "00", "other", "29-bit frame, none of ours"),
        (0x2000_0040, "", "broken", "error frame, class 40h"),
    ],
)  # fmt: skip
def test_frames_of_the_standard(can_id: int, data: str, kind: str, words: str) -> None:
    """Identifiers, NMT and heartbeat states and SDO command bytes of CiA 301, in words."""
    line = can(can_id, data)
    assert (line.kind, line.words) == (kind, words)


def test_an_emergency_in_words() -> None:
    """80h + node, code little-endian, error register, five bytes of the maker's; code 0 takes it back (CiA 301)."""
    line = can(0x082, "1086110000000000")
    assert line.words.startswith("y emergency 8610h: ")
    assert "register 11h" in line.words
    assert can(0x082, "0000000000000000").words == "y EMCY: no error any more"
    assert can(0x082, "0001").words == "y EMCY of 2 bytes (8 are due)"


def test_segments_belong_to_their_object() -> None:
    """A segment names no object on the wire; the words name the one that was opened before it."""
    pieces = [
        Piece(number, number % 2 == 0, False, True, can_id, bytes.fromhex(data))
        for number, (can_id, data) in enumerate(
            [
                (0x601, "4008100000000000"),
                (0x581, "4108100014000000"),
                (0x601, "6000000000000000"),
                (0x581, "0048455200000000"),
            ]
        )
    ]
    words = [line.words for line in Decoder(CAN).lines(pieces)]
    assert words[2:] == ["x segment of 1008h:00 device name"] * 2


def test_what_the_wire_did_not_take() -> None:
    """A frame that never left says so."""
    (line,) = Decoder(CAN).lines([Piece(0, True, False, False, 0x201, bytes(6))])
    assert line.words == "x disable voltage, velocity 0 (the wire did not take it)"
    assert not line.is_taken


def test_a_value_by_its_object() -> None:
    """Signed where the object is, bits in hexadecimal, else a plain number."""
    assert value_words(0x60FF, 0xFFFF_FFFF, 4) == "-1"
    assert value_words(0x6085, 0xFFFF_FFFF, 4) == "4294967295"
    assert value_words(0x1016, 0x007F00A0, 4) == "007F00A0h"
    assert value_words(0x6061, 9, 1) == "9 cyclic velocity"


def test_an_example_of_the_modbus_specification() -> None:
    """MODBUS Application Protocol V1.1b3, 6.3: registers 108 to 110 (006Bh x3) hold 022Bh, 0000h, 0064h."""
    asked = modbus.framed(0x11, bytes.fromhex("03006B0003"))
    answered = modbus.framed(0x11, bytes.fromhex("0306022B00000064"))
    lines = serial((0, True, asked), (3, False, answered))
    assert [(line.kind, line.words) for line in lines] == [
        ("request", "CRC good, node 17 read 006Bh x3"),
        ("answer", "CRC good, node 17 is 006Bh 022Bh, 006Ch 0000h, 006Dh 0064h"),
    ]


def test_an_exchange_by_the_machine_files_names() -> None:
    """Registers are called what the register map calls them; a state is the map's; 32 bits are one signed value."""
    request = modbus.read_write(1, 0x1000, 7, 0x2000, [2, 0xFFFF, 0xFFFE, 1])
    answer = modbus.framed(1, bytes.fromhex("170E 0237 0000 FFFF FFFF 0000 0005 0002"))
    lines = serial((0, True, request.frame), (2, False, answer[:6]), (3, False, answer[6:]))
    assert [line.words for line in lines] == [
        "CRC good, x write control 0002h (quick stop), velocity -2, outputs 0001h, read 1000h x7",
        "CRC good, x is status 0237h (operation enabled), fault 0000h, position -1, speed 5, inputs 0002h",
    ]
    assert lines[1].instant_ns == 2_000_000  # when the first of its bytes came


def test_exceptions_broadcasts_and_damage() -> None:
    """Exception codes by the specification's section 7; a bad checksum, a cut answer and silence are told."""
    request = modbus.read(2, 0x9000, 1)
    exception = modbus.framed(2, bytes.fromhex("8302"))
    broken = bytearray(modbus.framed(2, bytes.fromhex("03020007")))
    broken[4] ^= 1
    broadcast = modbus.write_one(0, 0x2000, 2)
    lines = serial(
        (0, True, request.frame), (2, False, exception),
        (10, True, request.frame), (12, False, bytes(broken)),
        (20, True, request.frame), (22, False, b"\x02\x03"),
        (30, True, request.frame),
        (40, True, broadcast.frame),
        (50, True, b"\x01"),
    )  # fmt: skip
    assert [(line.kind, line.words) for line in lines if line.kind != "request"] == [
        ("exception", "CRC good, y refuses read: illegal data address (02h)"),
        ("broken", "CRC BAD, y is 9000h 0006h"),
        ("broken", "2 bytes that are no whole answer"),
        ("broadcast", "CRC good, everybody write 2000h 0002h"),
        ("broken", "1 bytes that are no request"),
    ]


def test_listening_tells_requests_from_answers() -> None:
    """Where nothing of ours is on the line, both sides are heard, however their bytes were gathered."""
    request, answer = modbus.read(1, 0x1000, 1).frame, modbus.framed(1, bytes.fromhex("03020250"))
    glued = serial((0, False, request + answer[:3]), (1, False, answer[3:] + request), (3, False, answer))
    assert [(line.kind, line.words) for line in glued] == [
        ("request", "CRC good, x read 1000h"),
        ("answer", "CRC good, x is status 0250h (switch on disabled)"),
    ] * 2


PIECES = st.lists(
    st.builds(
        Piece,
        st.integers(0, 2**62),
        st.booleans(),
        st.booleans(),
        st.booleans(),
        st.one_of(st.integers(0, 0x7FF), st.integers(0, 2**32 - 1)),
        st.one_of(st.binary(max_size=8), st.binary(max_size=40)),
    ),
    max_size=12,
)
DESCRIPTIONS = st.one_of(
    st.sampled_from([CAN, MODBUS, {}, {"wire": {"kind": "described-can"}}]),
    st.dictionaries(
        st.sampled_from(["wire", "nodes", "registers", "instant_ns"]),
        st.recursive(
            st.none() | st.booleans() | st.integers() | st.text(max_size=5),
            lambda inner: (
                st.lists(inner, max_size=3)
                | st.dictionaries(
                    st.sampled_from(["kind", "1", "status", "states", "velocity", "mask"]), inner, max_size=3
                )
            ),
            max_leaves=8,
        ),
    ),
)


@given(PIECES, DESCRIPTIONS)
def test_any_bytes_give_lines(pieces: list[Piece], described: dict[str, Any]) -> None:
    """Whatever passed and whatever the file says of itself: one printable line each, no byte lost, no error."""
    lines = list(Decoder(described).lines(pieces))
    assert {line.kind for line in lines} <= set(KINDS)
    assert all(line.words.isprintable() for line in lines)
    assert sum(len(line.data) for line in lines) == sum(len(piece.data) for piece in pieces)


@given(st.integers(0, 0x7FF), st.binary(max_size=8))
def test_any_can_frame_gives_one_line(can_id: int, data: bytes) -> None:
    """Every 11-bit identifier with every data is one line with the same bytes."""
    line = can(can_id, data.hex())
    assert (line.can_id, line.data) == (can_id, data)
