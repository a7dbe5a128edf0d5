"""What marks and drift say, as sentences for a person: the edge where figures become words.

Owns wording only. Rows become the names that a person gave to the marks, or numbers from 1.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime
from math import isfinite, isinf

import numpy as np

from controller.config.counting import counted
from controller.register.drift import Allowance, AxisDrift, Check, Event, Finding
from controller.register.marks import Reason, Refusal, Registration, Slip

CHECK_WORDS: dict[Check, str] = {
    Check.BELT_TEETH: "look along the belt for worn or torn teeth and for anything caught between belt and pulley",
    Check.BELT_TENSION: "check the belt's tension and its clamps",
    Check.PULLEY_SCREW: "check that the pulley does not turn on its shaft: draw a line over both",
    Check.HEAD_CLAMP: "check that head and carriage are tight",
    Check.SWITCH_MOUNT: "check that the home switch and what closes it are tight",
    Check.SWITCH_DIRT: "clean the home switch",
    Check.WARMTH: "compare homings at the same time of day: frame and belts grow with warmth",
    Check.LAST_PASS: "hold what was painted since then against what was there before",
}

SLIP_WORDS: dict[Slip, str] = {
    Slip.SIGN_X: "with the other sign of its x offset it would agree",
    Slip.SIGN_Y: "with the other sign of its y offset it would agree",
    Slip.SIGN_BOTH: "with the other sign of both its offsets it would agree",
    Slip.SWAPPED: "with its x and y offset exchanged it would agree",
    Slip.UNKNOWN: "measure it again",
}


def marks_code(reason: Reason) -> str:
    """The catalogue's entry for a set of marks that is refused: ``marks-`` and the reason's word."""
    return f"marks-{reason.value.replace(' ', '-')}"


def refusal_text(refusal: Refusal, names: Sequence[str] | None = None) -> str:
    """One sentence: what is wrong with the marks, and what to do."""
    who = _marks(refusal.marks, names)
    found, limit = refusal.found, refusal.limit
    match refusal.reason:
        case Reason.NOT_FINITE:
            return f"{who}: expected two finite numbers, got something else"
        case Reason.TOO_FEW:
            return f"expected at least {limit:.0f} marks, got {found:.0f}: measure more"
        case Reason.COINCIDENT:
            return f"{who} lie {found:.2f} mm apart, expected at least {limit:g} mm: was one entered twice?"
        case Reason.COLLINEAR:
            return (
                "all marks lie on one line, which cannot show a turned or mirrored canvas: add one beside it"
            )
        case Reason.ILL_CONDITIONED if isfinite(found):
            return (
                f"the marks lie so close together that the farthest corner of the canvas would be off by {found:.1f} "
                f"times what a mark is off, at most {limit:g} times is accepted: add marks farther out"
            )
        case Reason.ILL_CONDITIONED:
            return "the marks are too few or too close together for an affine map: four or more, far apart"
        case Reason.MIRRORED:
            return "the marks fit a mirrored canvas: x and y exchanged, or one axis with the wrong sign throughout"
        case Reason.BLUNDER:
            return _blunder_text(refusal, names)
        case Reason.STRETCH:
            return (
                f"the marks say that the canvas is {_signed(found)} mm a metre longer than the artwork, at most "
                f"{limit:g} mm a metre is accepted: check belt pitch and the artwork's size"
            )
        case Reason.TURN:
            turned = f"turned by {_signed(found, 3)} degrees, at most {limit:g} is accepted"
            return f"the marks say that the canvas is {turned}"
        case Reason.MISFIT:
            return (
                "the marks disagree by more than their uncertainty allows, and no single one is to blame: measure "
                "again, or state a larger uncertainty"
            )


def registration_text(registration: Registration, names: Sequence[str] | None = None) -> tuple[str, ...]:
    """What was chosen, what it does, how sure it is, and which mark agrees least."""
    fit = registration.fit
    shift_x, shift_y = registration.shift_mm
    most, least = registration.stretch_mm_m
    distances = np.hypot(*fit.residuals_mm.T)
    worst = int(np.argmax(distances))
    left = f"{fit.rms_mm:.2f} mm left over (rms), most at {_marks((worst,), names)} with {distances[worst]:.2f} mm"
    moved = f"{_signed(shift_x)} mm right and {_signed(shift_y)} mm down in its middle"
    turned = f"turned by {_signed(registration.turn_deg, 4)} degrees"
    stretched = f"stretched by {_signed(least, 3)} to {_signed(most, 3)} mm a metre"
    corners = f"corners sure to {_span(registration.corner_radius_mm)} mm each"
    canvas = f"the whole canvas to {registration.everywhere_mm:.2f} mm ({100 * registration.coverage:g} % coverage)"
    lines = [
        f"{fit.kind.value} map through {len(distances)} marks: {left}",
        f"canvas moved by {moved}, {turned}, {stretched}",
        f"{corners}, {canvas}",
    ]
    if np.isnan(registration.mark_chances).all():
        lines.append("so few marks for this map cannot show whether one of them is wrong: one more would")
    return tuple(lines)


def drift_text(axis: str, drift: AxisDrift) -> tuple[str, ...]:
    """What an axis' history says, and what to look at; the gravest first."""
    head = f"axis {axis}: "
    if drift.finding is Finding.TOO_FEW:
        return (
            f"{head}{counted(drift.homings, 'homing is', 'homings are')} too few to tell drift from scatter",
        )
    order = list(Finding).index
    lines = [
        head + event_text(event)
        for event in sorted(drift.events, key=lambda one: order(one.finding), reverse=True)
    ]
    if drift.drifts:
        lines.append(
            f"{head}drifts by {_signed(drift.rate_mm_day, 3)} mm a day ({_signed(drift.rate_low_mm_day, 3)} to "
            f"{_signed(drift.rate_high_mm_day, 3)})"
        )
    if drift.finding is Finding.STEADY:
        lines.append(
            f"{head}steady over {drift.homings} homings, scatter {drift.scatter_mm:.3f} mm, slow change "
            f"{_signed(drift.rate_low_mm_day, 4)} to {_signed(drift.rate_high_mm_day, 4)} mm a day"
        )
    return (*lines, *(f"{head}{CHECK_WORDS[check]}" for check in drift.checks))


