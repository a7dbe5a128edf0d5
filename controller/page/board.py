"""What the page knows by now, and in which words: from a service's messages and from looks at the disk.

Owns what is shown, how old it is, and when it counts as unknown. Pure: no socket, no disk, and instants are arguments
(CLOCK_MONOTONIC, ns). What a service has not said within three seconds is unknown, and never "healthy".
"""

from __future__ import annotations

from collections import deque
from collections.abc import Mapping
from enum import Enum
from typing import Any, Final

from controller.config.counting import counted
from controller.page.looking import UNREAD, Look
from controller.page.picture import ranges
from controller.session.standing import Standing, question, words

STALE_NS: Final = 3_000_000_000
"""After so long without a word of the service its state is unknown."""
LOOKS_TO_JUDGE: Final = 2
"""Where nobody listens any more, so many looks tell whether a session was ended: the first may have begun before."""
EVENTS_SHOWN: Final = 30
STEPS_KEPT: Final = 256
"""So many steps of the picture are kept for browsers that read slowly; whoever is further behind gets it whole."""
TEXT_MAX: Final = 400

Message = dict[str, Any]


class Link(Enum):
    """How the page stands with the service."""

    ASKING = "asking"
    """Nothing is known yet."""
    LIVE = "live"
    SILENT = "silent"
    """It holds its socket and does not speak."""
    NONE = "none"
    """Nobody listens, and the journal has no session open: nothing runs."""
    GONE = "gone"
    """Nobody listens, and the journal has a session that nobody has ended."""


