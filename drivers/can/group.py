"""CiA 402 drives on one CAN bus, commanded together by synchronous process data.

Owns the link, the mirror of every drive and the order of frames. Knows no millimetres and no ink. Per tick one
batch leaves: RPDO1 of every axis, RPDO2 of the head's drive when its outputs change and until its switches say that
the head is there, SYNC (first of all where commands act at once), and our heartbeat when it is due. The heartbeat
leaves only from the loops that supervise motion, never from a timer: when the loop hangs, the drives notice and stop.
"""

from __future__ import annotations

import struct
from collections.abc import Sequence
from typing import TYPE_CHECKING

from drivers import cia402, quirks
from drivers.can import emcy, frames
from drivers.can.link import CanLink
from drivers.can.mirror import GroupMirror
from drivers.cantiming import acts_after_ns
from drivers.cia402 import Command
from drivers.clock import NS_PER_MS, NS_PER_S, Clock
from drivers.errors import DriverError, FaultError, LinkError, MisuseError
from drivers.interface import AxisFeedback, DriveState, GroupFeedback
from drivers.settings import GroupSettings

if TYPE_CHECKING:
    # canopen is loaded by ``configure`` only: stop plans and tests of the hot path do not pay for it.
    from drivers.can.sdo import ObjectAccess

NEVER_NS = (1 << 63) - 1
"""Age of feedback that never came."""

_ENABLE_LIMIT_NS = 4 * NS_PER_S
_DISABLE_LIMIT_NS = 4 * NS_PER_S
_RESET_LIMIT_NS = 2 * NS_PER_S
_REST_LIMIT_NS = NS_PER_S // 2
_REST_MM_S = 0.5
_MODE_LIMIT_NS = NS_PER_S
_DWELL_NS = 100 * NS_PER_MS
_ANSWERED_NS = 20 * NS_PER_MS
_DWELLS = frozenset({DriveState.READY_TO_SWITCH_ON, DriveState.SWITCHED_ON})

_UNPOWERED = frozenset({DriveState.SWITCH_ON_DISABLED, DriveState.FAULT})


