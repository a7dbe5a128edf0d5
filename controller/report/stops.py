"""A session's stops and pauses with their reasons, from the journal's events and the ends of its runs.

Owns which of them count, and the code that each reason goes by: for a latched stop that of safety/events.py.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from controller.config.remedies import CAUTIONS, catalogue
from controller.session.rows import EventRow, RunRow
from safety.events import Reason

KINDS: Final = ("latch", "stop", "pause", "clear")
CODES: Final = frozenset(reason.value for reason in Reason)
AT_ONCE, AGAIN = ", at once", ", again: stop at once"
"""Ends of a stop's event where the guard was called, which latches (``Service.stop``)."""
_CLEARED: Final = " cleared by "


@dataclass(frozen=True, slots=True)
class StopRow:
    """kind: latch, stop, pause, clear, or run with the word of its end; code: of a latched stop, else empty; run: whose
    end it was, 0 for an event."""

    at_ms: int
    kind: str
    code: str
    words: str
    run: int = 0

    @property
    def remedy(self) -> str:
        """What to do about a latched stop, as the catalogue of messages says it; empty for all else."""
        entry = catalogue().entries.get(self.code) if self.kind == "latch" else None
        if entry is None:
            return ""
        cautions = [f"{CAUTIONS[name].title}." for name in entry.cautions]
        steps = [f"{number}. {step}" for number, step in enumerate(entry.steps, 1)]
        return " ".join([*cautions, *steps]).replace("`", "")

    @property
    def is_halt(self) -> bool:
        """Whether the machine latched a stop, or a run ended otherwise than in order or as asked."""
        return self.kind == "latch" or self.kind in ("run halted", "run failed", "run died")


def counted_stops(events: Sequence[EventRow]) -> tuple[int, int]:
    """How often a session halted, and how often somebody asked it to stop.

    A latch because somebody asked is no halt. One that the service called for has an event beside it, as has the second
    asking for one stop; neither counts twice.
    """
    latches = [row.text.partition(":")[0] for row in events if row.kind == "latch"]
    words = [row.text for row in events if row.kind == "stop"]
    again = sum(text.endswith(AGAIN) for text in words)
    at_once = again + sum(text.endswith(AT_ONCE) for text in words)
    asked = latches.count(Reason.STOP_ASKED.value)
    return len(latches) - asked, len(words) - at_once + max(at_once, asked) - again


def stops_of(events: Sequence[EventRow], runs: Sequence[RunRow]) -> tuple[StopRow, ...]:
    """All of a session, oldest first."""
    found = [StopRow(row.at_ms, row.kind, _code(row), row.text) for row in events if row.kind in KINDS]
    found += [
        StopRow(run.ended_ms or run.begun_ms, f"run {run.end}", "", f"{run.what}: {run.reason or ''}", run.id)
        for run in runs
        if run.end not in (None, "done")
    ]
    return tuple(sorted(found, key=lambda row: row.at_ms))


def _code(row: EventRow) -> str:
    """The reason's code, where the event begins with one."""
    word = row.text.partition(":")[0] if row.kind == "latch" else row.text.partition(_CLEARED)[0]
    return word if row.kind in ("latch", "clear") and word in CODES else ""