class Board:
    """See above. ``take`` what the service says, ``looked`` what lies on the disk; ``view`` is for a browser."""

    def __init__(self, machine: str) -> None:
        self._machine = machine
        self._standing = Standing()
        self._events: deque[tuple[int | None, str]] = deque(maxlen=EVENTS_SHOWN)
        self._heard_ns: int | None = None
        self._connected_ns = 0
        self._connected: bool | None = None
        self._refused = ""
        self._looks = 0
        self._look: Look | None = None
        self._painted: tuple[tuple[int, ...], ...] = ()
        self._steps: deque[tuple[int, Message]] = deque(maxlen=STEPS_KEPT)
        self.version = 0
        """Grows with every change of what ``view`` shows, ages aside."""
        self.step = 0
        """Grows with every change of the picture."""

    # -- what comes in ----------------------------------------------------------------------------------------

    def connected(self, now_ns: int) -> None:
        """A talk with a service has begun; it has said nothing yet."""
        self._connected, self._connected_ns, self._refused = True, now_ns, ""
        self._standing = Standing()
        self.version += 1

    def disconnected(self, why: str = "") -> None:
        """Nobody listens, or the service hung up. ``why``: what it said to that."""
        if self._connected is not False or why != self._refused:
            self.version += 1
        if self._connected is not False:
            self._looks = 0
        self._connected, self._refused = False, why
        self._standing = Standing()

    def forgotten(self) -> None:
        """Nobody asks any more: what was known is not kept for whoever comes next."""
        self._connected, self._heard_ns, self._refused, self._look = None, None, "", None
        self._standing = Standing()
        self._events.clear()
        self._painted = ()
        self._whole()
        self.version += 1

    def take(self, message: Mapping[str, Any], now_ns: int) -> None:
        """Take an answer or an event of the service. One that is not as it must be changes nothing but the age."""
        self._heard_ns = now_ns
        was = dict(self._standing.fields)
        if message.get("ok") is True and "recent" in message:
            self._events.clear()
            recent = message["recent"]
            for event in recent if isinstance(recent, list | tuple) else ():
                if isinstance(event, Mapping):
                    self._tell(event)
        elif "event" in message:
            self._tell(message)
        # Past events are kept here, with their instants.
        self._standing.take({**message, "recent": ()})
        if self._standing.fields != was:
            self.version += 1

    def _tell(self, event: Mapping[str, Any]) -> None:
        at_ms = event.get("at_ms")
        at = int(at_ms) if isinstance(at_ms, int | float) and 0 <= at_ms < 1e14 else None
        lines = words(event)
        self._events.extend((at, text[:TEXT_MAX]) for text in lines)
        self.version += bool(lines)

    def looked(self, look: Look) -> None:
        """Take a look at the disk."""
        before, self._look = self._look, look
        self._looks += 1
        if self._connected is False and self._looks == LOOKS_TO_JUDGE:
            self.version += 1
        old = None if before is None or before.picture is None else before.picture.key
        new = None if look.picture is None else look.picture.key
        painted = look.account.painted
        if old != new or len(painted) != len(self._painted):
            self._painted = painted
            self._whole()
        elif painted != self._painted:
            for index, (was, now) in enumerate(zip(self._painted, painted, strict=True)):
                if was == now:
                    continue
                gone, fresh = set(was) - set(now), set(now) - set(was)
                if gone:
                    self._painted = painted
                    self._whole()
                    break
                self.step += 1
                self._steps.append((self.step, {"pass": index, "done": ranges(sorted(fresh))}))
            self._painted = painted
        if before is None or _shown(before) != _shown(look):
            self.version += 1

    def _whole(self) -> None:
        self.step += 1
        self._steps.clear()

    # -- what goes out ----------------------------------------------------------------------------------------

    def steps_since(self, step: int) -> list[Message] | None:
        """What has been painted since ``step``; None where only the whole helps."""
        if step == self.step:
            return []
        if not self._steps or step < self._steps[0][0] - 1:
            return None
        return [message for number, message in self._steps if number > step]

    def whole(self) -> Message:
        """The picture's key and all that is painted of it, by pass."""
        picture = None if self._look is None else self._look.picture
        if picture is None:
            return {"key": None, "painted": []}
        return {"key": picture.key, "painted": [ranges(one) for one in self._painted]}

    def packed(self, key: str) -> bytes | None:
        """The picture of that key, gzip; None when it is another by now."""
        picture = None if self._look is None else self._look.picture
        return picture.packed if picture is not None and picture.key == key else None

    def link(self, now_ns: int) -> Link:
        """How it stands with the service at an instant."""
        if self._connected is None:
            return Link.ASKING
        if self._connected:
            if now_ns - max(self._heard_ns or 0, self._connected_ns) > STALE_NS:
                return Link.SILENT
            return Link.LIVE if self._standing.fields else Link.ASKING
        if self._refused:
            return Link.SILENT
        if self._look is None or self._looks < LOOKS_TO_JUDGE:
            return Link.ASKING
        return Link.GONE if self._look.account.left_open else Link.NONE

    def view(self, now_ns: int) -> Message:
        """What a browser shows. ``age_ms``: of the service's last word, None before any."""
        link = self.link(now_ns)
        standing, fields = self._standing, self._standing.fields
        age_ms = None if self._heard_ns is None else max(0, now_ns - self._heard_ns) // 1_000_000
        state, doing = self._headline(link)
        latched = self._look is not None and self._look.latch is not None
        if latched and link is Link.LIVE:
            # The guard's word goes before the service's, which may not know yet.
            state = "halted"
        place = fields.get("position_mm") if link is Link.LIVE else None
        return {
            "machine": self._machine,
            "link": link.value,
            "age_ms": age_ms,
            "state": state,
            "doing": doing,
            "was": str(fields.get("state") or "") if link is Link.SILENT else "",
            "share": standing.share_done if fields.get("ticks") else None,
            "latched": latched,
            "alerts": self._alerts(link),
            "facts": self._facts(),
            "position_mm": place if _is_place(place) else None,
            "events": [list(one) for one in self._events],
        }

    def _headline(self, link: Link) -> tuple[str, str]:
        fields = self._standing.fields
        match link:
            case Link.ASKING:
                return "asking", "looking for the machine"
            case Link.SILENT if self._refused:
                return "unknown", f"the service takes no questions: {self._refused}"
            case Link.SILENT:
                return "unknown", "the service holds its socket and says nothing: it hangs, or has no time"
            case Link.GONE:
                return (
                    "unknown",
                    "a session was begun and nobody has ended it, and no service answers: it has died",
                )
            case Link.NONE:
                assert self._look is not None
                if self._look.account.state == UNREAD:
                    return "no service", "how the last one left the machine cannot be read"
                return "no service", f"the last one left the machine {self._look.account.state}"
        state = str(fields.get("state"))
        if fields.get("session") is None:
            return state, "the service is at rest"
        what = str(fields.get("what") or "")
        clock = ", virtual time" if fields.get("clock") == "virtual" else ""
        return state, f"session {fields['session']}: {what or 'begins'}{clock}"

    def _alerts(self, link: Link) -> list[str]:
        found: list[str] = []
        look, fields = self._look, self._standing.fields
        if look is not None and look.latch is not None:
            one = look.latch
            found.append(
                f"Stopped and latched: {one.text} ({one.reason}). Standstill {one.standstill_words()}. "
                "Look at the machine, then giornata clear."
            )
        prompt = fields.get("prompt")
        if link is Link.LIVE and isinstance(prompt, Mapping):
            found.append(f"A person is asked at the machine: {question(prompt)}")
        if link is Link.LIVE and fields.get("stop_asked"):
            found.append(f"A stop was asked for: {fields['stop_asked']}")
        elif link is Link.LIVE and fields.get("pause_asked") and fields.get("state") == "painting":
            found.append("A pause was asked for.")
        if look is not None:
            found += look.trouble
            if look.account.elsewhere:
                names = ", ".join(look.account.elsewhere)
                found.append(f"Not in the picture, since painted under another plan: {names}.")
        return [one[:TEXT_MAX] for one in found]

    def _facts(self) -> list[list[str]]:
        """Names and words, one row each, in this order."""
        return [
            ["Pass", self._pass()],
            ["Time left", self._time_left()],
            ["Position", _position(self._standing.fields.get("position_mm"))],
            ["Timing so far", _timing(self._standing.fields)],
            ["Pen", self._pen()],
            ["Register", self._register()],
            ["Whole job", self._job()],
        ]

    def _pass(self) -> str:
        fields = self._standing.fields
        part = fields.get("pass")
        if not isinstance(part, Mapping):
            return "none runs"
        total, finished = int(fields.get("strokes") or 0), int(fields.get("strokes_finished") or 0)
        name = f"{part.get('name')} ({part.get('number')} of {part.get('of')} in {part.get('ink')})"
        return f"{name}: {finished} of {total} strokes" if total else name

    def _time_left(self) -> str:
        left = self._standing.seconds_left
        return "none runs" if left is None else f"{span(left)} of motion in this run"

    def _pen(self) -> str:
        fields = self._standing.fields
        part = fields.get("pass")
        if not isinstance(part, Mapping):
            return "no pass runs"
        metres, before = _number(part.get("metres")), _number(part.get("pen_m"))
        share = _share(fields.get("strokes_finished"), fields.get("strokes"))
        done = f"about {before + share * metres:.1f} m painted, {(1.0 - share) * metres:.1f} m to go in this pass"
        left = {} if self._look is None else self._look.account.pens_left
        count = left.get(str(part.get("ink")))
        unused = f"unused {part.get('ink')} pen"
        return done if count is None else f"{done}; {counted(max(count, 0), unused)} left"

    def _register(self) -> str:
        fields = self._standing.fields
        if "registered" in fields:
            is_registered, why = bool(fields["registered"]), str(fields.get("why") or "unknown")
        elif self._look is not None:
            is_registered, why = self._look.account.registered, self._look.account.why
        else:
            return "unknown"
        if not is_registered:
            return f"not registered: {why}"[:TEXT_MAX]
        said = fields.get("difference_mm")
        differences = said.items() if isinstance(said, Mapping) else ()
        known = [f"{axis} {value:+.3f} mm" for axis, value in differences if isinstance(value, int | float)]
        return f"registered; the last homing differed by {', '.join(known)}" if known else "registered"

    def _job(self) -> str:
        look = self._look
        if look is None or look.picture is None:
            return "no picture"
        total = sum(one.strokes for one in look.picture.passes)
        done = sum(map(len, look.account.painted))
        left_s = sum(
            one.seconds * (1.0 - _share(len(finished), one.strokes))
            for one, finished in zip(look.picture.passes, look.account.painted, strict=True)
        )
        words_left = f"about {span(left_s)} of motion left" if left_s > 0.5 else "all painted"
        return f"{look.picture.job}: {done} of {total} strokes, {words_left}"


