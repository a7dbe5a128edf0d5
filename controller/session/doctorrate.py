"""What rate this computer, this wire and these drives can hold together, and what the measured times say. Pure.

Owns the reckoning (docs/doctor.md): the shortest tick is the longest of three.

* Host: lateness at p99.9 and the work of a tick (``WORK_NS``, docs/timing.md) may take half of it; the rest is for
  answers and for what is later still. Half is common practice, no source.
* Wire: what a tick puts on it may take the share that ``giornata check`` allows, worst case.
* Answers: a question's round trip at p99 must be over before the work of the next tick begins.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from controller.config import formulas
from controller.config.derived import machine_numbers
from controller.config.machine import AXES, Machine
from controller.session.doctorfinding import Figure, Finding, State, percentile, us
from controller.stream.host import LEAD_MAX_NS
from drivers.clock import NS_PER_MS
from drivers.describedfacts import group_tick
from drivers.look import NodeLook
from drivers.serialtime import TICK_SHARE_MAX
from drivers.settings import DescribedSerialWire, ModbusWire, described_of, exchange_ns, registers_of

WORK_NS = 360_000
"""What a tick costs the loop: up to 0.16 ms of work and 0.2 ms of spinning."""

HOST_SHARE = 0.5
LEAST_TICK_NS = 500_000
"""The machine file takes no shorter tick."""


def timer(machine: Machine, told: dict[str, Any]) -> Finding:
    """What the measured lateness means for this machine's tick and lease."""
    send, count = told["send_ns"], told["count"]
    figures = {name: Figure(send[name] * 1e-3, "us") for name in ("p50", "p99", "p99_9", "max")}
    figures["samples"] = Figure(float(count), "")
    least_ns = host_tick_ns(send["p99_9"])
    rights = "real-time" if told["realtime"] else "WITHOUT real-time rights"
    text = (
        f"late by {us(send['p50'])} p50, {us(send['p99'])} p99, {us(send['p99_9'])} p99.9, {us(send['max'])} at most, "
        f"of {count} ticks of {us(told['tick_ns'])}, {rights}, core {told['core']}"
    )
    lease_ns = machine.lease.lease_ms * NS_PER_MS
    if send["max"] >= lease_ns - machine.tick_ns:
        return Finding(
            "timer latency",
            "must be mended",
            text,
            f"a tick later than its lease ({machine.lease.lease_ms:g} ms) stops the machine: find what holds the "
            "computer up (other programs, power saving, a virtual machine's host)",
            figures,
        )
    if least_ns > machine.tick_ns:
        return Finding(
            "timer latency",
            "could be better",
            text,
            f"good for ticks of {us(least_ns)}; the machine's is {us(machine.tick_ns)}: late ticks cost accuracy, not "
            "safety (|dv| x lateness each). Quiet the computer, or take a longer tick",
            figures,
        )
    return Finding("timer latency", "good", text, figures=figures)


def host_tick_ns(p99_9_ns: float) -> float:
    """The shortest tick that a computer of this lateness can hold."""
    return max(LEAST_TICK_NS, (max(0.0, p99_9_ns) + WORK_NS) / HOST_SHARE)


def wire_tick_ns(machine: Machine, looks: Sequence[NodeLook], share: float = 0.99) -> float:
    """The shortest tick that the wire can carry; on a serial line with the measured thinking where it is longer.

    ``share`` (0 to 1) of a drive's answers took no longer than what is reckoned with.
    """
    wire = machine.wire
    if isinstance(wire, ModbusWire):
        maps = [registers_of(axis, machine.axes[axis].drive) for axis in AXES]
        busy_ns = sum(exchange_ns(wire, one) for one in maps)
        thought = [ns for look in looks if (ns := turnaround_ns(machine, look, share)) is not None]
        busy_ns += len(maps) * max(0, round(max(thought, default=0.0)) - wire.turnaround_us * 1000)
        return busy_ns / TICK_SHARE_MAX
    busy_ns = round(machine.tick_ns * machine_numbers(machine).bus_load)
    if isinstance(wire, DescribedSerialWire):
        answered = _answered_a_tick(machine, wire)
        for look in looks:
            thought_ns = turnaround_ns(machine, look, share)
            if thought_ns is not None:
                busy_ns += answered[look.axis] * max(0, round(thought_ns) - look.allowed_ns)
    return busy_ns / formulas.BUS_LOAD_MAX


