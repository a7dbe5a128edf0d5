"""Register marks as strokes: crosses at the beginning of a job's first pass, beside the picture.

Owns the crosses' shape and place in the passes. Knows no time: ``settled`` counts what they take. Frame: canvas mm.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path

import numpy as np
import numpy.typing as npt

from controller.config.errors import InputError, Mistake
from controller.config.job import Job
from controller.strokes.passes import Pass, PassPlan
from controller.strokes.paths import join_strokes
from controller.strokes.strokeset import StrokeKind, StrokeSet

Floats = npt.NDArray[np.float64]


def with_marks(
    plan: PassPlan, sets: Mapping[str, StrokeSet], job: Job, job_path: Path
) -> tuple[PassPlan, dict[str, StrokeSet]]:
    """The same passes and strokes by ink name, with the job's crosses before all else; as they are without crosses.

    Each cross is two strokes of the first ink, along x and along y. Raises InputError where one would meet a stroke of
    the picture, tips' widths counted, or another cross.
    """
    strokes = dict(sets)
    register = job.marks
    if register is None or register.existing or not plan.passes:
        return plan, strokes
    row = plan.passes[0].ink
    ink = job.inks[row]
    centres = np.array(list(register.marks_mm.values()), dtype=np.float64)
    _check_clear(centres, sets, job, row, job_path)
    crosses = _crosses(centres, register.arm_mm, list(register.marks_mm), strokes[ink.name].element_ids)
    mine = replace(strokes[ink.name], element_ids=crosses.element_ids)
    strokes[ink.name] = join_strokes([crosses, mine])
    added, metres = len(crosses), float(crosses.lengths_mm().sum()) / 1000.0
    passes: list[Pass] = []
    worn_m = 0.0
    for place, one in enumerate(plan.passes):
        if one.ink != row:
            passes.append(one)
            continue
        worn_m = 0.0 if one.fresh_pen else worn_m
        rows = one.strokes + added
        if place == 0:
            first = np.concatenate([np.arange(added, dtype=np.int64), rows])
            passes.append(replace(one, strokes=first, metres=one.metres + metres))
            worn_m = metres
        else:
            passes.append(replace(one, strokes=rows, pen_m=one.pen_m + worn_m))
    return replace(plan, passes=tuple(passes)), strokes


def _crosses(centres: Floats, arm_mm: float, names: list[str], before: tuple[str, ...]) -> StrokeSet:
    arms = np.array([[[-arm_mm, 0.0], [arm_mm, 0.0]], [[0.0, -arm_mm], [0.0, arm_mm]]])
    points = (centres[:, None, None] + arms[None]).reshape(-1, 2)
    count = 2 * len(centres)
    return StrokeSet(
        points_mm=points,
        offsets=np.arange(0, 2 * count + 1, 2, dtype=np.int64),
        kind=np.full(count, StrokeKind.LINE, dtype=np.uint8),
        element=np.repeat(np.arange(len(names), dtype=np.int32), 2) + np.int32(len(before)),
        element_ids=(*before, *(f"register mark {name}" for name in names)),
    )


def _check_clear(centres: Floats, sets: Mapping[str, StrokeSet], job: Job, row: int, job_path: Path) -> None:
    assert job.marks is not None
    names, tip_mm = list(job.marks.marks_mm), job.inks[row].tip_mm
    arm_mm = job.marks.arm_mm + tip_mm / 2.0
    mistakes: list[Mistake] = []
    for place, (name, centre) in enumerate(zip(names, centres, strict=True)):
        where = f"register.marks_mm.{name}"
        others = np.abs(centres[:place] - centre).max(axis=1, initial=0.0)
        if place and float(others.min()) < 2.0 * arm_mm:
            expected = f"a place {2.0 * arm_mm:g} mm or more from mark {names[int(np.argmin(others))]}"
            mistakes.append(
                Mistake(job_path, where, expected, f"{float(others.min()):.1f} mm", code="marks-place")
            )
        for ink in job.inks:
            strokes = sets[ink.name]
            if not len(strokes):
                continue
            room_mm = _distance_mm(strokes, centre) - ink.tip_mm / 2.0
            if room_mm < arm_mm:
                expected = f"a place {arm_mm:g} mm or more from what ink {ink.name} paints"
                mistakes.append(
                    Mistake(job_path, where, expected, f"{max(room_mm, 0.0):.1f} mm", code="marks-place")
                )
    if mistakes:
        raise InputError(mistakes)


def _distance_mm(strokes: StrokeSet, centre: Floats) -> float:
    """Least distance of ``centre`` from any stroke's middle line."""
    begin, end = strokes.points_mm[:-1] - centre, strokes.points_mm[1:] - centre
    inside = np.ones(len(begin), dtype=np.bool_)
    inside[strokes.offsets[1:-1] - 1] = False  # from one stroke's end to the next one's begin
    begin, way = begin[inside], (end - begin)[inside]
    length = np.maximum(np.einsum("ij,ij->i", way, way), 1e-300)
    share = np.clip(-np.einsum("ij,ij->i", begin, way) / length, 0.0, 1.0)
    return float(np.hypot(*(begin + share[:, None] * way).T).min())
