"""What the drives should report by now, and the small velocity that brings them back to it.

Pure arithmetic, one object an axis; knows no bus, no clock and no schedule.

**Expected reading.** A velocity loop with a first-order lag tau obeys v' = (u - v) / tau. With u constant from one
tick boundary to the next, exactly (zero-order hold): v(d) = u + (v0 - u) exp(-d / tau). Integrated, and started
at rest, the position is what was commanded less tau times the present speed: p = P - tau v. So the only state
is the lagged speed; the commanded position P is an exact integer and nothing drifts, however long the run.
A pure velocity lag ends exactly where the commands end (p = P once v = 0). Only *planned* velocities go in,
so what a trim adds is part of the correction, not of the expectation; and they go in at their scheduled
instants, so a tick that left late shows up as the position error that it really made.

**Trim.** e = expected - measured, trim = gain x e, clamped to the authority. The axis integrates velocity, so
e' = -gain e behind a delay D = one tick (sampled at SYNC k - 1, acting from SYNC k) + half a tick (hold) + tau (loop).
A pure integrator behind a pure delay is stable for gain D < pi / 2 and does not oscillate up to gain D = 1 / e
(the double root of s + gain exp(-s D) = 0 at s = -1 / D). A lag is kinder than a delay of the same size, so
``gain D <= 1 / e`` is a safe bound; ``stability_margin`` gives gain D e, to be at most 1. Clamping only lowers
the effective gain.

**Late debt.** A tick that leaves late by L lets the velocity before it go on for L longer, so the axis is off its plan
by (v before - v after) L. That is known exactly and at once, without waiting for a reading: ``LateDebt`` pays it back
in the ticks that follow, at most the limit of acceleration times one tick in each. What lateness adds is so gone
after a few ticks instead of after the trim's long time constant; the trim, which sees the same error for those few
ticks, moves by less than gain x their time.
"""

from __future__ import annotations

import math


def stability_margin(gain_per_s: float, lag_s: float, tick_s: float) -> float:
    """gain x delay x e: up to 1 the trim settles without oscillation; at e pi / 2 (4.27) it would run away."""
    return gain_per_s * (lag_s + 1.5 * tick_s) * math.e


class ExpectedReading:
    """The position one axis should report: the plan passed through the drive's known lag.

    Positions are raw drive counts; ``velocity_units`` and the quantum grid as in the schedule.
    """

    __slots__ = ("_decay", "_lag_s", "_speed", "_unit_counts_s")

    def __init__(self, lag_s: float, unit_counts_s: float, tick_s: float) -> None:
        self._lag_s = lag_s
        self._unit_counts_s = unit_counts_s
        self._decay = math.exp(-tick_s / lag_s) if lag_s > 0.0 else 0.0
        self._speed = 0.0  # lagged speed at the present boundary, counts/s

    @property
    def behind_counts(self) -> float:
        """How far the axis should be behind the plan at the present tick boundary."""
        return self._lag_s * self._speed

    @property
    def speed_counts_s(self) -> float:
        """The lagged speed at the present tick boundary."""
        return self._speed

    def advance(self, velocity_units: int) -> None:
        """Let one whole tick pass with ``velocity_units`` commanded."""
        commanded = velocity_units * self._unit_counts_s
        self._speed = commanded + (self._speed - commanded) * self._decay

    def ahead_counts(self, velocity_units: int, after_s: float) -> float:
        """Expected reading ``after_s`` past the boundary, with ``velocity_units`` commanded since it,
        relative to the planned position at the boundary."""
        commanded = velocity_units * self._unit_counts_s
        if self._lag_s <= 0.0:
            return commanded * after_s
        speed = commanded + (self._speed - commanded) * math.exp(-after_s / self._lag_s)
        return commanded * after_s - self._lag_s * speed

    def reset(self) -> None:
        """The axis stands still."""
        self._speed = 0.0


class Trim:
    """The bounded correction of one axis, in drive units."""

    __slots__ = ("_authority_units", "_gain_units", "saturated")

    def __init__(
        self, gain_per_s: float, authority_mm_s: float, counts_per_mm: float, unit_counts_s: float
    ) -> None:
        self._gain_units = gain_per_s / unit_counts_s
        self._authority_units = int(authority_mm_s * counts_per_mm / unit_counts_s)
        self.saturated = False

    def units(self, error_counts: float) -> int:
        """The velocity to add for an error of expected less measured counts."""
        wanted = round(self._gain_units * error_counts)
        limit = self._authority_units
        self.saturated = wanted > limit or wanted < -limit
        if self.saturated:
            return limit if wanted > 0 else -limit
        return wanted


REPAY_BELOW = 0.9
"""Ticks that left later than this share of a tick say that now is no time to repay."""


class LateDebt:
    """What late ticks have displaced one axis by, and its repayment. Units: drive units times ticks.

    A repayment is itself a change of velocity, and late as well when every tick is: at a constant lateness of s ticks
    what is owed follows z^2 - s z + s = 0, which swings for ever from s = 1 on. So while ticks leave so late nothing
    is repaid; the debt stands until they are in time again.
    """

    __slots__ = ("_most_units", "_owed", "_too_late")

    def __init__(self, most_units: int) -> None:
        self._most_units = most_units
        self._owed = 0.0
        self._too_late = False

    def units(self) -> int:
        """The velocity to add in the next tick."""
        if self._too_late:
            return 0
        most = self._most_units
        return max(-most, min(most, -round(self._owed)))

    def settle(self, before_units: int, sent_units: int, paid_units: int, late_share: float) -> None:
        """A tick has been sent ``late_share`` of a tick late, ``paid_units`` of it repayment."""
        self._too_late = late_share >= REPAY_BELOW
        self._owed += (before_units - sent_units) * late_share + paid_units

    def forget(self) -> None:
        """The axis is taken for standing where it was measured."""
        self._owed = 0.0
