"""Steps of the commissioning in which something moves: directions, counts, limits, travel, homing, following error.

Owns what is driven in each, at which energy, and what is made of it. Everything before the first homing is short and
slow (``controller.stream.prepare``). Values that the person has to read off are asked for with the least that is taken.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final, Literal

import numpy as np

from controller.calibrate.values import Measured
from controller.config.machine import AXES, Machine
from controller.session.commissionask import Ask
from controller.session.commissionbench import Bench, Peaks, StepResult, jog
from controller.session.commissionhome import calm_homing, looked_at_slower
from controller.stream.spec import JogTask, WaitTask
from drivers.errors import DriverError

SLOW_MM_S, SLOW_MM_S2 = 10.0, 50.0
"""Speed and acceleration of the first motion of all."""

FIRST_MM: Final = 5.0
TRAVEL_MM_S, TRAVEL_MM_S2 = 50.0, 100.0
EDGE_MM: Final = 2.0
"""So far inside the soft limits the slow travel turns round."""

RULER_MM: Final = 0.5
"""Half width of one reading of a ruler held by hand; two readings make a way. Common practice, no source."""

WAY_MM = (20.0, 500.0)
FITS: Final = 0.01
"""Within this share of the commanded way the counts a turn are those of the file; the rest is the belt's, and a length
table's to say. Within the same share of a whole ratio they are taken to be off by it."""
RATIOS: Final = (2.0, 4.0, 5.0, 10.0, 16.0, 0.5, 0.25, 0.2, 0.1, 0.0625)

HOMINGS: Final = 5
ASIDE_MM: Final = 40.0

RUNGS: Final = (0.1, 0.25, 0.5, 0.75, 1.0)
"""Of the file's travel speed and acceleration, one after the other; each at most twice and a half the one before."""
MARGIN: Final = 0.5
"""Of ``following_error_max_mm``: so much of it must be left, or the ladder is climbed no further. Common practice, no
source."""
RUNG_MM: Final = 60.0

POSITIVE: Final[Mapping[str, str]] = {"x": "right", "y": "down"}
NEGATIVE: Final[Mapping[str, str]] = {"x": "left", "y": "up"}
Axis = Literal["x", "y"]
_AXES: Final[tuple[Axis, Axis]] = ("x", "y")


def slow(axis: Axis, distance_mm: float) -> JogTask:
    """A jog at the lowest energy."""
    return JogTask(axis=axis, distance_mm=distance_mm, speed_mm_s=SLOW_MM_S, acceleration_mm_s2=SLOW_MM_S2)


async def direction(bench: Bench) -> StepResult:
    """Each axis by 5 mm at 10 mm/s, and back; which way did the head go?"""
    said: list[str] = []
    measured: list[Measured] = []
    async with bench.session("direction") as service:
        for axis in _AXES:
            question = f"Axis {axis} is about to go {FIRST_MM:g} mm at {SLOW_MM_S:g} mm/s, and back. Watch it. Ready?"
            if not await bench.confirm(f"ready {axis}", question, service):
                return StepResult("failed", (*said, f"axis {axis}: nobody was ready"))
            there = await jog(service, "direction", (slow(axis, FIRST_MM),), placed=False)
            told = str(await bench.ask(
                Ask(f"direction {axis}", "Which way did the head go?", "choice",
                    choices=(POSITIVE[axis], NEGATIVE[axis], "not at all", "elsewhere"),
                    about={"axis": axis, "distance_mm": FIRST_MM}),
                service,
            ))  # fmt: skip
            await jog(service, "direction", (slow(axis, -FIRST_MM),), placed=False)
            moved = float(there.moved_mm()[AXES.index(axis)])
            trouble = ""
            if abs(moved - FIRST_MM) > 0.5:
                trouble = f"told to go {FIRST_MM:g} mm, its drive counted {moved:.2f}: is velocity_unit_counts_s right?"
            elif told not in (POSITIVE[axis], NEGATIVE[axis]):
                trouble = f"its drive counted and the head went {told}: are the axes swapped, is the belt on?"
            if trouble:
                return StepResult("failed", (*said, f"axis {axis}: {trouble}"))
            stands = service.machine.axes[axis].drive.direction
            found = stands if told == POSITIVE[axis] else -stands
            said.append(f"axis {axis}: went {told}, so its direction is {found:+d}")
            measured.append(
                Measured(f"axes.{axis}.drive.direction", found, "", None, "direction", 1, "a sign")
            )
    return StepResult("done", tuple(said), tuple(measured))


