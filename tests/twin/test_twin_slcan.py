"""The serial adapter's text side: python-can's slcan backend is the judge of the words, Hypothesis of the rubbish."""

from __future__ import annotations

import itertools

import can
import pytest
from can.interfaces.slcan import slcanBus
from hypothesis import given
from hypothesis import strategies as st

from drivers.twin.slcan import SerialCanAdapter, encode


def opened(bitrate: int = 1_000_000) -> SerialCanAdapter:
    adapter = SerialCanAdapter(1_000_000)
    code = {1_000_000: b"S8", 500_000: b"S6"}[bitrate]
    _, answers, _ = adapter.feed(code + b"\rO\r")
    assert answers == b"\r\r"
    return adapter


class JudgesPort:
    """A serial port whose far end is this module: collects what python-can writes, plays what it shall read."""

    def __init__(self, incoming: bytes = b"") -> None:
        self.written = bytearray()
        self.incoming = incoming
        self.write_timeout = None

    @property
    def in_waiting(self) -> int:
        """Bytes to read."""
        return len(self.incoming)

    def write(self, data: bytes) -> None:
        """Collect."""
        self.written += data

    def flush(self) -> None:
        """Nothing to do."""

    def read(self, count: int) -> bytes:
        """Play."""
        taken, self.incoming = self.incoming[:count], self.incoming[count:]
        return taken

    def close(self) -> None:
        """Nothing to do."""


def judge(monkeypatch: pytest.MonkeyPatch, incoming: bytes = b"") -> tuple[slcanBus, JudgesPort]:
    import serial

    port = JudgesPort(incoming)
    monkeypatch.setattr(serial, "serial_for_url", lambda *_args, **_keywords: port)
    bus = slcanBus("judge", bitrate=1_000_000, sleep_after_open=0)
    return bus, port


def test_understands_what_python_can_writes(monkeypatch: pytest.MonkeyPatch):
    """python-can's opening sequence opens the adapter; its frames arrive byte for byte; its close closes."""
    bus, port = judge(monkeypatch)
    adapter = SerialCanAdapter(1_000_000)
    adapter.feed(bytes(port.written))
    assert adapter.is_on_bus
    port.written.clear()
    wanted = [(0x201, b"\x0f\x00\xff\xff\xff\xff"), (0x080, b""), (0x7FF, bytes(range(8)))]
    for can_id, data in wanted:
        bus.send(can.Message(arbitration_id=can_id, data=data, is_extended_id=False))
    frames, answers, _ = adapter.feed(bytes(port.written))
    assert frames == wanted
    assert answers == b"z\r" * 3
    assert adapter.garbled == 0
    port.written.clear()
    bus.shutdown()
    adapter.feed(bytes(port.written))
    assert not adapter.is_open


def test_python_can_understands_what_it_writes(monkeypatch: pytest.MonkeyPatch):
    """Frames encoded here are decoded by python-can as the same frames."""
    wanted = [(0x181, bytes.fromhex("3712e0930400")), (0x702, b"\x05"), (0x123, b"")]
    bus, _ = judge(monkeypatch, b"".join(encode(can_id, data) for can_id, data in wanted))
    got = [bus.recv(0.1) for _ in wanted]
    assert [(frame.arbitration_id, bytes(frame.data)) for frame in got if frame is not None] == wanted
    bus.shutdown()


def test_closed_adapter_takes_no_frames():
    """Frames before O are refused with BEL; so is O before a bit rate, S while open, a second O, and L for sending."""
    adapter = SerialCanAdapter(1_000_000)
    assert adapter.feed(b"t0800\r") == ([], b"\a", False)
    assert adapter.feed(b"O\r")[1] == b"\a"
    adapter.feed(b"S8\rO\r")
    assert adapter.feed(b"S6\rO\r")[1] == b"\a\a"
    assert adapter.feed(b"t0800\r") == ([(0x80, b"")], b"z\r", False)
    assert adapter.feed(b"C\r") == ([], b"\r", True)
    adapter.feed(b"L\r")
    assert adapter.feed(b"t0800\r") == ([], b"\a", False)


def test_wrong_bit_rate_hears_and_says_nothing():
    """At another bit rate than the bus' the adapter answers but no frame passes."""
    adapter = opened(500_000)
    assert adapter.feed(b"t0800\r") == ([], b"z\r", False)
    assert not adapter.is_on_bus


@pytest.mark.parametrize(
    "line",
    [b"t080", b"t0801", b"t08009", b"t0809112233445566778899", b"tG000", b"t080100ff", b"q", b"tFFF0", b"S",
     b"t 801ff", b"t0801f ", b"\xff\xfe", b"T000000801", b"t+080", b"x" * 100],
)  # fmt: skip
def test_refuses_a_line_that_nobody_can_read(line: bytes):
    """BEL, nothing on the bus, and the next line is understood."""
    adapter = opened()
    frames, answers, _ = adapter.feed(line + b"\rt0800\r")
    assert frames == [(0x80, b"")]
    assert answers == b"\az\r"


def test_bare_cr_ends_a_half_written_line():
    """A second writer puts CR first: the half line is refused, its own line is understood whole."""
    adapter = opened()
    adapter.feed(b"t2016 0F")
    frames, _, _ = adapter.feed(b"\rt20160200" + b"00000000\r")
    assert frames == [(0x201, bytes.fromhex("020000000000"))]


@given(
    st.lists(
        st.one_of(
            st.binary(max_size=40), st.sampled_from([b"\r", b"t0800\r", b"C\r", b"S8\r", b"O\r", b"V\r"])
        )
    )
)
def test_no_bytes_upset_it(pieces: list[bytes]):
    """Law: any bytes are taken without error, at most one answer a line, and a clean line behind them is understood."""
    adapter = opened()
    answers = b""
    for piece in pieces:
        _, said, _ = adapter.feed(piece)
        answers += said
    assert answers.count(b"\r") + answers.count(b"\a") <= b"".join(pieces).count(b"\r")
    adapter.feed(b"\rC\rS8\rO\r")
    assert adapter.feed(b"t2011ab\r")[0] == [(0x201, b"\xab")]


@given(
    st.lists(st.tuples(st.integers(0, 0x7FF), st.binary(max_size=8)), max_size=20),
    st.lists(st.integers(0, 400)),
)
def test_cutting_of_the_bytes_does_not_matter(frames: list[tuple[int, bytes]], cuts: list[int]):
    """Law: frames survive any division into chunks."""
    text = b"".join(encode(can_id, data) for can_id, data in frames)
    edges = sorted({0, len(text), *(cut for cut in cuts if cut < len(text))})
    adapter, got = opened(), []
    for low, high in itertools.pairwise(edges):
        got += adapter.feed(text[low:high])[0]
    assert got == frames
