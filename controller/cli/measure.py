"""``giornata measure``: drive a circle, an axis or a line with the pen up, and say how true it was. No logic."""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from controller.cli.console import JsonOption, StateOption, emit, out, warn
from controller.cli.driving import AcrossOption, AxisOption, OutOption, driven, middle_mm, paint_speed_mm_s
from controller.cli.options import MachineOption, VirtualOption, YesOption

if TYPE_CHECKING:
    from controller.motion.probe import Test

measure = typer.Typer(
    name="measure",
    help="Drive a test with the pen up and measure it: a circle, an axis, a line. The machine homes and moves.",
    no_args_is_help=True,
)

SpeedOption = Annotated[
    float | None,
    typer.Option("--speed", metavar="MM_S", help="Speed in mm/s; the paint speed if not given.", min=0.001),
]


@measure.command("circle")
def circle(
    machine: MachineOption,
    radius: Annotated[float, typer.Option("--radius", metavar="MM", help="Radius in mm.", min=0.5)] = 150.0,
    centre: Annotated[
        tuple[float, float] | None,
        typer.Option("--centre", metavar="X Y", help="Centre in canvas mm; the canvas' middle if not given."),
    ] = None,
    speed: SpeedOption = None,
    folder: OutOption = None,
    state: StateOption = None,
    yes: YesOption = False,
    virtual: VirtualOption = False,
    as_json: JsonOption = False,
) -> None:
    """A whole turn clockwise and one anticlockwise: G, H, F and D after ISO 230-4, and what they point to."""
    from controller.config.load import load_machine
    from controller.motion.probe import CircleTest

    loaded = load_machine(machine)
    middle = centre if centre is not None else middle_mm(loaded)
    test = CircleTest(middle, radius, paint_speed_mm_s(loaded, speed))
    _measure(test, machine, folder, state, yes=yes, virtual=virtual, as_json=as_json)


@measure.command("axis")
def axis(
    machine: MachineOption,
    axis: AxisOption,
    positions: Annotated[
        int | None,
        typer.Option("--positions", metavar="N", help="Targets; five a metre if not given.", min=2, max=200),
    ] = None,
    repeats: Annotated[
        int, typer.Option("--repeats", metavar="N", help="Approaches from each side.", min=2, max=100)
    ] = 5,
    between: Annotated[
        tuple[float, float] | None,
        typer.Option(
            "--between",
            metavar="LOW HIGH",
            help="First and last target in canvas mm; the canvas if not given.",
        ),
    ] = None,
    across: AcrossOption = None,
    speed: Annotated[
        float | None,
        typer.Option(
            "--speed", metavar="MM_S", help="Speed in mm/s; the travel speed if not given.", min=0.001
        ),
    ] = None,
    folder: OutOption = None,
    state: StateOption = None,
    yes: YesOption = False,
    virtual: VirtualOption = False,
    as_json: JsonOption = False,
) -> None:
    """Targets approached from both sides, several times: B, R, E, M and A after ISO 230-2."""
    from math import ceil

    from controller.config.errors import InputError, Mistake
    from controller.config.load import load_machine
    from controller.motion.probe import AxisTest, axis_targets

    loaded = load_machine(machine)
    name, index = axis.word, "xy".index(axis.word)
    low, high = between if between is not None else (0.0, loaded.canvas.size_mm[index])
    if not low < high:
        raise InputError(
            [
                Mistake(
                    Path("measure"),
                    "--between",
                    "a low and a higher place",
                    f"{low:g} {high:g}",
                    code="option-value",
                )
            ]
        )
    count = positions if positions is not None else max(5, ceil(5.0 * (high - low) / 1000.0) + 1)
    test = AxisTest(
        name,
        axis_targets(loaded, name, low, high, count),
        across if across is not None else middle_mm(loaded)[1 - index],
        repeats,
        speed if speed is not None else loaded.motion.travel_speed_mm_s,
    )
    _measure(test, machine, folder, state, yes=yes, virtual=virtual, as_json=as_json)


@measure.command("line")
def line(
    machine: MachineOption,
    start: Annotated[
        tuple[float, float], typer.Option("--from", metavar="X Y", help="One end in canvas mm.")
    ],
    end: Annotated[tuple[float, float], typer.Option("--to", metavar="X Y", help="The other end.")],
    speed: SpeedOption = None,
    folder: OutOption = None,
    state: StateOption = None,
    yes: YesOption = False,
    virtual: VirtualOption = False,
    as_json: JsonOption = False,
) -> None:
    """A straight line there and back: straightness by least squares and end points, and how far apart the ways are."""
    from controller.config.load import load_machine
    from controller.motion.probe import LineTest

    test = LineTest(start, end, paint_speed_mm_s(load_machine(machine), speed))
    _measure(test, machine, folder, state, yes=yes, virtual=virtual, as_json=as_json)


def _measure(
    test: Test, machine: Path, folder: Path | None, state: Path | None, *, yes: bool, virtual: bool, as_json: bool
) -> None:  # fmt: skip
    from controller.cli.tables import figures_table
    from controller.report.probepage import SHORT, build_probe_report
    from controller.session import verbs

    done = driven(test, machine, state, yes=yes, virtual=virtual, as_json=as_json)
    report = build_probe_report(done.state.root, done.session, folder)
    sources = report.evaluated.sources
    files: dict[str, Any] = verbs.paths_of(report.files)
    if as_json:
        figures = [
            {"group": row.group, "figure": row.symbol, "meaning": row.words, "unit": row.unit,
             **dict(zip(sources, row.values, strict=True))}
            for row in report.rows
        ]  # fmt: skip
        emit({"ok": True, "session": done.session, "test": asdict(test), "sources": list(sources),
              "figures": figures, "notes": list(report.notes), "files": files})  # fmt: skip
        return
    out().print(figures_table(report.rows, [SHORT[source] for source in sources]))
    for note in report.notes:
        warn(note, code="measure-note")
    for name, path in files.items():
        for one in path if isinstance(path, tuple) else (path,):
            out().print(f"{name}: {one}", soft_wrap=True)
