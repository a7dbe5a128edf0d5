"""The link on a serial adapter's line, with a pseudo-terminal in the adapter's place."""

from __future__ import annotations

import fcntl
import os
import pty
import select
import subprocess
import sys
import tty
from collections.abc import Iterator
from dataclasses import dataclass

import pytest

from drivers.can.slcan import ChunkParser, SlcanLink, encode_frames
from drivers.errors import LinkError, MisuseError


@dataclass
class Line:
    """The adapter's end of a pseudo-terminal, and the path of ours."""

    master: int
    path: str

    def read(self) -> bytes:
        """All that has been written to the adapter so far."""
        text = b""
        while select.select([self.master], [], [], 0)[0]:
            text += os.read(self.master, 65536)
        return text


@pytest.fixture
def line() -> Iterator[Line]:
    master, slave = pty.openpty()
    tty.setraw(slave)
    line = Line(master, os.ttyname(slave))
    # Kept open: on a pseudo-terminal the adapter's end reads errors while nobody holds ours.
    yield line
    os.close(slave)
    if line.master >= 0:
        os.close(line.master)


@pytest.fixture
def link(line: Line) -> Iterator[SlcanLink]:
    link = SlcanLink.open(line.path, 1_000_000)
    line.read()
    yield link
    link.close()


def test_opening_sets_the_adapter_up(line: Line) -> None:
    """python-can's set-up goes out: channel closed, 1 Mbit/s, channel open; closing the link leaves it open."""
    link = SlcanLink.open(line.path, 1_000_000)
    commands = line.read().split(b"\r")
    assert commands.index(b"C") < commands.index(b"S8") < commands.index(b"O")
    assert [command for command in commands if command in (b"C", b"O")][-1] == b"O"
    link.close()
    link.close()
    assert line.read() == b""


def test_a_batch_is_one_run_of_lines(line: Line, link: SlcanLink) -> None:
    """Frames arrive in order and whole."""
    batch = [(0x201, bytes(6)), (0x202, bytes(6)), (0x080, b"")]
    link.send_frames(batch)
    assert line.read() == encode_frames(batch)


def test_frames_come_with_the_instant_of_reading(line: Line, link: SlcanLink) -> None:
    """What the adapter writes is read without blocking; nothing to read is an empty list."""
    assert link.receive() == []
    os.write(line.master, b"t1816370200000000\rgarbage\r")
    (frame,) = link.receive()
    assert (frame.can_id, frame.data[:2]) == (0x181, b"\x37\x02")
    assert frame.received_ns > 0
    assert link.garbled == 1
    assert link.receive() == []


@pytest.mark.parametrize("opened", ["before", "after"])
def test_a_guard_can_write_whatever_the_order_of_opening(line: Line, opened: str) -> None:
    """A plain descriptor on the same path writes its lines whether it was opened before or after the link.

    The link's lock is advisory and keeps out a second link only.
    """
    flags = os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK
    guard = os.open(line.path, flags) if opened == "before" else -1
    link = SlcanLink.open(line.path, 1_000_000)
    if opened == "after":
        guard = os.open(line.path, flags)
    line.read()
    stop = encode_frames([(0x201, b"\x02\x00\x00\x00\x00\x00")])
    link.send_frames([(0x080, b"")])
    assert os.write(guard, stop) == len(stop)
    link.send_frames([(0x080, b"")])
    assert line.read() == b"t0800\r" + stop + b"t0800\r"
    link.close()
    assert os.write(guard, stop) == len(stop)
    assert line.read() == stop
    os.close(guard)


def test_a_guard_in_another_process_can_write(line: Line, link: SlcanLink) -> None:
    """The same from another process, with the standard library alone."""
    code = "import os,sys; os.write(os.open(sys.argv[1], os.O_WRONLY | os.O_NOCTTY | os.O_NONBLOCK), b't0800\\r')"
    subprocess.run([sys.executable, "-c", code, line.path], check=True, timeout=20)
    assert line.read() == b"t0800\r"


def test_a_second_link_is_refused_before_it_writes(line: Line, link: SlcanLink) -> None:
    """A line in use is refused with a clear error, and the link in use is not disturbed by set-up commands."""
    with pytest.raises(LinkError, match="in use"):
        SlcanLink.open(line.path, 1_000_000)
    assert line.read() == b""


def test_the_lock_ends_with_the_link(line: Line, link: SlcanLink) -> None:
    """After closing, the line can be taken again."""
    link.close()
    fd = os.open(line.path, os.O_RDWR | os.O_NOCTTY)
    fcntl.flock(fd, fcntl.LOCK_EX | fcntl.LOCK_NB)
    os.close(fd)


def test_no_such_line(tmp_path) -> None:
    """A path that is not there is a LinkError naming it; nothing is left open."""
    missing = str(tmp_path / "ttyACM7")
    with pytest.raises(LinkError, match="ttyACM7"):
        SlcanLink.open(missing, 1_000_000)


def test_a_file_is_no_line(tmp_path) -> None:
    """A plain file in place of a line is refused."""
    path = tmp_path / "file"
    path.write_bytes(b"")
    with pytest.raises(LinkError, match="serial CAN adapter"):
        SlcanLink.open(str(path), 1_000_000)


def test_a_bit_rate_unknown_to_adapters_is_misuse(line: Line) -> None:
    """Adapters of this kind know a few bit rates; another is refused and the known ones are listed."""
    with pytest.raises(MisuseError, match="1000000"):
        SlcanLink.open(line.path, 123_456)


def test_hang_up_is_a_link_error(line: Line, link: SlcanLink) -> None:
    """When the adapter goes away, reading and writing raise LinkError; closing does not."""
    os.close(line.master)
    line.master = -1
    with pytest.raises(LinkError):
        link.receive()
    with pytest.raises(LinkError):
        link.send_frames([(0x080, b"")])
    link.close()


def test_a_closed_link_raises_link_errors(link: SlcanLink) -> None:
    """After ``close`` neither reading nor writing touches any descriptor."""
    link.close()
    with pytest.raises(LinkError, match="closed"):
        link.receive()
    with pytest.raises(LinkError, match="closed"):
        link.send_frames([(0x080, b"")])


def test_a_full_line_raises_and_the_cut_frame_is_ended(line: Line, link: SlcanLink) -> None:
    """A line that takes nothing more raises within a few ms; later frames are read whole by the adapter.

    Every frame that the adapter reads is one that we sent: the one cut off is ended by itself and dropped.
    """
    sent = (0x201, bytes(range(8)))
    batch = [sent] * 50

    def fill() -> None:
        for _ in range(1000):
            link.send_frames(batch)

    with pytest.raises(LinkError, match="taken"):
        fill()
    text = line.read()
    last = [(0x202, b"\x01\x02"), (0x080, b"")]
    link.send_frames(last)
    parser = ChunkParser()
    frames = [(frame.can_id, frame.data) for frame in parser.feed(text + line.read())]
    assert frames[-2:] == last
    assert set(frames[:-2]) == {sent}
    assert parser.garbled <= 1
