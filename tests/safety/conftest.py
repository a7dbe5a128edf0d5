"""A guard on a bench of its own: a pty for a wire, short socket paths, and processes ended by their id."""

from __future__ import annotations

import contextlib
import json
import os
import select
import shutil
import signal
import struct
import subprocess
import sys
import tempfile
import threading
import time
import tty
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from safety.settings import GuardSettings, StandstillAxis

STOP_FRAMES = (b"t2016020000000000\r", b"t2026020000000000\r")
POLL_FRAME = b"t0800\r"
END_FRAME = b"\r"
AXES = (StandstillAxis("x", 0x181, 2, 4, 0.2), StandstillAxis("y", 0x182, 2, 4, 0.2))


def bench_settings(folder: Path, channel: str = "", service_pid: int = 0) -> GuardSettings:
    """Settings as the service would write them, for a machine of 1 m by 0.5 m."""
    return GuardSettings(
        wire_kind="tty" if channel else "none",
        wire_channel=channel,
        end_frame_hex=END_FRAME.hex(),
        stop_frames_hex=tuple(frame.hex() for frame in STOP_FRAMES),
        poll_frame_hex=POLL_FRAME.hex(),
        standstill=AXES if channel else (),
        beat_socket=str(folder / "beat.sock"),
        stop_socket=str(folder / "stop.sock"),
        latch_path=str(folder / "latch.json"),
        event_path=str(folder / "events.jsonl"),
        service_pid=service_pid,
        lease_max_ms=500.0,
        beat_late_ms=400.0,
        envelope_um=((0, 1_000_000), (0, 500_000)),
        speed_max_um_s=(700_000, 700_000),
        following_max_um=(4000, 4000),
        stop_um_s2=(5_000_000, 5_000_000),
        standstill_window_ms=40.0,
        give_up_after_s=1.0,
        overrun_ms=300.0,
    )


@pytest.fixture
def folder() -> Iterator[Path]:
    """A folder with a short path: socket paths end at 107 bytes."""
    path = Path(tempfile.mkdtemp(prefix="g-", dir="/tmp"))
    yield path
    shutil.rmtree(path)


@pytest.fixture
def settings(folder: Path) -> GuardSettings:
    """Settings without a wire."""
    return bench_settings(folder)


class Adapter:
    """The far end of a pty: keeps every byte with its instant and answers each SYNC with positions.

    ``speed_counts_s`` is how fast both axes run until the first stop frame has come whole; afterwards they stand,
    unless ``deaf``. ``mute`` answers nothing.
    """

    def __init__(self) -> None:
        self.master, slave = os.openpty()
        tty.setraw(slave)
        self.channel = os.ttyname(slave)
        self._slave = slave
        self.lock = threading.Lock()
        self.chunks: list[tuple[int, bytes]] = []
        self.speed_counts_s = 0.0
        self.deaf = False
        self.mute = False
        self._stopped_ns = 0
        self._start_ns = time.monotonic_ns()
        self._quit_r, self._quit_w = os.pipe()
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()

    def text(self) -> bytes:
        """All bytes that have come so far."""
        with self.lock:
            return b"".join(chunk for _, chunk in self.chunks)

    def wait_for(self, piece: bytes, timeout_s: float = 5.0) -> int:
        """The instant at which ``piece`` had come; fails the test when it does not come."""
        end_s = time.monotonic() + timeout_s
        while time.monotonic() < end_s:
            with self.lock:
                have = b""
                for instant_ns, chunk in self.chunks:
                    have += chunk
                    if piece in have:
                        return instant_ns
            time.sleep(0.002)
        raise AssertionError(f"{piece!r} did not come; got {self.text()[-200:]!r}")

    def unplug(self) -> None:
        """Pull the adapter: its end of the pty is closed."""
        self._end()
        os.close(self.master)
        self.master = -1

    def close(self) -> None:
        """End the thread and close both ends."""
        self._end()
        for descriptor in (self.master, self._slave, self._quit_r, self._quit_w):
            if descriptor >= 0:
                os.close(descriptor)

    def _end(self) -> None:
        if self._thread.is_alive():
            os.write(self._quit_w, b"q")
            self._thread.join(5)

    def _run(self) -> None:
        rest = b""
        while True:
            ready, _, _ = select.select((self.master, self._quit_r), (), ())
            now_ns = time.monotonic_ns()
            if self._quit_r in ready:
                return
            chunk = os.read(self.master, 4096)
            with self.lock:
                self.chunks.append((now_ns, chunk))
            *lines, rest = (rest + chunk).split(b"\r")
            for line in lines:
                if line + b"\r" == STOP_FRAMES[0] and not self.deaf and not self._stopped_ns:
                    self._stopped_ns = now_ns
                if line + b"\r" == POLL_FRAME and not self.mute:
                    self._answer(now_ns)

    def _answer(self, now_ns: int) -> None:
        run_ns = (self._stopped_ns or now_ns) - self._start_ns
        position = int(self.speed_counts_s * run_ns / 1e9)
        for node in (1, 2):
            data = struct.pack("<Hi", 0x0217, position)
            with contextlib.suppress(BlockingIOError):
                os.write(self.master, b"t18%d6%s\r" % (node, data.hex().upper().encode()))


