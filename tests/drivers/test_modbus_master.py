# ruff: noqa: D101, D102
"""The master of a Modbus line: one exchange at a time, silence, answers in any pieces, and stops before everything."""

from __future__ import annotations

import asyncio
import contextlib
import os
import threading
import tty
from collections.abc import Iterator
from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pymodbus.server import ModbusSerialServer
from pymodbus.simulator import DataType, SimData, SimDevice

from drivers.clock import MonotonicClock, VirtualClock
from drivers.errors import LinkError
from drivers.line.master import STOP_REPEATS, Exchange, Master
from drivers.line.port import FAR_NS, TtyLine
from drivers.modbus import frames
from drivers.modbus.frames import framed
from drivers.settings import ModbusWire

WIRE = ModbusWire(kind="modbus-rtu", channel="a line", bitrate_bit_s=115_200)
SILENCE_NS, CHARACTER_NS = 1_750_000, 95_487
ASKED = frames.read(7, 0x10, 2)
GOOD = framed(7, b"\x03\x04\x12\x34\xff\xfe")
STOP = frames.write_one(0, 0x2000, 2).frame
MS = 1_000_000


class ScriptedLine:
    """A SerialLine whose bytes come when the test says so. ``sent``: instants and frames."""

    def __init__(self, clock: VirtualClock) -> None:
        self.clock = clock
        self.sent: list[tuple[int, bytes]] = []
        self.coming: list[tuple[int, bytes]] = []
        self.refusals = 0
        self.is_gone = False

    def come(self, data: bytes, in_ns: int) -> None:
        self.coming.append((self.clock.now_ns() + in_ns, data))

    def send(self, data: bytes) -> None:
        if self.refusals:
            self.refusals -= 1
            raise LinkError("line", "bytes taken", "none")
        self.sent.append((self.clock.now_ns(), data))

    def receive(self) -> bytes:
        if self.is_gone:
            raise LinkError("line", "a line", "none")
        now_ns = self.clock.now_ns()
        data = b"".join(piece for at_ns, piece in self.coming if at_ns <= now_ns)
        self.coming = [one for one in self.coming if one[0] > now_ns]
        return data

    def drop_unsent(self) -> None:
        """Nothing waits."""

    def next_ns(self) -> int:
        return min((at_ns for at_ns, _ in self.coming), default=FAR_NS)

    def fileno(self) -> int:
        return -1

    def close(self) -> None:
        self.is_gone = True


class Bench:
    def __init__(self) -> None:
        self.clock = VirtualClock()
        self.line = ScriptedLine(self.clock)
        self.master = Master(self.line, WIRE, self.clock)
        self.clock.share(self.master)

    def ask(self, patience_ms: float = 2.0) -> Exchange:
        exchange = Exchange(lambda _: ASKED, patience_ns=round(patience_ms * MS))
        self.master.put(exchange)
        self.master.work(self.clock.now_ns())
        return exchange

    def pass_ms(self, ms: float) -> None:
        self.clock.sleep_until_ns(self.clock.now_ns() + round(ms * MS))

    def gaps_ns(self) -> list[int]:
        """Silence before each frame behind the one before it, by the line's speed."""
        sent = self.line.sent
        return [later - at_ns - len(frame) * CHARACTER_NS for (at_ns, frame), (later, _) in pairwise(sent)]


@given(st.lists(st.integers(1, len(GOOD) - 1), unique=True).map(sorted), st.integers(0, 150))
@settings(deadline=None)
def test_an_answer_may_come_in_any_pieces(cuts: list[int], apart_us: int) -> None:
    """Law: however the stream is cut, the registers are those of the whole answer, at the instant of its last byte."""
    bench = Bench()
    exchange = bench.ask()
    at_ns = 3 * MS
    for begin, end in zip([0, *cuts], [*cuts, len(GOOD)], strict=True):
        bench.line.come(GOOD[begin:end], at_ns)
        last_ns = bench.clock.now_ns() + at_ns
        at_ns += apart_us * 1000
    bench.pass_ms(10)
    assert exchange.is_good
    assert exchange.content == (0x1234, 0xFFFE)
    assert exchange.received_ns == last_ns


