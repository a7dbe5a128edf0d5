"""Contradictions between a CAN bus, its drives, the tick and the axes' latencies; and what is worth a warning.

Owns these rules; controller/config/rules.py says how rules work.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

from pydantic import ValidationError

from controller.config import formulas
from controller.config.contradictions import AXES, Contradiction, Rule, UnknownValueError, Values
from controller.config.edsfile import tells_its_units
from drivers.cantiming import acts_after_ns
from drivers.quirks import IMMEDIATE_BY_254, NO_ABORT_OPTION, QUIRKS
from drivers.settings import CanWire

if TYPE_CHECKING:
    from controller.config.machine import Machine


def can_rules() -> tuple[Rule, ...]:
    """Every rule of this module."""
    return (_bus_budget, _serial_budget, _latencies, *(_of_axis(axis) for axis in AXES))


def can_warnings(machine: Machine) -> Iterator[tuple[str, str, str]]:
    """(field, what is beyond it, code) of drives on a CAN bus that cannot be checked."""
    for name in AXES:
        drive = machine.axes[name].drive
        if NO_ABORT_OPTION in drive.quirks and drive.command_timeout == "heartbeat":
            yield (
                f"axes.{name}.drive.quirks",
                "without 6007h nobody sees whether the drive stops without our heartbeat: try it by pulling the plug",
                "check-abort-untested",
            )
        if drive.eds is not None and not tells_its_units(drive.eds):
            yield (
                f"axes.{name}.drive.velocity_unit_counts_s",
                "by its EDS file the drive does not tell its unit of velocity: only a measurement can check it",
                "check-velocity-unit",
            )


def _bus_budget(values: Values) -> Iterator[Contradiction]:
    wire = _wire(values)
    tick_us, bitrate, beat_ms = values("tick_us"), wire.bitrate_bit_s, wire.heartbeat_ms
    load = formulas.machine_bus_load(len(AXES), tick_us, bitrate, beat_ms)
    if load <= formulas.BUS_LOAD_MAX:
        return
    cycle, others = formulas.cycle_bytes(len(AXES)), formulas.acyclic_bytes(len(AXES))
    cycle_bits, other_bits = (sum(map(formulas.can_frame_bits_max, part)) for part in (cycle, others))
    left = formulas.BUS_LOAD_MAX - formulas.bus_load(others, beat_ms * 1000, bitrate)
    way_out = (
        f"a tick from {_up_ms(cycle_bits * 1e6 / (left * bitrate))} ms on"
        if left > 0
        else "a rarer heartbeat"
    )
    yield Contradiction(
        "tick_us",
        f"a tick that loads the bus to at most {formulas.BUS_LOAD_MAX:.0%}: {way_out}, or a faster bus",
        f"{load:.1%} at {bitrate} bit/s: {cycle_bits} bits every {tick_us / 1000:g} ms (SYNC, process data), "
        f"{other_bits} bits every {beat_ms} ms (heartbeats, an SDO exchange and an emergency of each drive)",
        code="can-bus-load",
    )


def _serial_budget(values: Values) -> Iterator[Contradiction]:
    wire = _wire(values)
    if wire.serial_baud is None:
        return
    tick_us = values("tick_us")
    for way, characters in (
        ("towards", formulas.slcan_characters_out(len(AXES))),
        ("from", formulas.slcan_characters_in(len(AXES))),
    ):
        takes_us = characters * formulas.SERIAL_CHARACTER_BITS * 1e6 / wire.serial_baud
        if takes_us > formulas.BUS_LOAD_MAX * tick_us:
            yield Contradiction(
                "tick_us",
                f"a tick of which the adapter's serial side takes at most {formulas.BUS_LOAD_MAX:.0%}: from "
                f"{_up_ms(takes_us / formulas.BUS_LOAD_MAX)} ms on, or a faster line",
                f"{tick_us / 1000:g} ms, of which {characters} characters {way} the adapter take "
                f"{takes_us / 1000:.2f} ms at {wire.serial_baud} bit/s",
                code="can-serial-load",
            )


def _latencies(values: Values) -> Iterator[Contradiction]:
    wire = _wire(values)
    for axis, acts_ns in zip(AXES, acts_after_ns(wire, len(AXES)), strict=True):
        acts_ms = acts_ns / 1e6
        latency_ms = values(f"axes.{axis}.latency_ms")
        if latency_ms < acts_ms - 0.01:
            yield Contradiction(
                f"axes.{axis}.latency_ms",
                f'at least {acts_ms:.3f}: with wire.pdo = "immediate" its command is there so long after the tick\'s '
                "instant, one frame after the other axis",
                f"{latency_ms}",
                code="latency-too-short",
            )


def _of_axis(axis: str) -> Rule:
    def rule(values: Values) -> Iterator[Contradiction]:
        is_can = values("wire.kind") == "can"
        where = f"axes.{axis}.drive"
        found = tuple(values(f"{where}.quirks"))
        for quirk in found:
            if quirk not in QUIRKS:
                raise UnknownValueError(where)
        if found and not is_can:
            yield Contradiction(
                f"{where}.quirks",
                "no quirks but of drives on a CANopen bus",
                ", ".join(found),
                code="drive-description-elsewhere",
            )
        if len(set(found)) < len(found):
            yield Contradiction(f"{where}.quirks", "each quirk once", ", ".join(found), code="can-quirks")
        if values(f"{where}.eds") is not None and not is_can:
            yield Contradiction(
                f"{where}.eds",
                "no EDS file but of drives on a CANopen bus",
                "one",
                code="drive-description-elsewhere",
            )
        if is_can and IMMEDIATE_BY_254 in found and values("wire.pdo") != "immediate":
            yield Contradiction(
                f"{where}.quirks",
                f'{IMMEDIATE_BY_254} only with wire.pdo = "immediate"',
                f"{values('wire.pdo')!r}",
                code="can-quirks",
            )

    return rule


def _up_ms(duration_us: float) -> str:
    """Milliseconds of a duration, rounded up: what is told as enough is enough."""
    return f"{math.ceil(duration_us / 10) / 100:.2f}"


def _wire(values: Values) -> CanWire:
    """The bus. Raises UnknownValueError where there is no whole one."""
    if values("wire.kind") != "can":
        raise UnknownValueError("wire.kind")
    wire: Any = values("wire")
    if isinstance(wire, CanWire):
        return wire
    try:
        return CanWire.model_validate(wire)
    except ValidationError:
        raise UnknownValueError("wire") from None
