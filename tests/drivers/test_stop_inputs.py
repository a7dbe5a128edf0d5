# ruff: noqa: D102
"""Stop inputs: debouncing and its bound, the drives' own inputs, GPIO lines, the reader's loop and process."""

from __future__ import annotations

import contextlib
import inspect
import itertools
import json
import os
import select
import signal
import socket
import subprocess
import sys
import tempfile
import textwrap
import threading
from collections.abc import Callable, Sequence
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.clock import VirtualClock
from drivers.errors import LinkError, MisuseError
from drivers.inputs.debounce import Debounce
from drivers.inputs.drive import drive_stop_inputs
from drivers.inputs.gpio import GpioLines, load_library
from drivers.inputs.interface import StopInput
from drivers.inputs.reader import InputReader
from drivers.inputs.report import GuardReport
from drivers.interface import AxisFeedback, GroupFeedback
from drivers.settings import DriveInputSettings, GpioInputSettings, InputReaderSettings, StopsSettings
from safety import settings as guard_side
from safety.client import request_status
from tests.fakes.gpiod_module import Bias, Edge, FakeChips

MS = 1_000_000
DOOR = GpioInputSettings(kind="gpio", name="door", chip="/dev/gpiochip0", line=17)
GATE = GpioInputSettings(kind="gpio", name="gate", chip="/dev/gpiochip1", line=3, closed_level="low")


# Debouncing


def test_never_closed_by_default() -> None:
    """An input is open until it has been read closed, and stays so when it cannot be read."""
    debounce = Debounce(2 * MS)
    assert not debounce.is_closed
    assert not debounce.read(None, 1)
    assert not debounce.read(False, 2)
    assert Debounce(2 * MS).read(True, 0)


@given(
    debounce_ns=st.integers(0, 10 * MS),
    period_ns=st.integers(1000, 5 * MS),
    before=st.lists(st.sampled_from([True, False, None]), max_size=40),
    unreadable=st.booleans(),
)
def test_a_loop_that_opens_for_good_is_reported_within_the_bound(
    debounce_ns: int, period_ns: int, before: list[bool | None], unreadable: bool
) -> None:
    """Law: whatever bounced before, from the opening on it takes at most debounce + 2 periods to say open.

    The opening lies just after the last reading before it: the worst case.
    """
    debounce = Debounce(debounce_ns)
    now_ns = 0
    for closed in (True, *before):
        debounce.read(closed, now_ns)
        now_ns += period_ns
    opened_ns = now_ns - period_ns
    while debounce.read(None if unreadable else False, now_ns):
        assert debounce.is_waiting
        now_ns += period_ns
    assert now_ns - opened_ns <= debounce_ns + 2 * period_ns


@given(
    opens=st.lists(st.integers(1, 19), min_size=1, max_size=20),
    closes=st.lists(st.integers(11, 50), min_size=20),
)
def test_a_disturbance_shorter_than_the_debounce_is_no_stop(opens: list[int], closes: list[int]) -> None:
    """Law: openings of less than 2 ms with at least 1 ms of closed loop between, read every 0.1 ms: never open."""
    debounce = Debounce(2 * MS)
    now_ns = 0
    for open_for, closed_for in zip(opens, closes, strict=False):
        for closed, ticks in ((True, closed_for), (False, open_for)):
            for _ in range(ticks):
                assert debounce.read(closed, now_ns)
                now_ns += MS // 10


