"""The service's log: one line an event on standard error, as JSON or as ``key=value``.

Owns the lines' form. Writing never waits: where the reader has fallen behind, lines are dropped and counted.
"""

from __future__ import annotations

import json
import os
import select
from collections.abc import Callable, Mapping
from datetime import UTC, datetime
from typing import Any, Final, Literal

LINE_BYTES_MAX: Final = 4096
"""POSIX has a pipe that poll(2) calls writable take so many bytes (PIPE_BUF on Linux) without waiting."""

LogForm = Literal["text", "json"]


def log_line(form: LogForm, event: Mapping[str, Any], wall_ms: int) -> str:
    """One event as one line, without its end."""
    at = datetime.fromtimestamp(wall_ms / 1000.0, UTC).isoformat(timespec="milliseconds")
    fields = {name: value for name, value in event.items() if name not in ("event", "at_ms")}
    part = fields.get("pass")
    if isinstance(part, dict):
        # The whole pass is for clients; a log's reader looks for its name.
        fields["pass"] = part.get("name")
    if form == "json":
        return json.dumps({"at": at, "event": event.get("event"), **fields}, default=str)
    return " ".join(
        [f"at={at}", f"event={event.get('event')}", *(f"{k}={_value(v)}" for k, v in fields.items())]
    )


def _value(value: Any) -> str:
    """Bare where it can be, else as JSON: one line whatever it holds."""
    if isinstance(value, str) and value and all(one.isalnum() or one in "-_.:/+" for one in value):
        return value
    return json.dumps(value, default=str)


class ServiceLog:
    """Writes lines to a descriptor without ever waiting for it."""

    def __init__(self, descriptor: int, form: LogForm, wall_ms: Callable[[], int]) -> None:
        self._descriptor = descriptor
        self._form = form
        self._wall_ms = wall_ms
        self.dropped = 0

    def write(self, event: Mapping[str, Any]) -> None:
        """Write one event. Quiet when it cannot be written."""
        if self.dropped and self._put({"event": "log_dropped", "lines": self.dropped}):
            self.dropped = 0
        if not self._put(event):
            self.dropped += 1

    def _put(self, event: Mapping[str, Any]) -> bool:
        wall_ms = self._wall_ms()
        raw = log_line(self._form, event, wall_ms).encode() + b"\n"
        if len(raw) > LINE_BYTES_MAX:
            raw = (
                log_line(self._form, {"event": event.get("event"), "cut": len(raw)}, wall_ms).encode() + b"\n"
            )
        poll = select.poll()
        poll.register(self._descriptor, select.POLLOUT)
        try:
            if not any(mask & select.POLLOUT for _, mask in poll.poll(0)):
                return False
            os.write(self._descriptor, raw)
        except OSError:
            return False
        return True
