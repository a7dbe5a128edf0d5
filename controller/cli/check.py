"""``giornata check``: the derived numbers of machine and job files, or every mistake in them. No logic."""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from controller.cli.console import JsonOption, StateOption, emit, out, warn, warn_of_skipped

if TYPE_CHECKING:
    from controller.config.derived import JobNumbers, MachineNumbers


def check(
    files: Annotated[
        list[Path], typer.Argument(metavar="FILE...", help="Machine and job files, in any order.")
    ],
    state: StateOption = None,
    as_json: JsonOption = False,
) -> None:
    """Check machine and job files: print derived numbers, or every mistake at once.

    With a machine and jobs together, the jobs are also checked against the machine. What of a job's artwork no ink
    paints is listed. Of a machine whose state is found, what its history says against the file is told as well: stops
    that were not proved, values that are old, differ, or were measured before a drift.
    """
    from controller.config.examine import examine_files
    from controller.session.calibrationages import against_file
    from controller.session.prepare import unpainted_of

    findings = examine_files(files, state)
    against = {path: against_file(path, state) for path, _ in findings.machines}
    unpainted = [unpainted_of(path) for path, _ in findings.jobs]
    if as_json:
        emit(
            {
                "ok": True,
                "machines": [
                    {
                        "file": path,
                        **_machine_json(one),
                        "history": [asdict(each) for each in against[path]],
                    }
                    for path, one in findings.machines
                ],
                "jobs": [
                    {"file": path, **_job_json(one), "skipped": [asdict(each) for each in skipped]}
                    for (path, one), skipped in zip(findings.jobs, unpainted, strict=True)
                ],
            }
        )
        return
    for path, machine in findings.machines:
        _print_machine(path, machine)
        for warning in against[path]:
            warn(f"{path}: {warning}", code=warning.code)
    for (path, job), skipped in zip(findings.jobs, unpainted, strict=True):
        _print_job(path, job)
        warn_of_skipped(skipped)


def _machine_json(numbers: MachineNumbers) -> dict[str, Any]:
    return {
        "name": numbers.name,
        "bus_bits_per_tick": numbers.bus_bits_per_tick,
        "bus_load": numbers.bus_load,
        "reaction_ms": numbers.reaction_ms,
        "axes": {
            one.axis: {
                "travel_per_turn_mm": float(one.travel_per_turn_mm),
                "counts_per_mm": float(one.counts_per_mm),
                "counts_per_mm_exact": str(one.counts_per_mm),
                "resolution_um": one.resolution_um,
                "counter_span_m": one.counter_span_m,
                "velocity_step_mm_s": one.velocity_step_mm_s,
                "tick_step_um": one.tick_step_um,
                "top_speed_units": one.top_speed_units,
                "lease_stop_mm": one.lease_stop_mm,
                "drive_stop_mm": one.drive_stop_mm,
                "overrun_mm": one.overrun_mm,
                "energy_j": one.energy_j,
                "canvas_mm": one.canvas_mm,
                "lag_mm": one.lag_mm,
                "play_mm": one.play_mm,
                "take_up_ms": one.take_up_ms,
                "stretch_mm": one.stretch_mm,
                "motor_acceleration_mm_s2": one.motor_acceleration_mm_s2,
            }
            for one in numbers.axes
        },
        "jerk_ms": numbers.jerk_ms,
        "dots": [asdict(dot) for dot in numbers.dots],
        "warnings": [asdict(one) for one in numbers.warnings],
    }


def _job_json(numbers: JobNumbers) -> dict[str, Any]:
    return {
        "name": numbers.name,
        "artwork": numbers.artwork,
        "inks": [
            {
                "name": ink.name,
                "colour": ink.colour,
                "tip_mm": ink.tip_mm,
                "spiral_step_mm": ink.spiral_step_mm,
                "paint_speed_mm_s": ink.paint_speed_mm_s,
            }
            for ink in numbers.inks
        ],
    }