def test_a_chattering_contact_is_a_stop() -> None:
    """A contact that makes and breaks every 0.3 ms never rests, and is reported open after 2 ms all the same."""
    debounce = Debounce(2 * MS)
    assert debounce.read(True, 0)
    readings = [debounce.read(bool(step // 3 % 2), step * MS // 10) for step in range(1, 30)]
    assert readings.index(False) <= 24
    assert not debounce.is_closed


def test_an_open_input_closes_again_only_when_it_is_steady() -> None:
    """After a stop the loop counts as closed once it has been closed for half the debounce time."""
    debounce = Debounce(2 * MS)
    debounce.read(False, 0)
    assert not debounce.read(True, MS)
    assert not debounce.read(True, MS + MS // 2)
    assert debounce.read(True, 2 * MS)


# Inputs of drives


def drive_input(debounce_ms: float = 2.0) -> tuple[GroupFeedback, StopInput]:
    """A loop on bit 18 of the second axis' drive, silent after 60 ms."""
    feedback = GroupFeedback([AxisFeedback(), AxisFeedback()])
    stops = StopsSettings(
        debounce_ms=debounce_ms,
        inputs=(DriveInputSettings(kind="drive-input", name="belt", axis="y", bit=18), DOOR),
    )
    (found,) = drive_stop_inputs(stops, ("x", "y"), feedback, 60 * MS)
    return feedback, found


def test_a_drives_input_is_a_stop_input() -> None:
    """It has the interface; it is closed while its bit of 60FDh of its own axis is set, and only then."""
    feedback, found = drive_input()
    assert isinstance(found, StopInput)
    assert found.name == "belt"
    assert not found.is_closed(0), "nothing read yet"
    feedback.axes[0].inputs, feedback.sequence = 1 << 18, 1
    assert not found.is_closed(4 * MS)
    feedback.axes[1].inputs, feedback.sequence = 1 << 18, 2
    assert not found.is_closed(8 * MS)
    feedback.sequence = 3
    assert found.is_closed(12 * MS)


def test_a_drives_input_opens_within_its_bound() -> None:
    """At ticks of 4 ms and 2 ms of debounce: one bad reading is none, two in a row are a stop (10 ms at most)."""
    feedback, found = drive_input()
    feedback.axes[1].inputs = 1 << 18
    states = []
    for tick, closed in enumerate((1, 1, 0, 1, 1, 0, 0)):
        feedback.axes[1].inputs = closed << 18
        feedback.sequence += 1
        states.append(found.is_closed(tick * 4 * MS))
    assert states == [True, True, True, True, True, True, False]


def test_without_debounce_the_first_open_reading_is_a_stop() -> None:
    """debounce_ms = 0 stops at once."""
    feedback, found = drive_input(0.0)
    feedback.axes[1].inputs, feedback.sequence = 1 << 18, 1
    assert found.is_closed(0)
    feedback.axes[1].inputs, feedback.sequence = 0, 2
    assert not found.is_closed(4 * MS)


def test_a_silent_drive_is_an_open_loop() -> None:
    """Without a new round for longer than the limit the loop counts as open, though its last bit was set."""
    feedback, found = drive_input()
    feedback.axes[1].inputs, feedback.sequence = 1 << 18, 1
    assert found.is_closed(0)
    assert found.is_closed(60 * MS)
    assert not found.is_closed(60 * MS + 1)


# GPIO lines


@pytest.fixture
def chips(monkeypatch: pytest.MonkeyPatch) -> FakeChips:
    """Two chips in place of the library; both loops closed."""
    fake = FakeChips({("/dev/gpiochip0", 17): True, ("/dev/gpiochip1", 3): False})
    monkeypatch.setitem(sys.modules, "gpiod", fake.module)
    return fake


def test_lines_are_requested_so_that_a_broken_wire_reads_open(chips: FakeChips) -> None:
    """Inputs, edges reported, pulled to the level that means open: down for "high", up for "low"."""
    lines = GpioLines.open((DOOR, GATE))
    assert [request.settings.bias for request in chips.requests] == [Bias.PULL_DOWN, Bias.PULL_UP]
    assert [request.settings.active_low for request in chips.requests] == [False, True]
    assert {request.settings.edge_detection for request in chips.requests} == {Edge.BOTH}
    assert lines.read() == [True, True]
    chips.set(("/dev/gpiochip0", 17), False)
    chips.set(("/dev/gpiochip1", 3), True)
    assert lines.read() == [False, False]
    lines.close()
    lines.close()
    assert all(request.released for request in chips.requests)


def test_a_line_that_cannot_be_read_is_none_and_never_raises(chips: FakeChips) -> None:
    """A chip that is unplugged reads None from then on; the other line goes on."""
    lines = GpioLines.open((DOOR, GATE))
    chips.set(("/dev/gpiochip0", 17), None)
    assert lines.read() == [None, True]
    lines.close()


def test_a_change_wakes_the_waiter(chips: FakeChips) -> None:
    """``wait`` returns at once when an edge is there, and has taken it: the next one waits out its time."""
    lines = GpioLines.open((DOOR,))
    chips.set(("/dev/gpiochip0", 17), False)
    lines.wait(3600 * 10**9)
    lines.wait(MS)
    lines.close()


def test_a_chip_that_is_gone_does_not_take_a_core(chips: FakeChips) -> None:
    """Its descriptor stays "ready" for ever: it is not waited on any longer, and the other line still wakes."""
    lines = GpioLines.open((DOOR, GATE))
    chips.requests[0].hang_up()
    chips.levels["/dev/gpiochip0", 17] = None
    lines.wait(3600 * 10**9)
    assert lines._poll.poll(0) == []
    assert lines.read() == [None, True]
    chips.set(("/dev/gpiochip1", 3), True)
    lines.wait(3600 * 10**9)
    lines.close()


def test_edges_that_cannot_be_read_leave_the_levels(chips: FakeChips) -> None:
    """A library that fails to give the events: the wait ends soon, nothing is raised, the level still counts."""
    lines = GpioLines.open((DOOR,))
    chips.requests[0].edges_fail = True
    chips.set(("/dev/gpiochip0", 17), False)
    lines.wait(3600 * 10**9)
    assert lines.read() == [False]
    lines.close()


def test_a_refused_line_is_named_and_the_others_are_given_back(chips: FakeChips) -> None:
    """LinkError with name, line and chip; what had been requested is released."""
    nowhere = GpioInputSettings(kind="gpio", name="roof", chip="/dev/gpiochip0", line=99)
    with pytest.raises(LinkError, match=r"stop input roof: expected line 99 of /dev/gpiochip0"):
        GpioLines.open((DOOR, nowhere))
    assert [request.released for request in chips.requests] == [True]


@pytest.mark.parametrize("version", [None, "1.5.4"])
def test_without_the_library_the_message_says_what_to_install(
    monkeypatch: pytest.MonkeyPatch, chips: FakeChips, version: str | None
) -> None:
    """No library, or its version 1, which has another interface: MisuseError, not an ImportError."""
    if version is None:
        monkeypatch.setitem(sys.modules, "gpiod", None)
    else:
        del chips.module.request_lines  # type: ignore[attr-defined]
        chips.module.__version__ = version  # type: ignore[attr-defined]
    with pytest.raises(MisuseError, match=r"gpiod, version 2.*(pip install|1\.5\.4)"):
        load_library()


def test_the_stand_in_has_the_librarys_own_names() -> None:
    """Where the library is installed: what is used of it is there, under the same names and with the same fields.

    libgpiod's Python bindings 2.x.
    """
    library = pytest.importorskip("gpiod", reason="the optional library gpiod is not installed")
    chips = FakeChips({})
    for kind in ("Value", "Direction", "Bias", "Edge"):
        names = {one.name for one in getattr(chips.module.line, kind)}
        assert names <= {one.name for one in getattr(library.line, kind)}
    ours = inspect.signature(chips.module.LineSettings).parameters
    assert set(ours) <= set(inspect.signature(library.LineSettings).parameters)
    assert {"consumer", "config"} <= set(inspect.signature(library.request_lines).parameters)
    for name in ("fd", "get_value", "read_edge_events", "release"):
        assert hasattr(library.LineRequest, name)


def test_the_package_does_not_import_the_library() -> None:
    """Machines without GPIO never load it: importing every module of ours leaves it alone."""
    code = "import sys, drivers.inputs.__main__, drivers.registry; sys.exit('gpiod' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", code], check=False, timeout=60).returncode == 0


# The reader's loop


class FakeLines:
    """Lines in virtual time: a script of levels, and no wake-ups but the clock's."""

    def __init__(self, clock: VirtualClock, script: dict[int, bool | None]) -> None:
        self.clock, self.script = clock, script
        self.wakes = True

    def read(self) -> Sequence[bool | None]:
        now_ns = self.clock.now_ns()
        return [[level for at, level in sorted(self.script.items()) if at <= now_ns][-1]]

    def wait(self, timeout_ns: int) -> None:
        until_ns = self.clock.now_ns() + timeout_ns
        if self.wakes:
            until_ns = min([until_ns, *(at for at in self.script if at > self.clock.now_ns())])
        self.clock.sleep_until_ns(until_ns)


def said(
    script: dict[int, bool | None], wakes: bool = True, until_ns: int = 60 * MS
) -> list[tuple[int, bool]]:
    """(instant, closed) of every report of a loop over ``script``."""
    clock = VirtualClock(0)
    lines = FakeLines(clock, script)
    lines.wakes = wakes
    settings = InputReaderSettings(input_socket="none", inputs=(DOOR,))
    reports: list[tuple[int, bool]] = []
    reader = InputReader(
        settings, lines, lambda _name, closed: reports.append((clock.now_ns(), closed)), clock
    )
    while clock.now_ns() < until_ns:
        reader.step()
    return reports


def test_it_reports_every_five_milliseconds() -> None:
    """A loop that stays closed is said to be so every 5 ms, the first time at once."""
    reports = said({0: True})
    assert reports[0] == (0, True)
    gaps = [after - before for (before, _), (after, _) in itertools.pairwise(reports)]
    assert set(gaps) == {5 * MS}


@pytest.mark.parametrize(("wakes", "bound_ns"), [(True, 2_500_000), (False, 7_500_000)])
@pytest.mark.parametrize("level", [False, None])
def test_an_opening_is_said_within_the_bound(wakes: bool, bound_ns: int, level: bool | None) -> None:
    """2 ms of debounce and a look of 0.5 ms, and where edges are not reported up to 5 ms more; then it stays open."""
    opened_ns = 12_345_678
    reports = said({0: True, opened_ns: level}, wakes)
    first_ns = min(at for at, closed in reports if not closed)
    assert opened_ns < first_ns <= opened_ns + bound_ns
    assert all(not closed for at, closed in reports if at >= first_ns)


def test_a_spike_is_not_said() -> None:
    """An opening of 1 ms is waited out; no report says open."""
    assert all(closed for _, closed in said({0: True, 20 * MS: False, 21 * MS: True}))


def test_a_chattering_line_does_not_take_a_core() -> None:
    """Edges every 10 us for 10 ms: looks stay 0.2 ms apart, and the stop is said."""
    script: dict[int, bool | None] = {0: True}
    script |= {20 * MS + step * 10_000: bool(step % 2) for step in range(1000)}
    clock = VirtualClock(0)
    lines = FakeLines(clock, script)
    looks: list[int] = []
    read = lines.read
    lines.read = lambda: (looks.append(clock.now_ns()), read())[1]  # type: ignore[method-assign,func-returns-value]
    settings = InputReaderSettings(input_socket="none", inputs=(DOOR,))
    states: list[bool] = []
    reader = InputReader(settings, lines, lambda _name, closed: states.append(closed), clock)
    while clock.now_ns() < 40 * MS:
        reader.step()
    assert min(after - before for before, after in itertools.pairwise(looks)) >= MS // 5
    assert False in states


def test_a_library_that_hangs_is_silence(chips: FakeChips) -> None:
    """The loop that reads is the loop that reports: while a read hangs, nothing is said. No timer covers for it."""
    lines = GpioLines.open((DOOR,))
    settings = InputReaderSettings(input_socket="none", inputs=(DOOR,))
    states: list[bool] = []
    clock = VirtualClock(0)
    reader = InputReader(settings, lines, lambda _name, closed: states.append(closed), clock)
    reader.step()
    assert states == [True]
    hangs, released = threading.Event(), threading.Event()
    chips.hung["/dev/gpiochip0", 17] = lambda: (hangs.set(), released.wait(30))
    clock.sleep_until_ns(100 * MS)
    threads = threading.active_count()
    loop = threading.Thread(target=reader.step)
    loop.start()
    assert hangs.wait(30)
    assert threading.active_count() == threads + 1
    assert states == [True]
    released.set()
    loop.join(30)
    assert states == [True, True]
    lines.close()


# Reports and the process


@pytest.mark.parametrize("kind", [socket.SOCK_SEQPACKET, socket.SOCK_DGRAM])
def test_reports_reach_a_packet_socket_of_either_kind(tmp_path: Path, kind: socket.SocketKind) -> None:
    """One JSON object a message; a guard that does not read loses reports and never holds the reader up."""
    path = str(tmp_path / "in.sock")
    report = GuardReport(path)
    report.say("door", True)
    assert not report.is_connected, "nobody there yet"
    with socket.socket(socket.AF_UNIX, kind) as guard:
        guard.bind(path)
        if kind is socket.SOCK_SEQPACKET:
            guard.listen()
        report.say("door", True)
        end = guard.accept()[0] if kind is socket.SOCK_SEQPACKET else guard
        end.settimeout(10)
        assert json.loads(end.recv(4096)) == {"input": "door", "closed": True}
        for _ in range(5000):
            report.say("door", False)
        end.close()
    Path(path).unlink()
    report.say("door", False)
    report.say("door", False)
    assert not report.is_connected
    report.close()
    report.close()


FAKE_LIBRARY = """
import os, pathlib, sys
from types import SimpleNamespace
sys.path.insert(0, {root!r})
from safety.client import request_status
from safety import settings as guard_side
from tests.fakes.gpiod_module import FakeChips
class FromFile(dict):
    def get(self, key, default=None):
        text = pathlib.Path({level!r}).read_text()
        return {{"1": True, "0": False}}.get(text)
chips = FakeChips({{}})
chips.levels = FromFile()
globals().update(vars(chips.module))
"""


def fake_library(folder: Path) -> Path:
    """Put a stand-in for the library into ``folder/lib``; the file whose "1" or "0" is the level of its lines."""
    level, library = folder / "level", folder / "lib"
    level.write_text("1")
    library.mkdir()
    root = str(Path(__file__).parents[2])
    (library / "gpiod.py").write_text(textwrap.dedent(FAKE_LIBRARY.format(root=root, level=str(level))))
    return level


def start(settings: Path, library: Path) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, "-m", "drivers.inputs", str(settings)], stdout=subprocess.PIPE, text=True,
        env={**os.environ, "PYTHONPATH": str(library)},
    )  # fmt: skip


