"""What ``measure`` and ``identify`` share: their options, and a test that is driven while the terminal shows it. No
logic."""

from __future__ import annotations

from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal

import typer

from controller.cli.console import err

if TYPE_CHECKING:
    from controller.config.machine import Machine
    from controller.motion.probe import Test
    from controller.session.verbs import Done


class AxisName(StrEnum):
    """An axis of the canvas."""

    X = "x"
    Y = "y"

    @property
    def word(self) -> Literal["x", "y"]:
        """As tests have it."""
        return "x" if self is AxisName.X else "y"


AxisOption = Annotated[AxisName, typer.Option("--axis", help="Which axis.")]
AcrossOption = Annotated[
    float | None,
    typer.Option("--across", metavar="MM", help="Place of the other axis in canvas mm; the middle if not given."),
]  # fmt: skip
OutOption = Annotated[
    Path | None,
    typer.Option("--out", metavar="DIR", help="Where to write it; in the machine's state if not given."),
]


def middle_mm(machine: Machine) -> tuple[float, float]:
    """Of the canvas."""
    width, height = machine.canvas.size_mm
    return width / 2, height / 2


def paint_speed_mm_s(machine: Machine, speed: float | None) -> float:
    """As given, else the machine's."""
    return speed if speed is not None else machine.motion.paint_speed_mm_s


def driven(
    test: Test, machine: Path, state: Path | None, *, yes: bool, virtual: bool, as_json: bool
) -> Done:  # fmt: skip
    """The session that drove it, pen up. Exits with ``Exit.INTERRUPTED`` when it was stopped."""
    from controller.cli.sitting import operator_for, runner_for, until_stopped
    from controller.cli.watching import TerminalWatcher
    from controller.report.probepage import test_words
    from controller.session import remote, verbs

    with TerminalWatcher(err(), quiet=as_json) as watcher:
        watcher.note(test_words(test))
        with until_stopped(as_json=as_json):
            done: Done = verbs.run(
                remote.measure(
                    test, machine, state, operator_for(yes), watcher, virtual=virtual, runner_of=runner_for(virtual)
                )
            )  # fmt: skip
    return done
