"""``giornata doctor``: the computer and the wire looked at, one finding each, before anything has to rely on them.

Owns the order: what is only read; then, while nobody of ours uses machine or wire, the timer and the drives. While a
session or a service holds the machine neither is touched: a measurement at real-time priority would take the streamer's
core, and a second reader of a serial port its answers. Nothing is enabled, nothing is written into a drive.
"""

from __future__ import annotations

import asyncio
import json
import os
from collections.abc import Callable
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from controller.config.errors import RefusedError
from controller.config.load import load_machine
from controller.config.machine import Machine
from controller.config.places import StateDir
from controller.session import doctorhost, doctorports, doctorrate, doctorwire
from controller.session.doctorfinding import Finding, must_be_mended
from controller.session.listening import wire_free
from controller.session.processes import Child, ChildError
from controller.session.simulated import SimulatedWorld
from controller.stream.timinglog import TimingLogError, tick_blocks
from drivers.clock import MonotonicClock
from drivers.errors import DriverError
from drivers.look import NodeLook, look
from drivers.registry import open_link

ROUNDS = 100
"""So often each drive is asked for its statusword."""

_SPARE_S = 30.0

Note = Callable[[str], None]


@dataclass(frozen=True, slots=True)
class Roots:
    """Where the computer tells of itself."""

    proc: Path = Path("/proc")
    sys: Path = Path("/sys")


@dataclass(frozen=True, slots=True)
class Report:
    """What was found, and what the drives said."""

    machine: str
    is_simulated: bool
    findings: tuple[Finding, ...]
    looks: tuple[NodeLook, ...] = ()


async def examine(
    machine_path: Path, state_root: Path | None, seconds: float, note: Note, roots: Roots | None = None
) -> Report:
    """Look at everything; ``seconds`` for the timer (0: not at all). Raises InputError for a bad machine file only."""
    roots = roots or Roots()
    machine_path = machine_path.absolute()  # noqa: ASYNC240 (no file is touched)
    machine = load_machine(machine_path)
    state = StateDir.open(state_root, machine.name)
    findings = doctorhost.host_findings(roots.proc, roots.sys, os.sched_getaffinity(0))
    looks: list[NodeLook] = []
    with ExitStack() as stack:
        try:
            stack.enter_context(wire_free(state, "doctor"))
        except RefusedError as error:
            findings += [
                *port_findings(machine, roots.sys),
                doctorwire.load(machine),
                last_feedback(machine, state),
            ]
            findings += doctorwire.not_asked(error.reason, "ask again when it has ended")
            return Report(machine.name, machine.wire.is_simulated, tuple(findings))
        told = await _timer(machine, state, seconds, roots, findings, note) if seconds > 0 else None
        device = port_findings(machine, roots.sys)
        findings += [*device, doctorwire.load(machine)]
        if must_be_mended(device):
            findings.append(Finding("drives", "cannot tell", "not asked before the wire's device is mended"))
        else:
            looks = await _drives(machine, machine_path, state, findings, note)
    for one in looks:
        trips = doctorwire.round_trips(machine, one)
        findings += [doctorwire.drive(machine, one), *([] if trips is None else [trips])]
    findings.append(last_feedback(machine, state))
    findings.append(doctorrate.rate(machine, doctorrate.bounds(machine, told, looks), looks))
    return Report(machine.name, machine.wire.is_simulated, tuple(findings), tuple(looks))


async def _timer(
    machine: Machine, state: StateDir, seconds: float, roots: Roots, findings: list[Finding], note: Note
) -> dict[str, Any] | None:
    note(f"measuring the timer for {seconds:g} s")
    before = doctorhost.read_text(roots.proc / "stat")
    child = await Child.start(
        "timer", "controller.session.doctorsleeper", str(machine.tick_ns), str(seconds),
        stderr_path=state.run / "doctor.err",
    )  # fmt: skip
    try:
        told = await child.expect("measured", timeout_s=seconds + _SPARE_S)
    except ChildError as error:
        findings.append(Finding("timer latency", "cannot tell", str(error)))
        return None
    finally:
        await child.end()
    findings.append(doctorrate.timer(machine, told))
    after = doctorhost.read_text(roots.proc / "stat")
    core = told["core"] if told["core"] >= 0 else max(os.sched_getaffinity(0))
    findings.append(doctorhost.stolen(before, after, core, os.sysconf("SC_CLK_TCK"), seconds))
    return told


def port_findings(machine: Machine, sys: Path) -> list[Finding]:
    """What can be said of the wire's device without opening it."""
    wire = machine.wire
    if wire.is_simulated:
        return [
            Finding(
                "wire",
                "cannot tell",
                "simulated: what follows is measured on a pseudo-terminal of this computer",
                "it shows that the questions work and proves nothing of a real wire, adapter or drive",
            )
        ]
    backend = getattr(wire, "interface", "serial")
    if backend == "socketcan":
        return [doctorports.interface(sys, wire.channel)]
    if backend not in ("serial", "slcan"):
        return [
            Finding("wire", "cannot tell", f"{backend}: this program knows no way to look at such a device")
        ]
    path = Path(wire.channel.partition("@")[0])
    found = [doctorports.port(path)]
    device = path.resolve().name
    if found[0].state != "must be mended" and device.startswith(("ttyUSB", "ttyACM")):
        found.append(doctorports.latency_timer(sys, device))
    return found


async def _drives(
    machine: Machine, machine_path: Path, state: StateDir, findings: list[Finding], note: Note
) -> list[NodeLook]:
    """Ask every drive; what stands in the way becomes a finding."""
    settings = machine.group_settings()
    note("asking the drives")
    world: SimulatedWorld | None = None
    channel = machine.wire.channel
    try:
        if machine.wire.is_simulated:
            world = await SimulatedWorld.open(machine, machine_path, state)
            channel = world.channel
        clock = MonotonicClock()
        link = open_link(settings, channel, clock)
        try:
            return await asyncio.to_thread(look, settings, link, clock, ROUNDS)
        finally:
            link.close()
    except (DriverError, RefusedError) as error:
        findings.append(Finding("drives", "must be mended", str(error), "mend this first, then ask again"))
        return []
    finally:
        if world is not None:
            await world.close()


def last_feedback(machine: Machine, state: StateDir) -> Finding:
    """How old feedback was in the latest run in real time."""
    for folder in sorted(state.runs.glob("[0-9]*-*"), reverse=True):
        try:
            if json.loads((folder / "spec.json").read_text()).get("channel") == "virtual":
                continue
            return doctorwire.feedback_age(
                machine, folder.name, doctorwire.ages(list(tick_blocks(folder / "timing.gtl")))
            )
        except (OSError, ValueError, TimingLogError):
            continue
    return Finding("feedback age", "cannot tell", "no run in real time yet", "giornata home, then ask again")
