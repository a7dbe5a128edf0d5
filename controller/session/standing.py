"""How a machine stands, as somebody who follows knows it: built from what a service says, message by message.

Owns what a message changes, which fields are as they must be, and the words for an event. Pure: no socket, no screen,
no clock. What a message does not carry stays as it was; one that is not as it must be changes nothing, and a field of
another kind than it must be is not known (None): whoever shows them relies on nobody's word.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import Any, Final

from controller.config.counting import counted

EVENTS_KEPT: Final = 64
ASK_AGAIN: Final = frozenset({"state", "homed", "session_begun", "session_ended", "pass_begun", "verb_ended"})
"""Events after which more has changed than they say."""
_LARGEST: Final = 1e15
"""No number that a service tells is larger; below it a float tells every whole number apart."""


def _is_number(value: Any) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and abs(value) <= _LARGEST


def _is_count(value: Any) -> bool:
    return _is_number(value) and value >= 0


def _is_place(value: Any) -> bool:
    return isinstance(value, list) and len(value) == 2 and all(map(_is_number, value))


def _is_pass(value: Any) -> bool:
    return (
        isinstance(value, dict)
        and isinstance(value.get("name"), str)
        and all(_is_count(value.get(name)) for name in ("number", "of", "metres", "pen_m"))
    )


def _is_timing(value: Any) -> bool:
    return (
        isinstance(value, dict)
        and _is_count(value.get("ticks"))
        and all(_is_number(value.get(name)) for name in ("tick_ms", "p50_us", "p99_us", "max_us"))
    )


def _is_differences(value: Any) -> bool:
    return isinstance(value, dict) and all(one is None or _is_number(one) for one in value.values())


def _is_service(value: Any) -> bool:
    return isinstance(value, dict) and "pid" in value


_MUST_BE: Final[Mapping[str, Callable[[Any], bool]]] = {
    "ticks": _is_count, "ticks_sent": _is_count, "tick_ns": _is_count, "strokes": _is_count,
    "strokes_finished": _is_count, "position_mm": _is_place, "pass": _is_pass, "timing": _is_timing,
    "difference_mm": _is_differences, "service": _is_service,
}  # fmt: skip
"""What a field must be; what is not here is shown as text, whatever it is."""


def _known(fields: Mapping[str, Any]) -> dict[str, Any]:
    return {
        name: value if name not in _MUST_BE or _MUST_BE[name](value) else None
        for name, value in fields.items()
    }


@dataclass(slots=True)
class Standing:
    """See above. ``fields``: the last whole answer with what events have changed since; empty before any."""

    fields: dict[str, Any] = field(default_factory=dict)
    events: deque[str] = field(default_factory=lambda: deque(maxlen=EVENTS_KEPT))

    def take(self, message: Mapping[str, Any]) -> None:
        """Take an answer to follow or status, or an event."""
        if message.get("ok") is True and "state" in message:
            recent = message.get("recent")
            for event in recent if isinstance(recent, list | tuple) else ():
                if isinstance(event, Mapping):
                    self._say(event)
            self.fields = _known(message)
        elif "event" in message:
            self._event(message)

    def _event(self, event: Mapping[str, Any]) -> None:
        match event:
            case {"event": "advanced"}:
                self.fields.update(_known({
                    "ticks_sent": event.get("ticks"), "ticks": event.get("ticks_total"),
                    "strokes_finished": event.get("strokes"), "position_mm": event.get("position_mm"),
                    "timing": event.get("timing"),
                }))  # fmt: skip
                return
            case {"event": "state", "state": str() as state}:
                self.fields["state"] = state
            case {"event": "prompt"}:
                self.fields["prompt"] = dict(event)
            case {"event": "answered"}:
                self.fields["prompt"] = None
        self._say(event)

    def _say(self, event: Mapping[str, Any]) -> None:
        at = clock_time(event.get("at_ms"))
        self.events.extend(f"{at} {text}" for text in words(event))

    # -- what is shown ----------------------------------------------------------------------------------------

    @property
    def seconds_left(self) -> float | None:
        """Of the present run, by its ticks; None while nothing with a known end runs."""
        ticks, sent, tick_ns = (self.fields.get(name) for name in ("ticks", "ticks_sent", "tick_ns"))
        if self.fields.get("session") is None or not ticks or sent is None or not tick_ns:
            return None
        return float(max(0, int(ticks) - int(sent)) * int(tick_ns)) / 1e9

    @property
    def share_done(self) -> float:
        """Of the present run's ticks, 0 to 1."""
        ticks, sent = self.fields.get("ticks"), self.fields.get("ticks_sent")
        return min(1.0, float(sent) / float(ticks)) if ticks and sent else 0.0

    @property
    def metres_left(self) -> float | None:
        """Of the pass, about: by the share of its strokes that are finished; None outside a pass."""
        part, total = self.fields.get("pass"), self.fields.get("strokes")
        if not isinstance(part, dict) or not total:
            return None
        finished = float(self.fields.get("strokes_finished") or 0)
        return float(part["metres"]) * (1.0 - finished / float(total))


