"""Homing on a machine of which nothing is known: slower, until its touches agree.

Owns when the commissioning proposes a lower ``homing.slow_mm_s``, how it comes into the machine file, and that the step
which it makes in the place of the switch is not taken for a belt that slipped. A head that hangs on a soft belt swings
after every stop; the switch sees the head, the encoder the motor, and the touches of a quick homing spread by the
swing. Planning cannot take it out before the belt is known, and the belt is read from a drawing, which wants a machine
that homes.
"""

from __future__ import annotations

from typing import Final

from controller.calibrate.values import Measured
from controller.config.errors import RefusedError
from controller.config.machine import AXES
from controller.register.words import event_text
from controller.session import calibrationkeep
from controller.session.calibrationrows import CalibrationRows
from controller.session.commissionbench import Bench
from controller.session.drifting import drift_now

ROOM: Final = 0.3
"""Of ``spread_max_mm``: touches that spread farther are too near to being refused. Common practice, no source."""
SLOWER: Final = 0.5
SLOWEST_MM_S: Final = 1.0


async def calm_homing(bench: Bench) -> bool:
    """Home until the touches of both axes spread over less than a third of what is accepted, slower by half each time
    that the person agrees; whether the machine file was written.

    Raises RefusedError where homing is refused for another reason, at ``SLOWEST_MM_S``, or when the person does not
    agree.
    """
    wrote = False
    while True:
        refusal: RefusedError | None = None
        async with bench.session("travel") as service:
            session = service.session
            try:
                await service.home()
            except RefusedError as error:
                refusal = error
        with bench.journal() as journal:
            spread = {row.axis: row.spread_mm for row in journal.homings(session)}
        machine = bench.machine
        restless = [
            axis for axis in AXES if spread.get(axis, 0.0) > ROOM * machine.axes[axis].homing.spread_max_mm
        ]
        slower = {
            axis: max(SLOWER * machine.axes[axis].homing.slow_mm_s, SLOWEST_MM_S)
            for axis in restless
            if machine.axes[axis].homing.slow_mm_s > SLOWEST_MM_S
        }
        if not slower:
            if refusal is not None:
                raise refusal
            return wrote
        told = "; ".join(
            f"axis {axis}: touches spread over {spread[axis]:.3f} mm, "
            f"{machine.axes[axis].homing.spread_max_mm:g} mm are accepted, at "
            f"{machine.axes[axis].homing.slow_mm_s:g} mm/s"
            for axis in slower
        )
        to = ", ".join(f"axes.{axis}.homing.slow_mm_s = {speed:g}" for axis, speed in slower.items())
        question = (
            f"{told}. A loose or dirty switch does that, and so does a head that still swings on its belt, as long as "
            f"belts are not known. Is the switch fast and clean, and may it be homed slower, {to} in the machine file?"
        )
        if not await bench.confirm("home slower", question, axes=list(slower)):
            if refusal is not None:
                raise refusal
            return wrote
        with bench.journal() as journal:
            rows = calibrationkeep.keep(
                journal,
                bench.machine_path,
                [
                    Measured(f"axes.{axis}.homing.slow_mm_s", speed, "mm/s", None, "travel", 1,
                             f"a setting, no quantity: touches spread over {spread[axis]:.3f} mm before")
                    for axis, speed in slower.items()
                ],
                person=bench.questioner.person,
                session=session,
            )  # fmt: skip
        written = calibrationkeep.write(
            bench.machine_path, bench.state_root, [row.id for row in rows], bench.questioner.person
        )
        wrote = True
        for line in written.lines:
            bench.watcher.note(f"{written.file.name}: {line}")


async def looked_at_slower(bench: Bench) -> str:
    """Where homing was made slower, its place has moved by the change of speed times what motor and reading are late,
    and drift calls that a jump, which forbids painting: with the person's word for it, it is written down as looked at.

    A sentence of what was written; empty where nothing was. A jump of an axis that is homed as before, or at another
    homing than the first at the lower speed, is left for ``giornata drift``.
    """
    with bench.journal() as journal:
        drift = drift_now(journal, bench.machine)
        slowed = _slowed(journal.calibration)
    jumps = () if drift is None else drift.open_jumps
    if drift is None or not jumps:
        return ""
    for axis, event in jumps:
        rows = drift.homings[axis]
        first = (
            next((row for row in rows if row.session > session), None) for session in slowed.get(axis, ())
        )
        if rows[event.row] not in first:
            return ""
    if not all(event.confirmed for _, event in jumps):
        return ""
    axes = sorted({axis for axis, _ in jumps})
    told = "; ".join(f"axis {axis}: {event_text(event)}" for axis, event in jumps)
    question = (
        f"{told}. This bring-up has made homing slower on axis {', '.join(axes)}, and a motor that is late "
        "by some ms stops elsewhere at another speed. Have belt, pulley, head and switch been left alone since the "
        "first homing, and are they tight?"
    )
    if not await bench.confirm("homing moved", question, axes=axes):
        return ""
    with bench.journal() as journal:
        journal.add_look(
            homing=drift.last_homing, cause="switch", reason="homing made slower by the bring-up",
            person=bench.questioner.person,
        )  # fmt: skip
    return "the place of the switch moved when homing was made slower; looked at"


def _slowed(kept: CalibrationRows) -> dict[str, list[int]]:
    """By axis the sessions after which this bring-up had it homed slower: written into the file, and not taken back.

    A bring-up begins anew once its homings are done: what was made slower before that has been judged there.
    """
    since = max(
        (row.session or 0 for row in kept.steps() if (row.step, row.state) == ("homing", "done")), default=0
    )
    writes = kept.writes()
    taken_back = {row.reverts for row in writes}
    written = {row.calibration for row in writes if row.id not in taken_back}
    found: dict[str, list[int]] = {}
    for row in kept.all():
        if (
            row.measured.field.endswith(".homing.slow_mm_s")
            and row.id in written
            and (row.session or 0) > since
        ):
            found.setdefault(row.measured.field.split(".")[1], []).append(row.session or 0)
    return found
