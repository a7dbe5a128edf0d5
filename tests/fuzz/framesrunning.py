"""Whole groups of drives, alive in virtual time on the simulated gantry, while their wire brings what it should not.

A trial brings a group into a state in quiet, then lets frames rain in between the drives' own, which are lost now and
then, and goes on asking of the group what a streamer would. Held after every call: nothing but the three errors of
``drivers.errors`` is raised, and nothing at all by ``abort`` and ``close``; an axis is enabled only if it has been set
up and the latest word that came for it, or the word that it was last known by, says so (``tests.fuzz.framesjudge``); a
tick that is refused sends nothing; after a stop no velocity leaves.
"""

from __future__ import annotations

import random
from collections import Counter
from collections.abc import Callable, Sequence
from typing import Any

from drivers.can.link import CanLink, Frame
from drivers.clock import VirtualClock
from drivers.errors import DriverError, FaultError, LinkError, MisuseError
from drivers.interface import DriveGroup, DriveState
from drivers.line.port import SerialLine
from drivers.registry import group_on_link
from drivers.settings import GroupSettings
from drivers.twin.parameters import TwinParameters
from drivers.twin.virtual import virtual_gantry
from tests.fakes.described_settings import can_settings, described_twin_parameters, serial_settings
from tests.fakes.drive_settings import group_settings, twin_parameters
from tests.fakes.modbus_settings import modbus_settings, modbus_twin_parameters
from tests.fuzz import framesjudge as judge
from tests.fuzz import framesmade as made
from tests.fuzz.framesdecoders import Counts, FindingError, need

WORLDS: dict[str, tuple[Callable[[], GroupSettings], Callable[[], TwinParameters]]] = {
    "can": (group_settings, twin_parameters),
    "modbus-rtu": (modbus_settings, modbus_twin_parameters),
    "described-can": (can_settings, described_twin_parameters),
    "described-serial": (serial_settings, described_twin_parameters),
}
STATES = (
    "not configured", "configured", "setting up", "streaming", "streaming", "quick stop", "fault", "leaving",
    "plug pulled", "closed",
)  # fmt: skip
STEPS_MAX = 400
QUIET_TICKS = 8


class NoisyBus:
    """A CanLink that brings more than was sent, and less."""

    def __init__(self, inner: CanLink, wire: str, chance: random.Random, dense: float) -> None:
        self._inner, self._wire, self._chance = inner, wire, chance
        self._dense = dense
        self.on = False
        self.rained = 0
        self.heard: list[tuple[int, bytes]] = []
        self.sent: list[tuple[int, bytes]] = []

    def send_frames(self, frames: Sequence[tuple[int, bytes]]) -> None:
        """As the wire."""
        self.sent += frames
        self._inner.send_frames(frames)

    def receive(self) -> list[Frame]:
        """What came, and what else there is."""
        came = self._inner.receive()
        chance = self._chance
        if self.on and chance.random() < self._dense:
            came = [one for one in came if chance.random() > 0.03]
            count = chance.choice((0, 0, 1, 1, 2, 4, 12))
            for frame in made.can_burst(self._wire, chance, count):
                at = chance.randrange(len(came) + 1)
                came.insert(at, Frame(*frame, received_ns=came[0].received_ns if came else 0))
            self.rained += count
        self.heard += [(one.can_id, one.data) for one in came]
        return came

    @property
    def garbled(self) -> int:
        """Nothing is garbled on its way here."""
        return 0

    def close(self) -> None:
        """As the wire."""
        self._inner.close()


class NoisyLine:
    """A SerialLine that brings more bytes than were sent, and less."""

    def __init__(self, inner: SerialLine, wire: str, chance: random.Random, dense: float) -> None:
        self._inner, self._wire, self._chance = inner, wire, chance
        self._dense = dense
        self.on = False
        self.rained = 0
        self.heard: list[tuple[bool, bytes]] = []
        """Whether ours, and the bytes."""
        self.sent: list[tuple[int, bytes]] = []

    def send(self, data: bytes) -> None:
        """As the wire."""
        self.heard.append((True, data))
        self.sent.append((-1, data))
        self._inner.send(data)

    def receive(self) -> bytes:
        """What came, and what else there is."""
        came = self._inner.receive()
        chance = self._chance
        if self.on and chance.random() < 0.3 * self._dense:
            piece = made.serial_piece(self._wire, chance)
            came = chance.choice((came + piece, piece + came, piece, made.bytes_damaged(came, chance)))
            self.rained += 1
        if came:
            self.heard.append((False, came))
        return came

    def drop_unsent(self) -> None:
        """As the wire."""
        self._inner.drop_unsent()

    def next_ns(self) -> int:
        """As the wire."""
        return self._inner.next_ns()

    def fileno(self) -> int:
        """As the wire."""
        return self._inner.fileno()

    def close(self) -> None:
        """As the wire."""
        self._inner.close()


