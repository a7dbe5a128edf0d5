"""Homing of one axis: how the switch is found, what was found, and whether that is believed.

Pure: once a tick it is told what the drive reported and answers with a velocity. It knows no bus, no clock and no
other axis. Positions go in as raw drive counts; velocities come out in mm/s of machine mm.

The switch's edge is always measured in one direction (towards the switch), so that play and the switch's own
hysteresis fall out. A touch lies between the last open and the first closed reading of the switch, one tick's
travel apart; their middle is off by at most half of that. Every touch starts a further 1/N of a tick's travel
away, so that the N middles sit at N different places of that interval and their mean is off by at most
half a tick's travel divided by N (plus the switch's own scatter).

The edge is where the *head* is; the motor, which is what is read, is half the play ahead of it in the direction of the
touches. The offset takes that off, so that a motor reading of p means a head at p - r or p + r, r half the play, by
the side of the gap that the motor leans on: the frame in which motion is planned.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from enum import Enum

from controller.config.machine import Axis, Homing

REST_TICKS = 4
REST_MM_S = 0.1
REST_COUNTS = 2
REST_TIMEOUT_S = 2.0
BLIND_TICKS = 1  # on end: a single reading that comes late is nothing unusual
DOUBTFUL_MAX = 2  # touches that may be repeated for each one wanted


@dataclass(frozen=True, slots=True)
class AxisHoming:
    """One axis' homing: raw drive counts of every slow touch, and what follows from them.

    ``offset_counts``: raw counts of the motor = machine mm x signed counts per mm + offset_counts.
    ``spread_mm``: largest minus smallest touch.
    """

    axis: str
    touches_counts: tuple[float, ...]
    mean_counts: float
    spread_mm: float
    offset_counts: float


class Phase(Enum):
    """Where the search stands."""

    START = "start"
    LEAVE = "leaving the closed switch"
    SEEK = "seeking the switch"
    BRAKE = "braking"
    REST = "waiting for standstill"
    BACK_OFF = "backing off"
    TOUCH = "slow touch"
    DONE = "done"
    FAILED = "failed"


class HomingFailure(Enum):
    """Why a homing ended without a result."""

    NOT_FOUND = "switch not found"
    STUCK = "switch stuck closed"
    LIMIT = "limit switch reached"
    DRIVE = "drive not enabled"
    RESTLESS = "axis does not come to rest"
    LOST = "switch lost"
    BLIND = "readings missing"


class AxisHomer:
    """Finds one axis' home switch. Call ``step`` once a tick until ``finished``.

    ``signed_counts_per_mm`` carries the drive's direction. All motion is planned within
    ``acceleration_mm_s2``. ``half_play_mm``: half the play where the switch stands. Internally distances run along
    ``towards``: larger is nearer to the switch.
    """

    def __init__(
        self,
        axis: str,
        homing: Homing,
        signed_counts_per_mm: float,
        acceleration_mm_s2: float,
        tick_s: float,
        half_play_mm: float = 0.0,
    ) -> None:
        self._axis = axis
        self._homing = homing
        self._half_play_mm = half_play_mm
        self._counts_per_mm = signed_counts_per_mm
        self._along_per_count = homing.towards / signed_counts_per_mm
        self._rate_mm_s2 = acceleration_mm_s2
        self._tick_s = tick_s
        self._rest_mm = max(REST_MM_S * tick_s, REST_COUNTS / abs(signed_counts_per_mm))
        self.phase = Phase.START
        self.failure: HomingFailure | None = None
        self.message = ""
        self._velocity = 0.0  # along towards, as commanded
        self._previous_mm: float | None = None
        self._from_mm = 0.0  # where the present phase began
        self._edge_mm = math.nan
        self._remaining_mm = 0.0  # of an open-loop move, signed
        self._after_rest = Phase.BACK_OFF
        self._rested = 0
        self._waited_s = 0.0
        self._blind = 0  # ticks without a fresh reading since the last one
        self._touches_mm: list[float] = []
        self._doubtful = 0

    @property
    def finished(self) -> bool:
        """Whether the axis has been commanded to rest and there is a result or a failure."""
        return self.phase is Phase.DONE or (self.phase is Phase.FAILED and self._velocity == 0.0)

    @property
    def result(self) -> AxisHoming:
        """What was found. Raises RuntimeError before ``phase`` is DONE."""
        if self.phase is not Phase.DONE:
            raise RuntimeError(f"axis {self._axis}: expected a finished homing, got {self.phase.value}")
        touches = tuple(mm / self._along_per_count for mm in self._touches_mm)
        mean = math.fsum(touches) / len(touches)
        spread_mm = (max(touches) - min(touches)) / abs(self._counts_per_mm)
        motor_mm = self._homing.position_mm + self._homing.towards * self._half_play_mm
        offset = mean - self._counts_per_mm * motor_mm
        return AxisHoming(self._axis, touches, mean, spread_mm, offset)

    def step(
        self,
        position_counts: int,
        home_active: bool,
        limit_towards: bool,
        limit_away: bool,
        *,
        fresh: bool = True,
        enabled: bool = True,
    ) -> float:
        """Take one tick's readings, give the next tick's velocity in mm/s of machine mm.

        ``limit_towards`` is the limit switch behind the home switch, ``limit_away`` the one at the other end.
        ``fresh`` False says that the readings are old: nothing is judged by them. Braking and backing off go on, a slow
        touch keeps its velocity, a fast search slows down after ``BLIND_TICKS`` such ticks on end.
        """
        if self.phase in (Phase.DONE, Phase.FAILED):
            return self._command(0.0)
        if not enabled:
            self._fail(HomingFailure.DRIVE, "expected operation enabled during homing, got another state")
            return self._command(0.0)
        if not fresh:
            self._blind += 1
            return self._unseen()
        here_mm = position_counts * self._along_per_count
        velocity = self._judge(here_mm, home_active, limit_towards, limit_away)
        self._previous_mm = here_mm
        self._blind = 0
        return velocity

    def _unseen(self) -> float:
        """A tick whose readings have not come. What needs none goes on; what looks for the switch at speed slows down
        until it sees again, since behind the switch there is little room."""
        match self.phase:
            case Phase.BACK_OFF:
                return self._move()
            case Phase.BRAKE:
                return self._command(0.0)
            case Phase.SEEK | Phase.LEAVE if self._blind > BLIND_TICKS:
                slow_mm_s = min(self._homing.slow_mm_s, abs(self._velocity))
                return self._command(math.copysign(slow_mm_s, self._velocity))
            case _:
                return self._signed()

    def _judge(self, here_mm: float, closed: bool, limit_towards: bool, limit_away: bool) -> float:
        homing = self._homing
        if (limit_towards and self._velocity > 0.0) or (limit_away and self._velocity < 0.0):
            side = "behind the home switch" if self._velocity > 0.0 else "away from the home switch"
            self._fail(HomingFailure.LIMIT, f"limit switch {side} closed while {self.phase.value}")
            return self._command(0.0)
        match self.phase:
            case Phase.START:
                self._from_mm = here_mm
                self.phase = Phase.LEAVE if closed else Phase.SEEK
                return self._command(-homing.fast_mm_s if closed else homing.fast_mm_s)
            case Phase.LEAVE:
                if not closed:
                    return self._brake(here_mm)
                if self._from_mm - here_mm > homing.search_max_mm:
                    self._fail(
                        HomingFailure.STUCK,
                        f"expected the home switch to open within {homing.search_max_mm} mm, "
                        "got a closed switch all the way",
                    )
                    return self._command(0.0)
                return self._command(-homing.fast_mm_s)
            case Phase.SEEK:
                if closed:
                    return self._brake(here_mm)
                if here_mm - self._from_mm > homing.search_max_mm:
                    self._fail(
                        HomingFailure.NOT_FOUND,
                        f"expected the home switch within {homing.search_max_mm} mm, got none",
                    )
                    return self._command(0.0)
                return self._command(homing.fast_mm_s)
            case Phase.TOUCH:
                return self._touch(here_mm, closed)
            case Phase.BRAKE:
                velocity = self._command(0.0)
                if self._velocity == 0.0:
                    self._rest(Phase.BACK_OFF)
                return velocity
            case Phase.BACK_OFF:
                velocity = self._move()
                if self._remaining_mm == 0.0:
                    self._rest(Phase.TOUCH)
                return velocity
            case _:
                return self._wait(here_mm, closed)

    def _touch(self, here_mm: float, closed: bool) -> float:
        homing = self._homing
        if not closed:
            bound_mm = 2.0 * homing.back_off_mm + self._stagger_mm()
            if here_mm - self._from_mm > bound_mm:
                self._fail(
                    HomingFailure.LOST,
                    f"expected the home switch again within {bound_mm:.3f} mm of slow travel, got none",
                )
                return self._command(0.0)
            return self._command(homing.slow_mm_s)
        if self._blind == 0 and self._previous_mm is not None:
            self._touches_mm.append(0.5 * (self._previous_mm + here_mm))
            return self._brake(here_mm)
        # With a reading missing just before the edge the interval is too wide: that touch does not count.
        self._doubtful += 1
        if self._doubtful > DOUBTFUL_MAX * homing.touches:
            self._fail(
                HomingFailure.BLIND,
                f"expected readings of every tick at the edge, got gaps in {self._doubtful} touches",
            )
            return self._command(0.0)
        return self._brake(here_mm)

    def _brake(self, here_mm: float) -> float:
        if math.isnan(self._edge_mm):
            # The first edge, found fast, is where all distances are measured from: were it each touch's own,
            # its error would shift the next one's readings and undo their even spacing.
            before = self._previous_mm if self._previous_mm is not None else here_mm
            self._edge_mm = 0.5 * (before + here_mm)
        self.phase = Phase.BRAKE
        return self._command(0.0)

    def _wait(self, here_mm: float, closed: bool) -> float:
        self._waited_s += self._tick_s
        still = self._previous_mm is not None and abs(here_mm - self._previous_mm) <= self._rest_mm
        self._rested = self._rested + 1 if still else 0
        if self._rested < REST_TICKS:
            if self._waited_s > REST_TIMEOUT_S:
                self._fail(
                    HomingFailure.RESTLESS,
                    f"expected standstill within {REST_TIMEOUT_S} s at zero velocity, got an axis in motion",
                )
            return self._command(0.0)
        if self._after_rest is Phase.BACK_OFF:
            target_mm = self._edge_mm - self._homing.back_off_mm - self._stagger_mm()
            self._remaining_mm = target_mm - here_mm
            self.phase = Phase.BACK_OFF
            return self._move()
        if closed:
            self._fail(
                HomingFailure.STUCK,
                f"expected the home switch open {self._homing.back_off_mm} mm off its edge, got it closed",
            )
            return self._command(0.0)
        if len(self._touches_mm) >= self._homing.touches:
            self.phase = Phase.DONE
            return self._command(0.0)
        self._from_mm = here_mm
        self.phase = Phase.TOUCH
        return self._command(self._homing.slow_mm_s)

    def _stagger_mm(self) -> float:
        travel_mm = self._homing.slow_mm_s * self._tick_s
        return travel_mm * len(self._touches_mm) / self._homing.touches

    def _rest(self, then: Phase) -> None:
        self.phase = Phase.REST
        self._after_rest = then
        self._rested = 0
        self._waited_s = 0.0

    def _move(self) -> float:
        """One tick of the open-loop move over ``_remaining_mm``: ramp up, cruise, ramp down onto the end."""
        left_mm = abs(self._remaining_mm)
        if left_mm < 1e-6:
            self._remaining_mm = 0.0
            return self._command(0.0)
        # From speed s, ramping down by rate x tick each tick covers s tick / 2 + s^2 / (2 rate).
        half_step = 0.5 * self._rate_mm_s2 * self._tick_s
        speed_mm_s = min(
            self._homing.fast_mm_s,
            math.sqrt(half_step * half_step + 2.0 * self._rate_mm_s2 * left_mm) - half_step,
            left_mm / self._tick_s,
        )
        velocity = self._command(math.copysign(speed_mm_s, self._remaining_mm))
        self._remaining_mm -= self._velocity * self._tick_s
        return velocity

    def _command(self, wanted_mm_s: float) -> float:
        """Approach ``wanted_mm_s`` (along towards) within the acceleration limit."""
        step = self._rate_mm_s2 * self._tick_s
        self._velocity += min(step, max(-step, wanted_mm_s - self._velocity))
        return self._signed()

    def _signed(self) -> float:
        return self._velocity * self._homing.towards

    def _fail(self, failure: HomingFailure, message: str) -> None:
        self.failure = failure
        self.message = f"axis {self._axis}: {failure.value}: {message}"
        self.phase = Phase.FAILED


@dataclass(frozen=True, slots=True)
class Verdict:
    """Whether a homing is believed. ``text`` is one sentence for a person either way; ``code``: the catalogue's entry
    for why it is not."""

    accepted: bool
    text: str
    code: str = ""


def judge(result: AxisHoming, previous: AxisHoming | None, axis: Axis) -> Verdict:
    """Accept or refuse one axis' homing by the tolerances of the machine file.

    ``previous`` is the last accepted homing of the same counter (None when there is none, or when the drive's
    counter has been lost). A difference close to a whole number of belt pitches is called a likely tooth jump.
    """
    homing = axis.homing
    counts_per_mm = float(axis.drive.counts_per_mm)
    if result.spread_mm > homing.spread_max_mm:
        return Verdict(
            False,
            f"axis {result.axis}: homing touches spread over {result.spread_mm:.3f} mm, "
            f"at most {homing.spread_max_mm} mm is accepted: clean and fasten the switch, then home again",
            "homing-spread",
        )
    if previous is None:
        return Verdict(
            True, f"axis {result.axis}: spread {result.spread_mm:.3f} mm, no earlier homing to compare with"
        )
    difference_mm = axis.drive.direction * (result.mean_counts - previous.mean_counts) / counts_per_mm
    if abs(difference_mm) <= homing.difference_max_mm:
        return Verdict(
            True,
            f"axis {result.axis}: spread {result.spread_mm:.3f} mm, {difference_mm:+.3f} mm from last time",
        )
    text = (
        f"axis {result.axis}: homing differs by {difference_mm:+.3f} mm from last time, "
        f"at most {homing.difference_max_mm} mm is accepted"
    )
    teeth = tooth_jump(difference_mm, axis.drive.belt_pitch_mm, homing.difference_max_mm)
    if teeth:
        pitches = "one belt pitch" if abs(teeth) == 1 else f"{abs(teeth)} belt pitches"
        text += (
            f"; that is close to {pitches} of {axis.drive.belt_pitch_mm} mm: "
            "the belt has likely jumped teeth, check it before painting on"
        )
    return Verdict(False, text, "homing-tooth-jump" if teeth else "homing-differs")


def tooth_jump(difference_mm: float, pitch_mm: float, tolerance_mm: float) -> int:
    """The whole number of belt pitches that ``difference_mm`` is close to; 0 when to none.

    Close is within ``tolerance_mm``, but never more than a quarter of a pitch: else anything would be.
    """
    teeth = round(difference_mm / pitch_mm)
    close = abs(difference_mm - teeth * pitch_mm) <= min(tolerance_mm, 0.25 * pitch_mm)
    return teeth if close else 0


def failure_code(failure: HomingFailure | None) -> str:
    """The catalogue's entry for a homing that ended without a result."""
    return "homing-refused" if failure is None else f"homing-{failure.name.lower().replace('_', '-')}"


def refusal_code(results: Sequence[AxisHoming], previous: Sequence[AxisHoming], axes: dict[str, Axis]) -> str:
    """The catalogue's entry for the first axis that is refused; of none, the general one."""
    before = {homing.axis: homing for homing in previous}
    verdicts = (judge(result, before.get(result.axis), axes[result.axis]) for result in results)
    return next((one.code for one in verdicts if not one.accepted), failure_code(None))


def judge_all(
    results: Sequence[AxisHoming], previous: Sequence[AxisHoming], axes: dict[str, Axis]
) -> tuple[bool, tuple[str, ...]]:
    """Judge every axis: whether all are accepted, and one sentence an axis."""
    before = {homing.axis: homing for homing in previous}
    verdicts = [judge(result, before.get(result.axis), axes[result.axis]) for result in results]
    return all(verdict.accepted for verdict in verdicts), tuple(verdict.text for verdict in verdicts)