@pytest.mark.parametrize(
    ("answer", "error"),
    [
        (framed(8, GOOD[1:-2]), "an answer of unit 8"),
        (framed(7, b"\x17\x04\x12\x34\xff\xfe"), "an answer to function 17h"),
        (GOOD[:-1] + bytes((GOOD[-1] ^ 1,)), "a bad checksum"),
        (GOOD + b"\x01", "a bad checksum"),
        (GOOD + b"\x00", "10 bytes in place of 9"),
        (framed(7, b"\x83\x02"), "illegal data address"),
        (framed(7, b"\x83\x06"), "server device busy"),
        (framed(7, b"\x03\x02\x12\x34") + b"\x00\x00", "an answer to another request"),
        (GOOD[:4], "4 bytes of an answer"),
        (b"", "no answer"),
    ],
)
def test_anything_else_is_no_answer(answer: bytes, error: str) -> None:
    """Wrong unit, function, checksum, length, an exception, a piece, silence: an error by name, and no registers."""
    bench = Bench()
    exchange = bench.ask()
    bench.line.come(answer, 3 * MS)
    bench.pass_ms(20)
    assert exchange.is_done
    assert not exchange.is_good
    assert exchange.content == ()
    assert error in exchange.error
    assert exchange.is_refused is ("illegal" in error or "busy" in error)


def test_silence_between_all_frames() -> None:
    """V1.02, 2.5.1.1: at least 1.750 ms above 19200 bit/s between frames, ours and theirs, also after noise."""
    bench = Bench()
    for _ in range(4):
        bench.ask()
    bench.line.come(GOOD, 3 * MS)
    bench.pass_ms(3.1)
    bench.line.come(b"noise", 1 * MS)  # 1 ms after the answer, inside the silence behind it
    bench.pass_ms(60)
    assert len(bench.line.sent) == 4
    assert min(bench.gaps_ns()) >= SILENCE_NS
    begun = bench.line.sent[0][0]
    assert bench.line.sent[1][0] >= begun + 4.1 * MS + SILENCE_NS


def test_one_exchange_at_a_time() -> None:
    """The next request leaves only when the one before is answered or given up."""
    bench = Bench()
    first, second = bench.ask(patience_ms=30), bench.ask()
    bench.pass_ms(25)
    assert len(bench.line.sent) == 1
    bench.line.come(GOOD, 0)
    bench.pass_ms(3)
    assert first.is_good
    assert len(bench.line.sent) == 2
    assert not second.is_done


def test_an_answer_is_waited_for_until_an_instant() -> None:
    """Behind its patience an answer still counts where the exchange says until when; behind that it does not."""
    for at_ms, is_good in ((19.5, True), (20.5, False)):
        bench = Bench()
        until_ns = bench.clock.now_ns() + 20 * MS
        exchange = Exchange(lambda _: ASKED, patience_ns=0, until_ns=until_ns)
        bench.master.put(exchange)
        bench.master.work(bench.clock.now_ns())
        bench.line.come(GOOD, round(at_ms * MS))
        bench.pass_ms(25)
        assert exchange.is_good is is_good
        assert bench.master.unanswered == (not is_good)


OTHER = frames.read(8, 0x20, 3)
GOOD_OF_OTHER = framed(8, b"\x03\x06\x00\x01\x00\x02\x00\x03")


@given(st.integers(1, 19), st.integers(0, 3000), st.booleans())
@settings(deadline=None)
def test_a_late_answer_costs_the_next_unit_nothing(cut: int, apart_us: int, damaged: bool) -> None:
    """MODBUS over Serial Line V1.02, 2.4.1: with a reply from an unexpected slave the time-out is kept running.

    Unit 7 answers only when unit 8 has been asked, and 8 right behind it, cut anywhere: 8's registers are taken. With a
    damaged byte in the late answer it is no good answer of anybody, and ends the exchange.
    """
    bench = Bench()
    late = bench.ask(patience_ms=1)
    bench.pass_ms(7)
    assert late.error == "no answer"
    asked = Exchange(lambda _: OTHER, patience_ns=30 * MS)
    bench.master.put(asked)
    bench.master.work(bench.clock.now_ns())
    first = GOOD[:3] + bytes((GOOD[3] ^ damaged,)) + GOOD[4:]
    both = first + GOOD_OF_OTHER
    bench.line.come(both[:cut], 3 * MS)
    bench.line.come(both[cut:], 3 * MS + apart_us * 1000)
    bench.pass_ms(40)
    assert asked.is_good is not damaged
    assert bench.master.late_answers == (not damaged)
    assert bench.master.bad_answers == damaged
    if not damaged:
        assert asked.content == (1, 2, 3)
        assert asked.received_ns - asked.sent_ns == 3 * MS + apart_us * 1000
    assert late.content == ()


