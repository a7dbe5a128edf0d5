"""Both axes' mechanics as the gantry uses them: time goes in, state rows come out, orders wait their latency.

Owns the choice between the two sets of equations: physics.py alone where every axis has a stiff belt and hears at
once (exact at any instant), elastic.py's grid as soon as one axis is honest about more. Knows no drive state.

``state`` (2, COLUMNS) is what the axes are like at ``now_ns``. On the grid the true state stands at the last instant
of the grid and ``state`` is a look ahead from it, so that looking changes nothing.
"""

from __future__ import annotations

import math

import numpy as np

from drivers.twin import elastic, physics
from drivers.twin.parameters import TwinAxis, TwinParameters
from drivers.twin.record import Recorder

_ORDERS_MAX = 2048
_KEPT = (
    physics.LIMIT,
    physics.TRIPPED,
    physics.HOME_CLOSED,
    physics.HOME_EDGE,
    physics.APPROACHES,
)  # fmt: skip
"""Columns that change on the grid only, so that a look ahead cannot trip a switch."""


def is_honest(axis: TwinAxis) -> bool:
    """Whether an axis needs the grid of elastic.py."""
    return bool(
        axis.belt is not None
        or axis.play_table is not None
        or axis.latency_ms
        or axis.latency_jitter_ms
        or axis.home_switch_drift_mm_h
    )


class OrderQueue:
    """Orders to both motors that have not acted yet. The arrays go straight into elastic.advance."""

    def __init__(self, axes: tuple[TwinAxis, ...], seeds: tuple[int, ...], room: int = _ORDERS_MAX) -> None:
        count = len(axes)
        self.dues = np.zeros((count, room), dtype=np.int64)
        self.orders = np.zeros((count, room, elastic.ORDER_COLUMNS), dtype=np.float64)
        self.pending = np.zeros((count, 2), dtype=np.int64)
        self._latency_ns = [round(axis.latency_ms * 1e6) for axis in axes]
        self._jitter_ns = [round(axis.latency_jitter_ms * 1e6) for axis in axes]
        self._seeds = seeds
        self._heard = [0] * count
        self._last_ns = [-(2**62)] * count

    def put(self, k: int, order: tuple[float, float, float, float], now_ns: int, *, late: bool) -> None:
        """One order to axis ``k``: acts after the latency, or at once where it comes from inside the drive."""
        pending = self.pending
        if pending[k, 1] == self.dues.shape[1]:
            self._make_room(k, 1)
        due_ns = now_ns
        if late:
            due_ns += self._latency_ns[k]
            if self._jitter_ns[k]:
                due_ns += elastic.shifted_ns(self._jitter_ns[k], self._seeds[k], self._heard[k])
            self._heard[k] += 1
        self._last_ns[k] = due_ns = max(self._last_ns[k], due_ns)
        end = int(pending[k, 1])
        self.dues[k, end] = due_ns
        self.orders[k, end] = order
        pending[k, 1] = end + 1

    def _make_room(self, k: int, wanted: int) -> None:
        """Forget what has acted already. Raises OverflowError when that is not enough."""
        begin, end = int(self.pending[k, 0]), int(self.pending[k, 1])
        waiting = end - begin
        self.dues[k, :waiting] = self.dues[k, begin:end].copy()
        self.orders[k, :waiting] = self.orders[k, begin:end].copy()
        self.pending[k] = 0, waiting
        if waiting + wanted > self.dues.shape[1]:
            raise OverflowError(f"orders: room for {self.dues.shape[1] - waiting} more, got {wanted}")

    def put_all(self, k: int, arrivals_ns: elastic.Instants, orders: elastic.Orders, *, late: bool) -> None:
        """Orders (n, ORDER_COLUMNS) that arrive at growing instants (n,). Raises OverflowError without room."""
        n = len(arrivals_ns)
        if n == 0:
            return
        if self.pending[k, 1] + n > self.dues.shape[1]:
            self._make_room(k, n)
        end = int(self.pending[k, 1])
        dues = elastic.due_instants(
            arrivals_ns,
            self._latency_ns[k] if late else 0,
            self._jitter_ns[k] if late else 0,
            self._seeds[k],
            self._heard[k],
            self._last_ns[k],
        )
        self._heard[k] += n if late else 0
        self._last_ns[k] = int(dues[-1])
        self.dues[k, end : end + n] = dues
        self.orders[k, end : end + n] = orders
        self.pending[k, 1] = end + n

    def grow(self, room: int) -> None:
        """Make room for ``room`` orders an axis beside those that wait."""
        needed = room + int((self.pending[:, 1] - self.pending[:, 0]).max())
        more = needed - self.dues.shape[1]
        if more > 0:
            self.dues = np.pad(self.dues, ((0, 0), (0, more)))
            self.orders = np.pad(self.orders, ((0, 0), (0, more), (0, 0)))

    def waits(self, k: int) -> bool:
        """Whether an order to axis ``k`` has not acted yet."""
        return bool(self.pending[k, 0] < self.pending[k, 1])


