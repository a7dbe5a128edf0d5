"""The only timed loop: tick k leaves at instant k.

Owns one tick: read, check, listen to the guard, step, trim, send, beat, record. Knows drives only as a
``DriveGroup``, the guard only as ``Beats``, time only as a ``Clock``; what is streamed comes from ``TaskQueue``.

Everything that needs thought happens before the instant (``lead_ns`` early). At the instant only the send is left;
the lease and the record follow it. A late tick is sent at once and the next keeps its own instant; ticks whose
instants have passed meanwhile follow at once too: the machine has moved on in that time, and the plan's place
is where it should be. ``sent_ns`` is taken immediately before the frames are handed to the wire.

The drives answer SYNC k with what they sampled at that SYNC. Normally the answer is there when tick k + 1 is
prepared, and answers are counted: one complete round a SYNC. When a round is late or lost, the reading is
ascribed to the recent tick whose expectation it fits best; the readings of ticks that left more than a tick late
are not used, because the plan behind them has been overtaken, nor are those of a send that took so long that nobody
knows when its SYNC left.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Literal

from controller.config.machine import AXES, Machine
from controller.stream.axisstate import HISTORY, AxisState
from controller.stream.prepare import Limits
from controller.stream.programs import LIMITS, HomingProgram, Program, Seen
from controller.stream.ring import Ring
from controller.stream.tasks import TaskQueue
from controller.stream.watch import MachineWatch
from drivers.clock import NS_PER_MS, NS_PER_S, Clock
from drivers.head import HEAD_DOWN, HEAD_UP, HeadVerdict, HeadWatch, TellsPen, fits, reader_of
from drivers.interface import DriveGroup
from safety.beat import FRESH, REGISTERED
from safety.client import Beats

FLAG_FRESH, FLAG_STOPPING, FLAG_SATURATED = 1, 2, 4
REST_TICKS = 5
REST_MM_S = 0.1
REST_COUNTS = 2
REST_TIMEOUT_NS = 3 * NS_PER_S
LATE_NOTE_NS = NS_PER_MS
SEND_DOUBT_NS = NS_PER_MS // 2
_MASK = HISTORY - 1

Ending = Literal["done", "stopped", "failed", "halted", "refused"]


class StopFlag:
    """What signals have asked for: a controlled stop (``asked``), an end after the stroke in work (``stroke_end``), or
    to stop by every means (``abort``)."""

    __slots__ = ("abort", "asked", "stroke_end")

    def __init__(self) -> None:
        self.asked = False
        self.stroke_end = False
        self.abort = False


class HaltError(Exception):
    """The loop found a reason to stop by every means; ``code`` is the catalogue's entry for it."""

    def __init__(self, reason: str, *, code: str) -> None:
        self.code = code
        super().__init__(reason)


