"""Modbus RTU frames, byte for byte against published ones, against another decoder, and under generated damage."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pymodbus.framer import FramerRTU
from pymodbus.pdu import DecodePDU

from drivers.modbus import frames
from drivers.modbus.frames import AnswerError, Request, crc16, framed

registers = st.integers(0, 0xFFFF)
units = st.integers(1, 247)
blocks = st.lists(registers, min_size=1, max_size=20)


def requests() -> st.SearchStrategy[Request]:
    first, count = st.integers(0, 0xFF00), st.integers(1, 30)
    return st.one_of(
        st.builds(frames.read, units, first, count),
        st.builds(frames.write_one, units, first, registers),
        st.builds(frames.write, units, first, blocks),
        st.builds(frames.read_write, units, first, count, first, blocks),
    )


def answer_to(request: Request, words: list[int]) -> bytes:
    """A good answer, put together from the specification's tables by hand."""
    if request.function in (0x03, 0x17):
        count = (request.answer_bytes - 5) // 2
        values = (words * count)[:count]
        return framed(
            request.unit,
            bytes((request.function, 2 * count)) + b"".join(v.to_bytes(2, "big") for v in values),
        )
    return framed(request.unit, request.frame[1:6])


def test_the_checksum_of_the_catalogue() -> None:
    """CRC-16/MODBUS of "123456789" is 4B37h (the catalogue's check value; from memory)."""
    assert crc16(b"123456789") == 0x4B37


def test_the_serial_line_guides_example() -> None:
    """MODBUS over Serial Line V1.02, appendix B: 02 07 goes out with 41 12."""
    assert framed(0x02, b"\x07").hex() == "02074112"


@pytest.mark.parametrize(
    ("request_", "published"),
    [
        (frames.read(0x11, 0x6B, 3), "1103006b0003"),
        (frames.write_one(0x11, 1, 3), "110600010003"),
        (frames.write(0x11, 1, [0x000A, 0x0102]), "11100001000204000a0102"),
        (frames.read_write(0x11, 3, 6, 0x0E, [0xFF, 0xFF, 0xFF]), "111700030006000e00030600ff00ff00ff"),
    ],
    ids=["03", "06", "16", "23"],
)
def test_published_requests(request_: Request, published: str) -> None:
    """MODBUS Application Protocol V1.1b3, 6.3, 6.6, 6.12, 6.17: the examples, sent to unit 11h."""
    assert request_.frame[:-2].hex() == published


@pytest.mark.parametrize(
    ("frame", "checksum"),
    [
        (frames.read(0x11, 0x6B, 3).frame, "7687"),
        (frames.write_one(0x11, 1, 3).frame, "9a9b"),
        (frames.write(0x11, 1, [0x000A, 0x0102]).frame, "c6f0"),
        (frames.read_write(0x11, 3, 6, 0x0E, [0xFF] * 3).frame, "4b54"),
    ],
    ids=["03", "06", "16", "23"],
)
def test_checksums_of_the_published_requests(frame: bytes, checksum: str) -> None:
    """Reckoned by hand from the guide's polynomial (A001h, from FFFFh), low byte first; over all of it: 0."""
    assert frame[-2:].hex() == checksum
    assert crc16(frame) == 0


def test_published_answers() -> None:
    """The same sections' answers: registers 022Bh, 0000h, 0064h; echoes; exception 02h by its name."""
    assert frames.read(0x11, 0x6B, 3).content(bytes.fromhex("110306022b00000064c8ba")) == (0x22B, 0, 0x64)
    assert frames.write(0x11, 1, [0x000A, 0x0102]).content(bytes.fromhex("1110000100021298")) == ()
    assert frames.write_one(0x11, 1, 3).content(bytes.fromhex("1106000100039a9b")) == ()
    with pytest.raises(AnswerError, match="illegal data address") as caught:
        frames.read(0x11, 0x6B, 3).content(bytes.fromhex("118302c134"))
    assert caught.value.is_refusal


@given(requests())
def test_another_decoder_reads_our_requests(request_: Request) -> None:
    """Judge: pymodbus' framer and decoder for servers find unit, function and registers of every request."""
    framer = FramerRTU(DecodePDU(True))
    used, pdu = framer.handleFrame(request_.frame, 0, 0)
    assert used == len(request_.frame)
    assert pdu is not None
    assert (pdu.dev_id, pdu.function_code) == (request_.unit, request_.function)
    assert framer.buildFrame(pdu) == request_.frame