@pytest.mark.realtime
def test_the_process_reports_a_loop_that_opens(tmp_path: Path) -> None:
    """Real process, real socket: ready, closed again and again, open once the line drops, SIGTERM ends it."""
    level = fake_library(tmp_path)
    path = tmp_path / "in.sock"
    settings = tmp_path / "inputs.json"
    settings.write_text(InputReaderSettings(input_socket=str(path), inputs=(DOOR,)).model_dump_json())
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as guard:
        guard.bind(str(path))
        guard.settimeout(30)
        child = start(settings, tmp_path / "lib")
        try:
            assert child.stdout is not None
            ready = json.loads(child.stdout.readline())
            assert (ready["event"], ready["pid"], ready["inputs"]) == ("ready", child.pid, ["door"])
            for _ in range(5):
                assert json.loads(guard.recv(4096)) == {"input": "door", "closed": True}
            level.write_text("0")
            while json.loads(guard.recv(4096))["closed"]:
                pass
            child.send_signal(signal.SIGTERM)
            assert child.wait(30) == 0
        finally:
            child.kill()
            child.wait()
            if child.stdout is not None:
                child.stdout.close()


def level_drops(_reader: subprocess.Popen[str], level: Path) -> None:
    level.write_text("0")


def reader_hangs(reader: subprocess.Popen[str], _level: Path) -> None:
    reader.send_signal(signal.SIGSTOP)