async def counts(bench: Bench) -> StepResult:
    """Each axis by a way that a person has measured to be free, against a ruler."""
    said: list[str] = []
    measured: list[Measured] = []
    async with bench.session("counts") as service:
        for axis in _AXES:
            towards = POSITIVE[axis]
            way = float(await bench.ask(
                Ask(f"free {axis}", f"How far may axis {axis} go {towards} from here, mm? The farther, the better the "
                    f"reading. It goes there at {SLOW_MM_S:g} mm/s, and back.", "number", "mm", *WAY_MM,
                    about={"axis": axis}),
                service,
            ))  # fmt: skip
            if not await bench.confirm(f"mark {axis}", "Mark where the head stands. Is it marked?", service):
                return StepResult("failed", (*said, f"axis {axis}: nothing was marked"))
            await jog(service, "counts", (slow(axis, way),), placed=False)
            read = float(await bench.ask(
                Ask(f"ruler {axis}", "How far has the head gone from the mark, mm, by the ruler?", "number", "mm",
                    0.0, 20.0 * way, about={"axis": axis, "distance_mm": way}),
                service,
            ))  # fmt: skip
            await jog(service, "counts", (slow(axis, -way),), placed=False)
            result = counts_a_turn(service.machine, axis, way, read)
            if isinstance(result, str):
                return StepResult("failed", (*said, result))
            said.append(result.note)
            measured.append(result)
    return StepResult("done", tuple(said), tuple(measured))


def counts_a_turn(machine: Machine, axis: str, way_mm: float, read_mm: float) -> Measured | str:
    """Counts a turn by a way told and a way read; or, where no whole ratio explains the difference, what to look at.

    read / way = file's counts / true counts. A reading's half width is that of two ends, ``RULER_MM`` each.
    """
    stands = machine.axes[axis].drive.counts_per_turn
    half = np.sqrt(2.0) * RULER_MM / way_mm
    ratio = read_mm / way_mm
    room = FITS + half
    for whole in (1.0, *RATIOS):
        if abs(ratio / whole - 1.0) > room:
            continue
        found = round(stands / whole)
        note = f"axis {axis}: told {way_mm:g} mm, read {read_mm:g} mm"
        note += ", as the file has it" if whole == 1.0 else f": counts a turn are {found}, not {stands}"
        return Measured(
            f"axes.{axis}.drive.counts_per_turn", found, "counts", float(found * half), "counts", 2, note
        )
    return (
        f"axis {axis}: told {way_mm:g} mm, read {read_mm:g} mm, {ratio:.3f} of it: look at belt_pitch_mm, "
        "pulley_teeth, the gear and counts_per_turn"
    )


async def limits(bench: Bench) -> StepResult:
    """Each limit switch by hand, the motors holding; which of the drive's inputs closes?"""
    said: list[str] = []
    async with bench.session("limits") as service:
        for axis in _AXES:
            if not await bench.confirm(
                f"limits {axis}",
                f"Does the drive of axis {axis} have limit switches on its own inputs, and can you reach them?",
                service,
            ):
                said.append(f"axis {axis}: no limit inputs on its drive were tried")
                continue
            counting = service.machine.axes[axis].drive.direction
            for end, way in ((NEGATIVE[axis], -1), (POSITIVE[axis], 1)):
                name: Literal["negative-limit", "positive-limit"] = (
                    "positive-limit" if way * counting > 0 else "negative-limit"
                )
                ask = Ask(
                    f"press {axis} {end}",
                    f"Both motors hold, nothing moves. Press the limit switch at the {end} end of axis {axis} by hand; "
                    f"you have {bench.by_hand_s:g} s.",
                    "do",
                    about={"axis": axis, "input": name},
                )
                task = WaitTask(axis=axis, input=name, seconds=bench.by_hand_s)
                try:
                    await bench.meanwhile(service, "limits", (task,), ask)
                except DriverError as error:
                    return StepResult("failed", (*said, f"axis {axis}, {end} end: {error}"))
                said.append(f"axis {axis}, {end} end: {name.replace('-', ' ')} of its drive closed")
    return StepResult("done", tuple(said))


