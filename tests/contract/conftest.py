# ruff: noqa: D102
"""Benches for the contract of drivers.interface.DriveGroup: each makes one implementation ready to be held to it.

A bench says how time passes for its group, and how its wire is broken. The hardware bench is there
only when GIORNATA_BENCH_MACHINE is the path of a machine file; its axes must be free to move 20 mm either way.
"""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path

import can
import pytest

from drivers.clock import Clock, MonotonicClock, VirtualClock
from drivers.heads.group import HeadedGroup
from drivers.heads.settings import AnyHead
from drivers.interface import DriveGroup
from drivers.registry import group_on_link, open_group
from drivers.settings import GroupSettings
from drivers.twin.parameters import TwinParameters
from drivers.twin.settings import TwinSettings
from tests.fakes.described_settings import can_settings, described_twin_parameters, serial_settings
from tests.fakes.drive_group import FakeDriveGroup
from tests.fakes.drive_node import FakeBus, FakeDriveNode
from tests.fakes.drive_settings import group_settings, twin_parameters
from tests.fakes.modbus_settings import modbus_settings, modbus_twin_parameters
from tests.stream.heads import heads


@dataclass
class Bench:
    """One implementation, ready. ``break_wire`` makes it silent, ``end_wire`` takes it away (where that can be played).

    ``lag_ticks``: rounds until a velocity shows in full; ``slack``: of positions."""

    group: DriveGroup
    clock: Clock
    settings: GroupSettings
    break_wire: Callable[[], None]
    end_wire: Callable[[], None] | None = None
    lag_ticks: int = 2
    slack_counts: float = 1.5
    slack_share: float = 0.0
    speed_units: int = 54_000
    closers: list[Callable[[], None]] = field(default_factory=list)

    @property
    def inner(self) -> DriveGroup:
        """The drives alone, where a head with a voice of its own is beside them."""
        return self.group.drives if isinstance(self.group, HeadedGroup) else self.group

    @property
    def tick_ns(self) -> int:
        return self.settings.tick_us * 1000

    def wait(self, ticks: int = 1) -> None:
        """Let whole ticks pass, then read."""
        self.clock.sleep_until_ns(self.clock.now_ns() + ticks * self.tick_ns)
        self.group.poll()

    def run(self, velocities: tuple[int, ...], ticks: int, outputs: int = 0) -> None:
        """Stream the same velocities for some ticks at absolute instants."""
        due_ns = self.clock.now_ns()
        for _ in range(ticks):
            self.group.send_tick(velocities, outputs)
            due_ns += self.tick_ns
            self.clock.sleep_until_ns(due_ns)
            self.group.poll()

    def positions(self) -> tuple[int, ...]:
        return tuple(axis.position_counts for axis in self.group.feedback.axes)

    def ready(self) -> DriveGroup:
        """Configured and enabled; a fault left by somebody before is cleared first."""
        self.group.configure()
        self.group.clear_fault()
        self.group.enable()
        return self.group


def _fake_group() -> Bench:
    clock = VirtualClock()
    group = FakeDriveGroup(("x", "y"), clock)

    def break_wire() -> None:
        group.is_mute = True

    return Bench(group, clock, group_settings(), break_wire)


def _fake_nodes() -> Bench:
    clock, settings = VirtualClock(), group_settings()
    bus = FakeBus([FakeDriveNode(1, 1000), FakeDriveNode(2, -500)], clock)

    def break_wire() -> None:
        bus.is_broken = True
        bus.drops_answers = True

    return Bench(group_on_link(settings, bus, clock), clock, settings, break_wire, bus.close)


def _virtual_twin(pdo: str = "sync") -> Bench:
    from drivers.twin.virtual import VirtualGantry

    clock, settings = VirtualClock(), group_settings(pdo=pdo)
    gantry = VirtualGantry(settings, twin_parameters(), clock)

    def break_wire() -> None:
        gantry.link.plugged = False

    return Bench(
        group_on_link(settings, gantry.link, clock),
        clock,
        settings,
        break_wire,
        gantry.link.close,
        lag_ticks=40,
    )


