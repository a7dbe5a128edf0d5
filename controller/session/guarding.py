"""What the guard is told of a machine: limits from the machine file, stop bytes from the driver. Pure."""

from __future__ import annotations

from dataclasses import asdict
from math import ceil, floor

from controller.config.machine import AXES, Machine
from controller.config.places import StateDir
from controller.session.stopinputs import gpio_inputs, guards_inputs, power_cut
from drivers.interface import StopPlan
from safety.settings import GuardSettings, StandstillAxis

SPEED_MARGIN = 1.1
"""The guard allows an axis this much of its top speed: trim and the loop's own overshoot are no emergency."""

LEASE_MARGIN_MS = 1.0
"""A lease is counted from the streamer's instant of sending; clocks agree, roundings may not."""


OVERRUN_OF_LEASE = 0.5
"""A guard that is run later than this share of the lease no longer trusts itself: it would see an end too late."""


def guard_settings(machine: Machine, state: StateDir, plan: StopPlan, service_pid: int) -> GuardSettings:
    """The guard's settings.

    The envelope is the soft limits widened by the following error that is allowed there; units um and um/s.
    """
    axes = [machine.axes[name] for name in AXES]
    low_high = [
        (
            floor((axis.min_mm - axis.following_error_max_mm) * 1000.0),
            ceil((axis.max_mm + axis.following_error_max_mm) * 1000.0),
        )
        for axis in axes
    ]
    return GuardSettings(
        wire_kind=plan.kind,
        wire_channel=plan.channel,
        end_frame_hex=plan.end_frame.hex(),
        stop_frames_hex=tuple(frame.hex() for frame in plan.frames),
        poll_frame_hex=plan.poll_frame.hex(),
        standstill=tuple(StandstillAxis(**asdict(word)) for word in plan.standstill),
        silence_us=plan.silence_us,
        answer_us=plan.answer_us,
        stop_rest_us=plan.stop_rest_us,
        polls_stop=plan.polls_stop,
        handle=plan.handle,
        beat_socket=str(state.beat_socket),
        stop_socket=str(state.stop_socket),
        latch_path=str(state.latch),
        event_path=str(state.root / "guard-events.jsonl"),
        service_pid=service_pid,
        lease_max_ms=machine.lease.lease_ms + LEASE_MARGIN_MS,
        beat_late_ms=machine.lease.beat_late_ms,
        overrun_ms=OVERRUN_OF_LEASE * machine.lease.lease_ms,
        feedback_late_ms=machine.lease.feedback_late_ms,
        tick_ms=machine.tick_us / 1000.0,
        inputs=guards_inputs(machine),
        power_cut=power_cut(machine),
        input_socket=str(state.input_socket) if gpio_inputs(machine) else "",
        envelope_um=(low_high[0], low_high[1]),
        speed_max_um_s=_pair([axis.speed_max_mm_s * 1000.0 * SPEED_MARGIN for axis in axes]),
        following_max_um=_pair([axis.following_error_max_mm * 1000.0 for axis in axes]),
        stop_um_s2=_pair([axis.drive.quick_stop_mm_s2 * 1000.0 for axis in axes]),
    )


def _pair(values: list[float]) -> tuple[int, int]:
    return round(values[0]), round(values[1])
