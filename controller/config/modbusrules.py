"""Contradictions between a Modbus line, the register maps of its drives, the tick and the axes' latencies.

Owns these rules; controller/config/rules.py says how rules work.
"""

from __future__ import annotations

from collections.abc import Iterator
from fractions import Fraction

from controller.config.contradictions import (
    AXES,
    Contradiction,
    Rule,
    UnknownValueError,
    Values,
    as_model,
    told_max_mm_s,
)
from drivers.serialtime import TICK_SHARE_MAX
from drivers.settings import ModbusRegisters, ModbusWire, acts_after_ns, exchange_ns

_MS = 1e-6


def modbus_rules() -> tuple[Rule, ...]:
    """Every rule of this module."""
    return (
        _maps_given,
        _stops_agree,
        _head_has_outputs,
        _homes_have_switches,
        _tick_carries,
        _latencies,
        _range,
    )


def _maps_given(values: Values) -> Iterator[Contradiction]:
    is_modbus = values("wire.kind") == "modbus-rtu"
    for axis in AXES:
        where = f"axes.{axis}.drive.registers"
        is_given = values(where) is not None
        if is_modbus and not is_given:
            yield Contradiction(
                where, "a register map, as wire.kind is modbus-rtu", "none", code="drive-description-missing"
            )
        if is_given and not is_modbus:
            yield Contradiction(
                where, "no register map but on a Modbus line", "one", code="drive-description-elsewhere"
            )


def _stops_agree(values: Values) -> Iterator[Contradiction]:
    _, (first, second) = _line(values)
    for name in ("control", "quick_stop_word", "word_order"):
        one, other = getattr(first, name), getattr(second, name)
        if one != other:
            yield Contradiction(
                f"axes.y.drive.registers.{name}",
                f"{one}, as for axes.x: a stop goes to all drives of the line at once",
                f"{other}",
                code="registers-differ",
            )


def _head_has_outputs(values: Values) -> Iterator[Contradiction]:
    _, maps = _line(values)
    axis, bit = values("head.axis"), values("head.output_bit")
    if axis in AXES and maps[AXES.index(axis)].outputs is None:
        yield Contradiction(
            f"axes.{axis}.drive.registers.outputs",
            "the register that moves the head",
            "none",
            code="head-output-missing",
        )
    if not 16 <= bit <= 31:
        yield Contradiction(
            "head.output_bit",
            "16 to 31 on a Modbus line: 16 + bit of the register",
            f"{bit}",
            code="head-output-bit",
        )


def _homes_have_switches(values: Values) -> Iterator[Contradiction]:
    for axis, registers in zip(AXES, _line(values)[1], strict=True):
        if registers.home_bit is None:
            yield Contradiction(
                f"axes.{axis}.drive.registers.home_bit",
                "the home switch's bit",
                "none",
                code="home-switch-missing",
            )


def _tick_carries(values: Values) -> Iterator[Contradiction]:
    wire, maps = _line(values)
    round_us = sum(exchange_ns(wire, registers) for registers in maps) / 1000
    tick_us = values("tick_us")
    if round_us > TICK_SHARE_MAX * tick_us:
        yield Contradiction(
            "tick_us",
            f"a tick of which the drives' exchanges take at most {TICK_SHARE_MAX:.0%}: from "
            f"{round_us / TICK_SHARE_MAX:.0f} on",
            f"{tick_us}, of which they take {round_us:.0f} at {wire.bitrate_bit_s} bit/s, {wire.silence_us} us of "
            f"silence and {wire.turnaround_us} us of turnaround",
            code="tick-too-short",
        )


def _latencies(values: Values) -> Iterator[Contradiction]:
    wire, maps = _line(values)
    for axis, acts_ns in zip(AXES, acts_after_ns(wire, maps), strict=True):
        latency_ms = values(f"axes.{axis}.latency_ms")
        if latency_ms < acts_ns * _MS - 0.01:
            yield Contradiction(
                f"axes.{axis}.latency_ms",
                f"at least {acts_ns * _MS:.2f}: so long after the tick's instant its command is there on this line",
                f"{latency_ms}",
                code="latency-too-short",
            )


def _range(values: Values) -> Iterator[Contradiction]:
    for axis, registers in zip(AXES, _line(values)[1], strict=True):
        drive = f"axes.{axis}.drive"
        travel_mm = (
            Fraction(str(values(f"{drive}.belt_pitch_mm")))
            * values(f"{drive}.pulley_teeth")
            * Fraction(values(f"{drive}.gear_pulley_turns"), values(f"{drive}.gear_motor_turns"))
        )
        counts_s = float(values(f"{drive}.counts_per_turn") / travel_mm) * told_max_mm_s(values, axis)
        units = counts_s / values(f"{drive}.velocity_unit_counts_s")
        if registers.velocity_bits == 16 and units > 32_767:
            yield Contradiction(
                f"axes.{axis}.speed_max_mm_s",
                "up to 32767 velocity units in a register of 16 bits, trim and late ticks included",
                f"{units:.0f}",
                code="speed-untellable",
            )


def _line(values: Values) -> tuple[ModbusWire, list[ModbusRegisters]]:
    """Wire and maps. Raises UnknownValueError where there is no whole Modbus line."""
    if values("wire.kind") != "modbus-rtu":
        raise UnknownValueError("wire.kind")
    maps = [as_model(ModbusRegisters, values(f"axes.{axis}.drive.registers")) for axis in AXES]
    return as_model(ModbusWire, values("wire")), maps