async def travel(bench: Bench) -> StepResult:
    """Home, then each axis slowly from end to end of its soft limits: no limit switch on the way."""
    said: list[str] = []
    measured: list[Measured] = []
    wrote = await calm_homing(bench)
    async with bench.session("travel") as service:
        await service.home()
        for axis in _AXES:
            settings = service.machine.axes[axis]
            homing = settings.homing
            here = homing.position_mm - homing.towards * homing.back_off_mm
            near, far = (
                (settings.min_mm, settings.max_mm)
                if homing.towards < 0
                else (settings.max_mm, settings.min_mm)
            )
            far += homing.towards * EDGE_MM
            near -= homing.towards * EDGE_MM
            ways = (far - here, near - far)
            jogs = tuple(
                JogTask(axis=axis, distance_mm=way, speed_mm_s=min(TRAVEL_MM_S, settings.speed_max_mm_s),
                        acceleration_mm_s2=min(TRAVEL_MM_S2, settings.acceleration_max_mm_s2))
                for way in ways
            )  # fmt: skip
            seen = await jog(service, "travel", jogs, placed=True)
            peak = float(seen.following_mm[AXES.index(axis)])
            said.append(
                f"axis {axis}: {min(near, far):g} to {max(near, far):g} mm and back at {jogs[0].speed_mm_s:g} mm/s, no "
                f"limit on the way; largest following error {peak:.3f} mm"
            )
            measured.append(_peak(axis, peak, "travel", f"at {jogs[0].speed_mm_s:g} mm/s"))
    return StepResult("done", tuple(said), tuple(measured), wrote)


def _peak(axis: str, peak_mm: float, method: str, note: str) -> Measured:
    return Measured(
        f"axes.{axis}.following_error_seen_mm",
        round(peak_mm, 4),
        "mm",
        None,
        method,
        1,
        f"largest seen {note}",
    )


async def homing(bench: Bench, times: int = HOMINGS) -> StepResult:
    """Home several times, each from another place; how far do they lie apart?"""
    from controller.calibrate.repeat import repeatability

    places: dict[Axis, list[float]] = {axis: [] for axis in _AXES}
    spreads: dict[Axis, list[float]] = {axis: [] for axis in _AXES}
    async with bench.session("homing") as service:
        machine = service.machine
        for number in range(times):
            for row in await service.home():
                drive = machine.axes[row.axis].drive
                axis: Axis = "x" if row.axis == "x" else "y"
                places[axis].append(drive.direction * row.mean_counts / float(drive.counts_per_mm))
                spreads[axis].append(row.spread_mm)
            if number < times - 1:
                aside = tuple(
                    JogTask(axis=axis, distance_mm=-machine.axes[axis].homing.towards * ASIDE_MM * (1 + number % 3),
                            speed_mm_s=min(TRAVEL_MM_S, machine.axes[axis].speed_max_mm_s),
                            acceleration_mm_s2=min(TRAVEL_MM_S2, machine.axes[axis].acceleration_max_mm_s2))
                    for axis in _AXES
                )  # fmt: skip
                await jog(service, "aside", aside, placed=True)
    said: list[str] = []
    measured: list[Measured] = []
    for axis in _AXES:
        found = repeatability(places[axis])
        said.append(
            f"axis {axis}: {times} homings within {found.span:.3f} mm, standard deviation {found.deviation:.4f} mm "
            f"({found.low:.4f} to {found.high:.4f}); touches spread over {max(spreads[axis]):.3f} mm at most, "
            f"{machine.axes[axis].homing.spread_max_mm:g} mm are accepted"
        )
        measured.append(
            Measured(
                f"axes.{axis}.homing.repeatability_mm", round(found.deviation, 5), "mm",
                round(max(found.high - found.deviation, found.deviation - found.low), 5), "homing", times,
                "standard deviation of the edge's place",
            )
        )  # fmt: skip
    if looked := await looked_at_slower(bench):
        said.append(looked)
    return StepResult("done", tuple(said), tuple(measured))


