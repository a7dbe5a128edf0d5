"""Play by place from readings, and what cannot be told from the motor's side.

Owns when one value is enough and when it takes a table, and the words of what no fit is offered for. Reads no sheet.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import pi

import numpy as np

from controller.calibrate.identify_ring import weighted
from controller.calibrate.values import Measured, PoorFit
from controller.config.machine import AXES, Machine

METHOD = "play by place"
PLAY_MAX_MM = 10.0
SLOPE_MAX = 0.010
"""A table may change by so much a mm: the machine file's own bound."""

SIGNIFICANT = 0.95


@dataclass(frozen=True, slots=True)
class PlayAt:
    """The whole gap found at a place (axis mm): what the machine file stated while it was read, plus what was read."""

    position_mm: float
    play_mm: float
    half_width_mm: float


def play_by_place(axis: str, found: Sequence[PlayAt]) -> Measured:
    """``play_mm`` where the places agree, else ``play_table``; half widths of 95 %.

    Places agree when the chi-square of their values about the weighted mean is below its 95 % point (a textbook test of
    homogeneity; from memory). Raises PoorFit for none, for values below nothing, and for a table that no file may have.
    """
    from scipy.stats import chi2

    if not found:
        raise PoorFit(METHOD, "a reading at one place or more", "none", code="fit-nothing-read")
    for one in found:
        numbers = (one.position_mm, one.play_mm, one.half_width_mm)
        if not all(np.isfinite(numbers)) or not one.half_width_mm > 0.0:
            raise PoorFit(METHOD, "numbers with a half width above 0", f"{numbers}", code="fit-play")
        if one.play_mm < -one.half_width_mm or one.play_mm > PLAY_MAX_MM:
            raise PoorFit(
                METHOD, f"a gap from 0 to {PLAY_MAX_MM:g} mm (a sign read the wrong way? a file that states too much?)",
                f"{one.play_mm:.3f} mm at {one.position_mm:g} mm", code="fit-play",
            )  # fmt: skip
    places = sorted({one.position_mm for one in found})
    rows = []
    for place in places:
        here = [one for one in found if one.position_mm == place]
        mean, half, apart = weighted([one.play_mm for one in here], [one.half_width_mm for one in here])
        rows.append((max(mean, 0.0), half * max(1.0, (apart / max(len(here) - 1, 1)) ** 0.5)))
    values, halves = [row[0] for row in rows], [row[1] for row in rows]
    mean, half, apart = weighted(values, halves)
    if len(places) == 1 or apart <= float(chi2.ppf(SIGNIFICANT, len(places) - 1)):
        return Measured(
            f"axes.{axis}.play_mm",
            round(mean, 3),
            "mm",
            half,
            METHOD,
            len(found),
            f"{len(places)} places agree",
        )
    slope = float(np.max(np.abs(np.diff(values) / np.diff(places))))
    if slope > SLOPE_MAX:
        raise PoorFit(
            METHOD,
            f"a change up to {1000 * SLOPE_MAX:g} mm a metre",
            f"{1000 * slope:.1f} mm a metre",
            code="fit-slope",
        )
    table = {"position_mm": tuple(places), "play_mm": tuple(round(one, 3) for one in values)}
    return Measured(
        f"axes.{axis}.play_table", table, "mm", max(halves), METHOD, len(found),
        f"places differ by more than their readings' doubt (chi-square {apart:.1f})",
    )  # fmt: skip


@dataclass(frozen=True, slots=True)
class Able:
    """Whether something can be identified on a machine: ``can`` is None where only a trial tells; ``how`` says it."""

    what: str
    can: bool | None
    how: str


def able(machine: Machine) -> tuple[Able, ...]:
    """What this machine's drives let be known from the motor's side, in words, and where else it is found."""
    rows = [
        Able("lag and dead time of the velocity loop", True, "identify steps: commands and encoder at every tick"),
        Able(
            "belt frequency and damping from the motor", None,
            "identify brake looks for a swing in the encoder after braking; a stiff velocity loop shows none, and then "
            "it is refused",
        ),
        Able("belt frequency and damping from the head", True, "identify wave: a drawn line; samples: a sensor"),
        Able("play from the head", True, "a drawn comb, or a dial gauge with measure axis"),
        Able("play with the head clamped", False, _clamped(machine)),
        Able(
            "friction", False,
            "cannot tell: no torque or current is read from the drives (6077h of CiA 402 is not mapped)",
        ),
    ]  # fmt: skip
    return tuple(rows)


def _clamped(machine: Machine) -> str:
    """Why nobody clamps the head: what would have to be seen, and what the motor would pull meanwhile."""
    pulls = []
    for name in AXES:
        hertz = machine.axes[name].belt_hz_min
        if hertz is not None:
            newton_mm = machine.axes[name].moving_mass_kg * (2.0 * pi * hertz) ** 2 / 1000.0
            pulls.append(f"{name} {newton_mm:.0f} N a mm")
    stretch = f" (its belt pulls at {', '.join(pulls)})" if pulls else ""
    return (
        "cannot tell: behind the gap a velocity loop pulls on without a following error"
        + stretch
        + ", and neither "
        "torque (6077h) nor a torque limit (6072h) is mapped. Do not clamp the head"
    )


def refuse_clamped(machine: Machine) -> None:
    """Raise PoorFit: play is not measured against a clamp on this machine."""
    raise PoorFit(
        "play with the head clamped",
        "torque at every tick and a torque limit",
        _clamped(machine),
        code="fit-no-torque",
    )


def refuse_friction() -> None:
    """Raise PoorFit: friction is not known from positions alone."""
    raise PoorFit(
        "friction",
        "torque or current at every tick",
        "positions and status alone: cannot tell",
        code="fit-no-torque",
    )
