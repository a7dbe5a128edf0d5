"""What a run asks of the machine, added up from its ticks as they come. Pure.

Owns the sums and what is carried from one batch of records to the next. Ways and reversals are those of the plan: the
trim's small corrections of a drive at rest wear nothing.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import numpy.typing as npt

from controller.config.machine import AXES, Machine
from controller.session.penrows import SumsRow
from controller.stream.timinglog import tick_blocks

_STATE_MASK, _OPERATION_ENABLED = 0x6F, 0x27
"""Of the statusword, IEC 61800-7-201: bits of the state, and those of an enabled drive."""


class RunSums:
    """Sums of one run. ``take`` its records of TICK_DTYPE in order, then ``row``."""

    def __init__(self, machine: Machine) -> None:
        self._per_mm = np.abs([machine.quanta_per_mm(axis) for axis in AXES])
        self._tick_s = machine.tick_ns * 1e-9
        self.ticks = self.powered = self.moving = self.down = self.lifts = 0
        self._way = np.zeros(2, dtype=np.int64)
        self._reversals = np.zeros(2, dtype=np.int64)
        self._sign = np.zeros(2, dtype=np.int64)
        self._head = 0
        self._up_now = self._up_longest = 0

    def take(self, records: npt.NDArray[np.void]) -> None:
        """Add these."""
        if not len(records):
            return
        velocity = records["velocity_units"].astype(np.int64) - records["trim_units"]
        head = records["head"].astype(np.int64)
        enabled = (records["statusword"] & _STATE_MASK) == _OPERATION_ENABLED
        self.ticks += len(records)
        self.powered += int(enabled.all(axis=1).sum())
        self.moving += int((velocity != 0).any(axis=1).sum())
        self.down += int(head.sum())
        self.lifts += int((np.diff(head, prepend=self._head) < 0).sum())
        self._head = int(head[-1])
        self._way += np.abs(velocity).sum(axis=0)
        for axis in (0, 1):
            signs = np.sign(velocity[:, axis])
            signs = np.concatenate([[self._sign[axis]], signs])
            signs = signs[signs != 0]
            self._reversals[axis] += int((np.diff(signs) != 0).sum())
            if len(signs):
                self._sign[axis] = signs[-1]
        self._raised(head)

    def _raised(self, head: npt.NDArray[np.int64]) -> None:
        touches = np.flatnonzero(head)
        if not len(touches):
            self._up_now += len(head)
            self._up_longest = max(self._up_longest, self._up_now)
            return
        between = np.diff(touches) - 1
        longest = max(self._up_now + int(touches[0]), int(between.max(initial=0)))
        self._up_now = len(head) - 1 - int(touches[-1])
        self._up_longest = max(self._up_longest, longest, self._up_now)

    def row(self, run: int, pen: int | None, painted_mm: float) -> SumsRow:
        """The sums of run ``run``, painted with ``pen``."""
        tick_s = self._tick_s
        return SumsRow(
            run=run, pen=pen, ticks=self.ticks, powered_s=self.powered * tick_s, moving_s=self.moving * tick_s,
            down_s=self.down * tick_s, up_s=(self.ticks - self.down) * tick_s,
            longest_up_s=self._up_longest * tick_s, last_up_s=self._up_now * tick_s, lifts=self.lifts,
            x_mm=float(self._way[0] / self._per_mm[0]), y_mm=float(self._way[1] / self._per_mm[1]),
            x_reversals=int(self._reversals[0]), y_reversals=int(self._reversals[1]), painted_mm=painted_mm,
        )  # fmt: skip


def sums_of_log(machine: Machine, path: Path, run: int) -> SumsRow:
    """The sums of a run by its timing log, without a pen. Raises OSError or TimingLogError."""
    sums = RunSums(machine)
    for records in tick_blocks(path):
        sums.take(records)
    return sums.row(run, None, 0.0)
