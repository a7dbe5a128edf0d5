"""The guard as a process on a CAN bus that goes off: a stop while armed, no arming until it is back."""

from __future__ import annotations

import signal
import struct
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from safety import latch
from safety.client import request_status
from safety.settings import GuardSettings, StandstillAxis

pytestmark = pytest.mark.realtime

PROGRAM = (str(Path(__file__).with_name("guard_with_bus.py")),)


def frame(can_id: int, data: bytes) -> str:
    return struct.pack("=IB3x8s", can_id, len(data), data).hex()


@pytest.fixture
def on_bus(settings: GuardSettings) -> GuardSettings:
    """Settings for a CAN interface."""
    return replace(
        settings,
        wire_kind="socketcan",
        wire_channel="can7",
        end_frame_hex="",
        stop_frames_hex=(frame(0x201, bytes([2, 0, 0, 0, 0, 0])), frame(0x202, bytes([2, 0, 0, 0, 0, 0]))),
        poll_frame_hex=frame(0x080, b""),
        standstill=(StandstillAxis("x", 0x181, 2, 4, 0.2), StandstillAxis("y", 0x182, 2, 4, 0.2)),
    )


def wait_for(holds: Callable[[], bool]) -> None:
    end_s = time.monotonic() + 10
    while not holds():
        assert time.monotonic() < end_s, "it never came to hold"
        time.sleep(0.002)


@pytest.mark.parametrize("word", ["off", "passive"])
def test_a_bus_that_takes_nothing_stops_an_armed_machine(
    on_bus: GuardSettings, bench: Any, folder: Path, word: str
) -> None:
    """The controller's error frame alone is enough: the streamer is killed and the latch names the bus."""
    bench.guard(on_bus, PROGRAM)
    streamer = bench.streamer()
    (folder / "bus").write_text(word)
    wait_for(
        lambda: (found := latch.read(Path(on_bus.latch_path))) is not None and found.standstill == "proved"
    )
    found = latch.read(Path(on_bus.latch_path))
    assert found is not None
    assert found.reason == "bus-off"
    assert streamer.wait(10) == -signal.SIGKILL


def test_a_bus_that_went_off_while_idle_refuses_arming_until_it_is_back(
    on_bus: GuardSettings, bench: Any, folder: Path
) -> None:
    """Nothing moves, so nothing is latched; but nothing arms either before the controller has been restarted."""
    bench.guard(on_bus, PROGRAM)
    (folder / "bus").write_text("off")
    wait_for(lambda: bool(request_status(on_bus.stop_socket)["bus_trouble"]))
    bench.streamer(expect="refused")
    status = request_status(on_bus.stop_socket)
    assert status["state"] == "idle"
    assert "off the bus" in str(status["last_refusal"])
    (folder / "bus").write_text("restarted")
    wait_for(lambda: not request_status(on_bus.stop_socket)["bus_trouble"])
    bench.streamer(expect="armed")
    assert latch.read(Path(on_bus.latch_path)) is None
