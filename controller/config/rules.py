"""Contradictions between fields: what no single field can know.

Owns the rules, but those of wires (controller/config/adapterrules.py, canrules.py and modbusrules.py), of tables, belts
and the plane of the canvas (controller/config/motionrules.py) and of how a picture is painted
(controller/config/jobrules.py). A rule reads values by their path through a ``Values`` and yields what does not fit. A
rule that reads a missing or bad field says nothing (``UnknownValueError``), so the rules also run on a file with bad
fields, and one look at a file finds every mistake. Knows no models; the models call in here when they are made.
"""

from __future__ import annotations

from collections.abc import Iterator
from fractions import Fraction

from controller.config import formulas
from controller.config.adapterrules import adapter_rules
from controller.config.canrules import can_rules
from controller.config.contradictions import AXES, Contradiction, Rule, UnknownValueError, Values
from controller.config.describedrules import described_rules
from controller.config.headrules import head_rules
from controller.config.jobrules import picture_rules
from controller.config.modbusrules import modbus_rules
from controller.config.motionrules import motion_rules
from controller.config.mqtt import mqtt_certificate, mqtt_credentials

SPIRAL_SHARE_MIN = 0.05
"""Least distance between the turns of a dot's spiral, in tips."""

_OWN_INPUTS = {0: "negative limit", 1: "positive limit", 2: "home switch"}
"""Bits of 60FDh that CiA 402 gives a meaning."""


def machine_rules() -> tuple[Rule, ...]:
    """Every rule of a machine file; those of an axis once for each axis, so that one bad axis hides no other."""
    per_axis = (_soft_limits, _homing_speeds, _quick_stop, _park_reach, _command_range)
    return (
        _axis_names,
        *((lambda values, rule=rule, axis=axis: rule(values, axis)) for axis in AXES for rule in per_axis),
        _home_order,
        _node_ids,
        _head_axis,
        _head_inputs,
        _stop_names,
        _stop_drive_inputs,
        _stop_devices,
        _twin_given,
        _twin_axes,
        *(
            (lambda values, name=name: _path_speed(values, name))
            for name in ("travel_speed_mm_s", "paint_speed_mm_s")
        ),
        _path_acceleration,
        _lease,
        _heartbeat,
        *motion_rules(),
        *adapter_rules(),
        *can_rules(),
        *modbus_rules(),
        *described_rules(),
        *head_rules(),
        mqtt_credentials,
        mqtt_certificate,
    )


def job_rules() -> tuple[Rule, ...]:
    """Every rule of a job file."""
    return (
        *((lambda values, what=what: _inks_differ(values, what)) for what in ("name", "group")),
        _spirals_close,
        *picture_rules(),
    )


def _axis_names(values: Values) -> Iterator[Contradiction]:
    names = sorted(values("axes"))
    if tuple(names) != AXES:
        yield Contradiction("axes", "the tables x and y", ", ".join(names) or "none", code="axes-missing")


def _soft_limits(values: Values, axis: str) -> Iterator[Contradiction]:
    low, high = values(f"axes.{axis}.min_mm"), values(f"axes.{axis}.max_mm")
    if low >= high:
        yield Contradiction(
            f"axes.{axis}.min_mm", f"less than max_mm ({high})", f"{low}", code="travel-limits"
        )


def _homing_speeds(values: Values, axis: str) -> Iterator[Contradiction]:
    where = f"axes.{axis}.homing"
    fast = values(f"{where}.fast_mm_s")
    try:
        slow = values(f"{where}.slow_mm_s")
        if slow >= fast:
            yield Contradiction(
                f"{where}.slow_mm_s", f"less than fast_mm_s ({fast})", f"{slow}", code="homing-speeds"
            )
    except UnknownValueError:
        pass
    most = values(f"axes.{axis}.speed_max_mm_s")
    if fast > most:
        yield Contradiction(
            f"{where}.fast_mm_s",
            f"at most speed_max_mm_s of the axis ({most})",
            f"{fast}",
            code="homing-speeds",
        )


def _quick_stop(values: Values, axis: str) -> Iterator[Contradiction]:
    stop, most = values(f"axes.{axis}.drive.quick_stop_mm_s2"), values(f"axes.{axis}.acceleration_max_mm_s2")
    if stop < most:
        yield Contradiction(
            f"axes.{axis}.drive.quick_stop_mm_s2",
            f"at least acceleration_max_mm_s2 ({most}): a stop must not be gentler than motion",
            f"{stop}",
            code="quick-stop-too-gentle",
        )


def _park_reach(values: Values, axis: str) -> Iterator[Contradiction]:
    place = values("park_mm")[AXES.index(axis)]
    least, most = values(f"axes.{axis}.min_mm"), values(f"axes.{axis}.max_mm")
    if not least <= place <= most:
        yield Contradiction(
            "park_mm", f"a place within axes.{axis}, {least} to {most} mm", f"{place}", code="park-outside"
        )