def reader_dies(reader: subprocess.Popen[str], _level: Path) -> None:
    reader.kill()


@pytest.mark.realtime
@pytest.mark.parametrize("trouble", [level_drops, reader_hangs, reader_dies])
def test_the_guard_stops_on_what_the_reader_says_and_on_its_silence(
    trouble: Callable[[subprocess.Popen[str], Path], None],
) -> None:
    """Reader and guard as they run: an opened loop, a stopped reader and a dead one all latch ``input-open``."""
    with tempfile.TemporaryDirectory(prefix="gsi-") as name:
        folder = Path(name)
        level = fake_library(folder)
        door = guard_side.StopInput("door", "reported", debounce_ms=0.0, silent_ms=200.0)
        guard_file = folder / "guard.json"
        guard_side.GuardSettings(
            wire_kind="none", wire_channel="", end_frame_hex="", stop_frames_hex=(), poll_frame_hex="",
            standstill=(), beat_socket=str(folder / "b"), stop_socket=str(folder / "s"),
            latch_path=str(folder / "latch.json"), event_path=str(folder / "events.jsonl"), service_pid=0,
            lease_max_ms=25.0, beat_late_ms=20.0, envelope_um=((0, 1000), (0, 1000)), speed_max_um_s=(1, 1),
            following_max_um=(1, 1), stop_um_s2=(1, 1), overrun_ms=5000.0, give_up_after_s=0.2,
            inputs=(door,), input_socket=str(folder / "i"),
        ).dump(guard_file)  # fmt: skip
        settings = folder / "inputs.json"
        settings.write_text(
            InputReaderSettings(input_socket=str(folder / "i"), inputs=(DOOR,)).model_dump_json()
        )
        guard = subprocess.Popen(
            [sys.executable, "-m", "safety.guard", str(guard_file)], stdout=subprocess.PIPE, text=True
        )
        children = [guard]
        try:
            assert guard.stdout is not None
            assert json.loads(guard.stdout.readline())["event"] == "ready"
            reader = start(settings, folder / "lib")
            children.append(reader)
            assert reader.stdout is not None
            assert json.loads(reader.stdout.readline())["event"] == "ready"
            while request_status(folder / "s")["inputs"]["door"]["open"]:  # type: ignore[index]
                pass
            assert request_status(folder / "s")["state"] == "idle"
            trouble(reader, level)
            while (status := request_status(folder / "s"))["state"] == "idle":
                pass
            assert status["reason"] == "input-open"
        finally:
            for child in children:
                child.kill()
                child.wait()
                if child.stdout is not None:
                    child.stdout.close()


