"""Which program comes next: steps in, programs out, one after another with standstill between.

Owns the order of steps, the planning of moves and what is known of the homing. Knows no bus and no clock.

A move is planned within the tick that begins it, the machine standing still: once warmed up that takes about a
millisecond, and makes at most one tick of zero velocity late. (In a thread it would be the loop that waited for
the interpreter, and for longer.)
"""

from __future__ import annotations

from collections.abc import Callable

from controller.config.machine import AXES, Machine
from controller.motion.plan import plan_move_quanta
from controller.motion.schedule import Schedule
from controller.register.homing import AxisHoming
from controller.stream.jog import JogProgram, WaitProgram
from controller.stream.prepare import HoldStep, HomingStep, JogStep, MoveStep, Step, WaitStep
from controller.stream.programs import HoldProgram, HomingProgram, PathProgram, Program
from controller.stream.spec import AxisHomingResult, StreamSpec

Planner = Callable[[Machine, tuple[int, int], tuple[int, int]], Schedule]


class TaskQueue:
    """Hands out the programs of the vetted steps.

    ``offset_counts`` (x, y) is None as long as the machine is unregistered: from the start of a homing until its
    end, or when nothing was given.
    """

    def __init__(
        self,
        spec: StreamSpec,
        machine: Machine,
        steps: tuple[Step, ...],
        planner: Planner = plan_move_quanta,
    ) -> None:
        self._machine = machine
        self._steps = list(steps)
        self._planner = planner
        self._previous = tuple(AxisHoming(**result.model_dump()) for result in spec.previous_homing)
        self.offset_counts = spec.offset_counts
        self.task = 0
        self.homing: tuple[AxisHomingResult, ...] = ()
        self.notes: list[str] = []
        self.code = ""
        """The catalogue's entry for why nothing may follow."""

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
        """The next step's program, the machine standing still at ``planned_quanta``.

        None when the step needs no motion (it is there already); then ask again.
        """
        step = self._steps.pop(0)
        self.task = step.task
        if isinstance(step, HomingStep):
            self.offset_counts = None
            return HomingProgram(self._machine, self._previous)
        if isinstance(step, HoldStep):
            return HoldProgram(step.ticks)
        if isinstance(step, WaitStep):
            return WaitProgram(step.wait, step.ticks)
        if isinstance(step, JogStep):
            return JogProgram(step.jog, self._machine, self._beyond(step, planned_quanta))
        if isinstance(step, MoveStep):
            if step.target_quanta == planned_quanta:
                return None
            return PathProgram(
                self._plan(planned_quanta, step.target_quanta), self._machine, label_segments=False
            )
        return PathProgram(step.schedule, self._machine, step.first_tick, step.end_tick)

    def finish(self, program: Program) -> str:
        """A program has ended: keep what it found. Returns why nothing may follow, or an empty string."""
        if not isinstance(program, HomingProgram):
            self.code = "jog-ended" if program.failure else ""
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
        self.code = program.code
        if program.failure or program.stopping:
            return program.failure
        offsets = {result.axis: result.offset_counts for result in program.results}
        self.offset_counts = (offsets[AXES[0]], offsets[AXES[1]])
        return ""

    def _beyond(self, step: JogStep, planned_quanta: tuple[int, int]) -> str:
        """Why a jog from there leads beyond the soft limits, or an empty text; nobody knows without a homing."""
        name = step.jog.axis
        axis, per_mm = self._machine.axes[name], self._machine.quanta_per_mm(name)
        begin_mm = planned_quanta[AXES.index(name)] / per_mm
        end_mm = begin_mm + step.jog.distance_mm

        def outside_mm(place_mm: float) -> float:
            return max(axis.min_mm - place_mm, place_mm - axis.max_mm, 0.0)

        # A jog may lead back from beyond a soft limit, never further out.
        if self.offset_counts is None or outside_mm(end_mm) <= outside_mm(begin_mm):
            return ""
        return (
            f"jog: axis {name}: expected an end from {axis.min_mm:g} to {axis.max_mm:g} mm, got {end_mm:.1f}"
        )

    def _plan(self, start: tuple[int, int], target: tuple[int, int]) -> Schedule:
        schedule = self._planner(self._machine, start, target)
        end = schedule.boundaries_quanta()[-1]
        if schedule.start_quanta != start or (int(end[0]), int(end[1])) != target:
            raise RuntimeError(
                f"move: expected a plan from {start} to {target}, "
                f"got one from {schedule.start_quanta} to {(int(end[0]), int(end[1]))}"
            )
        return schedule