def allowance_text(allowance: Allowance) -> str:
    """How much of the traps is used, and for how long the rest lasts."""
    text = f"drift {allowance.used_mm:.1f} mm of the {allowance.allowed_mm:.1f} mm that the traps allow"
    if not allowance.holds:
        return f"{text}: canvas may show between passes before and after"
    if isinf(allowance.days_left) or not isfinite(allowance.days_left_least):
        return text
    days, least = allowance.days_left, allowance.days_left_least
    return f"{text}; at this rate the rest lasts {days:.0f} days (at least {least:.0f})"


def _blunder_text(refusal: Refusal, names: Sequence[str] | None) -> str:
    assert refusal.others_mm is not None
    assert refusal.off_mm is not None
    assert refusal.slip is not None
    x, y = refusal.others_mm
    right, down = refusal.off_mm
    text = (
        f"{_marks(refusal.marks[:1], names)} disagrees with the others: they put it at ({x:.2f}, {y:.2f}), it was "
        f"measured {_signed(right)} mm right and {_signed(down)} mm down of that; {SLIP_WORDS[refusal.slip]}"
    )
    if len(refusal.marks) > 1:
        text += f" (it could be {_marks(refusal.marks[1:], names, ' or ')} as well: measure these too)"
    return text


def event_text(event: Event) -> str:
    """What happened at one homing, and when."""
    day = datetime.fromtimestamp(event.at_s, UTC).strftime("%Y-%m-%d %H:%M UTC")
    match event.finding:
        case Finding.TOOTH_JUMP:
            pitches = "one belt pitch" if abs(event.teeth) == 1 else f"{abs(event.teeth)} belt pitches"
            text = (
                f"jumped by {_signed(event.size_mm)} mm before the homing of {day}, {pitches} but for "
                f"{_signed(event.off_pitch_mm)} mm: the belt has likely jumped teeth"
            )
        case Finding.STEP:
            text = (
                f"jumped by {_signed(event.size_mm)} mm before the homing of {day}, no whole number of belt pitches: "
                "a pulley has likely slipped on its shaft, or head or switch come loose"
            )
        case Finding.SPREAD:
            spread = f"spread over {event.size_mm:.2f} mm, usual are {event.high_mm:.2f} mm"
            return f"touches of the homing of {day} {spread}"
        case _:
            return f"the homing of {day} stood apart by {_signed(event.size_mm)} mm, those before and after agree"
    return text if event.confirmed else f"{text} (home again: one homing alone may be wrong)"


def _signed(value: float, digits: int = 2) -> str:
    """A number with its sign; what rounds to nothing has a plus."""
    return f"{round(float(value), digits) + 0.0:+.{digits}f}"


def _marks(rows: Sequence[int], names: Sequence[str] | None, between: str = " and ") -> str:
    words = [names[row] if names is not None else str(row + 1) for row in rows]
    return f"mark {between.join(words)}" if len(words) == 1 else f"marks {between.join(words)}"


def _span(values: np.ndarray[tuple[int, ...], np.dtype[np.float64]]) -> str:
    low, high = f"{values.min():.2f}", f"{values.max():.2f}"
    return low if low == high else f"{low} to {high}"