def _virtual_headed_twin(head: AnyHead) -> Bench:
    from drivers.twin.virtual import VirtualGantry

    clock, settings = VirtualClock(), group_settings().model_copy(update={"head": head})
    gantry = VirtualGantry(settings, twin_parameters(), clock)

    def break_wire() -> None:
        gantry.link.plugged = False

    group = group_on_link(settings, gantry.link, clock, gantry.head_line)
    assert isinstance(group, HeadedGroup)
    return Bench(group, clock, settings, break_wire, gantry.link.close, lag_ticks=40)


def _virtual_modbus_twin() -> Bench:
    from drivers.twin.modbusvirtual import VirtualModbusGantry

    clock, settings = VirtualClock(), modbus_settings()
    gantry = VirtualModbusGantry(settings, modbus_twin_parameters(), clock)

    def break_wire() -> None:
        gantry.link.plugged = False

    # A count for the rounding of a place that is reckoned back to the tick's instant.
    return Bench(
        group_on_link(settings, gantry.link, clock),
        clock,
        settings,
        break_wire,
        gantry.link.close,
        lag_ticks=40,
        slack_counts=3.0,
    )


def _virtual_described_twin(settings: GroupSettings) -> Bench:
    from drivers.twin.virtual import virtual_gantry

    clock = VirtualClock()
    gantry = virtual_gantry(settings, described_twin_parameters(), clock)

    def break_wire() -> None:
        gantry.link.plugged = False

    # A count for the rounding of a place that is reckoned back to the tick's instant.
    return Bench(
        group_on_link(settings, gantry.link, clock),
        clock,
        settings,
        break_wire,
        gantry.link.close,
        lag_ticks=40,
        slack_counts=3.0,
        speed_units=5400,
    )


def _python_can_virtual() -> Bench:
    clock = VirtualClock()
    channel = f"contract-{time.monotonic_ns()}"
    settings = group_settings("virtual", channel)
    group = open_group(settings, channel, clock)
    far_end = can.Bus(channel, "virtual", ignore_config=True)
    nodes = [FakeDriveNode(1, 1000), FakeDriveNode(2, -500)]

    def answer(frames: list[tuple[int, bytes]]) -> None:
        for can_id, data in frames:
            far_end.send(can.Message(arbitration_id=can_id, data=data, is_extended_id=False), 1)

    def live(now_ns: int) -> None:
        while (message := far_end.recv(0)) is not None:
            for node in nodes:
                answer(node.handle(message.arbitration_id, bytes(message.data)))
        for node in nodes:
            answer(node.advance(now_ns))

    clock.on_advance(live)

    def break_wire() -> None:
        for node in nodes:
            node.is_silent = True

    # Frames are taken when the clock moves: one tick later than they were sent.
    return Bench(group, clock, settings, break_wire, lag_ticks=3, closers=[far_end.shutdown])


def _twin_settings() -> GroupSettings:
    # The drives' own time-out is not what these tests are about, and a busy host may pause us for longer.
    return group_settings(heartbeat_lost_after_ms=3000, sdo_timeout_s=5.0)


def _modbus_twin_settings() -> GroupSettings:
    return modbus_settings(command_timeout_ms=3000, answer_timeout_s=5.0)


@pytest.fixture(scope="module")
def twin_process(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[subprocess.Popen[str], str]]:
    """One simulated gantry in a process of its own, for all tests of this module: (process, channel)."""
    yield from _gantry(tmp_path_factory.mktemp("twin"), _twin_settings(), twin_parameters())


@pytest.fixture(scope="module")
def modbus_twin_process(
    tmp_path_factory: pytest.TempPathFactory,
) -> Iterator[tuple[subprocess.Popen[str], str]]:
    """The same, its drives on a Modbus line."""
    yield from _gantry(tmp_path_factory.mktemp("twin"), _modbus_twin_settings(), modbus_twin_parameters())


