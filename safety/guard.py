"""The guard's process: one loop that waits for words, deaths and deadlines.

Owns the sockets and the processes it watches. Whether to stop is judged by ``safety.verdict`` alone; how, is known to
``safety.stopping``. Imports nothing but the standard library and this room.

``python -m safety.guard SETTINGS.json`` prints one JSON line, ``{"event": "ready", ...}`` or
``{"event": "refused", "why": ...}``, and nothing afterwards.
"""

from __future__ import annotations

import atexit
import contextlib
import gc
import json
import os
import select
import signal
import socket
import sys
import time
from collections.abc import Callable
from functools import partial
from pathlib import Path

from safety import latch
from safety.beat import MESSAGE_BYTES, Beat, UnreadableBeatError, Word, pack, unpack
from safety.door import DoorError, Peer, open_door
from safety.events import (
    BusOff,
    Decision,
    Echo,
    Event,
    Garbled,
    GuardFailed,
    HandleLost,
    Heard,
    InputClosed,
    InputOpened,
    LatchFound,
    PeerClosed,
    PeerDied,
    PeerSpinning,
    PeerStopped,
    Refuse,
    ServiceDied,
    State,
    Stood,
    Stop,
    StopAsked,
    Tick,
    WireLost,
)
from safety.lines import Lines
from safety.rights import leave_streamers_core, take_rights
from safety.scribe import Scribe
from safety.settings import GuardSettings, SettingsError
from safety.stopping import StopSequence
from safety.verdict import NS_PER_MS, Limits, Watch
from safety.watched import Life, SpinWatch, Watched

EXIT_DONE, EXIT_REFUSED, EXIT_NOT_PROVED = 0, 2, 3
_REQUEST_BYTES = 4096
_MESSAGES_A_TURN = 64
_PEERS_MAX = 16
_ORPHAN_GIVE_UPS = 12
_HANDLE_START_S = 8.0
# No descriptor tells in time that a large process is dying (see ``Watched``); so while armed, look this often.
_LOOK_EVERY_NS = 2 * NS_PER_MS


