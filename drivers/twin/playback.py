"""A schedule of tick velocities through the simulated mechanics, without drives and bus: for benches and tests.

Owns the shortcut past the wire: velocities become orders to the motors at tick instants, as a SYNC would make them
in cyclic velocity mode with both drives enabled. Latency, belt, play, geometry and tip are those of the gantry. What
only the wire can show (stops, lost frames, lateness) it does not know. Production code has no way here.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from drivers.settings import DriveSettings
from drivers.twin import elastic, physics
from drivers.twin.axis import Axis
from drivers.twin.compiled import compiled
from drivers.twin.frame import Frame
from drivers.twin.mechanism import Mechanism, OrderQueue
from drivers.twin.parameters import TwinParameters
from drivers.twin.tip import Tip

Floats = npt.NDArray[np.float64]
Units = npt.NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Played:
    """What truly happened, one row a sample (1 ms apart, the first one ms after the beginning).

    ``t_s`` (m,) from the beginning of the first call. ``motor_mm``, ``head_mm`` (m, 2) axis mm. ``tip_mm`` (m, 2)
    canvas mm: the tip where it touches, else the holder's centre. ``touches`` (m,) whether the tip touches.
    ``counts`` (n, 2) the encoders' readings at the n tick instants, as a drive would tell them at the SYNC.
    """

    t_s: Floats
    motor_mm: Floats
    head_mm: Floats
    tip_mm: Floats
    touches: npt.NDArray[np.bool_]
    counts: npt.NDArray[np.int64]


@compiled
def _march(
    axes: physics.State,
    dues: elastic.Instants,
    orders: elastic.Orders,
    pending: elastic.Instants,
    from_ns: int,
    to_ns: int,
    tick_ns: int,
    samples: Floats,
    at_ticks: Floats,
) -> None:
    """Both axes from ``from_ns`` to ``to_ns`` (whole ms): samples (m, 4) of motors and heads after each ms,
    at_ticks (n, 2) of the motors at each tick's beginning."""
    t, row, tick = from_ns, 0, 0
    while t < to_ns:
        if (t - from_ns) % tick_ns == 0 and tick < at_ticks.shape[0]:
            for k in range(2):
                at_ticks[tick, k] = axes[k, physics.X]
            tick += 1
        until = t + elastic.STEP_NS
        for k in range(2):
            elastic.step_axis(axes[k], dues[k], orders[k], pending[k], t, until, until)
        t = until
        if t % physics.GRID_NS == 0:
            for k in range(2):
                samples[row, k], samples[row, 2 + k] = axes[k, physics.X], axes[k, physics.HEAD]
            row += 1