def _answered_a_tick(machine: Machine, wire: DescribedSerialWire) -> dict[str, int]:
    """How many frames of a tick each described drive answers."""
    drives = [machine.axes[axis].drive for axis in AXES]
    tick = group_tick(
        wire,
        [described_of(axis, drive) for axis, drive in zip(AXES, drives, strict=True)],
        [drive.node_id for drive in drives],
        AXES,
        machine.head.axis if machine.head.kind == "drive-output" else "",
        machine.tick_us,
    )
    return {axis.axis: sum(bool(step.frame.answers) for step in axis.steps) for axis in tick.axes}


def turnaround_ns(machine: Machine, look: NodeLook, share: float = 0.99) -> float | None:
    """What a drive on a serial line (and its adapter) took to answer beyond characters and silence; None elsewhere.

    ``share`` (0 to 1) of the answers took no longer.
    """
    wire = machine.wire
    if not look.round_trips_ns:
        return None
    if isinstance(wire, ModbusWire):
        count = registers_of(look.axis, machine.axes[look.axis].drive).looked_at[1]
        line_ns = (8 + 5 + 2 * count) * wire.character_ns + wire.silence_us * 1000
    elif look.line_ns:
        line_ns = look.line_ns
    else:
        return None
    return max(0.0, percentile(sorted(look.round_trips_ns), share) - line_ns)


@dataclass(frozen=True, slots=True)
class Bound:
    """One of the three: the shortest tick that it allows (None: not measured), and how that came."""

    what: str
    tick_ns: float | None
    how: str


def bounds(
    machine: Machine, timer_told: dict[str, Any] | None, looks: Sequence[NodeLook]
) -> tuple[Bound, ...]:
    """The three bounds of the rate, as far as they were measured."""
    late_ns = None if timer_told is None else float(timer_told["send_ns"]["p99_9"])
    host = Bound(
        "host",
        None if late_ns is None else host_tick_ns(late_ns),
        "not measured"
        if late_ns is None
        else f"({us(late_ns)} late at p99.9 + {us(WORK_NS)} of work) / {HOST_SHARE:g}",
    )
    trips = sorted(ns for look in looks for ns in look.round_trips_ns)
    wire = Bound(
        "wire",
        wire_tick_ns(machine, looks),
        f"its worst case in {formulas.BUS_LOAD_MAX:.0%} of a tick",
    )
    if not trips:
        return host, wire, Bound("answers", None, "not measured")
    if any(turnaround_ns(machine, look) is not None for look in looks):
        # On a serial line the answers are part of what a tick puts on it.
        return host, wire
    trip_ns = percentile(trips, 0.99)
    lead_ns = LEAD_MAX_NS
    return (
        host,
        wire,
        Bound("answers", trip_ns + lead_ns, f"{us(trip_ns)} at p99 + {us(lead_ns)} before the next instant"),
    )


def rate(machine: Machine, found: Sequence[Bound], looks: Sequence[NodeLook]) -> Finding:
    """The rate that all of them hold, against the machine's tick.

    It must be mended where half of all answers come too late for the wire to carry the tick, and the wire is real.
    """
    known = [(one.tick_ns, one) for one in found if one.tick_ns is not None]
    if len(known) < len(found):
        missing = ", ".join(one.what for one in found if one.tick_ns is None)
        return Finding("rate", "cannot tell", f"not measured: {missing}")
    least_ns, worst = max(known, key=lambda pair: pair[0])
    least_ns = max(least_ns, float(LEAST_TICK_NS))
    figures = {one.what: Figure(ns * 1e-6, "ms") for ns, one in known}
    figures |= {"tick": Figure(least_ns * 1e-6, "ms"), "rate": Figure(1e9 / least_ns, "Hz")}
    told = "; ".join(f"{one.what} {us(ns)} = {one.how}" for ns, one in known)
    text = f"{1e9 / least_ns:.0f} Hz: ticks of {us(least_ns)}, the longest of {told}"
    if least_ns <= machine.tick_ns:
        return Finding(
            "rate", "good", f"{text}. The machine's tick is {us(machine.tick_ns)}", figures=figures
        )
    is_short = wire_tick_ns(machine, looks, 0.5) > machine.tick_ns
    state: State = "must be mended" if is_short and not machine.wire.is_simulated else "could be better"
    return Finding(
        "rate",
        state,
        f"{text}. The machine's tick is {us(machine.tick_ns)}",
        f"that is too short here: set tick_us to at least {-(-least_ns // 1000):.0f}, or mend: {worst.what}",
        figures,
    )
