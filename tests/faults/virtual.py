"""Trials in virtual time: from (kind, seed, number) to a judged ``Trial``, the same every time."""

from __future__ import annotations

import dataclasses
import random
from pathlib import Path

from drivers.clock import NS_PER_MS, NS_PER_S
from drivers.twin.record import MotionRecord
from safety import latch
from tests.faults.judge import STILL_MM, Trial, judge_motion, judge_rest, way_mm
from tests.faults.kinds import KINDS, Ends, Kind, limit_mm
from tests.faults.loops import STOPS
from tests.faults.scene import Scene
from tests.faults.stage import Stage

STOOD_NS = 40 * NS_PER_MS
ENDS: dict[str, Ends] = {"done": "finished", "stopped": "stopped", "failed": "failed", "refused": "refused"}


def with_phases(scene: Scene, folder: Path) -> Scene:
    """The scene with its map from phases to ticks, from one undisturbed run of each task."""
    ticks: dict[str, list[int]] = {}
    for phase in ("homing", "travel"):
        stage = Stage(scene, phase, 1, folder)
        stage.play(lambda _stage: None, None)
        if stage.outcome.end != "done":
            raise RuntimeError(f"the undisturbed {phase} run: expected done, got {stage.outcome}")
        segments = stage.spy.segments
        # The last ticks are at rest, and how many there are hangs on the switch's scatter.
        for tick, segment in enumerate(segments[: len(segments) * 97 // 100]):
            name = "homing" if phase == "homing" else scene.phase_of_segment(segment)
            ticks.setdefault(name, []).append(tick)
    return dataclasses.replace(scene, phase_ticks=ticks)


def seed_of(seed: int, kind: str, number: int) -> int:
    """The trial's own seed."""
    return random.Random(f"{seed}/{kind}/{number}").getrandbits(32)


def run_trial(scene: Scene, kind: Kind, seed: int, number: int, folder: Path) -> Trial:
    """Play one trial and judge it."""
    mine = seed_of(seed, kind.name, number)
    phase = kind.phases[number % len(kind.phases)]
    trial = Trial(kind.name, seed, number, phase)
    rng = random.Random(mine)
    if kind.loops:
        scene = scene.with_stops(STOPS)
    if kind.name == "limit-switch":
        stage = Stage(scene, phase, mine, folder, length_mm=limit_mm(mine, 320.0, 1050.0))
        stage.expect_trip()
        stage.play(kind.inject, None)
    elif phase == "pen change":
        stage = Stage(scene, "homing", mine, folder)
        stage.play(lambda _stage: None, None)
        stage.clock.sleep_until_ns(stage.clock.now_ns() + rng.randrange(NS_PER_S))
        stage.mark_fault()
        kind.inject(stage)
        stage.play_again("travel")
    else:
        stage = Stage(scene, phase, mine, folder)
        stage.play(kind.inject, rng.choice(scene.phase_ticks[phase]))
    _judge(trial, kind, stage)
    return trial


def _judge(trial: Trial, kind: Kind, stage: Stage) -> None:
    fault_ns = stage.fault_ns
    trial.bound = kind.bound(stage.scene.machine, stage.window_ns / NS_PER_MS)
    trial.end = ENDS.get(stage.outcome.end, "halted")
    verdict = stage.guard.verdict
    trial.reason = f"guard: {verdict.reason.value}" if verdict is not None else stage.outcome.reason
    trial.note = stage.outcome.reason
    if fault_ns is None:
        trial.problems.append("the fault never came")
        return
    if trial.end not in kind.ends:
        trial.problems.append(
            f"expected the end {' or '.join(kind.ends)}, got {trial.end}: {stage.outcome.reason}"
        )
    record = stage.world.gantry.record()
    if trial.end in ("finished", "failed"):
        if trial.end == "finished" and latch.read(stage.latch_path) is not None:
            trial.problems.append("finished, yet a latch stands")
        judge_rest(trial, record, stage.ended_ns)
        return
    first_stop_ns = _first_stop_ns(kind, stage, fault_ns)
    late = first_stop_ns is not None and first_stop_ns - fault_ns > trial.bound.react_ms * NS_PER_MS
    if "finished" in kind.ends and late and first_stop_ns and _rested_before(stage, record, first_stop_ns):
        # The plan had come to its end, or a pause, in order; only then was something found that latched.
        trial.end = "rested"
        judge_rest(trial, record, first_stop_ns + STOOD_NS)
        return
    braked = trial.end == "stopped" and trial.phase != "pen change"
    judge_motion(trial, record, fault_ns, first_stop_ns, stage.ended_ns if braked else 0)
    if trial.react_ms is None and trial.end == "halted":
        trial.problems.append("no stop command and no stop of the drives' own")
    if trial.end in ("halted", "refused") and kind.latch and latch.read(stage.latch_path) is None:
        trial.problems.append("no latch stands")


def _rested_before(stage: Stage, record: MotionRecord, instant_ns: int) -> bool:
    """Whether the plan stood: nothing moved but what the trim may do to take back an error."""
    trim_mm = 2**0.5 * stage.scene.machine.trim.authority_mm_s * STOOD_NS * 1e-9
    return way_mm(record, instant_ns - STOOD_NS, instant_ns) < STILL_MM + trim_mm


def _first_stop_ns(kind: Kind, stage: Stage, fault_ns: int) -> int | None:
    if kind.by == "path":
        return stage.stopping_ns
    if stage.outcome.end == "stopped":
        return None  # it had ended in order by then: its last words to the drives are no stop
    seen = []
    if kind.by in ("command", "either") and stage.bus.first_stop_ns is not None:
        seen.append(stage.bus.first_stop_ns)
    if kind.by in ("drives", "either"):
        left = [at for at in stage.world.gantry.left_operation_ns if at is not None and at >= fault_ns]
        # With one drive stopped the other may still turn: the later one counts.
        if len(left) == len(stage.world.gantry.axes):
            seen.append(max(left))
    return min(seen) if seen else None


def names() -> list[str]:
    """All kinds in virtual time."""
    return [kind.name for kind in KINDS]
