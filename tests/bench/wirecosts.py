"""What each wire costs and how fast it goes: `python -m tests.bench.wirecosts`.

Three figures a wire, never to be mixed. *Ours*: processor time of the calls of a tick in this process, by the
thread's CPU clock, free of waiting. *The wire's*: the shortest round by its bits, reckoned here apart from the drivers,
which a pty does not have. *Reached*: the highest rate at which a group and the simulated drives' process kept up for
five seconds; their answers take the time that the parameters say, and both share the computer. Measured three times:
against the *drives alone* (tests/bench/wires_drives.py) over a pair of sockets, which is what our side holds; the same
over a pty, which is carried by a worker of the kernel that has no priority; and against the *whole gantry*
(drivers/twin) over its pty, which is what a simulated picture gets. We run as the streamer does
(controller/stream/host.py). Beside it a *floor* of the same run: two processes that do nothing but pass 20 bytes.

Bits: a CAN frame at its longest, 55 + 10 n (Davis, Burns, Bril, Lukkien 2007), n data bytes, interframe space included.
Serial: characters of both frames, a silence behind each, and the drive's turnaround.
"""

from __future__ import annotations

import argparse
import gc
import json
import os
import socket
import subprocess
import sys
import tempfile
import time
import tty
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

import can
import numpy as np
from rich.console import Console
from rich.table import Table

from controller.stream.host import claim_host, release_host
from drivers.can.slcan import SlcanLink
from drivers.clock import MonotonicClock
from drivers.errors import DriverError
from drivers.interface import DriveGroup
from drivers.line.port import TtyLine
from drivers.registry import group_on_link, open_group
from drivers.settings import GroupSettings
from drivers.twin.parameters import TwinParameters
from drivers.twin.settings import TwinSettings
from tests.bench.wires_drives import claim_core
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
ALONE, ON_PTY, WHOLE = "drives alone, sockets", "drives alone, pty", "whole gantry, pty"
PROGRAMS = {ALONE: "tests.bench.wires_drives", ON_PTY: "tests.bench.wires_drives", WHOLE: "drivers.twin"}
"""Who answers at the other end."""

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
        return sum(55.0 + 10 * n for n in (6, 6, 6, 6, 8, 8, 0)) * 1e6 / float(wire.bitrate_bit_s)
    if wire.kind == "described-can":  # heron: velocity of 6 bytes, motion and status of 8
        return 2 * sum(55.0 + 10 * n for n in (6, 8, 8)) * 1e6 / float(wire.bitrate_bit_s)
    character_us = float(wire.character_ns) / 1000.0
    if wire.kind == "modbus-rtu":  # function 23: 4 registers out, 7 in
        return 2 * ((13 + 8 + 5 + 14) * character_us + 2 * float(wire.silence_us) + float(wire.turnaround_us))
    drive = settings.axes["x"].described
    assert drive is not None
    serial: Any = drive.wire
    # tide: start, address, length, payload of 6 or 13, checksum of 2
    return 2 * ((5 + 6 + 5 + 13) * character_us + 2 * float(serial.silence_us) + float(serial.turnaround_us))


@contextmanager
def as_the_streamer() -> Iterator[bool]:
    """The host as the streamer claims it; whether that gave real-time rights."""
    allowed = os.sched_getaffinity(0)
    rights = claim_host()
    try:
        yield rights.realtime
    finally:
        release_host()
        os.sched_setaffinity(0, allowed)
        gc.unfreeze()
        gc.enable()


def raise_priority(pid: int) -> None:
    """The gantry beside the streamer, just below it; without the right it stays as it is."""
    with suppress(OSError):
        os.sched_setscheduler(pid, os.SCHED_FIFO, os.sched_param(70))


