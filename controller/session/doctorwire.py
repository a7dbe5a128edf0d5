"""What drives said when they were only asked, and what the last run's log says of their answers, as findings. Pure.

Owns the judgements; who asked is ``drivers.look``, who opens files is the doctor.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import numpy.typing as npt

from controller.config.derived import machine_numbers
from controller.config.machine import Machine
from controller.session.doctorfinding import Figure, Finding, percentile, us
from controller.session.doctorrate import turnaround_ns
from drivers.clock import NS_PER_MS
from drivers.interface import DriveState
from drivers.look import NodeLook
from drivers.settings import CanWire, DescribedSerialWire, ModbusWire

PROFILE_402 = 402
VELOCITY_MODE_BIT = 8
"""Bit of 6502h for cyclic synchronous velocity (mode 9)."""


def load(machine: Machine) -> Finding:
    """What a tick puts on the wire, worst case."""
    numbers = machine_numbers(machine)
    share = numbers.bus_load
    text = f"{share:.0%} of a tick of {us(machine.tick_ns)} at {machine.wire.bitrate_bit_s} bit/s, worst case"
    return Finding("wire load", "good", text, figures={"share": Figure(share, "")})


def drive(machine: Machine, look: NodeLook) -> Finding:
    """Whether a drive answers, what it is and how it stands."""
    wire = machine.wire
    noun = (
        "unit"
        if isinstance(wire, ModbusWire)
        else "address"
        if isinstance(wire, DescribedSerialWire)
        else "node"
    )
    name = f"drive {look.axis} ({noun} {look.node})"
    if look.trouble:
        return Finding(
            name,
            "must be mended",
            look.trouble,
            "is it powered, is its number the machine file's, are bit rate and plugs right, is the line terminated?",
        )
    if look.not_asked:
        return Finding(
            name,
            "cannot tell",
            f"{'it answers; ' if look.round_trips_ns else ''}{look.not_asked}",
            "only what surely reads and does nothing else is asked here; giornata home sets the drive up and says more",
        )
    wrong = _unfit(machine, look)
    if wrong is not None:
        return Finding(name, "must be mended", *wrong)
    stands = f"{look.state.value} (statusword {look.statusword:04X}h)"
    if look.state in (DriveState.FAULT, DriveState.FAULT_REACTION_ACTIVE):
        return Finding(
            name,
            "must be mended",
            f"{stands}, error code {look.fault_code:04X}h"
            + (f": {look.fault_text}" if look.fault_text else ""),
            "find the cause in the drive's manual; giornata home acknowledges it",
        )
    if look.state is DriveState.UNKNOWN:
        return Finding(
            name,
            "must be mended",
            stands,
            "no state that a drive can be in: wrong node, or a wrong register map or drive file?",
        )
    if look.state in (DriveState.OPERATION_ENABLED, DriveState.QUICK_STOP_ACTIVE):
        return Finding(
            name,
            "could be better",
            f"{stands} though no session of ours runs",
            "somebody else commands it: find out who before anything moves",
        )
    who = ", ".join(f"{what} {look.values[what]:X}h" for what in ("vendor", "product") if what in look.values)
    return Finding(name, "good", f"{stands}{', ' if who else ''}{who}")


def _unfit(machine: Machine, look: NodeLook) -> tuple[str, str] | None:
    """Why this drive cannot be used, and what to do; None when nothing speaks against it."""
    if not isinstance(machine.wire, CanWire):
        return None
    device = look.values.get("device_type", 0)
    if device & 0xFFFF != PROFILE_402:
        return (
            f"device type {device:08X}h: no CiA 402 drive",
            "another device has that node number, or the drive needs one",
        )
    modes = look.values.get("supported_modes")
    if modes is not None and not modes >> VELOCITY_MODE_BIT & 1:
        return f"supported modes {modes:08X}h: no cyclic velocity", "this drive cannot be streamed to"
    settings = machine.axes[look.axis].drive
    if settings.command_timeout == "heartbeat" and "abort_option" not in look.values:
        return (
            "no abort option (6007h): it would not stop by itself when we are gone",
            'another drive, or command_timeout = "none" and everything that docs/safety.md says of it',
        )
    return None


def round_trips(machine: Machine, look: NodeLook) -> Finding | None:
    """How long the drive's answers took; None when there were none."""
    trips = sorted(look.round_trips_ns)
    if not trips:
        return None
    shares = {"p50": 0.5, "p99": 0.99, "max": 1.0}
    taken = {name: percentile(trips, share) for name, share in shares.items()}
    figures = {name: Figure(ns * 1e-3, "us") for name, ns in taken.items()}
    figures |= {"questions": Figure(float(len(trips) + look.lost), ""), "lost": Figure(float(look.lost), "")}
    text = (
        f"{us(taken['p50'])} p50, {us(taken['p99'])} p99, {us(taken['max'])} at most, of {len(trips)} questions"
        + (f"; {look.lost} WITHOUT AN ANSWER" if look.lost else "")
    )
    name = f"round trip {look.axis}"
    wire, thought_ns = machine.wire, turnaround_ns(machine, look)
    if thought_ns is not None:
        figures["turnaround"] = Figure(thought_ns * 1e-3, "us")
        is_modbus = isinstance(wire, ModbusWire)
        whose, there = ("machine", "") if is_modbus else ("drive", " in the drive file")
        allowed_ns = wire.turnaround_us * 1000 if isinstance(wire, ModbusWire) else look.allowed_ns
        usual_ns = turnaround_ns(machine, look, 0.5) or 0.0
        if thought_ns > allowed_ns:
            is_usual = usual_ns > allowed_ns and not wire.is_simulated
            return Finding(
                name,
                "must be mended" if is_usual else "could be better",
                f"{text}; of it thinking {us(usual_ns)} p50, {us(thought_ns)} p99, where the "
                f"{whose} file allows {us(allowed_ns)}",
                f"set wire.turnaround_us{there} to {-(-thought_ns // 100_000) * 100:.0f} (giornata check says what "
                "tick that needs), unless the computer was held up or an adapter's latency timer is in it",
                figures,
            )
    if look.lost:
        return Finding(
            name,
            "could be better",
            text,
            "a good line loses none: cable, shield, terminators, bit rate",
            figures,
        )
    if taken["p99"] > machine.tick_ns:
        return Finding(
            name,
            "could be better",
            text,
            f"longer than a tick ({us(machine.tick_ns)}): feedback is a tick older than it need be. An adapter that "
            "gathers bytes, or a drive that answers slowly",
            figures,
        )
    return Finding(name, "good", text, figures=figures)


