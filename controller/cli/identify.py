"""``giornata identify``: lag, dead time, belt and what else the motion tells of an axis. No logic."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, NoReturn

import typer

from controller.cli.console import Exit, JsonOption, StateOption, emit, err, explained_by, out, warn
from controller.cli.driving import (
    AcrossOption,
    AxisName,
    AxisOption,
    OutOption,
    driven,
    middle_mm,
    paint_speed_mm_s,
)
from controller.cli.options import MachineOption, VirtualOption, YesOption

if TYPE_CHECKING:
    from collections.abc import Sequence

    from controller.calibrate.values import Measured, PoorFit
    from controller.motion.probe import Test

identify = typer.Typer(
    name="identify",
    help="Find lag, dead time and belt of an axis from its motion, with intervals; poor fits are refused.",
    no_args_is_help=True,
)


SpeedOption = Annotated[
    float | None,
    typer.Option("--speed", metavar="MM_S", help="Fastest speed in mm/s; the paint speed if not given.", min=0.001),
]  # fmt: skip
PlaceOption = Annotated[
    float, typer.Option("--place", metavar="MM", help="Where the head swung, along the axis in axis mm.")
]


@identify.command("steps")
def steps(
    machine: MachineOption,
    axis: AxisOption,
    along: Annotated[
        float | None,
        typer.Option(
            "--along", metavar="MM", help="Middle of the way in canvas mm; the canvas' if not given."
        ),
    ] = None,
    across: AcrossOption = None,
    repeats: Annotated[
        int, typer.Option("--repeats", metavar="N", help="Times there and back.", min=2, max=50)
    ] = 3,
    speed: SpeedOption = None,
    folder: OutOption = None,
    state: StateOption = None,
    yes: YesOption = False,
    virtual: VirtualOption = False,
    as_json: JsonOption = False,
) -> None:
    """A staircase of speeds there and back: lag and dead time of the velocity loop. The machine homes and moves."""
    from controller.config.load import load_machine
    from controller.motion.probesteps import StepsTest

    loaded = load_machine(machine)
    index = 0 if axis is AxisName.X else 1
    middle = middle_mm(loaded)
    test = StepsTest(
        axis.word,
        along if along is not None else middle[index],
        across if across is not None else middle[1 - index],
        repeats,
        paint_speed_mm_s(loaded, speed),
    )
    _drive(test, machine, folder, state, yes=yes, virtual=virtual, as_json=as_json)


@identify.command("brake")
def brake(
    machine: MachineOption,
    axis: AxisOption,
    places: Annotated[
        list[float] | None,
        typer.Option(
            "--at", metavar="MM", help="Place in canvas mm, several times for several; else the middle."
        ),
    ] = None,
    across: AcrossOption = None,
    rest: Annotated[
        float, typer.Option("--rest", metavar="S", help="Seconds watched at each.", min=0.5, max=60.0)
    ] = 2.0,
    speed: SpeedOption = None,
    folder: OutOption = None,
    state: StateOption = None,
    yes: YesOption = False,
    virtual: VirtualOption = False,
    as_json: JsonOption = False,
) -> None:
    """Brake hard at places, pen up, and look for the belt's swing in the motor. Most drives do not show it.

    A sensor at the head sees it: give what it recorded to identify samples.
    """
    from controller.config.load import load_machine
    from controller.motion.probesteps import BrakeTest

    loaded = load_machine(machine)
    index = 0 if axis is AxisName.X else 1
    middle = middle_mm(loaded)
    test = BrakeTest(
        axis.word,
        tuple(places) if places else (middle[index],),
        across if across is not None else middle[1 - index],
        rest,
        paint_speed_mm_s(loaded, speed),
    )
    _drive(test, machine, folder, state, yes=yes, virtual=virtual, as_json=as_json)


@identify.command("wave")
def wave(
    axis: AxisOption,
    place: PlaceOption,
    speed: Annotated[
        float, typer.Option("--speed", metavar="MM_S", help="Speed of the line while it waved.", min=0.001)
    ],
    waves: Annotated[
        int, typer.Option("--waves", metavar="N", help="So many whole waves were measured.", min=1)
    ],
    length: Annotated[
        float, typer.Option("--length", metavar="MM", help="Their length together.", min=0.001)
    ],
    heights: Annotated[
        list[str],
        typer.Option(
            "--height", metavar="N:MM", help="Height of the N-th wave, crest to trough; two or more."
        ),
    ],
    length_doubt: Annotated[
        float, typer.Option("--length-doubt", metavar="MM", help="How well lengths are read.", min=0.001)
    ] = 0.5,
    height_doubt: Annotated[
        float, typer.Option("--height-doubt", metavar="MM", help="How well heights are read.", min=0.001)
    ] = 0.1,
    as_json: JsonOption = False,
) -> None:
    """Belt frequency and damping from a drawn line that waves after braking. Nothing moves."""
    from controller.calibrate.identify_ring import WaveReading, belt_measured, ring_of_line
    from controller.calibrate.values import PoorFit
    from controller.config.errors import InputError, Mistake

    read = []
    for one in heights:
        number, _, mm = one.partition(":")
        try:
            read.append((int(number), float(mm)))
        except ValueError:
            raise InputError(
                [Mistake(Path("identify"), "--height", "a wave and mm, as 1:0.8", one, code="option-value")]
            ) from None
    try:
        ring = ring_of_line(WaveReading(speed, waves, length, tuple(read), length_doubt, height_doubt))
        measured: tuple[Measured, ...] = (belt_measured(axis.value, [(place, ring)]),)
    except PoorFit as poor:
        _refused(poor, {}, as_json=as_json)
    _say(measured, {}, as_json=as_json)


@identify.command("samples")
def samples(
    file: Annotated[
        Path, typer.Argument(metavar="CSV", help="Two columns: seconds, and what the sensor said.")
    ],
    axis: AxisOption,
    place: PlaceOption,
    plot: Annotated[
        Path | None, typer.Option("--plot", metavar="PNG", help="Where to draw samples, fit and residual.")
    ] = None,
    as_json: JsonOption = False,
) -> None:
    """Belt frequency and damping from a sensor at the head, from where the head was left alone. Nothing moves."""
    from controller.calibrate.identify_ring import belt_measured, ring_of_samples
    from controller.calibrate.values import PoorFit
    from controller.report.identifyplots import ring_plot
    from controller.session.identify import read_samples

    time_s, value = read_samples(file)
    try:
        ring = ring_of_samples(time_s, value)
        measured: tuple[Measured, ...] = (belt_measured(axis.value, [(place, ring)]),)
    except PoorFit as poor:
        _refused(poor, {}, as_json=as_json)
    files: dict[str, Any] = {}
    if plot is not None:
        plot.write_bytes(ring_plot(ring, f"Axis {axis.value} at {place:g} mm", "as sampled"))
        files["plot"] = str(plot)
    _say(measured, files, as_json=as_json)


@identify.command("able")
def able(machine: MachineOption, as_json: JsonOption = False) -> None:
    """What this machine lets be known from its motors, and what it cannot tell. Nothing moves."""
    from controller.calibrate.identify_play import able as rows_of
    from controller.config.load import load_machine

    rows = rows_of(load_machine(machine))
    if as_json:
        emit({"ok": True, "able": [{"what": one.what, "can": one.can, "how": one.how} for one in rows]})
        return
    for one in rows:
        word = "a trial tells" if one.can is None else "yes" if one.can else "no"
        out().print(f"{one.what}: {word}\n  {one.how}", soft_wrap=True)


def _drive(
    test: Test, machine: Path, folder: Path | None, state: Path | None, *, yes: bool, virtual: bool, as_json: bool
) -> None:  # fmt: skip
    from controller.report.identified import build_identification

    done = driven(test, machine, state, yes=yes, virtual=virtual, as_json=as_json)
    found = build_identification(done.state.root, done.session, folder)
    files = {"answer": str(found.answer), "plots": [str(one) for one in found.plots]}
    if not as_json:
        for note in found.notes:
            warn(note, code="measure-note")
    if found.poor is not None:
        _refused(found.poor, {"session": done.session, "files": files}, as_json=as_json)
    _say(found.measured, {"session": done.session, "files": files}, as_json=as_json)


def _say(measured: Sequence[Measured], beside: dict[str, Any], *, as_json: bool) -> None:
    from controller.report.identified import words_of

    if as_json:
        emit({"ok": True, **beside, "measured": words_of(tuple(measured), None)["measured"]})
        return
    for one in measured:
        within = "" if one.half_width is None else f" +- {one.half_width:.3g}"
        out().print(
            f"{one.field} = {one.plain()}{within} {one.unit}  ({one.note})", soft_wrap=True, markup=False
        )
    for path in _paths(beside):
        out().print(path, soft_wrap=True)


def _refused(poor: PoorFit, beside: dict[str, Any], *, as_json: bool) -> NoReturn:
    """Say what was expected and got, and end with exit 1."""
    if as_json:
        detail = {
            "kind": "poor fit",
            "message": str(poor),
            "expected": poor.expected,
            "got": poor.got,
            "code": poor.code,
        }
        emit({"ok": False, "exit": int(Exit.FAILED), **beside, "error": detail})
    else:
        for path in _paths(beside):
            out().print(path, soft_wrap=True)
        err().print(f"no value is taken: {poor}", soft_wrap=True, markup=False)
        explained_by(poor.code)
    raise typer.Exit(Exit.FAILED)


def _paths(beside: dict[str, Any]) -> list[str]:
    files = beside.get("files", beside)
    found = []
    for path in files.values():
        found.extend(path if isinstance(path, list) else [path])
    return [str(one) for one in found]