Truth = judge.CanTruth | judge.WordTruth


class World:
    """One group on its noisy wire, with the judge beside it."""

    def __init__(
        self,
        wire: str,
        chance: random.Random,
        adopt: Callable[[DriveGroup], DriveGroup],
        dense: float | None = None,
    ) -> None:
        """``dense``: how often it rains, 1 at every look; drawn when not given."""
        if dense is None:
            dense = chance.choice((0.03, 0.3, 1.0))
        settings, parameters = (make() for make in WORLDS[wire])
        assert isinstance(settings, GroupSettings)
        assert isinstance(parameters, TwinParameters)
        self.wire, self.settings, self.clock = wire, settings, VirtualClock()
        self.gantry = virtual_gantry(settings, parameters, self.clock)
        link: Any = self.gantry.link
        self.link: NoisyBus | NoisyLine = (
            NoisyBus(link, wire, chance, dense)
            if wire.endswith("can")
            else NoisyLine(link, wire, chance, dense)
        )
        self.group = adopt(group_on_link(settings, self.link, self.clock))
        self.truths: list[Truth] = [
            judge.CanTruth(node) if wire == "can" else judge.WordTruth() for node in made.NODES
        ]
        self.counts: Counts = Counter()
        self.last_error = ""
        self._asked = b""
        self._answer = b""
        self._before = [(False, 0)] * len(self.truths)
        self._stopped = False

    # The judge

    def _hear(self) -> list[bool]:
        """Judge what passed. Whether any word for an axis was well."""
        was_well = [False] * len(self.truths)
        if isinstance(self.link, NoisyBus):
            for can_id, data in self.link.heard:
                for place, (node, truth) in enumerate(zip(made.NODES, self.truths, strict=True)):
                    if isinstance(truth, judge.CanTruth):
                        truth.hear(can_id, data)
                        was_well[place] = truth.healthy
                    else:
                        truth.take(said := judge.heron_word(node, can_id, data))
                        was_well[place] |= said == "well"
        else:
            for is_ours, data in self.link.heard:
                if is_ours:
                    self._asked, self._answer = data, b""
                    continue
                self._answer += data
                for place, node in enumerate(made.NODES):
                    truth = self.truths[place]
                    assert isinstance(truth, judge.WordTruth)
                    words = self._said(node, data)
                    truth.take(next((word for word in words if word != "nothing"), "nothing"))
                    was_well[place] |= "well" in words
        self.link.heard.clear()
        return was_well

    def _said(self, node: int, latest: bytes) -> list[str]:
        """What each whole answer meant. The first is taken, and what is behind it dropped; or it answers a request that
        was given up, and the next is taken."""
        is_modbus = self.wire == "modbus-rtu"
        if (self._asked[:1] if is_modbus else self._asked[1:2]) != bytes((node,)):
            return []
        if is_modbus:
            return [judge.modbus_word(self._asked, data) for data in (self._answer, latest)]
        long = judge.TIDE_LENGTH
        return [
            judge.tide_word(self._asked, self._answer[at : at + long])
            for at in range(0, len(self._answer) - long + 1, long)
        ]

    def look(self, what: str) -> None:
        """Hold the group's feedback against the judge."""
        was_well = self._hear()
        for place, (axis, truth) in enumerate(zip(self.group.feedback.axes, self.truths, strict=True)):
            is_enabled = axis.state is DriveState.OPERATION_ENABLED
            knew = self._before[place] == (True, axis.received_ns)
            # An answer that came too late for its exchange is not taken: then the word before still counts.
            is_told = truth.healthy or (truth.trusted and (was_well[place] or knew) and self.wire != "can")
            need(not is_enabled or is_told, f"{what}: axis {place} is enabled, and nothing has said so")
            self._before[place] = is_enabled, axis.received_ns
            self.counts["enabled" if is_enabled else "not enabled"] += 1
        if self._stopped:
            for can_id, data in self.link.sent:
                need(not judge.moves(self.wire, can_id, data), f"{what}: a velocity after a stop", data)
        self.link.sent.clear()

    # Calls

    def ask(self, what: str, act: Callable[[], object]) -> str:
        """Make one call of a group; "held", or the kind of error."""
        try:
            act()
            outcome = "held"
        except DriverError as error:
            need(str(error).isprintable(), "words", str(error))
            outcome, self.last_error = type(error).__name__, str(error)
        self.counts[f"{what}: {outcome}"] += 1
        return outcome

    def configure(self) -> bool:
        """Set up; the judge forgets first."""
        for truth in self.truths:
            truth.lose()
        self._before = [(False, 0)] * len(self.truths)
        is_done = self.ask("configure", self.group.configure) == "held"
        self._hear()
        for truth in self.truths:
            if is_done:
                truth.trust()
        self.look("configure")
        return is_done

    def group_is_well(self) -> bool:
        """Whether every axis is enabled."""
        return all(axis.state is DriveState.OPERATION_ENABLED for axis in self.group.feedback.axes)

    def ready(self) -> None:
        """In quiet: enabled, whatever was before."""
        need(self.configure(), "a quiet configure failed:", self.last_error)
        if self.ask("clear_fault", self.group.clear_fault) == "held":
            for truth in self.truths:
                truth.acknowledge()
        need(self.ask("enable", self.group.enable) == "held", "a quiet enable failed:", self.last_error)
        self.look("enable")

    def stop(self) -> None:
        """A stop: it never raises."""
        self.group.abort()
        self.look("abort")
        self._stopped = True

    def tick(self, velocities: tuple[int, int]) -> str:
        """Command, sleep, read."""
        self.link.sent.clear()
        was_enabled = self.group_is_well()
        outcome = self.ask("tick", lambda: self.group.send_tick(velocities, 0))
        if outcome in (MisuseError.__name__, FaultError.__name__):
            need(not self.link.sent, f"{outcome} and something was sent", self.link.sent)
        need(outcome != "held" or was_enabled, "a velocity was taken though an axis is not enabled")
        return outcome

    def rest(self) -> None:
        """A tick's sleep and a reading. A link that is gone makes nothing of a bus known."""
        self.clock.sleep_until_ns(self.clock.now_ns() + self.settings.tick_us * 1000)
        if self.ask("poll", self.group.poll) == LinkError.__name__ and self.wire == "can":
            self._hear()
            for truth in self.truths:
                truth.lose()
        self.look("poll")


