"""What the service asks of whatever streams: real processes on a wire, or the same code in virtual time.

Owns the boundary and what both sides of it share: the spec of a run and its recorder. Decides nothing.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Literal, Protocol

import numpy as np
import numpy.typing as npt

from controller.session.prepared import PreparedPass
from controller.session.recorder import Advance, Recorder
from controller.session.rows import RunRow
from controller.session.strokewatch import StrokeWatch
from controller.stream.ring import Ring
from controller.stream.spec import AxisHomingResult, StreamOutcome, StreamSpec, Task

PauseAt = Literal["stroke-end", "path"]
"""Where a run ends for a pause: when the pen has come up from the stroke in work, or at once on the path, pen up."""


def _no_strokes(_strokes: list[tuple[int, int]]) -> None:
    """Nobody waits for strokes."""


def _no_records(_records: npt.NDArray[np.void]) -> None:
    """Nobody looks at ticks."""


def _no_advance(_advance: Advance) -> None:
    """Nobody watches."""


@dataclass(frozen=True, slots=True)
class Order:
    """One run to be done: what to stream, and whom to tell."""

    run: RunRow
    tasks: tuple[Task, ...]
    offset_counts: tuple[float, float] | None = None
    previous_homing: tuple[AxisHomingResult, ...] = ()
    watches: tuple[StrokeWatch, ...] = ()
    meta: Mapping[str, Any] = field(default_factory=dict)
    on_strokes: Callable[[list[tuple[int, int]]], None] = _no_strokes
    on_advance: Callable[[Advance], None] = _no_advance
    on_records: Callable[[npt.NDArray[np.void]], None] = _no_records


class Runner(Protocol):
    """Streams orders, one at a time. Every method but ``ask_stop``, ``ask_pause`` and ``stop_now`` may wait."""

    @property
    def clock(self) -> Literal["real", "virtual"]:
        """Which clock the runs go by."""
        ...

    async def open(self) -> None:
        """Bring up what must live before any motion: the guard, and the simulated gantry where there is one."""
        ...

    async def run(self, order: Order) -> StreamOutcome:
        """Stream ``order`` to its end, whichever it is. Never raises for what the machine does."""
        ...

    def ask_stop(self) -> None:
        """Ask for a controlled stop of the present run: decelerate on the path, raise the pen, end."""
        ...

    def ask_pause(self, at: PauseAt) -> None:
        """Ask the present run to end there; a stop may still follow."""
        ...

    def stop_now(self, reason: str, by: str) -> None:
        """Have the guard stop the axes at once and latch."""
        ...

    async def load_pen(self, part: PreparedPass) -> None:
        """Let the simulated person put the pen in; nothing on a real machine, where a person has done it."""
        ...

    async def close(self) -> None:
        """End everything that ``open`` brought up. Never raises."""
        ...


def spec_of(
    order: Order, *, machine_path: Path, channel: str, ring_path: Path, beat_socket: Path | None,
    latch_path: Path, service_pid: int | None, trace: tuple[Path, int] | None = None,
    head_channel: str | None = None,
) -> StreamSpec:  # fmt: skip
    """The streamer's spec for an order; written beside its log for whoever looks later.

    ``trace``: where the wire is put down, and into how many MiB.
    """
    spec = StreamSpec(
        run=order.run.folder.name,
        machine_file=str(machine_path),
        channel=channel,
        head_channel=head_channel,
        tasks=order.tasks,
        ring_path=str(ring_path),
        guard_socket=str(beat_socket) if beat_socket is not None else None,
        latch_path=str(latch_path),
        offset_counts=order.offset_counts,
        previous_homing=order.previous_homing,
        service_pid=service_pid,
        trace_path=None if trace is None else str(trace[0]),
        trace_mib=0 if trace is None else trace[1],
    )
    (order.run.folder / "spec.json").write_text(spec.model_dump_json(indent=1) + "\n")
    return spec


def recorder_of(order: Order, ring: Ring) -> Recorder:
    """The recorder of an order, its log begun."""
    recorder = Recorder(
        ring, order.run.folder / "timing.gtl", order.meta, order.watches, order.on_strokes, order.on_advance,
        order.on_records,
    )  # fmt: skip
    recorder.open()
    return recorder


def keep_outcome(order: Order, outcome: StreamOutcome) -> None:
    """Write the outcome beside the log."""
    (order.run.folder / "outcome.json").write_text(outcome.model_dump_json(indent=1) + "\n")