class StreamLoop:
    """Ticks from the first to the last. ``arm``, then ``run``; any exception out of ``run`` means: abort.

    ``tick``: ticks sent so far. ``last_segment``: the schedule's segment of the last tick that had one.
    """

    def __init__(
        self,
        machine: Machine,
        group: DriveGroup,
        clock: Clock,
        ring: Ring,
        beats: Beats,
        queue: TaskQueue,
        stop: StopFlag,
        lead_ns: int = 0,
        waker: Clock | None = None,
        service_gone: Callable[[], bool] | None = None,
    ) -> None:
        """``service_gone`` says whether the process that started the stream has ended; looked at once a tick."""
        self.tick = 0
        self.last_segment = -1
        self.ending: Ending = "done"
        self.reason = ""
        self.late_ticks = 0
        self.latest_ns = 0
        self._group = group
        self._clock = clock
        self._ring = ring
        self._beats = beats
        self._queue = queue
        self._stop = stop
        self._lead_ns = lead_ns
        self._waker = waker or clock
        self._service_gone = service_gone
        self._tick_ns = machine.tick_ns
        self._lease_ns = round(machine.lease.lease_ms * NS_PER_MS)
        self._guard_late_ns = round(machine.lease.guard_late_ms * NS_PER_MS)
        self._feedback_late_ns = round(machine.lease.feedback_late_ms * NS_PER_MS)
        limits = Limits.of(machine)
        self._x, self._y = (AxisState(machine, name, index, limits) for index, name in enumerate(AXES))
        self._rest_counts = rest_counts(machine)
        self._watch = MachineWatch(machine, group.feedback, self._rest_counts)
        self._head = HeadWatch(machine.head)
        self._head_reader = reader_of(machine.head, group)
        self._head_settings = machine.head
        self._seen = Seen([0, 0], [0, 0])
        self._program: Program | None = None
        self._anchored: tuple[float, float] | None = None
        self._closing = False
        # The tick in preparation.
        self._plan_x = self._plan_y = 0
        self._trim_x = self._trim_y = 0
        self._repay_x = self._repay_y = 0
        self._outputs = 0
        self._segment = -1
        self._flags = 0
        # Readings.
        self._armed_ns = 0
        self._rounds = 0  # complete rounds seen so far
        self._awaited = 0  # SYNCs sent whose rounds have not been seen
        self._usable = [True] * HISTORY
        self._trimmable = False
        self._still = 0
        self._idle_since_ns = 0

    def hindrance(self) -> str:
        """Why nothing may move, seen before the guard is armed: an open stop input, a drive out of operation."""
        self._group.poll()
        return self._watch.look(self._clock.now_ns())

    def arm(self) -> bool:
        """Put the machine under the guard. False: it refused; nothing may move."""
        self._group.poll()
        now_ns = self._clock.now_ns()
        self._armed_ns = self._idle_since_ns = now_ns
        return self._beats.arm(now_ns, now_ns + self._lease_ns)

    def run(self) -> None:
        """All tasks, then standstill. Raises HaltError or what the drives raised; then abort."""
        clock, lead_ns, tick_ns = self._clock, self._lead_ns, self._tick_ns
        start_ns = clock.now_ns() + 2 * tick_ns
        self._rounds = self._group.feedback.sequence
        for index, (axis, word) in enumerate(zip((self._x, self._y), self._group.feedback.axes, strict=True)):
            self._seen.position_counts[index] = word.position_counts
            # Until the machine has been seen at rest, where it stands now is all that is expected.
            axis.anchor(word.position_counts, word.position_counts)
        tick = 0
        while True:
            instant_ns = start_ns + tick * tick_ns
            self._waker.sleep_until_ns(instant_ns - lead_ns)
            if not self._prepare(tick):
                return
            if lead_ns:
                clock.sleep_until_ns(instant_ns)
            self._send(tick, instant_ns)
            tick += 1
            self.tick = tick

    def last_word(self) -> None:
        """After an abort: when the drives gave the reason, the guard gets to know it. Never blocks, never raises."""
        if self._watch.flags:
            now_ns = self._clock.now_ns()
            numbers = self._beat_numbers(self._x.sent_units, self._y.sent_units)
            self._beats.beat(now_ns, now_ns + self._lease_ns, self.tick, *numbers)

    def pen_words(self) -> str:
        """After an abort, where a pen was down or on its way: what became of it. Empty where it was up."""
        word = self._head_reader.read()
        if self._head.goal != HEAD_DOWN and fits(self._head_settings, word, HEAD_UP):
            return ""
        if isinstance(self._group, TellsPen) and not self._group.is_pen_told_up:
            return "the pen could not be told to rise: its line is dead. It may still press: look before anything moves"
        return "the pen was told to rise and has not answered yet: look before anything moves"

    def notes(self) -> tuple[str, ...]:
        """What a person should know of how punctual the loop was, and of what it could not watch."""
        notes = self._watch.notes() if self.tick else ()
        if not self.late_ticks:
            return notes
        text = (
            f"{self.late_ticks} of {self.tick} ticks left more than {LATE_NOTE_NS / NS_PER_MS:g} ms late, "
            f"the latest {self.latest_ns / NS_PER_MS:.1f} ms"
        )
        return (*notes, text)

    # One tick: before its instant.

    def _prepare(self, tick: int) -> bool:
        """Everything but the send. False when all is done and the machine stands."""
        self._group.poll()
        now_ns = self._clock.now_ns()
        self._look(tick, now_ns)
        self._listen(now_ns)
        if self._stop.abort:
            raise HaltError("a second stop signal came: stopped by every means", code="second-stop")
        if self._program is None:
            if not self._idle(now_ns):
                return False
        else:
            self._step(self._program, now_ns)
        self._check_and_trim()
        return True

    def _look(self, tick: int, now_ns: int) -> None:
        """Take the drives' latest words; raise HaltError when one of them is no reason to go on."""
        feedback = self._group.feedback
        word_x, word_y = feedback.axes
        trouble = self._watch.look(now_ns)
        if trouble:
            raise HaltError(trouble, code=self._watch.code)
        for name, word in (("x", word_x), ("y", word_y)):
            if now_ns - max(word.received_ns, self._armed_ns) > self._feedback_late_ns:
                raise HaltError(
                    f"axis {name}: expected an answer within {self._feedback_late_ns / NS_PER_MS:g} ms, got silence",
                    code="drive-silent",
                )
        seen = self._seen
        fresh = feedback.sequence - self._rounds
        self._rounds = feedback.sequence
        seen.fresh = fresh > 0
        self._trimmable = False
        if fresh <= 0:
            return
        position_x, position_y = word_x.position_counts, word_y.position_counts
        before = seen.position_counts
        rest = self._rest_counts
        if abs(position_x - before[0]) <= rest[0] and abs(position_y - before[1]) <= rest[1]:
            self._still += 1
        else:
            self._still = 0
        before[0], before[1] = position_x, position_y
        if self._anchored is not None:
            self._refuse_limits(word_x.inputs, word_y.inputs)
        seen.inputs[0], seen.inputs[1] = word_x.inputs, word_y.inputs
        self._ascribe(tick, fresh, position_x, position_y)
        trouble = self._watch.stuck(0, self._x.sent_units, position_x) or self._watch.stuck(
            1, self._y.sent_units, position_y
        )
        if trouble:
            raise HaltError(trouble, code="no-motion")
        verdict = self._head.observe(self._head_reader.read(), now_ns)
        if verdict is HeadVerdict.LOST:
            wanted = "down" if self._head.goal else "up"
            raise HaltError(f"head: expected it {wanted}, got {self._head.why}", code="head-lost")
        seen.head_settled = verdict is HeadVerdict.SETTLED

    def _refuse_limits(self, inputs_x: int, inputs_y: int) -> None:
        """A limit switch that closes is no part of any plan. One that is closed already may be driven away from."""
        for name, inputs, before in zip(AXES, (inputs_x, inputs_y), self._seen.inputs, strict=True):
            if inputs & ~before & LIMITS:
                raise HaltError(
                    f"axis {name}: a limit switch was reached (inputs {inputs:#010x})", code="limit-reached"
                )

    def _ascribe(self, tick: int, fresh: int, position_x: int, position_y: int) -> None:
        """Find the tick whose round this is, and the error that it shows."""
        if tick == 0:
            return
        x, y = self._x, self._y
        newest = tick - 1
        best = newest
        if fresh < self._awaited:
            oldest = max(newest - min(self._awaited, HISTORY) + 1, 0)
            best_miss = float("inf")
            for candidate in range(newest, oldest - 1, -1):
                miss = abs(x.deviation(candidate, position_x)) + abs(y.deviation(candidate, position_y))
                if miss < best_miss:
                    best, best_miss = candidate, miss
        self._awaited = newest - best
        if not self._usable[best & _MASK]:
            return
        self._trimmable = True
        x.take(best, position_x)
        y.take(best, position_y)
        for axis in (x, y):
            if abs(axis.error_counts) > axis.following_max_counts:
                raise HaltError(
                    f"axis {axis.name}: expected a following error up to "
                    f"{axis.following_max_counts / abs(axis.counts_per_mm):g} mm, "
                    f"got {axis.error_counts / axis.counts_per_mm:+.3f} mm",
                    code="following-error",
                )

    def _listen(self, now_ns: int) -> None:
        """No guard, no motion; nor without the service, which would have the guard's stop after it."""
        if self._service_gone is not None and self._service_gone():
            raise HaltError("the service that started this run is gone", code="service-gone")
        beats = self._beats
        _, echo_ns = beats.poll_echo()
        if beats.latched:
            raise HaltError("the guard has stopped the machine", code="guard-stopped")
        if beats.gone:
            raise HaltError("the guard's line is closed", code="guard-silent")
        silent_ns = now_ns - max(echo_ns, self._armed_ns)
        if silent_ns > self._guard_late_ns:
            raise HaltError(
                f"expected a word of the guard within {self._guard_late_ns / NS_PER_MS:g} ms, "
                f"got none for {silent_ns / NS_PER_MS:.1f} ms",
                code="guard-silent",
            )

    def _idle(self, now_ns: int) -> bool:
        """Zero velocity, pen up; at rest take the next program. False when there is nothing left."""
        self._plan_x = self._plan_y = 0
        self._outputs = 0
        self._segment = -1
        if self._still < REST_TICKS or not self._seen.head_settled or self._head.goal is None:
            if now_ns - self._idle_since_ns > REST_TIMEOUT_NS:
                raise HaltError(
                    "expected standstill with the pen up, got an axis that does not come to rest",
                    code="no-standstill",
                )
            return True
        self._idle_since_ns = now_ns
        if self._closing:
            return False
        if self._stop.asked or self._stop.stroke_end:
            self.ending, self.reason = "stopped", self._asked_for()
            return False
        if self._queue.is_empty:
            return False
        x, y = self._x, self._y
        position_x, position_y = self._seen.position_counts
        offset = self._queue.offset_counts
        if offset is not None and offset != self._anchored:
            x.anchor(offset[0], position_x)
            y.anchor(offset[1], position_y)
            self._anchored = offset
        program = self._queue.next_program((x.planned_quanta, y.planned_quanta))
        if isinstance(program, HomingProgram):
            x.anchor(position_x, position_x)
            y.anchor(position_y, position_y)
            self._anchored = None
        self._program = program
        return True

    def _step(self, program: Program, now_ns: int) -> None:
        if self._stop.asked and not program.stopping:
            program.request_stop()
        elif self._stop.stroke_end and not program.ending:
            program.request_end()
        if program.step(self._seen):
            self._plan_x, self._plan_y = program.velocity_x, program.velocity_y
            self._outputs = program.head
            self._segment = program.segment
            if program.segment >= 0:
                self.last_segment = program.segment
            return
        self._plan_x = self._plan_y = 0
        self._outputs = 0
        self._segment = -1
        trouble = self._queue.finish(program)
        if trouble:
            self._closing = True
            self.ending, self.reason = "failed", trouble
        elif program.stopping or program.ending:
            self._closing = True
            self.ending, self.reason = "stopped", self._asked_for()
        self._program = None
        self._still = 0
        self._idle_since_ns = now_ns

    def _asked_for(self) -> str:
        return (
            "a controlled stop was asked for" if self._stop.asked else "an end after the stroke was asked for"
        )

    def _check_and_trim(self) -> None:
        x, y = self._x, self._y
        program = self._program
        registered = self._anchored is not None
        if registered:
            for axis, velocity in ((x, self._plan_x), (y, self._plan_y)):
                if axis.goes_outside(velocity):
                    raise HaltError(
                        f"axis {axis.name}: expected a plan within the soft limits, got one beyond",
                        code="plan-beyond-limits",
                    )
        self._trim_x = self._trim_y = 0
        self._repay_x = x.debt.units() if registered else 0
        self._repay_y = y.debt.units() if registered else 0
        flags = FLAG_FRESH if self._seen.fresh else 0
        if program is not None and program.stopping:
            flags |= FLAG_STOPPING
        if registered and self._trimmable:
            self._trim_x = x.trim.units(x.error_counts)
            self._trim_y = y.trim.units(y.error_counts)
            if x.trim.saturated or y.trim.saturated:
                flags |= FLAG_SATURATED
        self._flags = flags
        self._trim_x += self._repay_x
        self._trim_y += self._repay_y
        for axis, velocity in ((x, self._plan_x + self._trim_x), (y, self._plan_y + self._trim_y)):
            if not -axis.speed_max_units <= velocity <= axis.speed_max_units:
                raise HaltError(
                    f"axis {axis.name}: expected at most {axis.speed_max_units} units, got {velocity}",
                    code="plan-beyond-limits",
                )

    # One tick: at its instant and after.

    def _send(self, tick: int, instant_ns: int) -> None:
        x, y = self._x, self._y
        velocity_x, velocity_y = self._plan_x + self._trim_x, self._plan_y + self._trim_y
        outputs = self._outputs
        sent_ns = self._clock.now_ns()
        late_ns = sent_ns - instant_ns
        if late_ns > self._lease_ns:
            raise HaltError(
                f"tick {tick} would leave {late_ns / NS_PER_MS:.1f} ms late: the lease of "
                f"{self._lease_ns / NS_PER_MS:g} ms has run out",
                code="tick-late",
            )
        self._group.send_tick((velocity_x, velocity_y), outputs)
        took_ns = self._clock.now_ns() - sent_ns
        renewed = self._beats.beat(
            sent_ns,
            sent_ns + self._lease_ns,
            tick,
            *self._beat_numbers(velocity_x, velocity_y),
        )
        if not renewed:
            raise HaltError(
                "expected the guard to take the beat, got a full or closed line", code="guard-silent"
            )
        x.commit(tick, self._plan_x, late_ns)
        y.commit(tick, self._plan_y, late_ns)
        late_share = max(0, late_ns) / self._tick_ns
        x.debt.settle(x.sent_units, velocity_x, self._repay_x, late_share)
        y.debt.settle(y.sent_units, velocity_y, self._repay_y, late_share)
        x.sent_units, y.sent_units = velocity_x, velocity_y
        # A reading is worth as much as the instant of its SYNC is known.
        self._usable[tick & _MASK] = late_ns <= self._tick_ns and took_ns <= SEND_DOUBT_NS
        self._awaited += 1
        if outputs != self._head.goal:
            self._head.command(outputs, sent_ns)
            self._seen.head_settled = False
        if late_ns > LATE_NOTE_NS:
            self.late_ticks += 1
            self.latest_ns = max(self.latest_ns, late_ns)
        word_x, word_y = self._group.feedback.axes
        positions = self._seen.position_counts
        self._ring.write(
            tick,
            instant_ns,
            sent_ns,
            min(word_x.received_ns, word_y.received_ns),
            velocity_x,
            velocity_y,
            self._trim_x,
            self._trim_y,
            round(x.expected_counts),
            round(y.expected_counts),
            positions[0],
            positions[1],
            word_x.statusword,
            word_y.statusword,
            self._segment,
            self._queue.task,
            outputs,
            self._flags,
        )

    def _beat_numbers(self, velocity_x: int, velocity_y: int) -> tuple[int, int, int, int, int, int, int]:
        """Positions, speeds and following errors in um and um/s of machine mm, and the flags."""
        x, y = self._x, self._y
        flags = self._watch.flags | (FRESH if self._seen.fresh else 0)
        at_x = at_y = 0
        if self._anchored is not None:
            flags |= REGISTERED
            positions = self._seen.position_counts
            at_x = round((positions[0] - x.base_counts) * x.um_per_count)
            at_y = round((positions[1] - y.base_counts) * y.um_per_count)
        return (
            at_x,
            at_y,
            round(velocity_x * x.um_s_per_unit),
            round(velocity_y * y.um_s_per_unit),
            round(x.error_counts * x.um_per_count),
            round(y.error_counts * y.um_per_count),
            flags,
        )


def rest_counts(machine: Machine) -> list[float]:
    """Per axis: a change of position in one tick up to this is standstill (``REST_MM_S``, and the counter's steps)."""
    return [
        max(REST_COUNTS, REST_MM_S * machine.tick_ns * 1e-9 * float(machine.axes[axis].drive.counts_per_mm))
        for axis in AXES
    ]