class CanDriveGroup:
    """A DriveGroup of CiA 402 drives in cyclic synchronous velocity mode."""

    def __init__(self, settings: GroupSettings, link: CanLink, clock: Clock) -> None:
        """Take over ``link``. Sends nothing yet."""
        self._settings = settings
        self._link = link
        self._clock = clock
        self._axes = tuple(settings.axes)
        self._nodes = tuple(settings.axes[axis].node_id for axis in self._axes)
        self._wheres = tuple(
            f"axis {axis} (node {node})" for axis, node in zip(self._axes, self._nodes, strict=True)
        )
        self._tick_ns = settings.tick_us * 1000
        self._heartbeat_ns = settings.can.heartbeat_ms * NS_PER_MS
        self._silent_ns = round(settings.can.sdo_timeout_s * NS_PER_S)
        self._heartbeat_limit_ns = (
            settings.can.heartbeat_lost_after_ms + settings.can.heartbeat_ms
        ) * NS_PER_MS
        self._quirks = tuple(frozenset(axis.quirks) for axis in settings.axes.values())
        self._rest_units = tuple(
            max(1.0, _REST_MM_S * float(axis.counts_per_mm) / axis.velocity_unit_counts_s)
            for axis in settings.axes.values()
        )

        self._mirror = GroupMirror(
            self._nodes, self._take_sdo, [axis.quirks for axis in settings.axes.values()]
        )
        self._feedback = self._mirror.feedback
        self._machines = self._mirror.machines
        self._outputs_sent: int | None = None
        self._is_pen_told_up = False
        self._take_head(settings)
        # Commands that act at once come behind the SYNC: then positions are those at the tick's origin, and each axis'
        # command acts its own known time after that.
        self._sync_first = settings.can.pdo == "immediate"
        self._rpdo1_ids = tuple(frames.RPDO1 + node for node in self._nodes)
        # Behind the stop, for the next SYNC: the pen goes up.
        self._stop_frames = (
            frames.stop_frames(self._nodes) + [(self._head_id, self._head_words[0])] * self._has_head
        )
        self._access: ObjectAccess | None = None
        self._notes: tuple[str, ...] = ()
        self._dwells: list[tuple[DriveState, int]] = [(DriveState.UNKNOWN, 0)] * len(self._axes)
        self._configured = False
        self._live = False
        self._aborted = False
        self._closed = False
        self._beating = False
        self._next_beat_ns = 0

    def _take_head(self, settings: GroupSettings) -> None:
        """The head's frames, where it hangs on a drive's output; else nothing of it leaves from here."""
        head = settings.drive_output
        self._has_head = head is not None
        self._head_id, self._head_axis, self._head_switches = 0, 0, 0
        self._head_words: tuple[bytes, ...] = (b"", b"")
        self._head_there: tuple[int, int] = (0, 0)
        if head is None:
            return
        self._head_id = frames.RPDO2 + settings.axes[head.axis].node_id
        self._head_words = tuple(frames.RPDO2_DATA.pack(word) for word in (0, 1 << head.output_bit))
        up, down = (1 << bit for bit in (head.up_input_bit, head.down_input_bit))
        self._head_switches = up | down
        self._head_there = (up, down)
        self._head_axis = self._axes.index(head.axis)

    @property
    def axes(self) -> tuple[str, ...]:
        """Axis names in order."""
        return self._axes

    @property
    def feedback(self) -> GroupFeedback:
        """The latest feedback, refreshed by ``poll`` and by the blocking calls."""
        return self._feedback

    @property
    def ignored(self) -> int:
        """Frames so far that were none of ours or not of the expected length."""
        return self._mirror.ignored

    @property
    def is_pen_told_up(self) -> bool:
        """Whether the wire took the last stop, and with it the order to the head on a drive's output."""
        return self._is_pen_told_up

    @property
    def is_enabled(self) -> bool:
        """Whether every drive's last statusword says OPERATION ENABLED."""
        return all(axis.state is DriveState.OPERATION_ENABLED for axis in self._feedback.axes)

    @property
    def notes(self) -> tuple[str, ...]:
        """What the last ``configure`` could not check, a sentence each."""
        return self._notes

    @property
    def acts_after_ns(self) -> tuple[int, ...]:
        """For each axis: from the SYNC, at which positions are those of this tick, until its command is there.

        With process data that act at once their difference is the skew, by worst-case frame lengths.
        """
        return acts_after_ns(self._settings.can, len(self._axes))

    def feedback_age_ns(self, now_ns: int) -> int:
        """Age of the oldest axis' last statusword; ``NEVER_NS`` when one has never come."""
        oldest_ns = min(axis.received_ns for axis in self._feedback.axes)
        return now_ns - oldest_ns if oldest_ns else NEVER_NS

    # Setting up

    def configure(self) -> None:
        """Set up every drive and read back what was written; nothing moves.

        Raises MisuseError after ``abort`` or ``close``; LinkError naming axis and node when one does not
        answer; FaultError naming axis, object, what was expected and what came.
        """
        self._refuse_when_over("configure")
        from drivers.can import setup

        access = self._object_access()
        self._configured = self._live = False
        self._mirror.distrust_all()
        # All of them, before the first is asked: one that is silent must not keep the others turning. Then a while for
        # their answers, since an SDO server takes one question at a time.
        self._link.send_frames(frames.stop_requests(self._nodes))
        self._clock.sleep_until_ns(self._clock.now_ns() + _ANSWERED_NS)
        self.poll()
        for node in self._nodes:
            self._link.send_frames(((frames.NMT, bytes((frames.NMT_PRE_OPERATIONAL, node))),))
        notes: list[str] = []
        for axis, where in zip(self._axes, self._wheres, strict=True):
            notes += setup.set_up_drive(access, axis, self._settings, self._clock, where)
        self._notes = tuple(notes)
        self._start_nodes()
        self._configured = True

    def _start_nodes(self) -> None:
        """NMT start, believed only when each node's own heartbeat says operational."""
        states = self._mirror.nmt_states
        states[:] = [None] * len(states)
        for node in self._nodes:
            self._link.send_frames(((frames.NMT, bytes((frames.NMT_START, node))),))
        deadline_ns = self._clock.now_ns() + self._silent_ns + 2 * self._heartbeat_ns
        while any(state != frames.STATE_OPERATIONAL for state in states):
            now_ns = self._clock.now_ns()
            if now_ns >= deadline_ns:
                for where, state in zip(self._wheres, states, strict=True):
                    if state != frames.STATE_OPERATIONAL:
                        got = "no heartbeat" if state is None else f"heartbeat with state {state}"
                        raise LinkError(where, "a heartbeat with state 5, operational", got)
            self._clock.sleep_until_ns(now_ns + NS_PER_MS)
            self.poll()
        self._mirror.trust_all(self._clock.now_ns())

    def _object_access(self) -> ObjectAccess:
        if self._access is None:
            from drivers.can.sdo import ObjectAccess

            self._access = ObjectAccess(
                self._link,
                self._clock,
                dict(zip(self._nodes, self._wheres, strict=True)),
                self._settings.can.sdo_timeout_s,
                self._pump,
            )
        return self._access

    def _take_sdo(self, can_id: int, data: bytes) -> None:
        if self._access is not None:
            self._access.take(can_id, data)

    def _pump(self) -> None:
        """Waiting for an SDO answer: read the wire, and keep our heartbeat going when it is already awaited."""
        if self._beating:
            self._beat_if_due(self._clock.now_ns())
        self.poll()

    def _beat_if_due(self, now_ns: int) -> None:
        if now_ns >= self._next_beat_ns:
            self._next_beat_ns = now_ns + self._heartbeat_ns
            self._link.send_frames((frames.HEARTBEAT_FRAME,))

    # Power

    def enable(self) -> None:
        """Walk every drive up to OPERATION ENABLED at zero velocity, one step a round, as its statusword allows.

        Raises MisuseError before ``configure`` and after ``abort``; FaultError when a drive is in fault, shows
        another mode or does not get there; LinkError on silence. Then every axis has been told to stop.
        """
        self._refuse_when_over("enable")
        if not self._configured:
            raise MisuseError("enable", "a group that is configured", "one that is not")
        from drivers.can import setup

        access = self._object_access()
        word = setup.heartbeat_consumer_word(self._settings.can.heartbeat_lost_after_ms)
        try:
            self._await_heartbeat(word)
            self._beating = True
            self._next_beat_ns = 0
            self._outputs_sent = None
            self._walk(DriveState.OPERATION_ENABLED, _ENABLE_LIMIT_NS)
            for position in range(len(self._axes)):
                self._check_mode(access, position)
            self._hold_round()
        except DriverError:
            self._beating = False
            self._tell_to_stop()
            raise
        self._live = True

    def _check_mode(self, access: ObjectAccess, position: int) -> None:
        """The drive must show the mode; one that shows it late is waited for, in rounds at zero velocity."""
        from drivers.can import setup

        late_ns = _MODE_LIMIT_NS if quirks.MODE_DISPLAY_LATE in self._quirks[position] else 0
        deadline_ns = self._clock.now_ns() + late_ns
        while (mode := access.read(self._nodes[position], setup.MODE_DISPLAY)) != cia402.VELOCITY_MODE:
            if self._clock.now_ns() >= deadline_ns:
                raise FaultError(
                    self._wheres[position], f"{setup.MODE_DISPLAY} = {cia402.VELOCITY_MODE}", str(mode)
                )
            self._round([machine.step(DriveState.OPERATION_ENABLED) for machine in self._machines])

    def _hold_round(self) -> None:
        """One round at zero velocity in operation, which also sends the head's outputs (pen up) once."""
        up = ((self._head_id, self._head_words[0]),) if self._has_head else ()
        self._round([Command.ENABLE_OPERATION] * len(self._axes), up)
        self._outputs_sent = 0
        for where, feedback in zip(self._wheres, self._feedback.axes, strict=True):
            if feedback.state is not DriveState.OPERATION_ENABLED:
                raise FaultError(where, DriveState.OPERATION_ENABLED.value, self._described(feedback))

    def disable(self) -> None:
        """Zero velocity until at rest, then every drive down to SWITCH ON DISABLED (or FAULT, equally unpowered).

        Then the drives are told not to await our heartbeat any more, since nothing moves. Raises LinkError
        when a drive does not answer or does not get there, FaultError when it refuses the last word.
        """
        if self._closed:
            raise MisuseError("disable", "an open group", "a closed one")
        self._live = False
        try:
            self._come_to_rest()
            self._walk(DriveState.SWITCH_ON_DISABLED, _DISABLE_LIMIT_NS)
            self._release_heartbeat()
        except DriverError:
            self._tell_to_stop()
            raise
        finally:
            self._beating = False

    def _come_to_rest(self) -> None:
        """Zero velocity for those in operation; after a while, or after an abort, quick stop instead."""
        deadline_ns = self._clock.now_ns() + _REST_LIMIT_NS
        begun_at = self._feedback.sequence
        while True:
            late = self._aborted or self._clock.now_ns() >= deadline_ns
            words = [
                machine.step(DriveState.QUICK_STOP_ACTIVE)
                if late or not machine.is_enabled
                else machine.step(DriveState.OPERATION_ENABLED)
                for machine in self._machines
            ]
            self._round(words)
            is_fresh = self._feedback.sequence > begun_at
            if late or (is_fresh and not any(map(self._turns, range(len(self._axes))))):
                return

    def _turns(self, position: int) -> bool:
        """Whether an axis is in operation and its last measured velocity is not zero."""
        moves = abs(self._feedback.axes[position].velocity_units) > self._rest_units[position]
        return moves and self._machines[position].is_enabled

    def _walk(self, goal: DriveState, limit_ns: int) -> None:
        """Rounds at zero velocity until every statusword shows ``goal``.

        On the way down a drive in fault counts as arrived, and one that still turns is stopped first.
        """
        begun_ns = self._clock.now_ns()
        while True:
            steps = [self._next_word(position, goal) for position in range(len(self._axes))]
            if all(is_there for _, is_there in steps):
                return
            self._round([word for word, _ in steps])
            self._refuse_silence(begun_ns)
            if self._clock.now_ns() - begun_ns > limit_ns:
                kind = FaultError if goal is DriveState.OPERATION_ENABLED else LinkError
                for position, (_, is_there) in enumerate(steps):
                    if not is_there:
                        got = self._described(self._feedback.axes[position])
                        raise kind(self._wheres[position], goal.value, got)

    def _next_word(self, position: int, goal: DriveState) -> tuple[int, bool]:
        """Controlword for the next round towards ``goal``, and whether the axis has arrived."""
        machine = self._machines[position]
        is_up = goal is DriveState.OPERATION_ENABLED
        feedback = self._feedback.axes[position]
        if not self._mirror.trusted[position]:
            raise LinkError(self._wheres[position], "a configured drive", self._described(feedback))
        # On the way up every doubt counts (an emergency, too); on the way down only the drive's own word does.
        state = feedback.state if is_up else machine.state
        if state is goal:
            return machine.step(goal), True
        if state in (DriveState.FAULT, DriveState.FAULT_REACTION_ACTIVE):
            if is_up:
                raise FaultError(self._wheres[position], goal.value, self._described(feedback))
            return machine.step(DriveState.QUICK_STOP_ACTIVE), state is DriveState.FAULT
        is_stopping = not is_up and (state is DriveState.QUICK_STOP_ACTIVE or self._turns(position))
        if state is DriveState.UNKNOWN or is_stopping:
            # Taking the voltage away from a turning motor would let it coast.
            return machine.step(DriveState.QUICK_STOP_ACTIVE), False
        if is_up and self._must_wait(position, state):
            return machine.stay(), False
        return machine.step(goal), False

    def _must_wait(self, position: int, state: DriveState) -> bool:
        """Whether a drive on its way up is not to be told the next step yet, by its quirks."""
        own = self._quirks[position]
        if quirks.REMOTE_BIT in own and not self._feedback.axes[position].statusword & cia402.STATUS_REMOTE:
            return True
        if quirks.SLOW_SWITCH_ON not in own or state not in _DWELLS:
            return False
        now_ns = self._clock.now_ns()
        if self._dwells[position][0] is not state:
            self._dwells[position] = (state, now_ns)
        return now_ns - self._dwells[position][1] < _DWELL_NS

    def clear_fault(self) -> tuple[str, ...]:
        """Acknowledge the fault of every drive that reports one. Never enables; stops what should still turn.

        Returns a text for each: axis, node and the drive's own error code.

        The drives are told not to await our heartbeat until ``enable``: nothing is in operation here, and a
        drive that still missed it could not leave its fault. Raises MisuseError before ``configure``;
        FaultError with the drive's error code when the fault stays; LinkError on silence.
        """
        if self._closed or not self._configured:
            raise MisuseError("clear_fault", "an open and configured group", "another")
        self._live = False
        begun_ns = self._clock.now_ns()
        while True:
            self._round([machine.step(DriveState.QUICK_STOP_ACTIVE) for machine in self._machines])
            if all(machine.state in _UNPOWERED for machine in self._machines):
                break
            self._refuse_silence(begun_ns)
            self._refuse_late(begun_ns, _UNPOWERED)
        self._release_heartbeat()
        found = tuple(
            f"{where}: {self._fault(position)}"
            for position, (where, machine) in enumerate(zip(self._wheres, self._machines, strict=True))
            if machine.state is DriveState.FAULT
        )
        self._acknowledge()
        self._round([Command.DISABLE_VOLTAGE] * len(self._axes))
        for position in range(len(self._axes)):
            self._mirror.acknowledge(position)
        return found

    def _acknowledge(self) -> None:
        """Rounds of fault resets until no drive reports a fault; each bit stands as long as its drive wants it."""
        begun_ns = self._clock.now_ns()
        changed_ns = [begun_ns] * len(self._axes)
        # Every reset's edge comes out of controlword 0000h: some drives take no other.
        self._round([Command.DISABLE_VOLTAGE] * len(self._axes))
        for machine in self._machines:
            machine.last_controlword = Command.DISABLE_VOLTAGE
        while any(machine.state is not DriveState.SWITCH_ON_DISABLED for machine in self._machines):
            now_ns = self._clock.now_ns()
            words = []
            for position, machine in enumerate(self._machines):
                word: int = Command.DISABLE_VOLTAGE
                if machine.state is DriveState.FAULT:
                    is_slow = quirks.SLOW_RESET in self._quirks[position]
                    before = machine.last_controlword
                    word = machine.reset_step(stands=is_slow and now_ns - changed_ns[position] < _DWELL_NS)
                    if word != before:
                        changed_ns[position] = now_ns
                words.append(word)
            self._round(words)
            self._refuse_silence(begun_ns)
            self._refuse_late(begun_ns, frozenset({DriveState.SWITCH_ON_DISABLED}))

    def _release_heartbeat(self) -> None:
        self._await_heartbeat(0)
        self._beating = False

    def _await_heartbeat(self, word: int) -> None:
        """Tell every drive that has a time-out whose heartbeat to await (0: nobody's), and read it back."""
        from drivers.can import setup

        access = self._object_access()
        for node, axis in zip(self._nodes, self._settings.axes.values(), strict=True):
            if axis.command_timeout == "heartbeat":
                access.hold(node, setup.HEARTBEAT_CONSUMER, word)

    def _refuse_silence(self, begun_ns: int) -> None:
        now_ns = self._clock.now_ns()
        for where, feedback in zip(self._wheres, self._feedback.axes, strict=True):
            if now_ns - max(feedback.received_ns, begun_ns) > self._silent_ns:
                raise LinkError(where, "a statusword at every SYNC", self._described(feedback))

    def _refuse_late(self, begun_ns: int, states: frozenset[DriveState]) -> None:
        if self._clock.now_ns() - begun_ns <= _RESET_LIMIT_NS:
            return
        for position, machine in enumerate(self._machines):
            if machine.state not in states:
                raise FaultError(self._wheres[position], "a fault that can be cleared", self._fault(position))

    def _fault(self, position: int) -> str:
        from drivers.can import setup

        code = self._object_access().read(self._nodes[position], setup.FAULT_CODE)
        event = self._feedback.axes[position].event
        told = f"{self._machines[position].state.value}, {setup.FAULT_CODE} {code:04X}h"
        return f"{told} ({event or emcy.words_of(code)})" if code or event else told

    def _round(self, controlwords: Sequence[int], more: tuple[tuple[int, bytes], ...] = ()) -> None:
        """Controlwords at zero velocity and SYNC, then a tick's wait and a poll."""
        now_ns = self._clock.now_ns()
        pack = frames.RPDO1_DATA.pack
        batch = [(can_id, pack(word, 0)) for can_id, word in zip(self._rpdo1_ids, controlwords, strict=True)]
        batch += more
        batch.insert(0 if self._sync_first else len(batch), frames.SYNC_FRAME)
        if self._beating and now_ns >= self._next_beat_ns:
            self._next_beat_ns = now_ns + self._heartbeat_ns
            batch.append(frames.HEARTBEAT_FRAME)
        self._mirror.begin_round()
        self._link.send_frames(batch)
        self._clock.sleep_until_ns(now_ns + self._tick_ns)
        self.poll()

    # Motion

    def send_tick(self, velocity_units: tuple[int, ...], outputs: int) -> None:
        """One batch: velocities, outputs (changed ones, and until the head is there), SYNC, our heartbeat when due.

        Raises MisuseError before ``enable``, after ``abort``, for a wrong count or a value beyond 32 bits;
        FaultError when a drive's last word is not OPERATION ENABLED. Nothing was sent then. LinkError when the
        wire does not take the batch.
        """
        if not self._live:
            raise self._not_live()
        for feedback in self._feedback.axes:
            if feedback.state is not DriveState.OPERATION_ENABLED:
                raise self._not_enabled()
        if len(velocity_units) != len(self._axes) or outputs not in (0, 1):
            raise MisuseError(
                "send_tick",
                f"{len(self._axes)} velocities and outputs 0 or 1",
                f"{len(velocity_units)} velocities and {outputs!r}",
            )
        pack = frames.RPDO1_DATA.pack
        try:
            batch = [
                (can_id, pack(0x000F, units))
                for can_id, units in zip(self._rpdo1_ids, velocity_units, strict=True)
            ]
        except struct.error:
            raise MisuseError("send_tick", "whole velocities of 32 bits", str(velocity_units)) from None
        # Said again until the head's switches agree: one lost frame must not leave the pen where it is.
        if self._has_head:
            switches = self._feedback.axes[self._head_axis].inputs & self._head_switches
            if outputs != self._outputs_sent or switches != self._head_there[outputs]:
                batch.append((self._head_id, self._head_words[outputs]))
        batch.insert(0 if self._sync_first else len(batch), frames.SYNC_FRAME)
        now_ns = self._clock.now_ns()
        if now_ns >= self._next_beat_ns:
            self._next_beat_ns = now_ns + self._heartbeat_ns
            batch.append(frames.HEARTBEAT_FRAME)
        self._mirror.begin_round()
        self._link.send_frames(batch)
        self._outputs_sent = outputs

    def _not_live(self) -> MisuseError:
        if self._aborted:
            got = "one after abort"
        elif self._closed:
            got = "a closed one"
        else:
            got = "one that is not enabled"
        return MisuseError("send_tick", "an enabled group", got)

    def _not_enabled(self) -> FaultError:
        for where, feedback in zip(self._wheres, self._feedback.axes, strict=True):
            if feedback.state is not DriveState.OPERATION_ENABLED:
                return FaultError(where, DriveState.OPERATION_ENABLED.value, self._described(feedback))
        raise AssertionError("called with every axis enabled")

    def poll(self) -> None:
        """Read all that has come and refresh ``feedback`` in place. Raises LinkError when the link is gone or off.

        Then nothing is known of any drive, and nothing but a stop leaves until somebody opens the wire anew. In motion
        a drive whose heartbeat is missing is ``UNKNOWN``, though its process data come.
        """
        try:
            arrived = self._link.receive()
        except LinkError as error:
            self._live = self._configured = self._beating = False
            self._mirror.distrust_all(str(error))
            raise
        self._mirror.take(arrived)
        if self._live:
            self._mirror.look_for_heartbeats(self._clock.now_ns(), self._heartbeat_limit_ns)

    # Ends

    def abort(self) -> None:
        """Quick stop for every axis, now. May be called again and again: each call says it once more."""
        self._aborted = True
        self._live = False
        self._beating = False
        self._tell_to_stop()

    def _tell_to_stop(self) -> None:
        self._mirror.begin_round()
        self._is_pen_told_up = False
        try:
            self._link.send_frames(self._stop_frames)
        except Exception:  # noqa: BLE001
            # Whatever broke, the guard and the drives' own time-outs stop them; raising here would stop nothing.
            return
        self._is_pen_told_up = self._has_head

    def close(self) -> None:
        """Give the wire back. Drives still in operation are told to stop first."""
        if self._closed:
            return
        if self._live:
            self.abort()
        self._closed = True
        self._live = False
        try:
            self._link.close()
        except Exception:  # noqa: BLE001
            # Closing never raises: nobody could do anything about it.
            return

    def _refuse_when_over(self, call: str) -> None:
        if self._aborted or self._closed:
            raise MisuseError(call, "a group in use", "one after abort" if self._aborted else "a closed one")

    def _described(self, feedback: AxisFeedback) -> str:
        text = f"{feedback.state.value} (statusword {feedback.statusword:04X}h"
        if feedback.event:
            text += f", {feedback.event}"
        if not feedback.received_ns:
            text += ", nothing received"
        own = next(q for q, axis in zip(self._quirks, self._feedback.axes, strict=True) if axis is feedback)
        if quirks.REMOTE_BIT in own and not feedback.statusword & cia402.STATUS_REMOTE:
            text += ", not under remote control: bit 9 is clear"
        return text + ")"