def test_nobody_s_answer_is_none() -> None:
    """A good answer of a unit that was not asked, or of one that has answered already, ends the exchange as ever."""
    bench = Bench()
    done = bench.ask()
    bench.line.come(GOOD, 3 * MS)
    bench.pass_ms(10)
    assert done.is_good
    asked = Exchange(lambda _: OTHER, patience_ns=30 * MS)
    bench.master.put(asked)
    bench.master.work(bench.clock.now_ns())
    bench.line.come(framed(7, b"\x03\x06\x12\x34\xff\xfe\x00\x00"), 3 * MS)
    bench.pass_ms(40)
    assert asked.error == "an answer of unit 7"
    assert bench.master.late_answers == 0


def test_a_stop_waits_for_no_dead_unit() -> None:
    """With a unit silent and others queued, a stop leaves one silence behind the frame on the line."""
    bench = Bench()
    dead, queued = bench.ask(patience_ms=100), bench.ask(patience_ms=100)
    begun_ns = bench.clock.now_ns()
    bench.master.stop((STOP,))
    bench.pass_ms(50)
    assert bench.line.sent[1] == (begun_ns + len(ASKED.frame) * CHARACTER_NS + SILENCE_NS, STOP)
    assert [frame for _, frame in bench.line.sent[1:]] == [STOP] * STOP_REPEATS
    assert min(bench.gaps_ns()) >= SILENCE_NS
    assert (dead.error, queued.error) == ("a stop came first", "it was overtaken")


def test_a_stop_on_an_idle_line_leaves_at_once() -> None:
    """Nothing on the line: the stop leaves inside the call."""
    bench = Bench()
    bench.pass_ms(5)
    bench.master.stop((STOP,))
    assert bench.line.sent == [(bench.clock.now_ns(), STOP)]


def test_a_stop_lets_an_answer_under_way_end() -> None:
    """Bytes are coming: the stop follows the last of them by one silence, since it would spoil them and itself."""
    bench = Bench()
    bench.ask(patience_ms=100)
    begun_ns = bench.clock.now_ns()
    for k in range(20):
        bench.line.come(b"\x07", round((3 + 0.5 * k) * MS))
    bench.pass_ms(3)
    bench.master.stop((STOP,))
    bench.pass_ms(30)
    assert bench.line.sent[1][1] == STOP
    assert bench.line.sent[1][0] >= begun_ns + 12.5 * MS + SILENCE_NS


def test_a_line_that_never_falls_silent_holds_no_stop_back() -> None:
    """A drive that babbles for good: by hand, 128 characters and two silences, 15.7 ms, and the stop leaves."""
    bench = Bench()
    for place in range(3000):
        bench.line.come(b"\x55", place * 100_000)
    bench.pass_ms(5)
    begun_ns = bench.clock.now_ns()
    bench.master.stop((STOP,))
    bench.pass_ms(100)
    assert [frame for _, frame in bench.line.sent] == [STOP] * STOP_REPEATS
    assert bench.line.sent[0][0] - begun_ns <= 128 * CHARACTER_NS + 2 * SILENCE_NS


def test_an_exchange_that_the_line_does_not_take_ends() -> None:
    """Whoever waits for its end would wait for ever."""
    bench = Bench()
    bench.line.refusals = 1
    exchange = bench.ask()
    assert exchange.is_done
    assert "got none" in exchange.error
    assert bench.master.trouble is not None


def test_a_line_in_trouble_gets_its_stop() -> None:
    """A command that was not taken is the end of commands, not of stops; one that takes none is let alone."""
    bench = Bench()
    bench.line.refusals = 1
    bench.ask()
    bench.pass_ms(5)
    bench.master.stop((STOP,))
    bench.ask()
    bench.pass_ms(30)
    assert [frame for _, frame in bench.line.sent] == [STOP] * STOP_REPEATS
    assert min(bench.gaps_ns()) >= SILENCE_NS
    bench.line.refusals = 2
    bench.master.stop((STOP,))
    assert bench.master.stops_left == 0
    with pytest.raises(LinkError):
        bench.master.raise_trouble()


