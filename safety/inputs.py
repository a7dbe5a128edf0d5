"""Stop inputs as facts: which are open, from readings of whatever kind, each within its stated time.

Owns debouncing, silence, and who may speak for an input. Pure: readings, messages and instants in, events out; it must
not know of descriptors, threads or sockets. Every input is normally closed: open, unreadable, silent and not yet
read are all the same, open.
"""

from __future__ import annotations

import json
from collections.abc import Sequence

from safety.events import Event, InputClosed, InputOpened
from safety.settings import StopInput

_NS_PER_MS = 1_000_000
NOT_READ = "not read yet"


class Debounce:
    """One contact. Open until it has read closed for the whole debounce time.

    A contact that reads open is called open no later than ``debounce_ns`` after the first reading that said so. A
    shorter opening is a glitch: not acted on, but counted. Openings that follow each other with less than
    ``debounce_ns`` of rest between them are one opening, so chatter cannot hold a stop back.
    """

    __slots__ = ("_closed_ns", "_debounce_ns", "_first_ns", "_reads_open", "glitches", "is_open")

    def __init__(self, debounce_ns: int) -> None:
        self._debounce_ns = debounce_ns
        self._closed_ns: int | None = None
        self._first_ns: int | None = None
        self._reads_open = True
        self.is_open = True
        self.glitches = 0

    def read(self, now_ns: int, closed: bool | None) -> bool:
        """Take a reading (None: it cannot be read, which is open at once). Returns whether it is open now."""
        if closed:
            if self._closed_ns is None:
                self._closed_ns = now_ns
                self.glitches += not self.is_open and self._first_ns is not None
            self._reads_open = False
            if now_ns - self._closed_ns >= self._debounce_ns:
                self._first_ns = None
                self.is_open = False
            return self.is_open
        self._closed_ns = None
        self._reads_open = True
        if self._first_ns is None:
            self._first_ns = now_ns
        if closed is None or now_ns - self._first_ns >= self._debounce_ns:
            self.is_open = True
        return self.is_open

    def due_ns(self) -> int | None:
        """When it will be called open if no reading says closed before; None: nothing is pending."""
        if self.is_open or not self._reads_open or self._first_ns is None:
            return None
        return self._first_ns + self._debounce_ns


class _Entry:
    """One input with all that is known of it."""

    __slots__ = ("contact", "heard_ns", "last", "said_open", "silent_ns", "source", "was_closed", "why")

    def __init__(self, stop_input: StopInput, now_ns: int) -> None:
        self.contact = Debounce(round(stop_input.debounce_ms * _NS_PER_MS))
        self.silent_ns = round(stop_input.silent_ms * _NS_PER_MS)
        self.heard_ns = now_ns
        self.last: bool | None = None
        self.said_open = True
        self.source: int | None = None
        self.was_closed = False
        self.why = NOT_READ


class StopInputs:
    """All stop inputs of one guard, by name."""

    def __init__(self, inputs: Sequence[StopInput], now_ns: int) -> None:
        self._entries = {one.name: _Entry(one, now_ns) for one in inputs}
        self._reported = {one.name for one in inputs if one.kind == "reported"}

    def first(self) -> list[Event]:
        """What holds before anything has been read: all are open, and none has been seen closed."""
        return [InputOpened(name, NOT_READ, was_closed=False) for name in self._entries]

    def read(self, name: str, read_ns: int, closed: bool | None, why: str = "") -> None:
        """Input ``name`` was read at ``read_ns``; None: it could not be read, ``why`` says how."""
        entry = self._entries[name]
        # A reader that hung and comes back brings no instants from before: time only goes on.
        entry.heard_ns = read_ns = max(read_ns, entry.heard_ns)
        entry.last = closed
        if closed is None:
            entry.why = why or "it cannot be read"
        elif not closed and not entry.contact.is_open:
            entry.why = why
        entry.contact.read(read_ns, closed)

    def report(self, source: int, message: bytes, now_ns: int) -> str:
        """A reader's message: ``{"input": name, "closed": bool}``. Returns what is wrong with it, or nothing.

        An input belongs to the source that reported it first, until that one is lost; others cannot close it.
        """
        try:
            said = json.loads(message)
        except (ValueError, RecursionError):
            said = None
        name, closed = (said.get("input"), said.get("closed")) if isinstance(said, dict) else (None, None)
        if not isinstance(name, str) or name not in self._reported:
            return f"expected a JSON object naming a reported stop input, got {message[:80]!r}"
        entry = self._entries[name]
        if entry.source is None:
            entry.source = source
        if entry.source != source:
            if closed is True:
                return f"input {name} is reported by another reader"
            self.read(name, now_ns, None, "a second reader does not say that it is closed")
            return ""
        if not isinstance(closed, bool):
            self.read(name, now_ns, None, "its reader cannot read it")
            return f"input {name}: expected closed to be true or false, got {closed!r}"
        self.read(name, now_ns, closed)
        return ""

    def lost(self, source: int, now_ns: int) -> None:
        """The reader ``source`` has hung up: what it reported is open."""
        for name, entry in self._entries.items():
            if entry.source == source:
                entry.source = None
                self.read(name, now_ns, None, "its reader has gone")

    def look(self, now_ns: int) -> list[Event]:
        """Everything that has changed by ``now_ns``, silence and the end of debouncing included."""
        found: list[Event] = []
        for name, entry in self._entries.items():
            if not entry.contact.is_open:
                if now_ns - entry.heard_ns > entry.silent_ns:
                    entry.why = f"nothing heard of it for {(now_ns - entry.heard_ns) / _NS_PER_MS:.0f} ms"
                    entry.contact.read(now_ns, None)
                elif entry.last is False:
                    entry.contact.read(now_ns, False)
            is_open = entry.contact.is_open
            if is_open == entry.said_open:
                continue
            entry.said_open = is_open
            if is_open:
                found.append(InputOpened(name, entry.why, entry.was_closed))
            else:
                entry.was_closed = True
                entry.why = ""
                found.append(InputClosed(name))
        return found

    def due_ns(self) -> int | None:
        """When ``look`` must be called at the latest; None: nothing can happen by itself."""
        due: int | None = None
        for entry in self._entries.values():
            if entry.contact.is_open:
                continue
            own_ns = entry.contact.due_ns()
            silent_ns = entry.heard_ns + entry.silent_ns + 1
            own_ns = silent_ns if own_ns is None else min(own_ns, silent_ns)
            due = own_ns if due is None else min(due, own_ns)
        return due

    def status(self) -> dict[str, dict[str, object]]:
        """For whoever asks: each input's state, why it is open, and its glitches."""
        return {
            name: {"open": entry.contact.is_open, "why": entry.why, "glitches": entry.contact.glitches}
            for name, entry in self._entries.items()
        }