def words(event: Mapping[str, Any]) -> list[str]:
    """What an event says to a person, a line each; progress says nothing."""
    match event:
        case {"event": "state", "state": state}:
            return [f"state {state}"]
        case {"event": "homing_begun"}:
            return ["homing: looking for the switches"]
        case {"event": "homed", "accepted": accepted, "lines": list() as lines}:
            return [f"homing {'' if accepted else 'refused: '}{line}" for line in lines]
        case {"event": "drifted", "lines": list() as lines}:
            return [f"drift {line}" for line in lines]
        case {"event": "pass_begun", "pass": dict() as part}:
            return [f"pass {part.get('name')} begins: {_strokes(part)}, {_metres(part)}"]
        case {"event": "pass_ended", "pass": dict() as part, "state": state}:
            return [f"pass {part.get('name')} {state}"]
        case {"event": "measuring_begun", "what": what}:
            return [f"measuring: {what}"]
        case {"event": "note", "text": text}:
            return [str(text)]
        case {"event": "prompt"}:
            return [f"a person is asked: {question(event)}"]
        case {"event": "answered", "value": str() as value}:
            return [f"answered: {value}"]
        case {"event": "answered", "value": value}:
            return [f"answered: {'yes' if value else 'no'}"]
        case {"event": "session_begun", "session": session, "verb": verb}:
            job = f" {event['job']}" if event.get("job") else ""
            return [f"session {session} begins: {verb}{job}"]
        case {"event": "session_ended", "session": session, "end": end}:
            return [f"session {session} ended: {end}"]
        case {"event": "verb_ended", "verb": verb, "exit": code, "state": state}:
            return [f"{verb} ended with exit code {code}; {state}"]
        case {"event": "ready"}:
            return ["the service is up"]
        case {"event": "gone"}:
            return ["the service goes down"]
        case {"event": "lost", "events": count}:
            return [f"{counted(count, 'event was', 'events were')} lost on the way here"]
    return []


def question(prompt: Mapping[str, Any]) -> str:
    """A question to a person, in words."""
    match prompt:
        case {"kind": "pen", "pass": dict() as part}:
            which = "a fresh" if part.get("fresh_pen") else "the same"
            return f"{which} {part.get('ink')} pen for {part.get('name')}"
        case {"question": text}:
            return str(text)
    return "a step"


def clock_time(at_ms: Any) -> str:
    """Time of day, UTC, of an instant in ms since 1970; dashes where there is none."""
    if not isinstance(at_ms, int | float) or not 0 <= at_ms < 1e14:
        return "--:--:--"
    return datetime.fromtimestamp(at_ms / 1000.0, UTC).strftime("%H:%M:%S")


def _strokes(part: Mapping[str, Any]) -> str:
    strokes = part.get("strokes")
    return counted(strokes, "stroke") if isinstance(strokes, int) else "? strokes"


def _metres(part: Mapping[str, Any]) -> str:
    metres = part.get("metres")
    return f"{float(metres):.1f} m" if isinstance(metres, int | float) and _is_number(metres) else "? m"
