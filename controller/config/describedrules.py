"""Drive files of a machine file, and what they contradict: wire, axis, head, tick, latencies, the guard's reading.

Owns these rules and the reading of drive files; controller/config/rules.py says how rules work.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from fractions import Fraction
from pathlib import Path
from typing import Any

from controller.config.contradictions import (
    AXES,
    Contradiction,
    Rule,
    UnknownValueError,
    Values,
    as_model,
    told_max_mm_s,
)
from controller.config.errors import InputError, Mistake
from controller.config.headrules import head_path
from drivers.describedfacts import (
    DESCRIBED_KINDS,
    TICK_SHARE_MAX,
    DriveFacts,
    differs,
    drive_facts,
    group_tick,
    mixed_up,
)
from drivers.settings import DescribedCanWire, DescribedSerialWire

_MS = 1e-6
_SPAN_SHARE = 1.2
"""Of an axis' travel, that its counter must tell apart at least."""


def drive_paths(data: Mapping[str, Any], path: Path) -> dict[str, Path]:
    """The drive file of each axis of a parsed machine file that names one."""
    found: dict[str, Path] = {}
    axes = data.get("axes")
    for name, axis in axes.items() if isinstance(axes, dict) else ():
        drive = axis.get("drive") if isinstance(axis, dict) else None
        file = drive.get("drive_file") if isinstance(drive, dict) else None
        if isinstance(file, str) and file:
            found[name] = path.parent / file
    return found


def machine_files(path: Path) -> list[Path]:
    """The machine file and every drive file that it names, as they can be read. Raises InputError."""
    from controller.config.load import read_toml

    data = read_toml(path)
    head = head_path(data, path)
    return [path, *dict.fromkeys([*drive_paths(data, path).values(), *([] if head is None else [head])])]


def with_drive_files(data: dict[str, Any], path: Path) -> tuple[dict[str, Any], list[Mistake]]:
    """The parsed machine file with its drive files read into it, and every mistake in those, each naming its file."""
    from controller.config.drivefile import load_drive

    mistakes: list[Mistake] = []
    if isinstance(data.get("axes"), dict):
        data = data | {"axes": dict(data["axes"])}
        for name, axis in data["axes"].items():
            if (
                isinstance(axis, dict)
                and isinstance(axis.get("drive"), dict)
                and "described" in axis["drive"]
            ):
                where = f"axes.{name}.drive.described"
                mistakes.append(
                    Mistake(
                        path,
                        where,
                        "no such field (the path goes into drive_file)",
                        "one",
                        code="file-unknown-field",
                    )
                )
    for name, file in drive_paths(data, path).items():
        try:
            read = {"described": load_drive(file)}
        except InputError as error:
            mistakes += error.mistakes
            continue
        axis = data["axes"][name]
        data["axes"][name] = axis | {"drive": axis["drive"] | read}
    return data, list(dict.fromkeys(mistakes))


def described_rules() -> tuple[Rule, ...]:
    """Every rule of this module."""
    per_axis = (_fits, _homes_have_switches, _range, _timeout, _counter_spans_travel)
    return (
        _files_given,
        *((lambda values, rule=rule, axis=axis: rule(values, axis)) for axis in AXES for rule in per_axis),
        _drives_are_apart,
        _head_has_outputs,
        _guard_reads,
        _guard_writes,
        _tick_carries,
        _latencies,
    )


def _files_given(values: Values) -> Iterator[Contradiction]:
    is_described = values("wire.kind") in DESCRIBED_KINDS
    for axis in AXES:
        where = f"axes.{axis}.drive.drive_file"
        is_given = values(where) is not None
        if is_described and not is_given:
            yield Contradiction(
                where,
                f"a drive file, as wire.kind is {values('wire.kind')}",
                "none",
                code="drive-description-missing",
            )
        if is_given and not is_described:
            yield Contradiction(
                where, "no drive file but on a described wire", "one", code="drive-description-elsewhere"
            )


def _facts(values: Values, axis: str) -> DriveFacts:
    """What the axis' drive file says. Raises UnknownValueError without one."""
    if values("wire.kind") not in DESCRIBED_KINDS:
        raise UnknownValueError("wire.kind")
    drive = values(f"axes.{axis}.drive.described")
    if drive is None:
        raise UnknownValueError("described")
    return drive_facts(drive)