class Playback:
    """The mechanics of one gantry, enabled, fed with ticks. State is carried from call to call.

    ``tick_us``: a whole number of 100 us. ``start_mm``: axis places at the beginning, else those of ``parameters``;
    motors stand in the middle of their play. Raises ValueError when ticks do not fit the grid.
    """

    def __init__(
        self,
        drives: dict[str, DriveSettings],
        parameters: TwinParameters,
        tick_us: int,
        start_mm: Sequence[float] | None = None,
    ) -> None:
        if tick_us * 1000 % elastic.STEP_NS:
            raise ValueError(f"tick_us: expected a multiple of {elastic.STEP_NS // 1000}, got {tick_us}")
        names = tuple(drives)
        self._mechanism = Mechanism(parameters, names, 0)
        if start_mm is not None:
            for k, place_mm in enumerate(start_mm):
                self._mechanism.place(k, float(place_mm), float(place_mm))
        self._state = self._mechanism.true_state
        self._axes = [
            Axis(drives[name], parameters.axes[name], self._mechanism, k) for k, name in enumerate(names)
        ]
        self._twin_axes = tuple(parameters.axes[name] for name in names)
        self._seeds = tuple(parameters.seed * 1009 + k for k in range(len(names)))
        self._tick_ns = tick_us * 1000
        self._queue = OrderQueue(self._twin_axes, self._seeds, room=1)
        for k in range(2):
            self._state[k, physics.TORQUE] = 1.0
        self._frame = Frame(parameters, names)
        self._tip = Tip(parameters)
        self._touches = False
        self._travel_ns = max(1, round(parameters.head_travel_ms * 1e6))
        self._down_since_ns: int | None = None
        self._now_ns = 0

    @property
    def motor_mm(self) -> tuple[float, float]:
        """Where the motors are, axis mm."""
        return float(self._state[0, physics.X]), float(self._state[1, physics.X])

    @property
    def has_tripped(self) -> bool:
        """Whether a head has reached a limit switch (the motor has no power from then on)."""
        return bool((self._state[:, physics.LIMIT] != 0.0).any())

    def play(self, velocity_units: npt.ArrayLike, pen_down: npt.ArrayLike | None = None) -> Played:
        """Play n ticks: velocity_units (n, 2) integers in the drives' units, pen_down (n,) what the head's output
        says in each tick (it touches ``head_travel_ms`` after it has been put down, and leaves at once). The ticks
        together have to last a whole number of ms, else ValueError; a call ends with the last tick, so still ticks
        belong to its end."""
        units = np.asarray(velocity_units, dtype=np.int64).reshape(-1, 2)
        n = len(units)
        begin_ns = self._now_ns
        end_ns = begin_ns + n * self._tick_ns
        if (end_ns - begin_ns) % physics.GRID_NS:
            raise ValueError(f"ticks: expected a whole number of ms, got {(end_ns - begin_ns) / 1e6}")
        arrivals_ns = begin_ns + self._tick_ns * np.arange(n, dtype=np.int64)
        self._queue.grow(n)
        for k, axis in enumerate(self._axes):
            orders = np.empty((n, elastic.ORDER_COLUMNS))
            orders[:, 0] = np.clip(units[:, k] * axis.unit_mm_s, -axis.speed_max_mm_s, axis.speed_max_mm_s)
            orders[:, 1:3] = np.inf
            orders[:, 3] = 1.0
            self._queue.put_all(k, arrivals_ns, orders, late=True)
        rows = (end_ns - begin_ns) // physics.GRID_NS
        samples, at_ticks = np.empty((rows, 4)), np.empty((n, 2))
        queue = self._queue
        _march(
            self._state,
            queue.dues,
            queue.orders,
            queue.pending,
            begin_ns,
            end_ns,
            self._tick_ns,
            samples,
            at_ticks,
        )
        self._now_ns = end_ns
        t_ns = begin_ns + physics.GRID_NS * np.arange(1, rows + 1, dtype=np.int64)
        down = np.zeros(n, dtype=np.bool_) if pen_down is None else np.asarray(pen_down, dtype=np.bool_)
        tip_mm, touches = self._follow(t_ns, samples[:, 2:], down, begin_ns)
        counts = np.stack([axis.counts_at(at_ticks[:, k]) for k, axis in enumerate(self._axes)], axis=1)
        t_s: Floats = t_ns.astype(np.float64) * 1e-9
        return Played(t_s, samples[:, :2], samples[:, 2:], tip_mm, touches, counts)

    def _follow(
        self, t_ns: elastic.Instants, head_mm: Floats, down: npt.NDArray[np.bool_], begin_ns: int
    ) -> tuple[Floats, npt.NDArray[np.bool_]]:
        """Where the tip is at each sample, and whether it touches."""
        holder_mm = self._frame.canvas_mm(head_mm, t_ns)
        touches = np.zeros(len(t_ns), dtype=np.bool_)
        tip_mm = holder_mm.copy()
        edges = np.flatnonzero(
            np.diff(np.concatenate(([self._down_since_ns is not None], down)).astype(np.int8))
        )
        spans: list[tuple[int, int]] = []
        since_ns = self._down_since_ns
        for edge in edges:
            instant_ns = begin_ns + int(edge) * self._tick_ns
            if down[edge]:
                since_ns = instant_ns
            elif since_ns is not None:
                spans.append((since_ns + self._travel_ns, instant_ns))
                since_ns = None
        self._down_since_ns = since_ns
        if since_ns is not None:
            spans.append((since_ns + self._travel_ns, int(t_ns[-1]) + 1 if len(t_ns) else begin_ns))
        for first_ns, last_ns in spans:
            first, last = np.searchsorted(t_ns, (first_ns, last_ns))
            if last <= first:
                continue
            touches[first:last] = True
            goes_on = self._touches and first == 0 and first_ns <= begin_ns
            if not goes_on:
                self._tip.land(holder_mm[first])
            tip_mm[first:last] = self._tip.follow(holder_mm[first:last])
        self._touches = bool(len(touches) and touches[-1])
        return tip_mm, touches


def play(
    drives: dict[str, DriveSettings],
    parameters: TwinParameters,
    tick_us: int,
    velocity_units: npt.ArrayLike,
    pen_down: npt.ArrayLike | None = None,
    start_mm: Sequence[float] | None = None,
) -> Played:
    """One schedule on a fresh gantry; arguments as for ``Playback`` and ``Playback.play``."""
    return Playback(drives, parameters, tick_us, start_mm).play(velocity_units, pen_down)
