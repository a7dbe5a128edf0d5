"""Schedules of several passes: from what is kept, else planned, by one process or by several.

Owns who plans which pass, and that an interrupt ends them all. Where it takes processes of its own, those get strokes
and write schedules as files, and ignore Ctrl-C: whoever started them tells them to end.
"""

from __future__ import annotations

import multiprocessing
import signal
from collections.abc import Callable, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from dataclasses import dataclass
from multiprocessing.synchronize import Event
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from controller.config.job import Ink
from controller.config.machine import Machine
from controller.session.passcache import Arrays, ContentCache
from controller.session.rows import Matrix

if TYPE_CHECKING:
    from controller.motion.schedule import Schedule
    from controller.strokes.strokeset import StrokeSet

WORTH_VERTICES: Final = 300_000
"""Processes of their own take seconds to begin; passes with fewer vertices in all are planned in this one."""

_UNREAD: Final[Any] = {
    "twin": True,
    "wire": True,
    "trim": True,
    "lease": True,
    "pause": True,
    "stops": True,
    "mqtt": True,
    "maintenance": True,
    "calibration": True,
    "home_order": True,
    "axes": {
        axis: {
            "homing": True,
            "following_error_max_mm": True,
            "moving_mass_kg": True,
            "drive": {"eds", "quirks", "acceleration_unit_counts_s2"},
        }
        for axis in ("x", "y")
    },
}
"""What of a machine file no schedule depends on."""


@dataclass(frozen=True, slots=True)
class PassTask:
    """One pass to plan: its strokes lie in ``folder/strokes.npz``, its schedule comes to ``folder/schedule``."""

    name: str
    ink: Ink
    folder: Path
    vertices: int


class Planner:
    """Plans passes of one machine, under a register map where there is one. ``progress``: called with a pass' name and
    the fraction of all that is done."""

    def __init__(
        self,
        machine: Machine,
        cache: ContentCache,
        workers: int,
        progress: Callable[[str, float], None],
        register_map: Matrix | None = None,
    ) -> None:
        self._machine, self._cache, self._workers, self._progress = machine, cache, workers, progress
        self._map = register_map

    def plan(self, tasks: Sequence[PassTask]) -> None:
        """Write the schedules of all ``tasks``. Raises InputError when one leaves the machine's limits."""
        keys = {task.name: self._key(task) for task in tasks}
        missing = [task for task in tasks if not self._recalled(task, keys[task.name])]
        total, done = max(sum(task.vertices for task in missing), 1), 0
        many = self._workers > 1 and len(missing) > 1 and total >= WORTH_VERTICES
        for task in self._by_several(missing) if many else map(self._alone(total), missing):
            self._cache.made["passes"] += 1
            self._cache.keep("passes", keys[task.name], _arrays_of(_schedule(task)))
            done += task.vertices
            self._progress(task.name, done / total)

    def _recalled(self, task: PassTask, key: str) -> bool:
        from controller.motion.schedule import Schedule

        found = self._cache.recall("passes", key)
        if found is None:
            return False
        x, y, tick_ns = found["start"].tolist()
        Schedule(found["velocity"], found["segments"], (x, y), tick_ns, self._machine.name).save(
            task.folder / "schedule"
        )
        return True

    def _alone(self, total: int) -> Callable[[PassTask], PassTask]:
        from controller.strokes.strokeset import StrokeSet

        before = 0

        def plan(task: PassTask) -> PassTask:
            nonlocal before

            def planned(done: int, of: int) -> None:
                self._progress(task.name, (before + task.vertices * done / max(of, 1)) / total)

            self._progress(task.name, before / total)
            _plan(StrokeSet.load(task.folder / "strokes.npz"), task, self._machine, planned, self._map)
            before += task.vertices
            return task

        return plan

    def _by_several(self, tasks: Sequence[PassTask]) -> list[PassTask]:
        context = multiprocessing.get_context("spawn")
        stop, total, done = context.Event(), sum(task.vertices for task in tasks), 0
        # The longest first, so that none is left alone at the end.
        ordered = sorted(tasks, key=lambda task: -task.vertices)
        pool = ProcessPoolExecutor(min(self._workers, len(tasks)), context, _begin, (stop,))
        try:
            waiting: dict[Future[None], PassTask] = {
                pool.submit(_plan_in_process, task, self._machine, self._map): task for task in ordered
            }
            self._progress(ordered[0].name, 0.0)
            while waiting:
                for future in wait(waiting, timeout=0.5, return_when=FIRST_COMPLETED).done:
                    future.result()
                    task = waiting.pop(future)
                    done += task.vertices
                self._progress(task.name if done else ordered[0].name, done / total)
        except BaseException:
            stop.set()
            raise
        finally:
            pool.shutdown(wait=True, cancel_futures=True)
        return list(tasks)

    def _key(self, task: PassTask) -> str:
        from controller.strokes.kept import key_of

        plain = self.plan_key(task)
        return plain if self._map is None else key_of(plain, self._map)

    def plan_key(self, task: PassTask) -> str:
        """What a pass' schedule depends on but for the register map, as a digest: strokes, speed and machine."""
        from controller.strokes.kept import key_of
        from controller.strokes.strokeset import StrokeSet

        strokes = StrokeSet.load(task.folder / "strokes.npz")
        machine = planned_from(self._machine)
        return key_of(strokes.points_mm, strokes.offsets, strokes.kind, task.ink.paint_speed_mm_s, machine)


def planned_from(machine: Machine) -> dict[str, Any]:
    """What of a machine file schedules are made from, as plain values."""
    return machine.model_dump(mode="json", exclude=_UNREAD)


def _plan(
    strokes: StrokeSet,
    task: PassTask,
    machine: Machine,
    progress: Callable[[int, int], None],
    register_map: Matrix | None,
) -> None:
    from controller.motion.plan import plan_pass

    plan_pass(
        strokes, task.ink, machine, machine.park_mm, progress=progress, folder=task.folder / "schedule",
        registration=register_map,
    )  # fmt: skip


def _schedule(task: PassTask) -> Schedule:
    from controller.motion.schedule import Schedule

    return Schedule.load(task.folder / "schedule")


def _arrays_of(schedule: Schedule) -> Arrays:
    import numpy as np

    return {
        "velocity": schedule.velocity_units,
        "segments": schedule.segments,
        "start": np.array([*schedule.start_quanta, schedule.tick_ns], dtype=np.int64),
    }


# In a process of its own ----------------------------------------------------------------------------------------

_stop: Event | None = None


class _EndedError(Exception):
    """The process was told to end."""


def _begin(stop: Event) -> None:
    global _stop
    _stop = stop
    signal.signal(signal.SIGINT, signal.SIG_IGN)


def _plan_in_process(task: PassTask, machine: Machine, register_map: Matrix | None) -> None:
    from controller.strokes.strokeset import StrokeSet

    def planned(_done: int, _of: int) -> None:
        if _stop is not None and _stop.is_set():
            raise _EndedError(task.name)

    planned(0, 1)
    _plan(StrokeSet.load(task.folder / "strokes.npz"), task, machine, planned, register_map)