def _fits(values: Values, axis: str) -> Iterator[Contradiction]:
    facts, where = _facts(values, axis), f"axes.{axis}.drive"
    kind = DESCRIBED_KINDS[values("wire.kind")]
    if facts.wire_kind != kind:
        yield Contradiction(
            f"{where}.drive_file",
            f"a drive with wire.kind {kind}, as this wire is",
            facts.wire_kind,
            code="drive-file-wire",
        )
    if not facts.has_address:
        yield Contradiction(
            f"{where}.drive_file",
            "a drive with an address in its frames: two share the line",
            "none",
            code="drive-file-wire",
        )
    for place, expected, got in facts.lacks:
        yield Contradiction(f"{where}.drive_file ({place})", expected, got, code="drive-file-disagrees")
    node, (low, high) = values(f"{where}.node_id"), facts.nodes
    if not low <= node <= high:
        yield Contradiction(
            f"{where}.node_id", f"{low} to {high}, by the drive file", f"{node}", code="node-number"
        )
    counts = values(f"{where}.counts_per_turn")
    if counts != facts.counts_per_turn:
        yield Contradiction(
            f"{where}.counts_per_turn",
            f"{facts.counts_per_turn}, as in the drive file",
            f"{counts}",
            code="drive-file-disagrees",
        )
    unit = values(f"{where}.velocity_unit_counts_s")
    if differs(unit, facts):
        expected = f"{facts.velocity_unit_counts_s!r}, one step of the drive file's velocity"
        yield Contradiction(
            f"{where}.velocity_unit_counts_s", expected, f"{unit!r}", code="drive-file-disagrees"
        )


def _homes_have_switches(values: Values, axis: str) -> Iterator[Contradiction]:
    if not _facts(values, axis).has_home:
        yield Contradiction(
            f"axes.{axis}.drive.drive_file (switches.home)",
            "the home switch's bit",
            "none",
            code="home-switch-missing",
        )


def _travel_mm(values: Values, axis: str) -> Fraction:
    """Travel of a turn of the motor."""
    drive = f"axes.{axis}.drive"
    travel_mm: Fraction = (
        Fraction(str(values(f"{drive}.belt_pitch_mm")))
        * values(f"{drive}.pulley_teeth")
        * Fraction(values(f"{drive}.gear_pulley_turns"), values(f"{drive}.gear_motor_turns"))
    )
    return travel_mm


def _range(values: Values, axis: str) -> Iterator[Contradiction]:
    facts = _facts(values, axis)
    unit_mm_s = float(_travel_mm(values, axis) / facts.counts_per_turn) * facts.velocity_unit_counts_s
    low, high = facts.velocity_units
    most_mm_s = min(-low, high) * unit_mm_s
    speed_mm_s = told_max_mm_s(values, axis)
    if speed_mm_s > most_mm_s:
        yield Contradiction(
            f"axes.{axis}.speed_max_mm_s",
            f"a speed that the drive can be told, trim and late ticks included: up to {most_mm_s:.6g} by its file",
            f"{speed_mm_s:g}",
            code="speed-untellable",
        )


def _counter_spans_travel(values: Values, axis: str) -> Iterator[Contradiction]:
    """Every run begins to count anew: a counter that shows the same twice on the axis would set it elsewhere."""
    facts = _facts(values, axis)
    span_mm = float(_travel_mm(values, axis) / facts.counts_per_turn) * facts.span_counts
    low, high = values(f"axes.{axis}.min_mm"), values(f"axes.{axis}.max_mm")
    if span_mm < _SPAN_SHARE * (high - low):
        yield Contradiction(
            f"axes.{axis}.drive.drive_file (position)",
            f"a counter that tells {_SPAN_SHARE * (high - low):g} mm apart: the axis' travel and a fifth for its ends",
            f"{span_mm:.6g} mm",
            code="counter-too-short",
        )


def _timeout(values: Values, axis: str) -> Iterator[Contradiction]:
    facts, given_ms = _facts(values, axis), values("wire.command_timeout_ms")
    if facts.fixed_timeout_ms is not None and given_ms != facts.fixed_timeout_ms:
        expected = f"{facts.fixed_timeout_ms}, the fixed time of axes.{axis}'s drive"
        yield Contradiction("wire.command_timeout_ms", expected, f"{given_ms}", code="timeout-disagrees")
    if facts.set_timeout_ms is not None:
        low, high = facts.set_timeout_ms
        if not low <= given_ms <= high:
            expected = f"{low} to {high}, by the drive file of axes.{axis}"
            yield Contradiction("wire.command_timeout_ms", expected, f"{given_ms}", code="timeout-disagrees")


