"""Settling by travel and by force, silence, and head files: laws of the judgement and of the frames."""

from __future__ import annotations

import binascii
import tomllib
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import TypeAdapter, ValidationError

from controller.config.errors import InputError
from controller.config.headrules import load_head
from drivers.head import HEAD_DOWN, HEAD_UP, HeadFeedback, HeadPlace, HeadVerdict, HeadWatch
from drivers.heads.framing import HeadCodec
from drivers.heads.headfile import HeadFile
from drivers.heads.pattern import Pattern
from drivers.heads.settings import Head, SerialHead

MS = 1_000_000
PETREL = Path(__file__).parents[2] / "configs" / "heads" / "petrel.toml"
TRAVEL = {
    "kind": "travel",
    "up_mm": 0.0,
    "down_mm": 8.0,
    "window_mm": 0.5,
    "hold_ms": 40.0,
    "leave_ms": 100.0,
}
FORCE = {"kind": "force", "down_n": 3.0, "window_n": 0.5, "up_max_n": 0.2, "hold_ms": 40.0, "leave_ms": 100.0}


def measuring(settle: dict[str, object]) -> SerialHead:
    """A head that only measures."""
    return SerialHead.model_validate(
        {
            "kind": "serial", "channel": "simulated", "up": "U", "down": "D", "ask": "?",
            "answers": [{"text": "{value}", "means": "reading"}], "settle": settle,
            "settle_down_ms": 120.0, "settle_up_ms": 80.0,
        }
    )  # fmt: skip


def verdicts(settle: dict[str, object], goal: int, *seen: tuple[int, float]) -> list[HeadVerdict]:
    """For readings at instants (ms) after the command at 0."""
    watch = HeadWatch(measuring(settle))
    watch.command(goal, 0)
    return [watch.observe(HeadFeedback(value=value, received_ns=at * MS), at * MS) for at, value in seen]


@pytest.mark.parametrize(("settle", "there"), [(TRAVEL, 8.3), (FORCE, 2.8)])
def test_settled_after_the_holding_time_in_the_window(settle: dict[str, object], there: float) -> None:
    """40 ms in the window without a break: not before, and a reading outside begins anew."""
    moving, answered, settled = HeadVerdict.MOVING, HeadVerdict.ANSWERED, HeadVerdict.SETTLED
    got = verdicts(
        settle,
        HEAD_DOWN,
        (10, 0.0),
        (20, there),
        (50, there),
        (55, 1.0),
        (60, there),
        (99, there),
        (100, there),
    )
    assert got == [moving, answered, answered, moving, answered, answered, settled]


@pytest.mark.parametrize(("settle", "near"), [(TRAVEL, 7.0), (FORCE, 1.0)])
def test_one_that_never_settles_is_lost_at_its_limit(settle: dict[str, object], near: float) -> None:
    """Just outside of its window, or in and out of it, for 1000 ms: lost, with the reading in words."""
    seen = [(at, near) for at in range(20, 1021, 20)]
    got = verdicts(settle, HEAD_DOWN, *seen)
    assert got[48] is HeadVerdict.OVERDUE
    assert got[49] is got[50] is HeadVerdict.LOST
    there = 8.0 if settle is TRAVEL else 3.0
    swinging = [(at, there if at % 40 else near) for at in range(20, 1021, 20)]
    assert verdicts(settle, HEAD_DOWN, *swinging)[-1] is HeadVerdict.LOST


def test_settled_it_may_leave_its_window_for_a_moment_only() -> None:
    """Outside for 100 ms is borne (a seam in the canvas), longer is not."""
    there = [(at, 8.0) for at in range(20, 101, 20)]
    out = [(at, 6.0) for at in range(120, 301, 20)]
    got = verdicts(TRAVEL, HEAD_DOWN, *there, *out)
    assert got[len(there) + 5] is HeadVerdict.SETTLED
    assert got[len(there) + 6] is HeadVerdict.LOST


@given(
    st.sampled_from([TRAVEL, FORCE]), st.sampled_from([HEAD_UP, HEAD_DOWN]),
    st.lists(st.tuples(st.integers(1, 120), st.floats(-1.0, 10.0)), max_size=40),
)  # fmt: skip
def test_settled_means_a_whole_holding_time_inside(
    settle: dict[str, object], goal: int, steps: list[tuple[int, float]]
) -> None:
    """Whatever is read: the first SETTLED has readings in the window behind it that reach back 40 ms or more."""
    head = measuring(settle)
    watch = HeadWatch(head)
    watch.command(goal, 0)
    at_ns, inside_since = 0, None
    for wait_ms, value in steps:
        at_ns += wait_ms * MS
        inside = head.settle.kind != "time" and head.settle.is_there(value, goal)
        inside_since = (at_ns if inside_since is None else inside_since) if inside else None
        before = watch.verdict
        if watch.observe(HeadFeedback(value=value, received_ns=at_ns), at_ns) is HeadVerdict.SETTLED:
            if before is not HeadVerdict.SETTLED:
                assert inside_since is not None
                assert at_ns - inside_since >= 40 * MS
        elif before is HeadVerdict.LOST:
            assert watch.verdict is HeadVerdict.LOST


