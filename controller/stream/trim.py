"""What the drives should report by now, and the small velocity that brings them back to it.

Pure arithmetic, one object an axis; knows no bus, no clock and no schedule.

**Expected reading.** A velocity loop with a first-order lag tau obeys v' = (u - v) / tau. With u constant from one
tick boundary to the next, exactly (zero-order hold): v(d) = u + (v0 - u) exp(-d / tau). Integrated, and started
at rest, the position is what was commanded less tau times the present speed: p = P - tau v. So the only state
is the lagged speed; the commanded position P is an exact integer and nothing drifts, however long the run.
A pure velocity lag ends exactly where the commands end (p = P once v = 0). Only *planned* velocities go in,
so what a trim adds is part of the correction, not of the expectation; and they go in at their scheduled
instants, so a tick that left late shows up as the position error that it really made. A latency d (from the instant
of a command until the drive acts on it) shifts all of it: the reading expected at t is the one that the lag alone
would give at t - d.

**Trim.** e = expected - measured, trim = gain x e, clamped to the authority. The axis integrates velocity, so
e' = -gain e behind a delay D = one tick (sampled at SYNC k - 1, acting from SYNC k) + half a tick (hold) + tau
(loop) + d (latency).
A pure integrator behind a pure delay is stable for gain D < pi / 2 and does not oscillate up to gain D = 1 / e
(the double root of s + gain exp(-s D) = 0 at s = -1 / D). A lag is kinder than a delay of the same size, so
``gain D <= 1 / e`` is a safe bound; ``stability_margin`` gives gain D e, to be at most 1. Clamping only lowers
the effective gain.

**Play.** The plan commands the *motor*, the taking up of play included, and the encoder sits on the motor: the loop
closes in front of the gap, has no play in it and cannot hunt across it. At rest it can move the motor by no more than
the error it sees, a fraction of the gap; what the head does stays the plan's business.

**Late debt.** A tick that leaves late by L lets the velocity before it go on for L longer, so the axis is off its plan
by (v before - v after) L. That is known exactly and at once, without waiting for a reading: ``LateDebt`` pays it back
in the ticks that follow, at most the limit of acceleration times one tick in each. What lateness adds is so gone
after a few ticks instead of after the trim's long time constant; the trim, which sees the same error for those few
ticks, moves by less than gain x their time.
"""

from __future__ import annotations

import math


def stability_margin(gain_per_s: float, lag_s: float, tick_s: float, latency_s: float = 0.0) -> float:
    """gain x delay x e: up to 1 the trim settles without oscillation; at e pi / 2 (4.27) it would run away."""
    return gain_per_s * (lag_s + latency_s + 1.5 * tick_s) * math.e


class ExpectedReading:
    """The position one axis should report: the plan passed through the drive's known latency and lag.

    Positions are raw drive counts; ``velocity_units`` and the quantum grid as in the schedule.
    """

    __slots__ = ("_at", "_decay", "_lag_s", "_latest_s", "_pending", "_speed", "_tick_s", "_unit_counts_s")

    def __init__(self, lag_s: float, unit_counts_s: float, tick_s: float, latency_s: float = 0.0) -> None:
        self._lag_s = lag_s
        self._unit_counts_s = unit_counts_s
        self._tick_s = tick_s
        self._decay = math.exp(-tick_s / lag_s) if lag_s > 0.0 else 0.0
        # At a boundary the drive still acts on what was commanded ``ticks_back`` ticks before, for ``_latest_s``
        # more. The lagged speed is kept as it was that many ticks ago.
        ticks_back = math.ceil(latency_s / tick_s - 1e-9)
        self._latest_s = latency_s - (ticks_back - 1) * tick_s if ticks_back else 0.0
        self._pending = [0.0] * ticks_back  # counts/s commanded in those ticks, a ring
        self._at = 0  # its oldest
        self._speed = 0.0  # lagged speed where the oldest pending tick begins, counts/s

    @property
    def behind_counts(self) -> float:
        """How far the axis should be behind the plan at the present tick boundary."""
        return -self.ahead_counts(0, 0.0)

    def advance(self, velocity_units: int) -> None:
        """Let one whole tick pass with ``velocity_units`` commanded."""
        commanded = velocity_units * self._unit_counts_s
        if self._pending:
            oldest = self._pending[self._at]
            self._pending[self._at] = commanded
            self._at = (self._at + 1) % len(self._pending)
            commanded = oldest
        self._speed = commanded + (self._speed - commanded) * self._decay

    def ahead_counts(self, velocity_units: int, after_s: float) -> float:
        """Expected reading ``after_s`` past the boundary (up to a tick), with ``velocity_units`` commanded since
        it, relative to the planned position at the boundary."""
        pending, speed = self._pending, self._speed
        waiting = len(pending)
        if not waiting:
            return self._within(velocity_units * self._unit_counts_s, speed, after_s)
        # The delayed instant lies in the oldest pending tick, or beyond its end in the one after it.
        position = -sum(pending) * self._tick_s
        inside_s = self._tick_s - self._latest_s + after_s
        commanded = pending[self._at]
        if inside_s > self._tick_s:
            inside_s -= self._tick_s
            position += commanded * self._tick_s
            speed = commanded + (speed - commanded) * self._decay
            commanded = (
                pending[(self._at + 1) % waiting] if waiting > 1 else velocity_units * self._unit_counts_s
            )
        return position + self._within(commanded, speed, inside_s)

    def _within(self, commanded: float, speed: float, after_s: float) -> float:
        """Way from the commanded position where a tick begins, ``after_s`` into it: p = P - tau v."""
        if self._lag_s <= 0.0:
            return commanded * after_s
        lagged = commanded + (speed - commanded) * math.exp(-after_s / self._lag_s)
        return commanded * after_s - self._lag_s * lagged

    def reset(self) -> None:
        """The axis stands still."""
        self._speed = 0.0
        for index in range(len(self._pending)):
            self._pending[index] = 0.0


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
