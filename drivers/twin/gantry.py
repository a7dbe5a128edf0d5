"""The simulated gantry as one world: two drives on a bus, belts, the pen lift, the canvas, the record.

Owns the order of events. Time is an argument and never goes back: a frame arrives at an instant, and the world is
brought there first. What the drives say comes back with the instant at which it is on the wire.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any, TypeVar

import numpy as np
import numpy.typing as npt

from drivers.settings import DriveSettings, GroupSettings
from drivers.twin import physics
from drivers.twin.axis import Axis
from drivers.twin.canvas import Canvas, Pen
from drivers.twin.frame import Frame
from drivers.twin.head import PenLift
from drivers.twin.headguest import LiftAtHand, guest_of
from drivers.twin.headnode import Guest
from drivers.twin.mechanism import Mechanism
from drivers.twin.node import FAR_NS, Node
from drivers.twin.parameters import TwinParameters
from drivers.twin.power import Power
from drivers.twin.record import MotionRecord, Recorder
from drivers.twin.tip import Tip

Sent = tuple[int, int, bytes]  # instant on the wire (ns), identifier, data
_Result = TypeVar("_Result")
_SPAN_NS = 1_000_000_000  # longest span for one call of the physics


class Gantry:
    """The world. ``start_ns`` is power-on; the drives' boot-up messages wait in the first result.

    ``left_operation_ns``: for each axis the instant at which its drive last left OPERATION ENABLED, whoever caused
    it; None while it is there, or never was. For a judge of stops.
    """

    def __init__(
        self,
        settings: GroupSettings,
        parameters: TwinParameters,
        start_ns: int,
        *,
        max_samples: int | None = None,
    ) -> None:
        names = tuple(settings.axes)
        if len(names) != 2 or set(names) != set(parameters.axes):
            raise ValueError(f"axes: expected the same two axes, got {names} and {tuple(parameters.axes)}")
        output = settings.drive_output
        if output is not None and output.axis not in settings.axes:
            raise ValueError(f"head.axis: expected one of {names}, got {output.axis!r}")
        self.axes = names
        self.parameters = parameters
        self.now_ns = start_ns
        self.canvas = Canvas(parameters.canvas_size_mm)
        self.frame = Frame(parameters, names)
        self._drifts = self.frame.drifts or any(
            axis.home_switch_drift_mm_h for axis in parameters.axes.values()
        )
        self._tip = Tip(parameters)
        self._head = output
        self._lift = PenLift(
            parameters.head_travel_ms,
            parameters.head_stroke_mm,
            parameters.head_force_n,
            parameters.head_force_rise_ms,
        )
        self._touching = False
        self._touched_ns = start_ns
        self._mark = 0
        self._latency_ns = parameters.response_latency_us * 1000
        self._bit_ns = 1e9 / settings.wire.bitrate_bit_s
        self._wire_free_ns = 0
        self._out: list[Sent] = []
        self._mechanism = Mechanism(parameters, names, start_ns)
        self._state = self._mechanism.state
        self.motors = [
            Axis(settings.axes[name], parameters.axes[name], self._mechanism, k)
            for k, name in enumerate(names)
        ]
        self.recorder = Recorder(max_samples)
        self.recorder.note(self._state, start_ns)
        self._mechanism.warm_up()
        self.nodes = [
            Node(drive.node_id, motor, self._quick_stop_units(drive), self._emit)
            for drive, motor in zip(settings.axes.values(), self.motors, strict=True)
        ]
        self._carrier: Node | None = None
        if output is not None:
            self._carrier = self.nodes[names.index(output.axis)]
            self._carrier.on_outputs = self._outputs_changed
        self.lift = LiftAtHand(self)
        self.guest = guest_of(settings.head, self.lift, self._emit_of_guest, start_ns)
        self._show_head()
        self._routes: dict[int, list[Node | Guest]] = {}
        self._has_event_pdos = False
        self._sync_ids: set[int] = set()
        self._stepping = False
        self._is_power_cut = False
        self.left_operation_ns: list[int | None] = [None, None]
        self._operates = [False, False]
        self._next_ns = FAR_NS
        for node in self.nodes:
            node.power_on(start_ns)
        self._reroute()
        self._plan_ahead()

    @staticmethod
    def _quick_stop_units(drive: DriveSettings) -> int:
        units_per_mm = float(drive.counts_per_mm) / drive.quick_stop_unit_counts_s2
        return min(max(1, round(drive.quick_stop_mm_s2 * units_per_mm)), 2**32 - 1)

    # The wire

    def on_frame(self, can_id: int, data: bytes, t_ns: int) -> list[Sent]:
        """A data frame with an 11-bit identifier is on the wire at ``t_ns``. Returns what the drives sent."""
        self._advance(t_ns)
        if can_id in self._sync_ids:
            self._sync(can_id)
            if self.guest is not None:
                self.guest.sync(can_id, self.now_ns)
        else:
            for node in self._routes.get(can_id, ()):
                node.frame(can_id, data, self.now_ns)
            if can_id == 0 or 0x600 < can_id < 0x680:
                self._reroute()
        if self._has_event_pdos:
            self._send_events()
        self._plan_ahead()
        return self._take()

    def act(self, t_ns: int, action: Callable[[], _Result]) -> _Result:
        """Have ``action`` at ``t_ns``: drives that are reached by another wire than the bus; nobody hears the bus."""
        self._advance(t_ns)
        result = action()
        self._plan_ahead()
        self._out.clear()
        return result

    def advance_to(self, t_ns: int) -> list[Sent]:
        """Let time pass. Returns what the drives sent by themselves."""
        self._advance(t_ns)
        return self._take()

    def _sync(self, can_id: int) -> None:
        following = [node for node in self.nodes if node.sync_id == can_id]
        for node in following:
            node.sync_sample(self.now_ns)
        for node in following:
            node.sync_act()

    def _emit_of_guest(self, can_id: int, data: bytes, late_ns: int) -> None:
        if late_ns:
            self._out.append((self.now_ns + self._latency_ns + late_ns, can_id, data))
        else:
            self._emit(can_id, data)

    def _emit(self, can_id: int, data: bytes) -> None:
        """A drive sends: after its latency, and one frame after the other (worst-case frame length)."""
        begin_ns = max(self.now_ns + self._latency_ns, self._wire_free_ns)
        self._wire_free_ns = begin_ns + int((55 + 10 * len(data)) * self._bit_ns)
        self._out.append((begin_ns, can_id, data))

    def _take(self) -> list[Sent]:
        if not self._out:
            return []
        sent, self._out = self._out, []
        return sent

    def _reroute(self) -> None:
        self._routes = {}
        everybody: list[Node | Guest] = [*self.nodes]
        if self.guest is not None:
            everybody.append(self.guest)
        for node in everybody:
            for can_id in node.listens_to():
                self._routes.setdefault(can_id, []).append(node)
        self._sync_ids = {node.sync_id for node in self.nodes}
        self._has_event_pdos = any(node.has_event_pdos for node in self.nodes)

    # Time

    def _plan_ahead(self) -> None:
        first, second = self.nodes
        for k, node in enumerate(self.nodes):
            operates = node.power.state is Power.OPERATION_ENABLED
            if operates is not self._operates[k]:
                self._operates[k] = operates
                self.left_operation_ns[k] = None if operates else self.now_ns
        self._next_ns = min(first.next_ns, second.next_ns, self._lift.next_ns(self.now_ns))
        if self.guest is not None:
            self._next_ns = min(self._next_ns, self.guest.next_ns)
        self._stepping = self._has_event_pdos or first.needs_steps or second.needs_steps

    def _advance(self, t_ns: int) -> None:
        recorder, state = self.recorder, self._state
        while self.now_ns < t_ns:
            now_ns = self.now_ns
            until_ns = min(t_ns, self._next_ns, now_ns + _SPAN_NS)
            if self._stepping:
                until_ns = min(until_ns, (now_ns // physics.GRID_NS + 1) * physics.GRID_NS)
            if recorder.is_nearly_full:
                self._keep_contact()
                recorder.rotate()
                self._mark = recorder.written
            self.now_ns = self._mechanism.advance(until_ns, recorder)
            tripped = state[0, physics.TRIPPED] or state[1, physics.TRIPPED]
            if tripped or self._stepping or self.now_ns >= self._next_ns:
                self._events()

    def _events(self) -> None:
        now_ns = self.now_ns
        self._state[:, physics.TRIPPED] = 0.0
        if self._lift.is_down(now_ns) and not self._touching:
            self._touch()
        self._show_head()
        for node in self.nodes:
            node.step(now_ns)
        if self.guest is not None and now_ns >= self.guest.next_ns:
            self.guest.step(now_ns)
        if self._has_event_pdos:
            self._send_events()
        self._plan_ahead()

    def _send_events(self) -> None:
        for node in self.nodes:
            node.send_events(self.now_ns)

    @property
    def next_ns(self) -> int:
        """When something happens though nothing comes (1 ms ahead while the drives have to look themselves)."""
        return min(self._next_ns, self.now_ns + physics.GRID_NS) if self._stepping else self._next_ns

    @property
    def is_still(self) -> bool:
        """Whether both motors stand and the lift has arrived."""
        return all(motor.is_still for motor in self.motors) and self._lift.next_ns(self.now_ns) == FAR_NS

    @property
    def is_settled(self) -> bool:
        """Whether also both heads have come to rest on their belts."""
        return self.is_still and all(motor.is_head_still for motor in self.motors)

    def age_ns(self, instants_ns: npt.ArrayLike) -> npt.ArrayLike:
        """Time since power-on (of the first life where there were several) at instants of this clock."""
        return np.asarray(instants_ns, dtype=np.int64) - self._mechanism.birth_ns

    # Head and canvas

    def _outputs_changed(self, word: int) -> None:
        assert self._head is not None
        self.lower(bool(word >> self._head.output_bit & 1))

    def lower(self, down: bool) -> None:
        """The head's output, whoever sets it, at the present instant."""
        if self._touching and not down and not self._lift.is_jammed:
            self._untouch()
        self._lift.command(down, self.now_ns)
        if self._lift.is_down(self.now_ns) and not self._touching:
            self._touch()
        self._show_head()

    def _show_head(self) -> None:
        head, now_ns = self._head, self.now_ns
        if head is None or self._carrier is None:
            return
        word = 1 << head.down_input_bit if self._lift.is_down(now_ns) else 0
        word |= 1 << head.up_input_bit if self._lift.is_up(now_ns) else 0
        self._carrier.head_inputs = word

    def _holder_mm(self) -> npt.NDArray[np.float64]:
        """Where the holder truly is, (1, 2) canvas mm."""
        first, second = self.motors
        return self.frame.canvas_mm(np.array([[first.head_mm, second.head_mm]]), self.age_ns(self.now_ns))

    def _touch(self) -> None:
        x_mm, y_mm = self._tip.land(self._holder_mm()[0])
        self._touching = self.canvas.begin(self.now_ns, float(x_mm), float(y_mm))
        self._touched_ns = self.now_ns
        self._mark = self.recorder.written

    def _untouch(self) -> None:
        self._keep_contact()
        self._touching = False

    def _keep_contact(self) -> None:
        """Move what the tip has touched since the last time from the record onto the canvas.

        The record drags the tip on; the present instant is only looked at, so that looking changes no path.
        """
        if not self._touching:
            return
        stamps, rows = self.recorder.rows_since(self._mark)
        later = stamps > self._touched_ns
        stamps, rows = stamps[later], rows[later]
        holder_mm = self.frame.canvas_mm(rows[:, 1::4], self.age_ns(stamps))
        self.canvas.extend(stamps, self._tip.follow(holder_mm))
        here_mm = self._tip.follow(self._holder_mm(), look_only=True)
        self.canvas.extend(np.array([self.now_ns], dtype=np.int64), here_mm)
        self._mark = self.recorder.written

    @property
    def pen_lift(self) -> PenLift:
        """The lift itself, for what its own sensors say and for a hand that jams it."""
        return self._lift

    def at_head(self, t_ns: int, action: Callable[[], _Result]) -> _Result:
        """Have ``action`` at ``t_ns``: something that reaches the head by a wire of its own."""
        self._advance(t_ns)
        result = action()
        self._plan_ahead()
        return result

    def jam_head(self) -> None:
        """The lift sticks where it is."""
        self._lift.jam(self.now_ns)
        self._plan_ahead()

    def free_head(self) -> None:
        """It moves on to where it was told to go."""
        self._lift.free(self.now_ns)
        if self._touching and not self._lift.is_down(self.now_ns):
            self._untouch()
        self._plan_ahead()

    # A person's hands, and the end

    def load_pen(self, pen: Pen | None) -> None:
        """Change the pen in the holder; a stroke under way ends here and goes on with the new pen."""
        touching = self._touching
        if touching:
            self._untouch()
        self.canvas.load_pen(pen)
        if touching or self._lift.is_down(self.now_ns):
            self._touch()

    def push(self, axis: str, to_mm: float) -> None:
        """A person pushes the head of an axis that has no torque. Raises ValueError for a motor under torque."""
        k = self.axes.index(axis)
        if self.motors[k].has_torque and self.motors[k].has_power:
            raise ValueError(f"axis {axis}: expected a motor without torque, got one that holds")
        way_mm = to_mm - self.motors[k].head_mm
        half_mm = self._state[k, physics.HALF_GAP]
        self._mechanism.place(k, to_mm - half_mm if way_mm < 0 else to_mm + half_mm, to_mm)
        if self._is_power_cut:
            self._state[k, physics.LIMIT] = physics.POWER_CUT
        self.recorder.note(self._state, self.now_ns)
        self._events()

    def cut_motor_power(self) -> None:
        """Somebody presses the emergency stop: both motors lose their power and coast; the drives' logic lives on."""
        self._is_power_cut = True
        self._state[:, physics.LIMIT] = physics.POWER_CUT
        self._state[:, physics.TRIPPED] = 1.0
        self._events()

    def restore_motor_power(self) -> None:
        """The emergency stop is released. Raises ValueError while a motor turns (no contactor would be closed then)."""
        if not all(motor.is_still for motor in self.motors):
            raise ValueError("motor power: expected motors at rest, got one that turns")
        self._is_power_cut = False
        for k, row in enumerate(self._state):
            self._mechanism.place(
                k, float(row[physics.X]), float(row[physics.HEAD]), float(row[physics.PULLEY])
            )
        self._events()

    def fail_drive(self, axis: str, code: int) -> None:
        """The drive of an axis finds a fault of its own (CiA 402 error code, 2310h for too much current)."""
        self.nodes[self.axes.index(axis)].fail(code, self.now_ns)
        self._plan_ahead()

    def reset_drive(self, axis: str) -> None:
        """The drive of an axis starts anew by itself, as after a dip of its logic's supply."""
        self.nodes[self.axes.index(axis)].restart(self.now_ns)
        self._reroute()
        self._plan_ahead()

    def power_off(self) -> None:
        """All power gone: the motors coast down. For an orderly end of the simulation."""
        if self._touching:
            self._untouch()
        for k in range(len(self.motors)):
            self._mechanism.free(k)
        self._next_ns, self._stepping = FAR_NS, False
        for _ in range(10):
            if not all(motor.is_still for motor in self.motors):
                self._advance(self.now_ns + _SPAN_NS)

    def record(self) -> MotionRecord:
        """The true motion so far, up to this very instant."""
        if self.recorder.last_ns < self.now_ns:
            self.recorder.note(self._state, self.now_ns)
        record = self.recorder.record(self.now_ns)
        if self.frame.is_ideal:
            return record
        return replace(record, place_mm=self.frame.true_mm(record.head_mm, self.age_ns(record.t_ns)))

    def flush_contact(self) -> None:
        """Bring the canvas up to the present instant (before saving it)."""
        self._keep_contact()

    def state(self) -> dict[str, Any]:
        """What must survive a restart: places, the home switches' draws, the pen."""
        axes = {
            name: {
                "motor_mm": motor.motor_mm,
                "head_mm": motor.head_mm,
                "home_closed": bool(motor.state[physics.HOME_CLOSED]),
                "home_edge_off_mm": float(motor.state[physics.HOME_EDGE] - motor.state[physics.HOME]),
                "approaches": int(motor.state[physics.APPROACHES]),
            }
            for name, motor in zip(self.axes, self.motors, strict=True)
        }
        for k, motor in enumerate(self.motors):
            if motor.state[physics.BELT]:
                axes[self.axes[k]]["pulley_mm"] = float(motor.state[physics.PULLEY])
        pen = self.canvas.pen
        warmth = {"age_s": (self.now_ns - self._mechanism.birth_ns) // 10**9} if self._drifts else {}
        return {
            "format": 1,
            **warmth,
            "axes": axes,
            "pen": None if pen is None else {"ink": pen.ink, "colour": pen.colour, "tip_mm": pen.tip_mm},
        }

    def restore(self, saved: dict[str, Any], canvas: Canvas | None) -> None:
        """Stand where an earlier life stood. Raises KeyError or TypeError when ``saved`` is not a state."""
        for k, name in enumerate(self.axes):
            row, axis = self._state[k], saved["axes"][name]
            row[physics.APPROACHES] = float(axis["approaches"])
            # The draw is kept, not the place: between two lives somebody may have moved the switch.
            row[physics.HOME_EDGE] = row[physics.HOME] + float(axis["home_edge_off_mm"])
            row[physics.HOME_CLOSED] = float(axis["home_closed"])
            pulley_mm = float(axis.get("pulley_mm", axis["head_mm"]))
            self._mechanism.place(k, float(axis["motor_mm"]), float(axis["head_mm"]), pulley_mm)
        self._mechanism.birth_ns = self.now_ns - int(saved.get("age_s", 0)) * 10**9
        if canvas is not None:
            self.canvas = canvas
        pen = saved.get("pen")
        if pen is not None:
            self.canvas.load_pen(Pen(str(pen["ink"]), str(pen["colour"]), float(pen["tip_mm"])))
        self.recorder.note(self._state, self.now_ns)
        self._events()
