"""Which program comes next: steps in, programs out, one after another with standstill between.

Owns the order of steps, the planning of moves (at standstill, aside from the loop when asked) and what is known
of the homing. Knows no bus and no clock.
"""

from __future__ import annotations

import threading
from collections.abc import Callable

from controller.config.machine import AXES, Machine
from controller.motion.plan import plan_move_quanta
from controller.motion.schedule import Schedule
from controller.register.homing import AxisHoming
from controller.stream.prepare import HomingStep, MoveStep, Step
from controller.stream.programs import HomingProgram, PathProgram, Program
from controller.stream.spec import AxisHomingResult, StreamSpec

Planner = Callable[[Machine, tuple[int, int], tuple[int, int]], Schedule]


class TaskQueue:
    """Hands out the programs of the vetted steps.

    ``offset_counts`` (x, y) is None as long as the machine is unregistered: from the start of a homing until its
    end, or when nothing was given. ``plan_aside``: moves are planned in a thread while the loop keeps its
    beats; else within the call, for virtual time.
    """

    def __init__(
        self,
        spec: StreamSpec,
        machine: Machine,
        steps: tuple[Step, ...],
        *,
        plan_aside: bool,
        planner: Planner = plan_move_quanta,
    ) -> None:
        self._machine = machine
        self._steps = list(steps)
        self._plan_aside = plan_aside
        self._planner = planner
        self._thread: threading.Thread | None = None
        self._planned: Program | None = None
        self._trouble: BaseException | None = None
        self._previous = tuple(AxisHoming(**result.model_dump()) for result in spec.previous_homing)
        self.offset_counts = spec.offset_counts
        self.task = 0
        self.homing: tuple[AxisHomingResult, ...] = ()
        self.notes: list[str] = []

    def warm_up(self) -> None:
        """Plan one move for nothing, so that imports and compilation are over before anything is armed."""
        park = self._machine.park_mm
        low = (self._machine.axes["x"].min_mm, self._machine.axes["y"].min_mm)
        start, target = (
            (
                round(point[0] * self._machine.quanta_per_mm("x")),
                round(point[1] * self._machine.quanta_per_mm("y")),
            )
            for point in (low, park)
        )
        self._planner(self._machine, start, target)

    @property
    def is_empty(self) -> bool:
        """Whether every step has been handed out."""
        return not self._steps

    def next_program(self, planned_quanta: tuple[int, int]) -> Program | None:
        """The next step's program, the machine standing still at ``planned_quanta``; None while it is planned.

        Raises what the planning raised.
        """
        if self._thread is not None:
            if self._thread.is_alive():
                return None
            self._thread.join()
            self._thread = None
            return self._hand_out()
        step = self._steps[0]
        self.task = step.task
        if isinstance(step, HomingStep):
            self.offset_counts = None
            self._planned = HomingProgram(self._machine, self._previous)
            return self._hand_out()
        if isinstance(step, MoveStep):
            if step.target_quanta == planned_quanta:
                self._steps.pop(0)
                return None
            work = (planned_quanta, step.target_quanta)
            if self._plan_aside:
                self._thread = threading.Thread(target=self._plan, args=work, name="plan a move", daemon=True)
                self._thread.start()
                return None
            self._plan(*work)
            return self._hand_out()
        self._planned = PathProgram(step.schedule, self._machine, step.first_tick, step.end_tick)
        return self._hand_out()

    def finish(self, program: Program) -> str:
        """A program has ended: keep what it found. Returns why nothing may follow, or an empty string."""
        if not isinstance(program, HomingProgram):
            return program.failure
        self.homing = tuple(
            AxisHomingResult(
                axis=result.axis,
                touches_counts=result.touches_counts,
                mean_counts=result.mean_counts,
                spread_mm=result.spread_mm,
                offset_counts=result.offset_counts,
            )
            for result in program.results
        )
        self.notes.extend(program.verdicts)
        if program.failure or program.stopping:
            return program.failure
        offsets = {result.axis: result.offset_counts for result in program.results}
        self.offset_counts = (offsets[AXES[0]], offsets[AXES[1]])
        return ""

    def _plan(self, start: tuple[int, int], target: tuple[int, int]) -> None:
        try:
            schedule = self._planner(self._machine, start, target)
            end = schedule.boundaries_quanta()[-1]
            if schedule.start_quanta != start or (int(end[0]), int(end[1])) != target:
                raise RuntimeError(
                    f"move: expected a plan from {start} to {target}, "
                    f"got one from {schedule.start_quanta} to {(int(end[0]), int(end[1]))}"
                )
            self._planned = PathProgram(schedule, self._machine, label_segments=False)
        except Exception as trouble:  # noqa: BLE001
            # Raised again in the loop, which knows how to stop.
            self._trouble = trouble

    def _hand_out(self) -> Program:
        if self._trouble is not None:
            raise self._trouble
        program = self._planned
        assert program is not None
        self._planned = None
        self._steps.pop(0)
        return program