@pytest.fixture
def adapter() -> Iterator[Adapter]:
    """A serial CAN adapter with two standing axes behind it."""
    far = Adapter()
    yield far
    far.close()


class Bench:
    """Starts processes and ends every one of them by its id."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.processes: list[subprocess.Popen[str]] = []
        self.ready: dict[str, object] = {}

    def start(self, *arguments: str) -> subprocess.Popen[str]:
        """A Python process of ours with its standard output at hand."""
        process = subprocess.Popen(
            [sys.executable, *arguments], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
        )
        self.processes.append(process)
        return process

    def wired(self, channel: str) -> GuardSettings:
        """Settings for a guard on ``channel``."""
        return bench_settings(self.folder, channel)

    def guard(
        self, settings: GuardSettings, program: tuple[str, ...] = ("-m", "safety.guard"), **changes: object
    ) -> subprocess.Popen[str]:
        """A guard that has said ready (or why not: see ``ready``)."""
        path = self.folder / "guard.json"
        replace(settings, **changes).dump(path)  # type: ignore[arg-type]
        process = self.start(*program, str(path))
        assert process.stdout is not None
        self.ready = json.loads(process.stdout.readline())
        return process

    def streamer(self, channel: str = "", expect: str = "armed") -> subprocess.Popen[str]:
        """A streamer that has tried to arm, with the outcome that is expected."""
        child = str(Path(__file__).with_name("streamer_child.py"))
        process = self.start(child, str(self.folder / "beat.sock"), *([channel] if channel else []))
        assert process.stdout is not None
        said = process.stdout.readline().strip()
        assert said == expect
        return process

    def wait_gone(self, name: str) -> None:
        """Wait until nobody listens on the socket ``name``."""
        wait_until(lambda: not (self.folder / name).exists())

    def close(self) -> None:
        """Nothing of ours lives on."""
        for process in self.processes:
            if process.poll() is None:
                process.send_signal(signal.SIGCONT)
                process.kill()
            process.wait(10)
            for pipe in (process.stdin, process.stdout):
                if pipe is not None:
                    with contextlib.suppress(OSError):
                        pipe.close()


@pytest.fixture
def bench(folder: Path) -> Iterator[Bench]:
    """Processes of one test."""
    place = Bench(folder)
    yield place
    place.close()


def wait_until(holds: Callable[[], bool], timeout_s: float = 5.0) -> None:
    """Poll until ``holds``; the time-out only bounds a failing test."""
    end_s = time.monotonic() + timeout_s
    while not holds():
        assert time.monotonic() < end_s, "it never came to hold"
        time.sleep(0.002)
