"""What is said over MQTT: topics, payloads, and what a message must be to count as a stop.

Owns the words (docs/mqtt.md). Pure: no broker, no clock, no service. Whoever judges a message here can only ever get
one of the two stops out of it.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Literal

VERSION = 1
COMMAND_BYTES_MAX = 1024
"""A stop fits into 100 bytes; what is larger is not even parsed."""
AGE_MAX_MS = 30_000
"""A stop that says when it was sent is obeyed for so long: a publisher may have kept it while it was offline."""
PACKET_BYTES = 65_536
"""The longest packet between service and client."""

StopKind = Literal["controlled", "immediate"]


@dataclass(frozen=True, slots=True)
class Topics:
    """Every topic of one machine."""

    root: str

    @classmethod
    def of(cls, prefix: str, machine: str) -> Topics:
        """``prefix/machine`` and what is below."""
        return cls(f"{prefix}/{machine}")

    @property
    def state(self) -> str:
        """Retained: where the session stands; ``presence`` gone by last will."""
        return f"{self.root}/state"

    @property
    def progress(self) -> str:
        """How far the run has come, at most once a second."""
        return f"{self.root}/progress"

    @property
    def timing(self) -> str:
        """A pass' timing, at its end."""
        return f"{self.root}/timing"

    @property
    def alarm(self) -> str:
        """A latch, a refused homing, a drive's fault."""
        return f"{self.root}/alarm"

    @property
    def command(self) -> str:
        """The one topic that is listened to."""
        return f"{self.root}/command"


def client_identifier(root: str) -> str:
    """The same for every session of a machine: the broker drops a dead connection when the next one comes.

    23 letters and digits, as many as every broker has to take (MQTT 3.1.1, 3.1.3.1).
    """
    return f"giornata{hashlib.sha256(root.encode()).hexdigest()[:15]}"


def payload(fields: Mapping[str, Any]) -> str:
    """JSON text with the version first."""
    return json.dumps({"v": VERSION, **fields}, ensure_ascii=True, allow_nan=False)


@dataclass(frozen=True, slots=True)
class Verdict:
    """What a message came to: a kind of stop, or why it is none."""

    kind: StopKind | None
    why: str = ""


def judge(body: bytes, *, retained: bool, now_ms: int) -> Verdict:
    """Whether a message on the command topic is a stop. Never raises.

    retained: the broker says that it is a kept copy: somebody's stop of another day. now_ms: wall clock. A stop from
    the future is obeyed, as one without a time is: clocks differ, and a stop that is not too old is a stop.
    """
    if retained:
        return Verdict(None, "a retained message")
    if len(body) > COMMAND_BYTES_MAX:
        return Verdict(None, f"more than {COMMAND_BYTES_MAX} bytes")
    try:
        said = json.loads(body.decode("utf-8"))
    except (ValueError, RecursionError):
        return Verdict(None, "no JSON")
    if not isinstance(said, dict):
        return Verdict(None, "no JSON object")
    if type(said.get("v")) is not int or said["v"] != VERSION:
        return Verdict(None, f'no "v": {VERSION}')
    if set(said) - {"v", "ask", "kind", "sent_ms"}:
        return Verdict(None, "unknown fields")
    if said.get("ask") != "stop":
        return Verdict(None, "another word than stop")
    kind: object = said.get("kind", "controlled")
    if kind != "controlled" and kind != "immediate":
        return Verdict(None, "another kind than controlled or immediate")
    if "sent_ms" in said:
        sent_ms = said["sent_ms"]
        if type(sent_ms) is not int:
            return Verdict(None, "sent_ms is no whole number")
        if now_ms - sent_ms > AGE_MAX_MS:
            return Verdict(None, f"older than {AGE_MAX_MS // 1000} s")
    return Verdict("immediate" if kind == "immediate" else "controlled")