async def following(bench: Bench) -> StepResult:
    """A ladder of speeds and accelerations in the middle of each axis; it ends where the margin would be used up."""
    said: list[str] = []
    safe: dict[str, float] = {}
    measured: list[Measured] = []
    async with bench.session("following") as service:
        machine, motion = service.machine, service.machine.motion
        await service.home()
        for axis in _AXES:
            settings = machine.axes[axis]
            middle = 0.5 * (settings.min_mm + settings.max_mm)
            here = settings.homing.position_mm - settings.homing.towards * settings.homing.back_off_mm
            await jog(service, "middle", (_to(machine, axis, middle - here),), placed=True)
            worst = 0.0
            for share in RUNGS:
                speed, rate = share * motion.travel_speed_mm_s, share * motion.acceleration_mm_s2
                way = min(max(RUNG_MM, 2.0 * speed**2 / rate), 0.4 * (settings.max_mm - settings.min_mm))
                there = JogTask(axis=axis, distance_mm=way, speed_mm_s=speed, acceleration_mm_s2=rate)
                back = there.model_copy(update={"distance_mm": -way})
                peaks = await jog(service, "following", (there, back), placed=True, peaks=Peaks(machine))
                peak = float(peaks.following_mm[AXES.index(axis)])
                worst = max(worst, peak)
                left = 1.0 - peak / settings.following_error_max_mm
                said.append(
                    f"axis {axis}: {speed:g} mm/s, {rate:g} mm/s2: following error {peak:.3f} mm, {left:.0%} of "
                    f"{settings.following_error_max_mm:g} mm left"
                )
                if left < MARGIN:
                    if settings.loop_lag_ms == settings.latency_ms == 0.0:
                        said.append(
                            f"axis {axis}: the file states no lag for it, and the drive's own lag counts as following "
                            "error here: giornata identify steps first, its values into the file, then this step again"
                        )
                        return StepResult("failed", tuple(said), tuple(measured))
                    break
                safe[axis] = rate
            measured.append(_peak(axis, worst, "following", "on the ladder"))
            if axis not in safe:
                said.append(
                    f"axis {axis}: not even the first rung leaves {MARGIN:.0%}: a lag that the file does not know "
                    "counts as following error (giornata identify); else look at the drive's tuning"
                )
                return StepResult("failed", tuple(said), tuple(measured))
    best = min(safe.values())
    note = (
        "as the file has it"
        if best >= machine.motion.acceleration_mm_s2
        else "the ladder was not climbed further"
    )
    value = Measured("motion.acceleration_mm_s2", float(best), "mm/s2", None, "following", len(said),
                     f"a limit, no quantity: {note}")  # fmt: skip
    said.append(f"safe acceleration {best:g} mm/s2: {note}")
    slower = homing_for(machine, best)
    said += [
        f"axis {one.field.split('.')[1]}: homing brakes by it, so its fast speed goes down with it, to "
        f"{one.value:g} mm/s"
        for one in slower
    ]
    return StepResult("done", tuple(said), (*measured, value, *slower))


def homing_for(machine: Machine, acceleration_mm_s2: float) -> list[Measured]:
    """Fast homing speeds with which homing brakes on no longer a way behind the switch than by the file's acceleration.

    v^2 / (2 a): the speed falls with the root of the acceleration. None where the acceleration is the file's or more;
    never below twice the slow speed.
    """
    share = acceleration_mm_s2 / machine.motion.acceleration_mm_s2
    found: list[Measured] = []
    for axis in _AXES:
        homing = machine.axes[axis].homing
        fast = max(round(homing.fast_mm_s * float(np.sqrt(share)), 1), 2.0 * homing.slow_mm_s)
        if share < 1.0 and fast < homing.fast_mm_s:
            note = "a setting, no quantity: homing brakes by motion.acceleration_mm_s2"
            found.append(Measured(f"axes.{axis}.homing.fast_mm_s", fast, "mm/s", None, "following", 1, note))
    return found


def _to(machine: Machine, axis: Axis, distance_mm: float) -> JogTask:
    settings = machine.axes[axis]
    return JogTask(
        axis=axis, distance_mm=distance_mm, speed_mm_s=min(TRAVEL_MM_S, settings.speed_max_mm_s),
        acceleration_mm_s2=min(TRAVEL_MM_S2, settings.acceleration_max_mm_s2),
    )  # fmt: skip