def test_a_stop_that_is_said_again_reaches_the_last_drive() -> None:
    """Drives that are stopped by name and answer slowly: each goes on being told, though somebody says stop again."""
    bench = Bench()
    first, second = b"X" * 8, b"Y" * 8
    for _ in range(8):
        bench.master.stop((first, second), rest_ns=12 * MS)
        bench.pass_ms(10)
    sent = [frame for _, frame in bench.line.sent]
    assert len(sent) >= 4
    assert sent == [first, second] * (len(sent) // 2) + [first] * (len(sent) % 2)


def test_a_stop_over_a_clogged_line() -> None:
    """A line that takes nothing once gets the stop again at once; one that is gone ends everything without raising."""
    bench = Bench()
    bench.pass_ms(5)
    bench.line.refusals = 1
    bench.master.stop((STOP,))
    assert bench.line.sent[0][1] == STOP
    bench.line.is_gone = True
    exchange = bench.ask()
    bench.master.stop((STOP,))
    bench.pass_ms(5)
    assert exchange.is_done
    assert not exchange.is_good
    with pytest.raises(LinkError):
        bench.master.raise_trouble()


@given(st.lists(st.tuples(st.binary(max_size=30), st.integers(0, 8_000_000)), max_size=8), st.integers(0, 9))
@settings(deadline=None)
def test_noise_never_makes_feedback_nor_holds_a_stop(noise: list[tuple[bytes, int]], stop_ms: int) -> None:
    """Law: whatever comes, silence holds before each frame of ours, and a stop is out one after the noise."""
    bench = Bench()
    exchange = bench.ask(patience_ms=50)
    begun_ns = bench.clock.now_ns()
    for data, in_ns in noise:
        bench.line.come(data, in_ns)
    bench.pass_ms(stop_ms)
    bench.master.stop((STOP,))
    bench.pass_ms(40)
    stops = [at_ns for at_ns, frame in bench.line.sent if frame == STOP]
    assert len(stops) == STOP_REPEATS
    noisy_ns = max([begun_ns + in_ns for data, in_ns in noise if data], default=0)
    own_ns = begun_ns + len(ASKED.frame) * CHARACTER_NS
    assert stops[0] <= max(noisy_ns, own_ns, begun_ns + stop_ms * MS) + SILENCE_NS
    assert min(bench.gaps_ns()) >= SILENCE_NS
    assert not exchange.is_good


@contextlib.contextmanager
def other_slave() -> Iterator[str]:
    """pymodbus as the slave, unit 1, at the other end of a pty."""
    master, far = os.openpty()
    tty.setraw(master)
    tty.setraw(far)
    name = os.ttyname(far)
    device = SimDevice(1, simdata=[SimData(0, values=[0] * 100, datatype=DataType.REGISTERS)])
    # The slave gets an end of its own: a second pty, and all that comes is copied between the two.
    other, other_far = os.openpty()
    tty.setraw(other)
    tty.setraw(other_far)
    loop = asyncio.new_event_loop()
    ready, over = threading.Event(), asyncio.Event()

    def copy(source: int, target: int) -> None:
        os.write(target, os.read(source, 4096))

    async def serve() -> None:
        server = ModbusSerialServer(
            device, port=os.ttyname(other_far), baudrate=115_200, broadcast_enable=True
        )
        await server.serve_forever(background=True)
        loop.add_reader(master, copy, master, other)
        loop.add_reader(other, copy, other, master)
        ready.set()
        await over.wait()
        loop.remove_reader(master)
        loop.remove_reader(other)
        await server.shutdown()

    thread = threading.Thread(target=loop.run_until_complete, args=(serve(),))
    thread.start()
    try:
        assert ready.wait(10)
        yield name
    finally:
        loop.call_soon_threadsafe(over.set)
        thread.join(10)
        loop.close()
        for descriptor in (master, far, other, other_far):
            os.close(descriptor)


def test_another_slave_understands_us() -> None:
    """Judge: pymodbus as the slave over a pty. Functions 03, 06, 16, 23, an exception, a broadcast."""
    wire = ModbusWire(kind="modbus-rtu", channel="simulated", bitrate_bit_s=115_200)
    clock = MonotonicClock()
    with other_slave() as name:
        master = Master(TtyLine.open(name, wire), wire, clock)
        clock.share(master)

        def ask(request: frames.Request, patience_ms: int = 30_000) -> Exchange:
            exchange = Exchange(lambda _: request, patience_ns=patience_ms * MS)
            master.put(exchange)
            while not exchange.is_done:
                clock.sleep_until_ns(clock.now_ns() + MS)
            return exchange

        try:
            assert ask(frames.write_one(1, 5, 0x1234)).is_good
            assert ask(frames.write(1, 6, [0xFFFE, 7])).is_good
            assert ask(frames.read(1, 5, 3)).content == (0x1234, 0xFFFE, 7)
            assert ask(frames.read_write(1, 5, 2, 5, [9])).content == (9, 0xFFFE)
            refused = ask(frames.read(1, 500, 2))
            assert refused.is_refused
            assert "illegal data address" in refused.error
            assert master.bad_answers == 1
            master.stop((frames.write_one(0, 20, 2).frame,))
            # A pty carries no silence: a slave that is late reads what follows the broadcast as one piece with it,
            # and throws that away. So it is asked again; the broadcast itself is not repeated for it.
            answers = (ask(frames.read(1, 20, 1), 300) for _ in range(40))
            assert next(answer.content for answer in answers if answer.is_good) == (2,)
        finally:
            master.close()
