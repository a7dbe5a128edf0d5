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