@pytest.mark.realtime
def test_the_process_ends_with_whoever_started_it(tmp_path: Path) -> None:
    """The service dies without a word: its reader does not stay behind holding the lines."""
    fake_library(tmp_path)
    settings = tmp_path / "inputs.json"
    settings.write_text(
        InputReaderSettings(input_socket=str(tmp_path / "none"), inputs=(DOOR,)).model_dump_json()
    )
    program = "import subprocess, sys; subprocess.run([sys.executable, '-m', 'drivers.inputs', sys.argv[1]])"
    service = subprocess.Popen(
        [sys.executable, "-c", program, str(settings)], stdout=subprocess.PIPE, text=True,
        env={**os.environ, "PYTHONPATH": str(tmp_path / "lib")},
    )  # fmt: skip
    assert service.stdout is not None
    reader = os.pidfd_open(json.loads(service.stdout.readline())["pid"])
    try:
        service.kill()
        service.wait()
        assert select.select((reader,), (), (), 30.0)[0], "it lives on"
    finally:
        with contextlib.suppress(ProcessLookupError):
            signal.pidfd_send_signal(reader, signal.SIGKILL)
        os.close(reader)
        service.stdout.close()


@pytest.mark.realtime
@pytest.mark.parametrize(
    ("text", "words"), [("{}", "input_socket"), ("nonsense", "JSON"), (None, "gpiod, version 2")]
)
def test_the_process_refuses_in_one_line(tmp_path: Path, text: str | None, words: str) -> None:
    """Bad settings, or no library: one JSON line with the reason, exit code 2."""
    settings, library = tmp_path / "inputs.json", tmp_path / "lib"
    library.mkdir()
    (library / "gpiod.py").write_text("raise ImportError('not installed')")
    good = InputReaderSettings(input_socket=str(tmp_path / "none"), inputs=(DOOR,)).model_dump_json()
    settings.write_text(good if text is None else text)
    child = start(settings, library)
    out, _ = child.communicate(timeout=60)
    assert child.returncode == 2
    said_line = json.loads(out)
    assert said_line["event"] == "refused"
    assert words in said_line["reason"]
