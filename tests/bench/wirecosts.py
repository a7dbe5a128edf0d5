"""What each wire costs and how fast it goes: `python -m tests.bench.wirecosts`.

Three figures a wire, never to be mixed. *Ours*: processor time of the calls of a tick in this process, by the
thread's CPU clock, free of waiting. *The wire's*: the shortest round by its bits, reckoned here apart from the drivers,
which a pty does not have. *Reached*: the highest rate at which a group and the simulated gantry's process kept up for
five seconds; the gantry's answers take the time that its parameters say, and it shares the computer with us.

Bits: a CAN frame at its longest, 55 + 10 n (Davis, Burns, Bril, Lukkien 2007), n data bytes, interframe space included.
Serial: characters of both frames, a silence behind each, and the drive's turnaround.
"""

from __future__ import annotations

import argparse
import json
import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import can
import numpy as np
from rich.console import Console
from rich.table import Table

from drivers.clock import MonotonicClock
from drivers.errors import DriverError
from drivers.interface import DriveGroup
from drivers.registry import open_group
from drivers.settings import GroupSettings
from drivers.twin.parameters import TwinParameters
from drivers.twin.settings import TwinSettings
from tests.fakes.described_settings import can_settings, described_twin_parameters, serial_settings
from tests.fakes.drive_node import FakeDriveNode
from tests.fakes.drive_settings import group_settings, twin_parameters
from tests.fakes.modbus_settings import modbus_settings, modbus_twin_parameters

GOAL_HZ, GOAL_SHARE = 500.0, 0.8
WHOLE_SHARE = 0.99
SPIN_NS = 100_000
SHARES = (0.3, 0.5, 0.65, 0.75, 0.79)
"""Rates that are tried on a line, in parts of its limit; the drivers refuse more than 0.8."""
RATES_HZ = (125.0, 250.0, 500.0, 800.0, 1000.0)
VELOCITY = 300

Settings = Callable[..., GroupSettings]
WIRES: dict[str, tuple[Settings, Callable[[], TwinParameters]]] = {
    "CAN, serial adapter": (group_settings, twin_parameters),
    "Modbus RTU": (modbus_settings, modbus_twin_parameters),
    "described CAN": (can_settings, described_twin_parameters),
    "described serial": (serial_settings, described_twin_parameters),
}
FRAMES = {
    "CAN, serial adapter": 4,
    "CAN, python-can virtual": 4,
    "Modbus RTU": 2,
    "described CAN": 4,
    "described serial": 2,
}
"""Frames that come back in a tick."""


def patient(settings: GroupSettings, tick_us: int) -> GroupSettings:
    """The same at another tick; the drives' own time-out is not what is measured."""
    changes = {
        "can": {"heartbeat_lost_after_ms": 3000, "sdo_timeout_s": 5.0},
        "modbus-rtu": {"command_timeout_ms": 3000, "answer_timeout_s": 5.0},
    }.get(settings.wire.kind, {"answer_timeout_s": 5.0})
    wire = settings.wire.model_copy(update=changes)
    return settings.model_copy(update={"wire": wire, "tick_us": tick_us})


def round_us(settings: GroupSettings) -> float:
    """The shortest round of two axes that the wire's bits allow, us."""
    wire: Any = settings.wire
    if wire.kind == "can":  # RPDO1 of 6 bytes, TPDO1 of 6, TPDO2 of 8, each twice, and SYNC
        return sum(55 + 10 * n for n in (6, 6, 6, 6, 8, 8, 0)) * 1e6 / float(wire.bitrate_bit_s)
    if wire.kind == "described-can":  # heron: velocity of 6 bytes, motion and status of 8
        return 2 * sum(55 + 10 * n for n in (6, 8, 8)) * 1e6 / float(wire.bitrate_bit_s)
    character_us = wire.character_ns / 1000.0
    if wire.kind == "modbus-rtu":  # function 23: 4 registers out, 7 in
        return 2 * ((13 + 8 + 5 + 14) * character_us + 2 * wire.silence_us + wire.turnaround_us)
    drive = settings.axes["x"].described
    assert drive is not None
    serial: Any = drive.wire
    # tide: start, address, length, payload of 6 or 13, checksum of 2
    return 2 * ((5 + 6 + 5 + 13) * character_us + 2 * float(serial.silence_us) + float(serial.turnaround_us))