def _command_range(values: Values, axis: str) -> Iterator[Contradiction]:
    drive = f"axes.{axis}.drive"
    pitch_mm = Fraction(str(values(f"{drive}.belt_pitch_mm")))
    turn_mm = pitch_mm * values(f"{drive}.pulley_teeth") * values(f"{drive}.gear_pulley_turns")
    counts_per_mm = (
        Fraction(values(f"{drive}.counts_per_turn")) * values(f"{drive}.gear_motor_turns") / turn_mm
    )
    speed = values(f"axes.{axis}.speed_max_mm_s") + values("trim.authority_mm_s")
    try:
        units = formulas.velocity_units(speed, values(f"{drive}.velocity_unit_counts_s"), counts_per_mm)
    except OverflowError:
        units = float("inf")
    if not units <= formulas.INT32_MAX:
        yield Contradiction(
            f"{drive}.velocity_unit_counts_s",
            f"a unit in which {speed:g} mm/s fits 32 bits (up to {formulas.INT32_MAX})",
            f"{units:.4g} units",
            code="speed-untellable",
        )


def _home_order(values: Values) -> Iterator[Contradiction]:
    order = list(values("home_order"))
    if tuple(sorted(order)) != AXES:
        yield Contradiction("home_order", "x and y once each", f"{order}", code="home-order")


def _node_ids(values: Values) -> Iterator[Contradiction]:
    nodes = [values(f"axes.{axis}.drive.node_id") for axis in AXES]
    if len(set(nodes)) != len(nodes):
        yield Contradiction(
            "axes.y.drive.node_id", "a number of its own", f"{nodes[1]}, as axes.x has", code="node-number"
        )


def _head_axis(values: Values) -> Iterator[Contradiction]:
    axis, known = values("head.axis"), sorted(values("axes"))
    if axis not in known:
        yield Contradiction(
            "head.axis", f"one of {', '.join(known) or 'the axes'}", f'"{axis}"', code="head-wiring"
        )


def _head_inputs(values: Values) -> Iterator[Contradiction]:
    down, up = values("head.down_input_bit"), values("head.up_input_bit")
    if down == up:
        yield Contradiction(
            "head.up_input_bit", "another input than down_input_bit", f"{up} for both", code="head-wiring"
        )


def _each_stop_input(values: Values, kind: str | None = None) -> Iterator[str]:
    """Paths of the stop inputs (of one kind) whose kind is known."""
    for index in range(len(values("stops.inputs"))):
        where = f"stops.inputs.{index}"
        try:
            if kind is None or values(f"{where}.kind") == kind:
                yield where
        except UnknownValueError:
            continue


def _stop_names(values: Values) -> Iterator[Contradiction]:
    seen: set[object] = set()
    for where in _each_stop_input(values):
        try:
            name = values(f"{where}.name")
        except UnknownValueError:
            continue
        if name in seen:
            yield Contradiction(
                f"{where}.name", "a name of its own", f'"{name}" twice', code="stop-input-clash"
            )
        seen.add(name)


def _stop_drive_inputs(values: Values) -> Iterator[Contradiction]:
    """A stop loop shares its input with nothing else: limits and home (bits 0 to 2), the head, another loop."""
    taken: dict[tuple[object, object], str] = {}
    for axis in AXES:
        taken |= {(axis, bit): f"the drive's own {what}" for bit, what in _OWN_INPUTS.items()}
    try:
        for name in ("down_input_bit", "up_input_bit"):
            taken[values("head.axis"), values(f"head.{name}")] = f"head.{name}"
    except UnknownValueError:
        pass
    for where in _each_stop_input(values, "drive-input"):
        try:
            axis, bit = values(f"{where}.axis"), values(f"{where}.bit")
        except UnknownValueError:
            continue
        if axis not in AXES:
            yield Contradiction(
                f"{where}.axis", f"one of {', '.join(AXES)}", f'"{axis}"', code="stop-input-axis"
            )
        elif (axis, bit) in taken:
            yield Contradiction(
                f"{where}.bit", "an input of its own", f"{bit}, {taken[axis, bit]}", code="stop-input-clash"
            )
        taken.setdefault((axis, bit), "taken by another stop input")