@contextmanager
def gantry(settings: GroupSettings, parameters: TwinParameters, who: str = WHOLE) -> Iterator[str | int]:
    """The simulated gantry, or its drives alone, in a process of its own; the path of its pty, or our socket."""
    ours, theirs = socket.socketpair()
    handed = [theirs.fileno()] if who == ALONE else []
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
            [sys.executable, "-m", PROGRAMS[who], str(path), *map(str, handed)],
            pass_fds=handed,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )
        try:
            assert process.stdout is not None
            channel = str(json.loads(process.stdout.readline())["channel"])
            if who == WHOLE:
                raise_priority(process.pid)
            yield ours.fileno() if who == ALONE else channel
        finally:
            ours.close()
            theirs.close()
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


class SocketPort:
    """What a line asks of an open port."""

    def __init__(self, descriptor: int) -> None:
        self._descriptor = descriptor

    def fileno(self) -> int:
        """The socket, which is closed by whoever has made it."""
        return self._descriptor

    def close(self) -> None:
        """Nothing to do."""


def on_socket(settings: GroupSettings, descriptor: int, clock: MonotonicClock) -> DriveGroup:
    """A group whose wire is our end of a pair of sockets; an adapter is set up as its opening would."""
    os.set_blocking(descriptor, False)
    port: Any = SocketPort(descriptor)
    if "can" not in settings.wire.kind:
        return group_on_link(settings, TtyLine(port, "a socket"), clock)
    os.write(descriptor, b"S8\rO\r")
    return group_on_link(settings, SlcanLink(os.dup(descriptor), "a socket", clock), clock)


def opened(settings: GroupSettings, channel: str | int, spin_ns: int) -> DriveGroup:
    """A group in operation."""
    clock = MonotonicClock(spin_ns=spin_ns)
    make = on_socket if isinstance(channel, int) else open_group
    group: DriveGroup = make(settings, channel, clock)  # type: ignore[arg-type]
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
    with gantry(settings, parameters()) as channel, as_the_streamer():
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
            with as_the_streamer():
                return costs_of(group, 4_000_000, ticks, FRAMES["CAN, python-can virtual"], live)
        finally:
            group.abort()
            group.close()


def keeps_up(
    settings: GroupSettings, parameters: TwinParameters, seconds: float, who: str
) -> dict[str, float]:
    """One trial in real time: shares of whole rounds and of ticks that began more than a tick late."""
    with gantry(settings, parameters, who) as channel, as_the_streamer():
        group = opened(settings, channel, SPIN_NS)
        try:
            return timed(group, settings.tick_us * 1000, seconds)
        finally:
            group.abort()
            group.close()


def timed(group: DriveGroup, tick_ns: int, seconds: float) -> dict[str, float]:
    """The trial's ticks. On a line also which share of exchanges had no answer in time, or no good one."""
    clock, master = group_clock(group), getattr(group, "master", None)
    count, late, worst_ns = int(seconds * 1e9 / tick_ns), 0, 0
    unanswered, bad = (master.unanswered, master.bad_answers) if master else (0, 0)
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
    row = {"hz": count / spent_s, "whole": whole, "late": late / count, "worst_ms": worst_ns * 1e-6}
    if master:
        row["unanswered"] = (master.unanswered - unanswered) / (2 * count)
        row["bad"] = (master.bad_answers - bad) / (2 * count)
    return row


def is_kept(row: dict[str, Any]) -> bool:
    """The rule by which a rate counts."""
    return bool(row["whole"] >= WHOLE_SHARE and row["late"] == 0)