@given(st.sampled_from([TRAVEL, FORCE]), st.integers(0, 500), st.integers(301, 5000))
def test_silence_is_never_healthy(settle: dict[str, object], settled_ms: int, silent_ms: int) -> None:
    """After more than 300 ms without a word it is lost, however good the last word was; and holding needs words."""
    watch = HeadWatch(measuring(settle))
    watch.command(HEAD_DOWN, 0)
    word = HeadFeedback(value=8.0 if settle is TRAVEL else 3.0, received_ns=20 * MS)
    for at in range(20, 21 + settled_ms, 10):
        word.received_ns = at * MS
        watch.observe(word, at * MS)
    last_ns = word.received_ns
    assert watch.observe(word, last_ns + silent_ms * MS) is HeadVerdict.LOST
    assert "no word" in watch.why
    still = HeadWatch(measuring(settle))
    still.command(HEAD_DOWN, 0)
    word.received_ns = 20 * MS
    assert still.observe(word, 20 * MS) is HeadVerdict.ANSWERED
    assert still.observe(word, 200 * MS) is HeadVerdict.ANSWERED, "the same word twice holds nothing"


def test_trouble_and_old_words() -> None:
    """Trouble is lost at once; a word from before the command answers nothing."""
    watch = HeadWatch(measuring(TRAVEL))
    watch.command(HEAD_DOWN, 100 * MS)
    assert watch.observe(HeadFeedback(value=8.0, received_ns=100 * MS), 110 * MS) is HeadVerdict.MOVING
    word = HeadFeedback(HeadPlace.BETWEEN, 8.0, 120 * MS, "it answers 'FAULT'")
    assert watch.observe(word, 120 * MS) is HeadVerdict.LOST
    assert "FAULT" in watch.why


def test_patterns() -> None:
    """A number where {value} stands, the rest as it is; anything else is no match."""
    up = Pattern("UP {value} mm")
    assert up.match(b"UP -1.25 mm") == -1.25
    for other in (b"UP mm", b"UP 1e5 mm", b"UP nan mm", b"DOWN 1 mm", b"UP 1 mm ", b"UP \xff mm", b""):
        assert up.match(other) is None
    assert Pattern("OK").match(b"OK") == 0.0
    for bad in ("{value}{value}", "{other}", "a\nb"):
        with pytest.raises(ValueError, match=r"at most|braces|ASCII"):
            Pattern(bad)


@given(st.binary(max_size=60))
def test_a_pattern_takes_any_bytes(line: bytes) -> None:
    """No line raises; what matches is a finite number."""
    value = Pattern("UP {value}").match(line)
    assert value is None or abs(value) < 1e13


def test_the_example_frames_carry_their_checksum() -> None:
    """CRC-16 with start FFFFh over address to payload, by the standard library's own (binascii.crc_hqx)."""
    codec = HeadCodec(load_head(PETREL), 3)
    for _, frame in (codec.up, codec.down, codec.ask or (0, b"")):
        assert binascii.crc_hqx(frame[1:-2], 0xFFFF) == int.from_bytes(frame[-2:], "big")
    body = bytes.fromhex("83 04 A2 02 03 20")
    frame = b"\x5c" + body + binascii.crc_hqx(body, 0xFFFF).to_bytes(2, "big")
    assert codec.read(frame) == (2, 8.0)