def _gantry(
    folder: Path, settings: GroupSettings, parameters: TwinParameters
) -> Iterator[tuple[subprocess.Popen[str], str]]:
    path = folder / "twin.json"
    twin = TwinSettings(
        group=settings,
        parameters=parameters,
        state_dir=str(folder / "state"),
        parent_pid=os.getpid(),
    )
    path.write_text(twin.model_dump_json())
    process = subprocess.Popen(
        [sys.executable, "-m", "drivers.twin", str(path)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    )
    try:
        assert process.stdout is not None
        ready = json.loads(process.stdout.readline())
        assert ready["event"] == "ready"
        yield process, ready["channel"]
    finally:
        process.kill()
        process.communicate(timeout=20)


def _twin_process(settings: GroupSettings, process: subprocess.Popen[str], channel: str) -> Bench:
    clock = MonotonicClock(spin_ns=50_000)
    return Bench(
        open_group(settings, channel, clock),
        clock,
        settings,
        break_wire=lambda: process.send_signal(signal.SIGSTOP),
        lag_ticks=40,
        slack_counts=2000.0,
        slack_share=0.1,
        closers=[lambda: process.send_signal(signal.SIGCONT)],
    )


def _hardware() -> Bench:
    from controller.config.load import load_machine

    machine = load_machine(Path(os.environ["GIORNATA_BENCH_MACHINE"]))
    settings, clock = machine.group_settings(), MonotonicClock(spin_ns=100_000)
    group = open_group(settings, settings.wire.channel, clock)

    def break_wire() -> None:
        pytest.skip("the wire of real drives is not broken by a test")

    slowest = min(
        5.0 * float(axis.counts_per_mm) / axis.velocity_unit_counts_s for axis in settings.axes.values()
    )
    return Bench(
        group, clock, settings, break_wire, lag_ticks=100, slack_counts=5000.0, slack_share=0.1,
        speed_units=round(slowest),
    )  # fmt: skip


BENCHES = [
    pytest.param("fake group", id="fake-group"),
    pytest.param("fake nodes", id="fake-nodes"),
    pytest.param("python-can virtual", id="python-can-virtual"),
    pytest.param("virtual twin", id="virtual-twin"),
    pytest.param("virtual twin, at once", id="virtual-twin-at-once"),
    pytest.param("virtual twin, head a node", id="virtual-twin-head-node"),
    pytest.param("virtual twin, head on its own line", id="virtual-twin-head-line"),
    pytest.param("virtual modbus twin", id="virtual-modbus-twin"),
    pytest.param("virtual described can", id="virtual-described-can"),
    pytest.param("virtual described serial", id="virtual-described-serial"),
    pytest.param("twin process", id="twin-process", marks=pytest.mark.realtime),
    pytest.param("modbus twin process", id="modbus-twin-process", marks=pytest.mark.realtime),
]
if "GIORNATA_BENCH_MACHINE" in os.environ:
    BENCHES.append(pytest.param("hardware", id="hardware", marks=pytest.mark.bench_hardware))


@pytest.fixture(params=BENCHES)
def bench(request: pytest.FixtureRequest) -> Iterator[Bench]:
    """Each implementation in turn."""
    makers: dict[str, Callable[[], Bench]] = {
        "fake group": _fake_group,
        "fake nodes": _fake_nodes,
        "python-can virtual": _python_can_virtual,
        "virtual twin": _virtual_twin,
        "virtual twin, at once": lambda: _virtual_twin("immediate"),
        "virtual twin, head a node": lambda: _virtual_headed_twin(heads()["node"]),
        "virtual twin, head on its own line": lambda: _virtual_headed_twin(heads()["serial"]),
        "virtual modbus twin": _virtual_modbus_twin,
        "virtual described can": lambda: _virtual_described_twin(can_settings()),
        "virtual described serial": lambda: _virtual_described_twin(serial_settings()),
        "twin process": lambda: _twin_process(_twin_settings(), *request.getfixturevalue("twin_process")),
        "modbus twin process": lambda: _twin_process(
            _modbus_twin_settings(), *request.getfixturevalue("modbus_twin_process")
        ),
        "hardware": _hardware,
    }
    made = makers[request.param]()
    yield made
    made.group.abort()
    made.group.close()
    for close in made.closers:
        close()