def _stop_devices(values: Values) -> Iterator[Contradiction]:
    """Stop lines have a port of their own: whoever opens the drives' wire sets its modem lines."""
    places = [*_each_stop_input(values, "modem-line")]
    if values("stops.power_cut") is not None:
        places.append("stops.power_cut")
    taken: set[tuple[object, object]] = set()
    wire = values("wire.channel")
    for where in places:
        try:
            device, line = values(f"{where}.device"), values(f"{where}.line")
        except UnknownValueError:
            continue
        if device == wire:
            yield Contradiction(
                f"{where}.device", "another port than wire.channel", f'"{device}"', code="stop-input-clash"
            )
        if (device, line) in taken:
            yield Contradiction(
                f"{where}.line", "a line of its own", f"{line} of {device} twice", code="stop-input-clash"
            )
        taken.add((device, line))
    lines: set[tuple[object, object]] = set()
    for where in _each_stop_input(values, "gpio"):
        try:
            chip_line = values(f"{where}.chip"), values(f"{where}.line")
        except UnknownValueError:
            continue
        if chip_line in lines:
            yield Contradiction(
                f"{where}.line",
                "a line of its own",
                f"{chip_line[1]} of {chip_line[0]} twice",
                code="stop-input-clash",
            )
        lines.add(chip_line)


def _twin_given(values: Values) -> Iterator[Contradiction]:
    if values("wire.channel") == "simulated" and values("twin") is None:
        yield Contradiction(
            "twin", 'a [twin] table, as wire.channel is "simulated"', "nothing", code="twin-missing"
        )


def _twin_axes(values: Values) -> Iterator[Contradiction]:
    if values("twin") is None:
        return
    names = sorted(values("twin.axes"))
    if tuple(names) != AXES:
        yield Contradiction(
            "twin.axes", "the tables x and y", ", ".join(names) or "none", code="axes-missing"
        )


def _path_speed(values: Values, name: str) -> Iterator[Contradiction]:
    speed = values(f"motion.{name}")
    slowest = min(values(f"axes.{axis}.speed_max_mm_s") for axis in AXES)
    if speed > slowest:
        yield Contradiction(
            f"motion.{name}",
            f"at most the slower axis' speed_max_mm_s ({slowest})",
            f"{speed}",
            code="motion-beyond-axis",
        )


def _path_acceleration(values: Values) -> Iterator[Contradiction]:
    acceleration = values("motion.acceleration_mm_s2")
    weakest = min(values(f"axes.{axis}.acceleration_max_mm_s2") for axis in AXES)
    if acceleration > weakest:
        yield Contradiction(
            "motion.acceleration_mm_s2",
            f"at most the weaker axis' acceleration_max_mm_s2 ({weakest})",
            f"{acceleration}",
            code="motion-beyond-axis",
        )


def _lease(values: Values) -> Iterator[Contradiction]:
    lease_ms, tick_us = values("lease.lease_ms"), values("tick_us")
    if lease_ms * 1000 < 2 * tick_us:
        yield Contradiction(
            "lease.lease_ms",
            f"at least two ticks of {tick_us / 1000:g} ms",
            f"{lease_ms}",
            code="lease-too-short",
        )


def _heartbeat(values: Values) -> Iterator[Contradiction]:
    if values("wire.kind") != "can":
        return
    every, lost = values("wire.heartbeat_ms"), values("wire.heartbeat_lost_after_ms")
    if lost < 2 * every:
        yield Contradiction(
            "wire.heartbeat_lost_after_ms",
            f"at least twice heartbeat_ms ({every}): one may be late",
            f"{lost}",
            code="heartbeat-too-tight",
        )


def _inks_differ(values: Values, what: str) -> Iterator[Contradiction]:
    seen: set[object] = set()
    told: set[object] = set()
    for index in range(len(values("inks"))):
        try:
            value = values(f"inks.{index}.{what}")
        except UnknownValueError:
            continue
        if value is None:
            continue
        if value in seen and value not in told:
            told.add(value)
            yield Contradiction("inks", f"each {what} once", f'"{value}" twice', code="ink-clash")
        seen.add(value)


def spiral_closes(values: Values, ink: str = "") -> Iterator[Contradiction]:
    """One ink's spiral leaves no bare rings and comes to an end. ``ink``: path of the ink's table, ending in a dot."""
    step, tip = values(f"{ink}spiral_step_mm"), values(f"{ink}tip_mm")
    if step is not None and step > tip:
        yield Contradiction(
            f"{ink}spiral_step_mm",
            f"at most tip_mm ({tip}): wider leaves bare rings",
            f"{step}",
            code="spiral-step",
        )
    if step is not None and step < SPIRAL_SHARE_MIN * tip:
        least = f"at least {SPIRAL_SHARE_MIN * tip:g}, a twentieth of tip_mm: less paints for ever"
        yield Contradiction(f"{ink}spiral_step_mm", least, f"{step:g}", code="spiral-step")


def _spirals_close(values: Values) -> Iterator[Contradiction]:
    for index in range(len(values("inks"))):
        try:
            yield from spiral_closes(values, f"inks.{index}.")
        except UnknownValueError:
            continue
