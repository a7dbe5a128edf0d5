"""What the one button does: asks the guard to stop, as ``giornata stop`` does, and says what came of it.

Owns the words of the answer. Where no guard answers, the service is asked to stop at once: it may be starting one.
Takes seconds at most.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

from controller.config.errors import RefusedError
from controller.config.places import StateDir
from controller.session import control
from controller.session.stopwords import EMERGENCY, came_of
from safety import client
from safety.words import LEASE_WORDS

REASON: Final = "a person pressed stop on the live page"
GUARD_S: Final = 2.0
SERVICE_S: Final = 1.0

HARDWARE: Final = "If the machine moves all the same, use its hardware stop."


@dataclass(frozen=True, slots=True)
class Pressed:
    """What came of a press. is_stopped: the guard says that stop bytes are out and a latch stands."""

    is_stopped: bool
    lines: tuple[str, ...]

    def message(self) -> dict[str, Any]:
        """As JSON."""
        return {"stopped": self.is_stopped, "lines": list(self.lines)}


def press(state: StateDir, by: str) -> Pressed:
    """Have the machine stopped now; a second time does no harm. ``by``: who, for the record. Never raises for what it
    is answered."""
    try:
        said = client.request_stop(state.stop_socket, REASON, by, GUARD_S)
    except client.GuardSilentError as error:
        first = (
            f"The guard did not answer in {GUARD_S:g} s. The machine may be moving: use its emergency stop."
        )
        return _without_guard(state, first, str(error))
    except client.GuardUnreachableError as error:
        first = "No guard answers, so no session of ours should be moving the machine."
        return _without_guard(state, first, str(error))
    if said.get("stopped") is not True:
        return Pressed(False, (f"The guard answered something else: {_plain(said)}.", HARDWARE))
    standstill = said.get("standstill")
    still = {
        "proved": "By the drives' own positions both axes stand.",
        "not proved": "The drives have not proved that they stand.",
    }.get(str(standstill), "That both axes stand is being proved.")
    done = came_of(said)
    first = "Stopped by the guard" if done.is_whole else "The guard was asked to stop"
    lines = [f"{first}: {done.words} ({said.get('reason')}).", still]
    if not done.is_sent and standstill != "proved":
        lines.insert(1, f"{EMERGENCY[0].upper()}{EMERGENCY[1:]}.")
    if standstill != "proved" and (allowed := LEASE_WORDS.get(str(said.get("lease")), "")):
        lines.append(f"By the guard's own book {allowed}.")
    if done.is_sent and said.get("wire_error"):
        lines.append(f"Trouble: {said['wire_error']}.")
    lines.append("Look at the machine, then giornata clear.")
    return Pressed(done.is_whole, (*lines, *(() if standstill == "proved" else (HARDWARE,))))


def _without_guard(state: StateDir, first: str, why: str) -> Pressed:
    lines = [first]
    try:
        said = control.ask(state.control_socket, "stop", SERVICE_S, "immediate")
    except RefusedError as error:
        lines.append(f"The service was asked as well: {error.reason}.")
    except OSError as error:
        lines.append(f"The service cannot be asked: {error.strerror}.")
    else:
        done = "it stops at once" if said.get("ok") is True else f"{said.get('got')}, nothing to stop"
        lines.append(f"The service was asked as well: {done}.")
    return Pressed(False, (*lines, HARDWARE, f"({why})"))


def _plain(said: dict[str, object]) -> str:
    return str(said)[:200]
