"""One life of the stream around its loop, the same in real and in virtual time.

Owns the order of things: latch, set-up, enable, *arm, then motion*; ticks under the guard; standstill, *disarm, then
power off*. Knows drives only as a ``DriveGroup``, the guard only as ``Beats``, time only as a ``Clock``. Whatever
goes wrong once armed, the first act is ``group.abort()``; and since no DISARM was said, the guard stops the machine
as well.

The guard is armed after the drives have been enabled, because enabling blocks and does not move; it is disarmed
before they are disabled for the same reason: between, standstill has been measured at zero velocity and the
drives' own heartbeat time-out stands watch.
"""

from __future__ import annotations

import traceback
from collections.abc import Callable
from pathlib import Path

from controller.config.errors import LATCHED, InputError, RefusedError, code_of
from controller.config.machine import AXES, Machine
from controller.stream.host import HostRights, stolen_ms
from controller.stream.loop import HaltError, StopFlag, StreamLoop
from controller.stream.prepare import prepare_steps
from controller.stream.ring import Ring
from controller.stream.spec import HomingTask, StreamOutcome, StreamSpec
from controller.stream.tasks import TaskQueue
from controller.stream.trim import stability_margin
from drivers.clock import Clock
from drivers.errors import DriverError
from drivers.interface import DriveGroup, TellsNotes
from safety import latch
from safety.client import Beats


def run_stream(
    spec: StreamSpec,
    machine: Machine,
    group: DriveGroup,
    clock: Clock,
    ring: Ring,
    beats: Beats,
    *,
    stop: StopFlag | None = None,
    claim: Callable[[], HostRights] | None = None,
    on_ready: Callable[[HostRights], None] | None = None,
    lead_ns: int = 0,
    waker: Clock | None = None,
    service_gone: Callable[[], bool] | None = None,
) -> StreamOutcome:
    """Do the tasks of ``spec`` and say how it ended. Never raises for what a machine or a person can cause.

    ``claim`` asks the host for its rights once imports, compilation and the drives' set-up are over: at real-time
    priority those would starve whatever else ticks on that core, another machine's streamer for one. ``lead_ns``:
    how long before each instant the work of a tick begins (0 in virtual time); ``waker`` is the clock that wakes
    for it (``clock`` if None), which need not be exact and so need not spin. ``on_ready`` is called when the guard
    is armed, before the first tick. ``service_gone`` says whether the process that started this one has ended. The
    caller closes ``beats`` and ``group`` afterwards; after ``halted`` it says the stop again before that
    (``stopagain.keep_stopping``).

    A drive that sits in a fault is acknowledged only on the way to a homing: there no latch stands any more, so a
    person has seen the reason, and nothing is believed of the positions. Any other task is refused with the fault.
    """
    host = HostRights(False, -1, ())
    stop = stop or StopFlag()

    def refused(reason: str, *, code: str) -> StreamOutcome:
        return StreamOutcome(
            end="refused", reason=reason, code=code, realtime=host.realtime, notes=host.notes
        )

    standing = latch.read(Path(spec.latch_path))
    if standing is not None:
        return refused(
            f"a latch stands ({standing.reason}: {standing.text}). A person must clear it first", code=LATCHED
        )
    try:
        queue = TaskQueue(spec, machine, prepare_steps(spec, machine))
        _refuse_wild_trim(machine)
        queue.warm_up()
    except (RefusedError, InputError) as error:
        return refused(str(error), code=code_of(error))
    if group.axes != AXES:
        return refused(f"expected drives for axes {AXES}, got {group.axes}", code="driver-misuse")
    loop = StreamLoop(machine, group, clock, ring, beats, queue, stop, lead_ns, waker, service_gone)
    acknowledged: tuple[str, ...] = ()
    stolen_before_ms = 0.0
    try:
        group.configure()
        if isinstance(spec.tasks[0], HomingTask):
            acknowledged = group.clear_fault()
        if claim is not None:
            host = claim()
            stolen_before_ms = stolen_ms(host.core)
        group.enable()
    except DriverError as error:
        group.abort()
        return refused(f"drives: {error}", code=error.code)
    except BaseException:
        group.abort()
        raise
    try:
        hindrance = loop.hindrance()
        if hindrance:
            group.disable()
            return refused(hindrance, code="machine-not-ready")
        if not loop.arm():
            group.disable()
            return refused(f"the guard did not arm: {_guard_words(beats, spec)}", code="guard-not-armed")
        if on_ready is not None:
            on_ready(host)
        loop.run()
        ending, reason, code = loop.ending, loop.reason, queue.code
        if not beats.disarm(clock.now_ns(), loop.tick):
            raise HaltError("the guard did not take the disarm word", code="guard-silent")
        group.disable()
    except BaseException as error:  # noqa: BLE001
        # Whatever it was, even a bug of ours: stop first, then say it.
        group.abort()
        loop.last_word()
        ending, reason, code = "halted", _describe(error, beats, spec), code_of(error)
        if pen := loop.pen_words():
            reason = f"{reason}; {pen}"
    return StreamOutcome(
        end=ending,
        reason=reason,
        code=code if ending in ("halted", "failed") else "",
        tick=max(0, loop.tick - 1),
        segment=loop.last_segment,
        homing=queue.homing,
        realtime=host.realtime,
        notes=(
            *host.notes,
            *(f"acknowledged before homing: {fault}" for fault in acknowledged),
            *(group.notes if isinstance(group, TellsNotes) else ()),
            *queue.notes,
            *loop.notes(),
            *(_stolen_words(host.core, stolen_before_ms) if loop.late_ticks and claim is not None else ()),
        ),
    )


def _stolen_words(core: int, before_ms: float) -> tuple[str, ...]:
    """What late ticks may come from that no program inside can mend."""
    stolen = stolen_ms(core) - before_ms
    if stolen <= 0.0:
        return ()
    return (
        f"this computer is a virtual one, and its host kept core {core} from it for {stolen:.0f} ms meanwhile",
    )


def _refuse_wild_trim(machine: Machine) -> None:
    for name in AXES:
        axis = machine.axes[name]
        margin = stability_margin(
            machine.trim.gain_per_s, axis.loop_lag_ms * 1e-3, machine.tick_ns * 1e-9, axis.latency_ms * 1e-3
        )
        if margin > 1.0:
            raise RefusedError(
                f"trim.gain_per_s: expected at most {machine.trim.gain_per_s / margin:.3g} with lag and latency of "
                f"axis {name} and this tick, got {machine.trim.gain_per_s}",
                "Lower the gain: a higher one makes the axes swing",
                code="trim-gain",
            )


def _guard_words(beats: Beats, spec: StreamSpec) -> str:
    """Why the guard is against motion, as far as it has said so."""
    standing = latch.read(Path(spec.latch_path))
    if standing is not None:
        return f"{standing.reason}: {standing.text}"
    if beats.latched:
        return "it has stopped, the reason is not written yet"
    return "its line is closed" if beats.gone else "no answer"


def _describe(error: BaseException, beats: Beats, spec: StreamSpec) -> str:
    """One sentence for a person; a bug of ours also leaves its traceback on standard error."""
    if isinstance(error, HaltError):
        return f"{error} ({_guard_words(beats, spec)})" if beats.latched or beats.gone else str(error)
    if isinstance(error, DriverError):
        return f"drives: {error}"
    traceback.print_exception(error)
    return f"{type(error).__name__}: {error}"