@given(requests(), blocks)
def test_answers_of_another_encoder_are_good(request_: Request, words: list[int]) -> None:
    """Judge: pymodbus' decoder for clients takes the same answers, and builds the same bytes from them."""
    answer = answer_to(request_, words)
    framer = FramerRTU(DecodePDU(False))
    _, pdu = framer.handleFrame(answer, 0, 0)
    assert pdu is not None
    assert framer.buildFrame(pdu) == answer
    got = request_.content(answer)
    assert list(got) == (list(pdu.registers) if request_.function in (0x03, 0x17) else [])


@given(requests(), blocks, st.data())
def test_no_flipped_bits_make_a_good_answer(request_: Request, words: list[int], data: st.DataObject) -> None:
    """Law: up to three flipped bits, or any burst of up to 16, are always seen.

    CRC-16 with x^16 + x^15 + x^2 + 1 has Hamming distance 4 up to 32751 bits of data (Koopman and Chakravarty, 2004,
    from memory), and finds every burst no longer than its degree.
    """
    answer = answer_to(request_, words)
    number = int.from_bytes(answer, "little")  # as bits leave: the lowest of each byte first
    bits = 8 * len(answer)
    if data.draw(st.booleans()):
        flips = data.draw(st.sets(st.integers(0, bits - 1), min_size=1, max_size=3))
        mask = sum(1 << bit for bit in flips)
    else:
        mask = data.draw(st.integers(1, 0xFFFF)) << data.draw(st.integers(0, bits - 16))
    with pytest.raises(AnswerError):
        request_.content((number ^ mask).to_bytes(len(answer), "little"))


@given(requests(), blocks, st.data())
def test_no_piece_of_an_answer_is_one(request_: Request, words: list[int], data: st.DataObject) -> None:
    """Law: an answer without its end is none, and neither is one with bytes before or behind it."""
    answer = answer_to(request_, words)
    cut = data.draw(st.integers(0, len(answer) - 1))
    extra = data.draw(st.binary(min_size=1, max_size=4))
    for wrong in (answer[:cut], extra + answer, answer + extra):
        # Zeros behind a whole frame keep its checksum good: there it is the length that tells.
        with pytest.raises(AnswerError):
            request_.content(wrong)


@given(requests(), requests(), blocks)
def test_an_answer_to_somebody_else_is_none(asked: Request, other: Request, words: list[int]) -> None:
    """Law: an answer is good for no request that differs in unit, function, length or echo."""
    answer = answer_to(other, words)
    same = (asked.unit, asked.function, asked.answer_bytes) == (
        other.unit,
        other.function,
        other.answer_bytes,
    )
    if same and answer.startswith(asked.echo):
        assert asked.content(answer) == other.content(answer)
        return
    with pytest.raises(AnswerError):
        asked.content(answer)


@pytest.mark.parametrize(
    "wrong",
    [
        lambda: frames.read(0, 0, 1),
        lambda: frames.read(248, 0, 1),
        lambda: frames.read(1, 0, 126),
        lambda: frames.read(1, 0xFFFF, 2),
        lambda: frames.write(1, 0, []),
        lambda: frames.write(1, 0, [0] * 124),
        lambda: frames.write(1, 0, [0x10000]),
        lambda: frames.read_write(1, 0, 1, 0, [0] * 122),
        lambda: frames.write_one(1, 0, -1),
    ],
)
def test_what_the_standard_does_not_allow_is_not_made(wrong) -> None:
    """V1.1b3: units 1 to 247 (0 only for writing), 125, 123 and 121 registers, values of 16 bits."""
    with pytest.raises(ValueError, match="expected"):
        wrong()


def test_lengths_on_the_line() -> None:
    """13 + 2 w characters out and 5 + 2 r back, as the frames themselves have them."""
    request = frames.read_write(1, 0x1000, 7, 0x2000, [1, 2, 3, 4])
    assert frames.read_write_bytes(7, 4) == (len(request.frame), request.answer_bytes)