def _print_machine(path: Path, numbers: MachineNumbers) -> None:
    from rich.table import Table
    from rich.text import Text

    table = Table(title=Text(f"machine {numbers.name} ({path})"), title_justify="left")
    table.add_column("derived number")
    for one in numbers.axes:
        table.add_column(one.axis, justify="right")
    table.add_column("unit")

    def row(what: str, unit: str, *values: str) -> None:
        table.add_row(what, *values, unit)

    axes = numbers.axes
    row("travel a motor turn", "mm", *(f"{float(one.travel_per_turn_mm):.6g}" for one in axes))
    row("counts a mm", "", *(f"{float(one.counts_per_mm):.8g}" for one in axes))
    row("one count", "µm", *(f"{one.resolution_um:.4g}" for one in axes))
    row("counter spans", "m", *(f"{one.counter_span_m:.5g}" for one in axes))
    row("one velocity unit", "mm/s", *(f"{one.velocity_step_mm_s:.4g}" for one in axes))
    row("one velocity unit for one tick", "µm", *(f"{one.tick_step_um:.4g}" for one in axes))
    row("top speed in drive units", "", *(f"{one.top_speed_units}" for one in axes))
    row("stopping distance, guard", "mm", *(f"{one.lease_stop_mm:.4g}" for one in axes))
    row("stopping distance, drive alone", "mm", *map(_way, (one.drive_stop_mm for one in axes)))
    row("head runs on after a quick stop", "mm", *(f"{one.overrun_mm:.3g}" for one in axes))
    row("kinetic energy at travel speed", "J", *(f"{one.energy_j:.3g}" for one in axes))
    row("canvas on the axis, from", "mm", *(f"{one.canvas_mm[0]:.6g}" for one in axes))
    row("canvas on the axis, to", "mm", *(f"{one.canvas_mm[1]:.6g}" for one in axes))
    row("behind the command at paint speed", "mm", *(f"{one.lag_mm:.3g}" for one in axes))
    row("time to take up the play", "ms", *(f"{one.take_up_ms:.3g}" for one in axes))
    row("belt gives at full acceleration", "mm", *map(_stretch, (one.stretch_mm for one in axes)))
    row("motor's acceleration on a path", "mm/s²", *(f"{one.motor_acceleration_mm_s2:.4g}" for one in axes))
    blank = [""] * (len(axes) - 1)
    row("bus load at the tick, worst case", "%", f"{numbers.bus_load * 100:.1f}", *blank)
    row("bus bits a tick, worst case", "bit", f"{numbers.bus_bits_per_tick}", *blank)
    row("reaction: lease and guard", "ms", f"{numbers.reaction_ms:g}", *blank)
    row("acceleration is built up in", "ms", f"{numbers.jerk_ms:.3g}", *blank)
    for dot in numbers.dots:
        row(f"speed round a dot of radius {dot.radius_mm:g} mm", "mm/s", f"{dot.speed_mm_s:.4g}", *blank)
    out().print(table)
    for warning in numbers.warnings:
        warn(f"{path}: {warning}", code=warning.code)


def _way(way_mm: float | None) -> str:
    return "no end" if way_mm is None else f"{way_mm:.4g}"


def _stretch(stretch_mm: float | None) -> str:
    return "stiff" if stretch_mm is None else f"{stretch_mm:.3g}"


def _print_job(path: Path, numbers: JobNumbers) -> None:
    from rich.table import Table
    from rich.text import Text

    table = Table(title=Text(f"job {numbers.name} ({path})"), title_justify="left")
    for name in ("ink", "colour"):
        table.add_column(name)
    for name in ("tip mm", "spiral step mm", "paint speed mm/s"):
        table.add_column(name, justify="right")
    for ink in numbers.inks:
        speed = "the machine's" if ink.paint_speed_mm_s is None else f"{ink.paint_speed_mm_s:g}"
        swatch = Text.assemble(("  ", f"on {ink.colour}"), f" {ink.colour}")
        table.add_row(Text(ink.name), swatch, f"{ink.tip_mm:g}", f"{ink.spiral_step_mm:g}", speed)
    out().print(table)
    out().print(Text(f"artwork {numbers.artwork}"), soft_wrap=True)