def _shown(look: Look) -> tuple[object, ...]:
    key = None if look.picture is None else look.picture.key
    return look.latch, look.account, key, look.trouble


def _is_place(place: Any) -> bool:
    return isinstance(place, list) and len(place) == 2 and all(isinstance(one, int | float) for one in place)


def _position(place: Any) -> str:
    if not _is_place(place):
        return "unknown"
    return f"x {place[0]:.1f} mm, y {place[1]:.1f} mm on the canvas, by the motors"


def _timing(fields: Mapping[str, Any]) -> str:
    timing = fields.get("timing")
    if not isinstance(timing, Mapping) or not timing.get("ticks"):
        return "no tick was sent in this run"
    if fields.get("clock") == "virtual":
        return f"{timing['ticks']} ticks in virtual time, where nothing is late"
    p50, p99, largest = (_number(timing.get(name)) for name in ("p50_us", "p99_us", "max_us"))
    return (
        f"late by {p50:.0f} µs (p50), {p99:.0f} µs (p99), {largest:.0f} µs at most, "
        f"in {timing['ticks']} ticks of {_number(timing.get('tick_ms')):g} ms"
    )


def _number(value: Any) -> float:
    return float(value) if isinstance(value, int | float) else 0.0


def _share(part: Any, whole: Any) -> float:
    return min(1.0, max(0.0, _number(part) / _number(whole))) if _number(whole) > 0.0 else 0.0


def span(seconds: float) -> str:
    """A time in words: seconds below a minute, then minutes, then hours and minutes."""
    whole = round(seconds)
    if whole < 60:
        return f"{whole} s"
    minutes = round(seconds / 60.0)
    return f"{minutes} min" if minutes < 60 else f"{minutes // 60} h {minutes % 60:02d} min"