def _drives_are_apart(values: Values) -> Iterator[Contradiction]:
    for axis in AXES:
        _facts(values, axis)
    drives = [values(f"axes.{axis}.drive.described") for axis in AXES]
    nodes = [values(f"axes.{axis}.drive.node_id") for axis in AXES]
    if nodes[0] == nodes[1]:
        return  # said elsewhere
    try:
        found = mixed_up(drives, nodes)
    except ValueError:
        raise UnknownValueError("node_id") from None
    for place, expected, got in found:
        yield Contradiction(f"axes.{AXES[place]}.drive.drive_file", expected, got, code="drive-file-pair")


def _head_has_outputs(values: Values) -> Iterator[Contradiction]:
    if values("head.kind") != "drive-output":
        return
    axis, bit = values("head.axis"), values("head.output_bit")
    if axis not in AXES:
        return
    width = _facts(values, axis).outputs
    if not width:
        yield Contradiction(
            f"axes.{axis}.drive.drive_file",
            "a drive with outputs: it moves the head",
            "none",
            code="head-output-missing",
        )
    elif not 16 <= bit < 16 + width:
        expected = f"16 to {15 + width}: 16 + bit of the drive's outputs"
        yield Contradiction("head.output_bit", expected, f"{bit}", code="head-output-bit")


def _guard_reads(values: Values) -> Iterator[Contradiction]:
    answers = [_facts(values, axis).guard_commands for axis in AXES]
    if not frozenset.intersection(*answers):
        yield Contradiction(
            "axes.x.drive.drive_file",
            "an answer to stop or read_position (of one frame each, the same for both drives) that holds the position "
            "as a number of whole bytes: the guard proves standstill by it",
            "none",
            code="drive-file-no-standstill",
        )


def _guard_writes(values: Values) -> Iterator[Contradiction]:
    if values("wire.kind") == "described-can" and values("wire.interface") not in ("slcan", "socketcan"):
        expected = "slcan or socketcan: on no other can the guard write described frames by itself"
        yield Contradiction("wire.interface", expected, f"{values('wire.interface')}", code="drive-file-wire")


def _tick(values: Values) -> Any:
    for axis in AXES:
        _facts(values, axis)
    kind = values("wire.kind")
    model: type[DescribedCanWire | DescribedSerialWire] = (
        DescribedSerialWire if kind == "described-serial" else DescribedCanWire
    )
    wire = as_model(model, values("wire"))
    head = values("head.axis") if values("head.kind") == "drive-output" else ""
    drives = [values(f"axes.{axis}.drive.described") for axis in AXES]
    nodes = [values(f"axes.{axis}.drive.node_id") for axis in AXES]
    if any(drive.wire.kind != DESCRIBED_KINDS[kind] for drive in drives):
        raise UnknownValueError("described")
    try:
        return group_tick(wire, drives, nodes, AXES, head, values("tick_us"))
    except ValueError:
        raise UnknownValueError("node_id") from None


def _tick_carries(values: Values) -> Iterator[Contradiction]:
    round_us, tick_us = _tick(values).round_ns / 1000, values("tick_us")
    if round_us > TICK_SHARE_MAX * tick_us:
        yield Contradiction(
            "tick_us",
            f"a tick of which commands and answers take at most {TICK_SHARE_MAX:.0%}: from "
            f"{round_us / TICK_SHARE_MAX:.0f} on",
            f"{tick_us}, of which they take {round_us:.0f} at {values('wire.bitrate_bit_s')} bit/s, silences and "
            "turnarounds of the drive files included",
            code="tick-too-short",
        )


def _latencies(values: Values) -> Iterator[Contradiction]:
    tick = _tick(values)
    for part in tick.axes:
        latency_ms = values(f"axes.{part.axis}.latency_ms")
        if latency_ms < part.acts_ns * _MS - 0.01:
            yield Contradiction(
                f"axes.{part.axis}.latency_ms",
                f"at least {part.acts_ns * _MS:.2f}: so long after the tick's instant the drive has its command",
                f"{latency_ms}",
                code="latency-too-short",
            )