@given(st.integers(0, 9 * 8 - 1), st.binary(max_size=8), st.lists(st.integers(1, 12), max_size=8))
def test_only_a_whole_good_reply_counts(flip: int, garbage: bytes, cuts: list[int]) -> None:
    """A flipped bit is refused; a good reply behind garbage is found however the bytes are cut."""
    codec = HeadCodec(load_head(PETREL), 3)
    body = bytes.fromhex("83 04 A2 01 00 00")
    good = b"\x5c" + body + binascii.crc_hqx(body, 0xFFFF).to_bytes(2, "big")
    bad = bytearray(good)
    bad[flip // 8] ^= 1 << flip % 8
    assert codec.read(bytes(bad)) is None
    buffer, found, stream = bytearray(), [], garbage + good
    for cut in [*cuts, len(stream)]:
        buffer += stream[:cut]
        stream = stream[cut:]
        read = codec.take(buffer)
        if read is not None:
            found.append(read)
    assert found == [(1, 0.0)]


@pytest.mark.parametrize(
    ("path", "value", "words"),
    [
        (("up_bit",), 1, "another bit than down_bit"),
        (("commands", "head_down", "constants"), [{"at": 0, "hex": "01 00"}], "another frame than head_up"),
        (
            ("commands", "head_up", "constants"),
            [{"at": 0, "hex": "01"}, {"at": 1, "hex": "01"}],
            "head_down: expected another frame than head_up",
        ),
        (
            ("commands", "read_head"),
            {"length": 2, "constants": [{"at": 0, "hex": "01 01"}]},
            "read_head: expected another frame than head_down",
        ),
        (("reply", "length"), 3, "bytes within the frame"),
        (
            ("samples",),
            [{"command": "head_up", "node": 3, "frame": "5C 03 02 01 00 00 00"}],
            "as the file says",
        ),
        (("commands", "read_head"), None, "asks where the head is"),
    ],
)
def test_a_contradictory_head_file_is_refused(path: tuple[str, ...], value: object, words: str) -> None:
    """Each with the field's path, what was expected and what was there."""
    data = tomllib.loads(PETREL.read_text())
    table = data
    for step in path[:-1]:
        table = table[step]
    if value is None:
        del table[path[-1]]
        data["samples"] = []
    else:
        table[path[-1]] = value
    with pytest.raises(ValidationError, match=words):
        HeadFile.model_validate(data)


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"kind": "node", "node_id": 5, "output_bit": 0, "up_input_bit": 1}, "a switch for down"),
        ({"kind": "node", "node_id": 5, "output_bit": 0, "up_input_bit": 1, "down_input_bit": 1}, "that differ"),
        ({"kind": "node", "node_id": 5, "output_bit": 0, "settle": TRAVEL}, "analogue_input"),
        ({"kind": "node", "node_id": 5, "output_bit": 0, "analogue_input": 1, "settle": TRAVEL | {"window_mm": 4.0}},
         "two window_mm apart"),
        ({"kind": "serial", "channel": "a", "up": "U", "down": "D", "ask": "?", "silent_after_ms": 50.0,
          "answers": [{"text": "u", "means": "up"}, {"text": "d", "means": "down"}]}, "silent_after_ms of at least"),
        ({"kind": "serial", "channel": "a", "up": "U", "down": "U", "ask": "?",
          "answers": [{"text": "u", "means": "up"}, {"text": "d", "means": "down"}]}, "three different lines"),
        ({"kind": "serial", "channel": "a", "up": "U", "down": "D", "ask": "?", "accepted": "up 1",
          "answers": [{"text": "up {value}", "means": "up"}, {"text": "d", "means": "down"}]}, "is no answer to ask"),
    ],
)  # fmt: skip
def test_a_contradictory_head_is_refused(changes: dict[str, object], words: str) -> None:
    """By its own model."""
    times = {"settle_down_ms": 120.0, "settle_up_ms": 80.0}
    with pytest.raises(ValidationError, match=words):
        TypeAdapter(Head).validate_python(changes | times)


@pytest.mark.parametrize("name", ["head_up", "head_down", "read_head"])
def test_every_identifier_of_ours_has_11_bits(name: str) -> None:
    """Of the question as well as of the orders: 7FFh + node is none."""
    frame: dict[str, object] = {"id": {"base": 0x200}, "length": 1}
    commands: dict[str, dict[str, object]] = {
        "head_up": frame,
        "head_down": frame | {"constants": [{"at": 0, "hex": "01"}]},
        "read_head": frame | {"id": {"base": 0x300}},
    }
    commands[name] = commands[name] | {"id": {"base": 0x7FF}}
    data = {
        "format": 1, "kind": "head", "name": "plover", "byte_order": "low-first", "up_bit": 0, "down_bit": 1,
        "wire": {"kind": "can", "turnaround_us": 500}, "commands": commands,
        "reply": {"id": {"base": 0x240}, "length": 1, "fields": [{"name": "inputs", "at": 0, "type": "u8"}]},
    }  # fmt: skip
    with pytest.raises(
        ValidationError, match=rf"commands\.{name}\.id: expected an identifier of 11 bits, got 800h"
    ):
        HeadFile.model_validate(data)


def test_a_head_file_that_is_missing_is_named(tmp_path: Path) -> None:
    """As every file that a machine file names."""
    with pytest.raises(InputError, match="a file that can be read"):
        load_head(tmp_path / "none.toml")