class Mechanism:
    """Two axes in time. ``start_ns``: power-on, from which warmth counts."""

    def __init__(self, parameters: TwinParameters, names: tuple[str, ...], start_ns: int) -> None:
        axes = tuple(parameters.axes[name] for name in names)
        seeds = tuple(parameters.seed * 1009 + k for k in range(len(names)))
        self.now_ns = start_ns
        self.birth_ns = start_ns
        self._grid_ns = start_ns // elastic.STEP_NS * elastic.STEP_NS
        self.state = np.stack(
            [physics.make_state(axis, seed) for axis, seed in zip(axes, seeds, strict=True)]
        )
        self.orders: OrderQueue | None = None
        self._true = self.state
        """The state on the grid, or the same as ``state`` where there is no grid."""
        if any(is_honest(axis) for axis in axes):
            self.orders = OrderQueue(axes, seeds)
            self._true = self.state.copy()

    @property
    def true_state(self) -> physics.State:
        """(2, COLUMNS) the state at the last instant of the grid, for who marches it on without this class."""
        return self._true

    def warm_up(self) -> None:
        """Compile now, on copies, so that the first frame does not wait for the compiler."""
        physics.warm_up(self.state)
        if self.orders is None:
            return
        elastic.shifted_ns(1, 1, 0)
        state, book = self.state.copy(), np.array([0, -1], dtype=np.int64)
        nothing = np.zeros_like(self.orders.pending)
        arrays = np.zeros(4, dtype=np.int64), np.zeros((4, physics.SAMPLE_COLUMNS)), book
        elastic.advance(
            state, state.copy(), self.orders.dues, self.orders.orders, nothing, 0, 0, elastic.STEP_NS, *arrays
        )
        elastic.step_axis(
            state[0], self.orders.dues[0], self.orders.orders[0], nothing[0], 0, elastic.STEP_NS, 0
        )

    def advance(self, until_ns: int, recorder: Recorder) -> int:
        """Go on to ``until_ns``, or to the instant at which a limit switch trips; returns where it is."""
        queue = self.orders
        if queue is None:
            self.now_ns = physics.advance(
                self.state, self.now_ns, until_ns, recorder.stamps, recorder.samples, recorder.book
            )
            return self.now_ns
        goal_ns = max(until_ns // elastic.STEP_NS * elastic.STEP_NS, self._grid_ns)
        true = self._true
        self._grid_ns = elastic.advance(
            true,
            self.state,
            queue.dues,
            queue.orders,
            queue.pending,
            self.birth_ns,
            self._grid_ns,
            goal_ns,
            recorder.stamps,
            recorder.samples,
            recorder.book,
        )
        has_tripped = true[0, physics.TRIPPED] != 0.0 or true[1, physics.TRIPPED] != 0.0
        self.now_ns = self._grid_ns if has_tripped and self._grid_ns > self.now_ns else until_ns
        if self.now_ns > self._grid_ns:
            self._look_ahead()
        return self.now_ns

    def _look_ahead(self) -> None:
        """``state`` at ``now_ns``, past the last instant of the grid."""
        queue = self.orders
        assert queue is not None
        pending = queue.pending.copy()
        for k, row in enumerate(self.state):
            elastic.step_axis(
                row,
                queue.dues[k],
                queue.orders[k],
                pending[k],
                self._grid_ns,
                self.now_ns,
                self.now_ns - self.birth_ns,
            )
            for column in _KEPT:
                row[column] = self._true[k, column]

    def order(
        self, k: int, target_mm_s: float, up_mm_s2: float, down_mm_s2: float, *, late: bool = True
    ) -> None:
        """Torque on, reference towards a velocity by ramps (infinite = at once)."""
        if self.orders is not None:
            self.orders.put(k, (target_mm_s, up_mm_s2, down_mm_s2, 1.0), self.now_ns, late=late)
            return
        state = self.state[k]
        if state[physics.TORQUE] == 0.0:
            state[physics.R] = state[physics.V]
            state[physics.TORQUE] = 1.0
        state[physics.TARGET] = target_mm_s
        state[physics.RAMP_UP] = up_mm_s2
        state[physics.RAMP_DOWN] = down_mm_s2

    def free(self, k: int) -> None:
        """Motor without torque: friction and brake have it."""
        if self.orders is not None:
            self.orders.put(k, (0.0, math.inf, math.inf, 0.0), self.now_ns, late=True)
        else:
            self.state[k, physics.TORQUE] = 0.0

    def waits(self, k: int) -> bool:
        """Whether an order to axis ``k`` has not acted yet."""
        return self.orders is not None and self.orders.waits(k)

    def has_torque(self, k: int) -> bool:
        """Whether the motor is under control, or an order under way will put it there."""
        if self.waits(k):
            assert self.orders is not None
            return bool(self.orders.orders[k, self.orders.pending[k, 1] - 1, 3])
        return bool(self.state[k, physics.TORQUE])

    def place(self, k: int, motor_mm: float, head_mm: float, pulley_mm: float | None = None) -> None:
        """Put an axis at rest somewhere; see physics.place."""
        physics.place(self.state[k], motor_mm, head_mm, pulley_mm)
        if self._true is not self.state:
            self._true[k] = self.state[k]