def _always_refused(world: World) -> None:
    need(world.tick((100, 100)) == MisuseError.__name__, "a tick was not refused")


def rain(
    wire: str, state: str, chance: random.Random, count: int,
    adopt: Callable[[DriveGroup], DriveGroup] = lambda group: group,
) -> Counts:  # fmt: skip
    """A trial: about ``count`` frames onto a group in a state. Raises FindingError; whatever else is a finding too."""
    world = World(wire, chance, adopt)
    group, link = world.group, world.link
    if state == "configured":
        world.configure()
    elif state not in ("not configured", "setting up"):
        world.ready()
    if state == "fault":
        world.gantry.gantry.fail_drive("x", 0x2310)
    if state == "plug pulled":
        world.gantry.link.plugged = False
    if state == "quick stop":
        world.tick((500, -500))
        world.rest()
        world.stop()
    if state == "closed":
        group.close()
    link.on = True
    if state == "setting up" and world.configure():
        world.ask("enable", group.enable)
        world.look("enable")
    elif state == "leaving":
        world.ask("disable", group.disable)
        world.look("disable")
    for step in range(STEPS_MAX):
        if link.rained >= count or (state == "closed" and step > 3):
            break
        if state in ("not configured", "configured", "quick stop", "closed"):
            _always_refused(world)
        else:
            world.tick((chance.randrange(-2000, 2000), 300))
        if state == "quick stop" and chance.random() < 0.1:
            world.stop()
        if state == "not configured" and chance.random() < 0.1:
            need(world.ask("enable", group.enable) == MisuseError.__name__, "enabled without being set up")
        world.rest()
        if state == "streaming" and not world.group_is_well() and chance.random() < 0.2:
            link.on = False
            world.ready()
            link.on = True
    if state == "fault" and world.ask("clear_fault", group.clear_fault) == "held":
        for truth in world.truths:
            truth.acknowledge()
        world.look("clear_fault")
    link.on = False
    _afterwards(world, state)
    return world.counts + Counter(rained=link.rained)


def _afterwards(world: World, state: str) -> None:
    """Quiet again: what the drives say counts, a stop and the end go through, and all of it is refused then."""
    if state == "closed":
        need(world.ask("poll", world.group.poll) == LinkError.__name__, "a closed wire was read")
    else:
        for _ in range(QUIET_TICKS):
            world.rest()
        if state == "fault" and world.counts["clear_fault: held"] == 0:
            is_enabled = world.group.feedback.axes[0].state is DriveState.OPERATION_ENABLED
            need(not is_enabled or world.counts["tick: held"] == 0, "a drive in fault is enabled")
    world.stop()
    _always_refused(world)
    for _ in range(2):
        world.group.close()
    need(world.ask("configure", world.group.configure) == MisuseError.__name__, "set up after its end")


def state_of(trial: int) -> str:
    """Trials take the states in turn."""
    return STATES[trial % len(STATES)]


def group_under_rain(wire: str) -> Callable[[random.Random, int], Counts]:
    """A trial of one wire, its state drawn."""

    def trial(chance: random.Random, count: int) -> Counts:
        state = chance.choice(STATES)
        try:
            return rain(wire, state, chance, count)
        except FindingError as error:
            raise FindingError(f"{state}: {error}") from error

    return trial


GROUPS: dict[str, Callable[[random.Random, int], Counts]] = {
    f"{wire}, running": group_under_rain(wire) for wire in WORLDS
}