def feedback_age(machine: Machine, run: str, ages_ns: npt.NDArray[np.int64]) -> Finding:
    """How old the drives' latest words were when the ticks of a run left."""
    if len(ages_ns) == 0:
        return Finding("feedback age", "cannot tell", f"run {run} has no answers in its log")
    p50, p99, p99_9, most = (
        float(one) for one in np.quantile(ages_ns, (0.5, 0.99, 0.999, 1.0), method="inverted_cdf")
    )
    figures = {
        name: Figure(ns * 1e-6, "ms")
        for name, ns in (("p50", p50), ("p99", p99), ("p99_9", p99_9), ("max", most))
    }
    limit_ns = machine.lease.feedback_late_ms * NS_PER_MS
    text = (
        f"{us(p50)} p50, {us(p99)} p99, {us(p99_9)} p99.9, {us(most)} at most, in {len(ages_ns)} ticks of run {run}; "
        f"{us(limit_ns)} stop the machine"
    )
    if p99_9 <= limit_ns / 2:
        return Finding("feedback age", "good", text, figures=figures)
    return Finding(
        "feedback age",
        "could be better",
        text,
        "close to the limit: lost answers or a busy computer. giornata trace on, then giornata trace show",
        figures,
    )


def ages(records: Sequence[npt.NDArray[np.void]]) -> npt.NDArray[np.int64]:
    """Age of the latest feedback when each tick left, ns; ticks before the first answer are left out."""
    parts = [
        part["sent_ns"] - part["feedback_ns"] for part in (one[one["feedback_ns"] > 0] for one in records)
    ]
    return np.concatenate(parts).astype(np.int64) if parts else np.empty(0, np.int64)


def not_asked(why: str, remedy: str) -> list[Finding]:
    """What cannot be told while somebody else has the wire."""
    return [
        Finding(name, "cannot tell", why, remedy if name == "timer latency" else "")
        for name in ("timer latency", "drives", "rate")
    ]


def answers_json(look: NodeLook) -> dict[str, Any]:
    """What a drive said, as JSON."""
    return {
        "axis": look.axis, "node": look.node, "trouble": look.trouble, "state": look.state.value,
        "statusword": look.statusword, "fault_code": look.fault_code, "fault_text": look.fault_text,
        "not_asked": look.not_asked, "values": look.values, "lost": look.lost,
    }  # fmt: skip