def as_the_streamer(pid: int, priority: int) -> bool:
    """Real-time rights as the streamer takes them, and the gantry beside it; whether the host gave them."""
    try:
        os.sched_setscheduler(pid, os.SCHED_FIFO, os.sched_param(priority))
    except OSError:
        return False
    return True


@contextmanager
def gantry(settings: GroupSettings, parameters: TwinParameters) -> Iterator[str]:
    """The simulated gantry in a process of its own; the path of its line."""
    with tempfile.TemporaryDirectory(prefix="wirecosts-") as folder:
        path = Path(folder) / "twin.json"
        twin = TwinSettings(
            group=settings,
            parameters=parameters,
            state_dir=str(Path(folder) / "state"),
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
            as_the_streamer(process.pid, 70)
            yield str(json.loads(process.stdout.readline())["channel"])
        finally:
            process.kill()
            process.communicate(timeout=20)


def percentiles(values_ns: list[int]) -> tuple[float, float]:
    """p50 and p99, us."""
    p50, p99 = np.percentile(np.array(values_ns) / 1000.0, [50.0, 99.0])
    return float(p50), float(p99)


def costs_of(
    group: DriveGroup, tick_ns: int, ticks: int, frames: int, between: Callable[[], None] = lambda: None
) -> dict[str, float]:
    """Processor time of a tick's calls. ``between`` is run outside of what is measured."""
    clock, cpu_ns = group_clock(group), time.thread_time_ns
    sends, sleeps, polls = [], [], []
    due_ns = clock.now_ns()
    for number in range(ticks):
        at0 = cpu_ns()
        group.send_tick((to_fro := VELOCITY if number // 50 % 2 else -VELOCITY, -to_fro), 0)
        at1 = cpu_ns()
        due_ns = max(due_ns + tick_ns, clock.now_ns())
        clock.sleep_until_ns(due_ns)
        at2 = cpu_ns()
        between()
        at3 = cpu_ns()
        group.poll()
        sends.append(at1 - at0)
        sleeps.append(at2 - at1)
        polls.append(cpu_ns() - at3)
    (send50, send99), (sleep50, sleep99) = percentiles(sends), percentiles(sleeps)
    poll50, poll99 = percentiles(polls)
    all50, all99 = percentiles([a + b + c for a, b, c in zip(sends, sleeps, polls, strict=True)])
    return {
        "send p50": send50, "send p99": send99, "sleep p50": sleep50, "sleep p99": sleep99, "poll p50": poll50,
        "poll p99": poll99, "frame p50": poll50 / frames, "frame p99": poll99 / frames, "tick p50": all50,
        "tick p99": all99,
    }  # fmt: skip


_CLOCKS: dict[int, MonotonicClock] = {}


def group_clock(group: DriveGroup) -> MonotonicClock:
    """The clock that a group was opened with."""
    return _CLOCKS[id(group)]


def opened(settings: GroupSettings, channel: str, spin_ns: int) -> DriveGroup:
    """A group in operation."""
    clock = MonotonicClock(spin_ns=spin_ns)
    group = open_group(settings, channel, clock)
    _CLOCKS[id(group)] = clock
    try:
        group.configure()
        group.enable()
    except DriverError:
        group.close()
        raise
    return group


def wire_costs(name: str, ticks: int) -> dict[str, float]:
    """The costs on a pty, at a tick of 10 ms (4 ms on CAN)."""
    make, parameters = WIRES[name]
    settings = make()
    settings = patient(settings, settings.tick_us)
    with gantry(settings, parameters()) as channel:
        group = opened(settings, channel, 0)
        try:
            return costs_of(group, settings.tick_us * 1000, ticks, FRAMES[name])
        finally:
            group.abort()
            group.close()


def repeated(name: str, ticks: int, repeats: int) -> dict[str, float]:
    """The costs; again when the host kept us away for so long that a drive has stopped by itself."""
    for _ in range(repeats):
        try:
            return wire_costs(name, ticks)
        except DriverError as error:
            sys.stderr.write(f"{name}: {error}; again\n")
    return wire_costs(name, ticks)


def virtual_costs(ticks: int) -> dict[str, float]:
    """The same through python-can's backend in one process, with made-up nodes at the far end."""
    channel = f"wirecosts-{time.monotonic_ns()}"
    clock, settings = MonotonicClock(), patient(group_settings("virtual", channel), 4000)
    group = open_group(settings, channel, clock)
    _CLOCKS[id(group)] = clock
    nodes = [FakeDriveNode(1, 1000), FakeDriveNode(2, -500)]
    with can.Bus(channel, "virtual", ignore_config=True) as far_end:

        def answer(frames: list[tuple[int, bytes]]) -> None:
            for can_id, data in frames:
                far_end.send(can.Message(arbitration_id=can_id, data=data, is_extended_id=False), 1)

        def live() -> None:
            while (message := far_end.recv(0)) is not None:
                for node in nodes:
                    answer(node.handle(message.arbitration_id, bytes(message.data)))
            for node in nodes:
                answer(node.advance(clock.now_ns()))

        class Work:
            """Keeps the nodes alive while the group sleeps in setting up."""

            def next_ns(self) -> int:
                return clock.now_ns() + 200_000

            def fileno(self) -> int:
                return -1

            def work(self, now_ns: int) -> None:
                live()

        work = Work()
        clock.share(work)
        group.configure()
        group.enable()
        clock.unshare(work)
        try:
            return costs_of(group, 4_000_000, ticks, FRAMES["CAN, python-can virtual"], live)
        finally:
            group.abort()
            group.close()


def keeps_up(settings: GroupSettings, parameters: TwinParameters, seconds: float) -> dict[str, float]:
    """One trial in real time: shares of whole rounds and of ticks that began more than a tick late."""
    tick_ns = settings.tick_us * 1000
    with gantry(settings, parameters) as channel:
        group = opened(settings, channel, SPIN_NS)
        clock = group_clock(group)
        try:
            count, late, worst_ns = int(seconds * 1e9 / tick_ns), 0, 0
            begun, sequence = clock.now_ns(), group.feedback.sequence
            for number in range(count):
                behind_ns = clock.now_ns() - begun - number * tick_ns
                worst_ns = max(worst_ns, behind_ns)
                late += behind_ns > tick_ns
                group.send_tick((to_fro := VELOCITY if number // 50 % 2 else -VELOCITY, -to_fro), 0)
                clock.sleep_until_ns(begun + (number + 1) * tick_ns)
                group.poll()
            spent_s = (clock.now_ns() - begun) * 1e-9
            whole = (group.feedback.sequence - sequence) / count
            return {"hz": count / spent_s, "whole": whole, "late": late / count, "worst_ms": worst_ns * 1e-6}
        finally:
            group.abort()
            group.close()


def rate_of(name: str, seconds: float, repeats: int) -> dict[str, Any]:
    """The highest rate that was kept in one of some repeats, and what came of each rate at its best."""
    make, parameters = WIRES[name]
    limit_hz = 1e6 / round_us(make())
    is_can = "CAN" in name
    wanted = [hz for hz in RATES_HZ if hz < limit_hz] if is_can else [share * limit_hz for share in SHARES]
    rows, reached = [], 0.0
    for hz in wanted:
        settings = patient(make(), -int(-1e6 // hz))
        best: dict[str, Any] = {"whole": 0.0, "late": 1.0}
        for _ in range(repeats):
            try:
                one = keeps_up(settings, parameters(), seconds)
            except DriverError as error:
                best["error"] = str(error)
                continue
            best = max(
                best, one, key=lambda row: (row["whole"] >= WHOLE_SHARE and row["late"] == 0, row["whole"])
            )
            if best["whole"] >= WHOLE_SHARE and best["late"] == 0:
                break
        rows.append({"asked_hz": hz, **best})
        if best["whole"] >= WHOLE_SHARE and best["late"] == 0:
            reached = hz
    goal_hz = min(GOAL_HZ, GOAL_SHARE * limit_hz) if is_can else GOAL_SHARE * limit_hz
    return {"limit_hz": limit_hz, "reached_hz": reached, "goal_hz": goal_hz, "rows": rows}


def costs_table(rows: dict[str, dict[str, float]]) -> Table:
    """Ours."""
    table = Table(title="Ours: processor time a tick, us (p50 / p99)", title_justify="left")
    for column in ("wire", "send_tick", "in the sleep", "poll", "poll, a frame", "all of it"):
        table.add_column(column, justify="left" if column == "wire" else "right")
    for name, row in rows.items():
        cells = [
            f"{row[f'{part} p50']:.0f} / {row[f'{part} p99']:.0f}"
            for part in ("send", "sleep", "poll", "frame", "tick")
        ]
        table.add_row(name, *cells)
    return table


def rates_table(rows: dict[str, dict[str, Any]]) -> Table:
    """The wire's and what was reached."""
    table = Table(
        title="The wire's limit by its bits, and what was reached in real time", title_justify="left"
    )
    for column in ("wire", "limit Hz", "reached Hz", "share", "goal Hz", "", "Hz: whole/late"):
        table.add_column(column, justify="left" if column in ("wire", "") else "right")
    for name, row in rows.items():
        failed = row["rows"][-1]
        is_last = failed["asked_hz"] == row["reached_hz"]
        after = (
            ""
            if is_last
            else f"{failed['asked_hz']:.0f}: whole {failed['whole']:.1%}, late {failed['late']:.2%}"
        )
        table.add_row(
            name, f"{row['limit_hz']:.0f}", f"{row['reached_hz']:.0f}", f"{row['reached_hz'] / row['limit_hz']:.0%}",
            f"{row['goal_hz']:.0f}", "met" if row["reached_hz"] >= 0.98 * row["goal_hz"] else "not met", after,
        )  # fmt: skip
    return table


def main(arguments: list[str] | None = None) -> int:
    """Measure and print. Exit code 0 when it ran, whatever the figures."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench.wirecosts", description=__doc__)
    parser.add_argument("--ticks", type=int, default=1500)
    parser.add_argument("--seconds", type=float, default=5.0)
    parser.add_argument("--repeats", type=int, default=3)
    parser.add_argument("--wire", action="append", choices=list(WIRES))
    parser.add_argument("--no-rates", action="store_true")
    parser.add_argument("--json", type=Path, default=Path("build/bench/wirecosts.json"))
    options = parser.parse_args(arguments)
    console = Console(width=130)
    names = options.wire or list(WIRES)
    is_realtime = as_the_streamer(0, 80)
    costs = {name: repeated(name, options.ticks, options.repeats) for name in names}
    if options.wire is None:
        costs["CAN, python-can virtual"] = virtual_costs(options.ticks)
    console.print(costs_table(costs))
    rates = (
        {} if options.no_rates else {name: rate_of(name, options.seconds, options.repeats) for name in names}
    )
    if rates:
        console.print(rates_table(rates))
    load = os.getloadavg()
    rights = "SCHED_FIFO" if is_realtime else "ordinary rights"
    console.print(f"load average {load[0]:.1f} {load[1]:.1f} {load[2]:.1f}, {os.cpu_count()} cores, {rights}")
    if is_realtime:
        os.sched_setscheduler(0, os.SCHED_OTHER, os.sched_param(0))
    options.json.parent.mkdir(parents=True, exist_ok=True)
    options.json.write_text(
        json.dumps({"costs_us": costs, "rates": rates, "load": load, "realtime": is_realtime}, indent=1)
        + "\n"
    )
    return 0


if __name__ == "__main__":
    sys.exit(main())