def rate_of(name: str, seconds: float, repeats: int, who: str) -> dict[str, Any]:
    """The highest rate that was kept in one of some repeats, and what came of it and those above, each at its best."""
    make, parameters = WIRES[name]
    limit_hz = 1e6 / round_us(make())
    is_can = "CAN" in name
    wanted = [hz for hz in RATES_HZ if hz < limit_hz] if is_can else [share * limit_hz for share in SHARES]
    rows, reached = [], 0.0
    for hz in sorted(wanted, reverse=True):
        settings = patient(make(), -int(-1e6 // hz))
        best: dict[str, Any] = {"whole": 0.0, "late": 1.0}
        for _ in range(repeats):
            try:
                one = keeps_up(settings, parameters(), seconds, who)
            except DriverError as error:
                best["error"] = str(error)
                continue
            best = max(best, one, key=lambda row: (is_kept(row), row["whole"]))
            if is_kept(best):
                break
        rows.append({"asked_hz": hz, **best})
        if is_kept(best):
            reached = hz
            break
    goal_hz = min(GOAL_HZ, GOAL_SHARE * limit_hz) if is_can else GOAL_SHARE * limit_hz
    return {"limit_hz": limit_hz, "reached_hz": reached, "goal_hz": goal_hz, "rows": rows}


def floor_us(kind: str, count: int = 1500) -> tuple[float, float, float]:
    """20 bytes to a process that does nothing but send them back, every 2 ms: p50, p99, share beyond 1 ms."""
    if kind == "pty":
        near, far = os.openpty()
        tty.setraw(far)
    else:
        near, far = (one.detach() for one in socket.socketpair())
    pid = os.fork()
    if pid == 0:
        claim_core()
        while (data := os.read(far, 64)) != b"end":
            os.write(far, data)
        os._exit(0)
    took: list[int] = []
    with as_the_streamer():
        begun_ns = time.monotonic_ns()
        for number in range(count):
            time.sleep(max(0, begun_ns + number * 2_000_000 - time.monotonic_ns()) * 1e-9)
            sent_ns = time.monotonic_ns()
            os.write(near, bytes(20))
            os.read(near, 64)
            took.append(time.monotonic_ns() - sent_ns)
    os.write(near, b"end")
    os.waitpid(pid, 0)
    os.close(near)
    os.close(far)
    return *percentiles(took), sum(one > 1_000_000 for one in took) / count


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


def rates_table(rows: dict[str, dict[str, Any]], who: str) -> Table:
    """The wire's and what was reached."""
    table = Table(
        title=f"The wire's limit by its bits, and what was reached in real time: {who}", title_justify="left"
    )
    for column in ("wire", "limit Hz", "reached Hz", "share", "goal Hz", "", "Hz: whole/late"):
        table.add_column(column, justify="left" if column in ("wire", "") else "right")
    for name, row in rows.items():
        after = "\n".join(
            f"{one['asked_hz']:.0f}: {one['whole']:.1%} / {one['late']:.2%}"
            if one["whole"] or "error" not in one
            else f"{one['asked_hz']:.0f}: {one['error'][:60]}"
            for one in row["rows"]
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
    parser.add_argument("--no-costs", action="store_true")
    parser.add_argument("--drives", action="append", choices=list(PROGRAMS), help="only these (default: all)")
    parser.add_argument("--json", type=Path, default=Path("build/bench/wirecosts.json"))
    options = parser.parse_args(arguments)
    console = Console(width=130)
    names = options.wire or list(WIRES)
    with as_the_streamer() as is_realtime:
        pass
    costs = (
        {} if options.no_costs else {name: repeated(name, options.ticks, options.repeats) for name in names}
    )
    if costs:
        if options.wire is None:
            costs["CAN, python-can virtual"] = virtual_costs(options.ticks)
        console.print(costs_table(costs))
    floors = {kind: floor_us(kind) for kind in ("pty", "sockets")}
    for kind, (p50, p99, share) in floors.items():
        console.print(
            f"floor, {kind}: 20 bytes there and back {p50:.0f} / {p99:.0f} us, {share:.2%} beyond 1 ms"
        )
    rates: dict[str, dict[str, Any]] = {}
    for who in () if options.no_rates else options.drives or PROGRAMS:
        rates[who] = {name: rate_of(name, options.seconds, options.repeats, who) for name in names}
        console.print(rates_table(rates[who], who))
    load = os.getloadavg()
    rights = "SCHED_FIFO" if is_realtime else "ordinary rights"
    console.print(f"load average {load[0]:.1f} {load[1]:.1f} {load[2]:.1f}, {os.cpu_count()} cores, {rights}")
    found = {"costs_us": costs, "floors_us": floors, "rates": rates, "load": load, "realtime": is_realtime}
    options.json.parent.mkdir(parents=True, exist_ok=True)
    options.json.write_text(json.dumps(found, indent=1) + "\n")
    return 0


if __name__ == "__main__":
    sys.exit(main())