class Guard:
    """All that the process holds. ``open``, then ``run``."""

    def __init__(self, settings: GuardSettings) -> None:
        self._settings = settings
        self._latch_path = Path(settings.latch_path)
        self._scribe = Scribe(self._latch_path, Path(settings.event_path))
        self._lines = Lines(settings)
        self._stopping = StopSequence(settings, self._scribe, self._lines)
        self._watch = Watch(Limits.of(settings), time.monotonic_ns())
        self._doors: list[tuple[socket.socket, Path]] = []
        self._streamers: dict[int, Peer] = {}
        self._askers: dict[int, Peer] = {}
        self._reporters: dict[int, Peer] = {}
        self._awaiting_latch: list[Peer] = []
        self._armed: Peer | None = None
        self._spin = SpinWatch(
            settings.spin_share,
            round(settings.spin_window_ms * NS_PER_MS),
            round(settings.lease_max_ms * NS_PER_MS),
        )
        self._service: Watched | None = None
        self._service_gone = False
        self._signal_line: tuple[socket.socket, socket.socket] | None = None
        self._handlers: dict[int, Callable[[], None]] = {}
        self._order: list[int] = []
        self._found = ""
        self._refusal = ""
        self._complaint = ""
        self._bus_trouble = ""
        self._told_to_end = False
        self._quit = False
        self._realtime = False

    # --- life --------------------------------------------------------------------------------------------

    def open(self) -> None:
        """Open everything and say ready. Raises OSError with a clear text; a missing wire only refuses arming."""
        settings = self._settings
        if settings.service_pid:
            try:
                self._service = Watched(settings.service_pid)
            except ProcessLookupError:
                raise ProcessLookupError(f"service_pid {settings.service_pid}: no such process") from None
        for name in (settings.beat_socket, settings.stop_socket, settings.input_socket):
            if name:
                self._doors.append((open_door(Path(name)), Path(name)))
        self._catch_signals()
        self._stopping.open_wire(_HANDLE_START_S)
        standing = latch.read(self._latch_path)
        if standing is not None:
            self._find_latch(standing)
        leave_streamers_core()
        self._realtime, notes = take_rights(settings.realtime_priority)
        self._scribe.start()
        for event in self._lines.inputs.first():
            self._judge(event)
        atexit.register(self._lines.end)
        self._lines.begin(latched=standing is not None)
        self._arrange()
        if self._stopping.wire_error:
            notes.append(self._stopping.wire_error)
        ready: dict[str, object] = {"event": "ready", "pid": os.getpid(), "realtime": self._realtime}
        ready |= {"state": self._watch.state.value, "notes": notes}
        self._note(ready)
        print(json.dumps(ready), flush=True)

    def run(self) -> int:
        """Turn until told to quit, the service is gone, or SIGTERM came. Returns the exit code."""
        gc.collect()
        gc.freeze()
        gc.disable()
        try:
            while not self._is_over():
                self._turn()
        except Exception as error:  # noqa: BLE001 - whatever broke, the machine must stand
            self._last_resort(error)
        finally:
            self.close()
        return EXIT_NOT_PROVED if self._stopping.is_sending() else EXIT_DONE

    def close(self) -> None:
        """Write what is left and give everything back. Without proof of standstill, or after it: the power goes."""
        self._stopping.cut_power_unless_proved()
        self._lines.end()
        atexit.unregister(self._lines.end)
        self._note({"event": "ended", "state": self._watch.state.value})
        self._scribe.finish(timeout_s=5.0)
        signal.set_wakeup_fd(-1)
        for door, path in self._doors:
            door.close()
            path.unlink(missing_ok=True)
        for peer in (*self._streamers.values(), *self._askers.values(), *self._reporters.values()):
            peer.close()
        self._stopping.close()

    def _is_over(self) -> bool:
        state = self._watch.state
        if self._quit:
            return True
        if not (self._told_to_end or self._service_gone):
            return False
        if state is State.IDLE:
            return True
        if state is not State.LATCHED:
            return False
        latched = self._stopping.latch
        settled = not self._stopping.is_sending() or self._stopping.is_wire_lost()
        if latched is None or (settled and not self._stopping.is_unwritten()):
            return True
        # Not proved or not on disk, and nobody left to tell: keep on for a while, not for ever.
        return time.monotonic_ns() - latched.stopped_ns > _ORPHAN_GIVE_UPS * self._stopping.give_up_ns

    def _turn(self) -> None:
        deadline_ns = self._deadline_ns()
        timeout_s = None
        if deadline_ns is not None:
            timeout_s = max(0.0, (deadline_ns - time.monotonic_ns()) * 1e-9)
        # select: its time-out is the finest in the standard library (us; poll and epoll round up to a ms).
        ready, _, _ = select.select(self._order, (), (), timeout_s)
        for descriptor in ready:
            handler = self._handlers.get(descriptor)
            if handler is not None:
                handler()
        self._look_at_inputs()
        self._judge(Tick())
        if self._watch.state is State.ARMED:
            self._look_around()
        elif self._watch.verdict is not None:
            self._go_on_stopping()

    def _look_at_inputs(self) -> None:
        self._lines.carry()
        for event in self._lines.inputs.look(time.monotonic_ns()):
            self._judge(event)
            if isinstance(event, InputOpened):
                self._note({"event": "input-open", "input": event.name, "why": event.why})
            elif isinstance(event, InputClosed):
                self._note({"event": "input-closed", "input": event.name})

    def _look_around(self) -> None:
        """What no descriptor tells in time: a streamer that is dying, stopped or spinning, a wire that is gone."""
        armed = self._armed
        if armed is not None:
            life = armed.process.look()
            if life is Life.DYING:
                self._on_streamer_death()
            elif life is Life.STOPPED:
                self._judge(PeerStopped(armed.line.fileno()))
            else:
                cpu_ns = armed.process.cpu_ns()
                trouble = self._spin.look(time.monotonic_ns(), cpu_ns, self._watch.sequence)
                if trouble:
                    self._judge(PeerSpinning(armed.line.fileno(), trouble))
        if self._watch.state is State.ARMED:
            failure = self._stopping.handle_failure(time.monotonic_ns())
            if failure:
                self._judge(HandleLost(failure))
        if self._watch.state is State.ARMED and self._stopping.is_wire_lost():
            self._judge(WireLost(f"wire {self._settings.wire_channel} is gone"))

    def _deadline_ns(self) -> int | None:
        other_ns = self._lines.inputs.due_ns()
        own_ns = self._watch.next_deadline_ns()
        look_ns = time.monotonic_ns() + _LOOK_EVERY_NS
        own_ns = self._stopping.due_ns() if own_ns is None else min(own_ns, look_ns)
        if own_ns is None or other_ns is None:
            return other_ns if own_ns is None else own_ns
        return min(own_ns, other_ns)

    def _arrange(self) -> None:
        """What is waited on, and who answers to it: deaths first."""
        handlers: dict[int, Callable[[], None]] = {}
        if self._watch.state is State.ARMED and self._armed is not None:
            handlers[self._armed.process.pidfd] = self._on_streamer_death
        if self._service is not None and not self._service_gone:
            handlers[self._service.pidfd] = self._on_service_death
        if self._signal_line is not None:
            handlers[self._signal_line[0].fileno()] = self._on_signal
        for descriptor, peer in self._streamers.items():
            handlers[descriptor] = partial(self._on_streamer_words, peer)
        for descriptor, peer in self._askers.items():
            handlers[descriptor] = partial(self._on_request, peer)
        for descriptor, peer in self._reporters.items():
            handlers[descriptor] = partial(self._on_report, peer)
        (beat_door, _), (stop_door, _), *input_doors = self._doors
        for door, _ in input_doors:
            handlers[door.fileno()] = partial(self._on_knock, door, self._reporters)
        handlers[self._lines.wake_fd] = self._lines.acknowledge
        handlers[stop_door.fileno()] = partial(self._on_knock, stop_door, self._askers)
        handlers[beat_door.fileno()] = partial(self._on_knock, beat_door, self._streamers)
        handlers[self._scribe.wake_fd] = self._on_written
        if (trouble_fd := self._stopping.trouble_fd()) >= 0:
            handlers[trouble_fd] = self._on_bus_word
        self._handlers = handlers
        self._order = list(handlers)

    # --- streamers ---------------------------------------------------------------------------------------

    def _on_knock(self, door: socket.socket, peers: dict[int, Peer]) -> None:
        try:
            line, _ = door.accept()
        except OSError:
            return
        try:
            peer = Peer(line)
        except OSError:
            line.close()
            return
        full = len(peers) >= _PEERS_MAX
        if peer.uid not in (os.getuid(), 0) or (full and peers is self._streamers):
            peer.close()
            return
        if full and peers is self._reporters:
            peer.close()  # the readers that are there must not lose their place
            return
        if full:
            self._forget(peers, next(iter(peers)))  # hung askers must not keep a person from stopping
        peers[line.fileno()] = peer
        self._arrange()

    def _on_streamer_words(self, peer: Peer) -> None:
        for _ in range(_MESSAGES_A_TURN):
            message = peer.receive(MESSAGE_BYTES + 1)
            if message is None:
                return
            descriptor = peer.line.fileno()
            if not message:
                died = peer is self._armed and peer.process.is_dying()
                self._judge(PeerDied(descriptor) if died else PeerClosed(descriptor))
                self._forget(self._streamers, descriptor)
                return
            try:
                beat = unpack(message)
            except UnreadableBeatError as error:
                self._answer(peer, self._judge(Garbled(descriptor, str(error))), 0)
                continue
            if beat.word is Word.ARM and self._watch.state is State.IDLE:
                self._answer(peer, self._on_arm(peer, beat), beat.sequence)
                continue
            self._answer(peer, self._judge(Heard(descriptor, beat)), beat.sequence)
            if self._watch.state is State.IDLE and peer is self._armed:
                self._note({"event": "disarmed", "pid": peer.process.pid, "sequence": beat.sequence})
                self._armed = None
                self._arrange()

    def _on_arm(self, peer: Peer, beat: Beat) -> Decision:
        """Everything that must hold before a streamer is watched. Nothing moves yet, so the disk may be read."""
        standing = latch.read(self._latch_path)
        if standing is not None:
            return self._find_latch(standing)
        wired = self._stopping.open_wire()
        self._arrange()
        if not wired:
            return Refuse(f"no way to stop the drives: {self._stopping.wire_error}")
        trouble = self._stopping.bus_trouble()
        if trouble:
            return Refuse(f"no way to stop the drives: {trouble}")
        decision = self._judge(Heard(peer.line.fileno(), beat))
        if isinstance(decision, Echo):
            self._armed = peer
            self._spin.begin(time.monotonic_ns(), peer.process.cpu_ns(), beat.sequence)
            self._arrange()
            self._note({"event": "armed", "pid": peer.process.pid})
        return decision

    def _answer(self, peer: Peer, decision: Decision, sequence: int) -> None:
        now_ns = time.monotonic_ns()
        if isinstance(decision, Echo):
            peer.send(pack(Beat(Word.ECHO, decision.sequence, now_ns, decision.lease_until_ns)))
        elif isinstance(decision, Refuse):
            peer.send(pack(Beat(Word.LATCHED, sequence, now_ns, 0)))
            if decision.text != self._refusal:
                self._refusal = decision.text
                self._note({"event": "refused", "pid": peer.process.pid, "why": decision.text})

    def _on_streamer_death(self) -> None:
        """Its last words count first: one that said DISARM and left has not died on us."""
        peer = self._armed
        if peer is not None:
            self._on_streamer_words(peer)
            if self._watch.state is State.ARMED:
                self._judge(PeerDied(peer.line.fileno()))
        self._arrange()

    def _forget(self, peers: dict[int, Peer], descriptor: int) -> None:
        peer = peers.pop(descriptor, None)
        if peer is None:
            return
        if peer in self._awaiting_latch:
            self._awaiting_latch.remove(peer)
        if peers is self._streamers and (peer is self._armed or self._watch.state is State.STOPPING):
            peer.line.close()  # only the line: its process is still to be seen dead
        else:
            peer.close()
        self._arrange()

    # --- everybody else ----------------------------------------------------------------------------------

    def _on_service_death(self) -> None:
        self._service_gone = True
        self._judge(ServiceDied())
        self._note({"event": "service-gone", "state": self._watch.state.value})
        self._arrange()

    def _on_report(self, peer: Peer) -> None:
        descriptor = peer.line.fileno()
        for _ in range(_MESSAGES_A_TURN):
            message = peer.receive(_REQUEST_BYTES)
            if message is None:
                return
            now_ns = time.monotonic_ns()
            if not message:
                self._lines.inputs.lost(descriptor, now_ns)
                self._forget(self._reporters, descriptor)
                return
            trouble = self._lines.inputs.report(descriptor, message, now_ns)
            if trouble and trouble != self._complaint:
                self._complaint = trouble
                self._note({"event": "odd-report", "pid": peer.process.pid, "why": trouble})

    def _on_bus_word(self) -> None:
        self._bus_trouble = self._stopping.bus_trouble()
        if self._bus_trouble:
            self._judge(BusOff(self._bus_trouble))
        if self._stopping.trouble_fd() < 0:
            self._arrange()

    def _on_signal(self) -> None:
        assert self._signal_line is not None
        with contextlib.suppress(OSError):
            self._signal_line[0].recv(64)
        self._told_to_end = True
        if self._watch.state is State.ARMED:
            self._judge(StopAsked("the guard was told to end", "SIGTERM"))

    def _on_request(self, peer: Peer) -> None:
        message = peer.receive(_REQUEST_BYTES)
        if message is None:
            return
        if not message:
            self._forget(self._askers, peer.line.fileno())
            return
        try:
            request = json.loads(message)
        except (ValueError, RecursionError):
            request = None
        if not isinstance(request, dict):
            self._say(peer, {"error": "expected a JSON object with stop, status or quit"})
        elif "stop" in request:
            self._on_stop_request(peer, str(request["stop"]), str(request.get("by", "")))
        elif request.get("status"):
            self._say(peer, self._status())
        elif request.get("quit"):
            ended = self._watch.state in (State.IDLE, State.LATCHED) and not self._stopping.is_unwritten()
            self._quit = self._quit or ended
            self._say(peer, {"quit": self._quit, "state": self._watch.state.value})
        else:
            self._say(peer, {"error": f"expected stop, status or quit; got {', '.join(request)}"})

    def _on_stop_request(self, peer: Peer, why: str, by: str) -> None:
        """A person's stop always sends stop bytes, whatever the state."""
        sent = 0
        if not isinstance(self._judge(StopAsked(why, by)), Stop):
            sent = self._stopping.send_again()
            self._note({"event": "stop-asked-again", "why": why, "by": by, "bytes": sent})
        if self._stopping.latch is not None and self._scribe.latches_done == 0:
            self._awaiting_latch.append(peer)
        else:
            self._say(peer, self._stopped(sent))

    def _on_written(self) -> None:
        self._scribe.acknowledge()
        for peer in self._awaiting_latch:
            self._say(peer, self._stopped())
        self._awaiting_latch.clear()

    # --- judging and stopping ----------------------------------------------------------------------------

    def _judge(self, event: Event) -> Decision:
        decision = self._watch.step(time.monotonic_ns(), event)
        if isinstance(decision, Stop):
            self._begin_stop(decision)
        return decision

    def _begin_stop(self, stop: Stop) -> None:
        armed = None if self._armed is None else self._armed.process
        if self._stopping.spares(stop):
            self._tell_streamers()
        streamers = [peer.process for peer in self._streamers.values()]
        self._stopping.begin(stop, armed, streamers, self._watch.lease)
        self._tell_streamers()
        latched = self._stopping.latch
        assert latched is not None
        self._note({"event": "stop", "reason": stop.reason.value, "text": stop.text, "verdict_ns": stop.at_ns,
                    "first_bytes_ns": latched.first_bytes_ns, "streamer_pid": latched.streamer_pid})  # fmt: skip
        self._arrange()

    def _tell_streamers(self) -> None:
        word = pack(Beat(Word.LATCHED, 0, time.monotonic_ns(), 0))
        for peer in self._streamers.values():
            peer.send(word)

    def _go_on_stopping(self) -> None:
        now_ns = time.monotonic_ns()
        proved = self._stopping.go_on(now_ns)
        if proved is None:
            return
        self._watch.step(now_ns, Stood(proved))
        assert self._stopping.latch is not None
        after_ms = (now_ns - self._stopping.latch.stopped_ns) / NS_PER_MS
        self._note({"event": "standstill", "proved": proved, "rounds": self._stopping.rounds, "after_ms": after_ms,
                    "spread_um": self._stopping.spread_um()})  # fmt: skip

    def _last_resort(self, error: Exception) -> None:
        """The loop has broken: no more loop, only stop bytes and the latch, as plainly as can be."""
        detail = f"{type(error).__name__}: {error}"
        self._note({"event": "guard-failed", "detail": detail})
        if self._watch.state is State.LATCHED:
            return
        with contextlib.suppress(Exception):
            self._judge(GuardFailed(detail))
        verdict = self._watch.verdict
        if self._stopping.latch is None and verdict is not None:  # the stop itself broke half-way
            armed = None if self._armed is None else self._armed.process
            self._stopping.begin(verdict, armed, (), self._watch.lease)
        while self._watch.state is State.STOPPING:
            time.sleep(self._settings.stop_repeat_ms * 1e-3)
            self._go_on_stopping()

    # --- small things ------------------------------------------------------------------------------------

    def _find_latch(self, standing: latch.Latch) -> Decision:
        self._found = standing.reason
        return self._judge(LatchFound(f"{standing.reason}: {standing.text}"))

    def _stopped(self, sent_again: int = 0) -> dict[str, object]:
        """The answer to a stop. ``sent_again``: bytes of a round for somebody who asked behind an earlier stop."""
        latched = self._stopping.latch
        sent = sent_again > 0 or (latched is not None and latched.first_bytes_ns > 0)
        return {"stopped": True, "sent": sent, "latch": str(self._latch_path)} | self._status()

    def _status(self) -> dict[str, object]:
        verdict, latched = self._watch.verdict, self._stopping.latch
        return {
            "state": self._watch.state.value,
            "pid": os.getpid(),
            "realtime": self._realtime,
            "streamer_pid": self._armed.process.pid if self._armed is not None else None,
            "reason": verdict.reason.value if verdict is not None else self._found or None,
            "text": verdict.text if verdict is not None else "",
            "standstill": latched.standstill if latched is not None else None,
            "lease": self._watch.lease,
            "first_bytes_ns": latched.first_bytes_ns if latched is not None else None,
            "rounds": self._stopping.rounds,
            "power_cut": self._lines.power_state,
            "inputs": self._lines.inputs.status(),
            "latch_error": self._scribe.latch_error,
            "wire_error": self._stopping.wire_error,
            "bus_trouble": self._bus_trouble,
            "last_refusal": self._refusal,
        }

    def _say(self, peer: Peer, answer: dict[str, object]) -> None:
        peer.send(json.dumps(answer).encode())

    def _note(self, event: dict[str, object]) -> None:
        self._scribe.put_event({"ns": time.monotonic_ns(), "wall": latch.now_text()} | event)

    def _catch_signals(self) -> None:
        near, far = socket.socketpair()
        near.setblocking(False)
        far.setblocking(False)
        self._signal_line = (near, far)
        signal.set_wakeup_fd(far.fileno(), warn_on_full_buffer=False)
        signal.signal(signal.SIGTERM, lambda *_: None)
        # Ctrl-C and a closed terminal reach the whole group; they are the service's to answer, on the path.
        signal.signal(signal.SIGINT, signal.SIG_IGN)
        signal.signal(signal.SIGHUP, signal.SIG_IGN)


def main(arguments: list[str]) -> int:
    """Run the guard with the settings file named in ``arguments``. Returns the exit code."""
    try:
        if len(arguments) != 1:
            raise SettingsError("usage: python -m safety.guard SETTINGS.json")
        guard = Guard(GuardSettings.load(Path(arguments[0])))
        guard.open()
    except (SettingsError, DoorError, OSError) as error:
        print(json.dumps({"event": "refused", "why": str(error)}), flush=True)
        return EXIT_REFUSED
    return guard.run()


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
