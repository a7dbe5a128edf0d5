"""Messages at the session's subscriber, tens of thousands: `python -m tests.fuzz.mqtt --count 50000 --seed 1`.

Each message goes the whole way: from a broker over a line, through the client library, the judgement and the socket
between client and service, to a session that keeps which stops it was asked for. Messages are stops, stops damaged by
value or by byte, other words, and bytes; kept and not, with either quality of service, on the command topic and beside
it, from none to hundreds of kilobytes. What is a stop is told by a second judgement of other make (a pydantic model).
Only the limit on messages a second is lifted, and the client runs in this process.
"""

from __future__ import annotations

import argparse
import asyncio
import json
import random
import resource
import socket
import sys
import time
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from types import SimpleNamespace
from typing import Any, Literal

import aiomqtt
from pydantic import BaseModel, ConfigDict, ValidationError

from controller.config.mqtt import Mqtt
from controller.session import mqttclient
from controller.session.mqtt import Reporter
from controller.session.mqttwords import AGE_MAX_MS, COMMAND_BYTES_MAX, Topics
from controller.session.watcher import Watcher
from tests.session.broker import Broker, publish

TOPICS = Topics.of("giornata", "boathouse")
BATCH = 3
MEMORY_MAX_MB = 200
WAIT_S = 60.0


class Stop(BaseModel):
    """What the documents say a stop is."""

    model_config = ConfigDict(strict=True, extra="forbid")

    v: int
    ask: Literal["stop"]
    kind: Literal["controlled", "immediate"] = "controlled"
    sent_ms: int | None = None


@dataclass(frozen=True, slots=True)
class Message:
    """One message as a broker sends it."""

    topic: bytes
    body: bytes
    qos: int
    retain: bool
    duplicate: bool

    def wanted(self, now_ms: int) -> str | None:
        """The kind of stop that it has to be taken for; None for none."""
        if self.retain or self.topic != TOPICS.command.encode() or len(self.body) > COMMAND_BYTES_MAX:
            return None
        try:
            stop = Stop.model_validate_json(self.body)
        except ValidationError:
            return None
        if stop.v != 1 or ("sent_ms" in stop.model_fields_set and stop.sent_ms is None):
            return None
        if stop.sent_ms is not None and now_ms - stop.sent_ms > AGE_MAX_MS:
            return None
        return stop.kind


_WORDS: tuple[Any, ...] = (
    "stop", "Stop", "pause", "status", "paint", "home", "clear", "controlled", "immediate", "", None, True, False,
    0, 1, 2, -1, 1.0, 1.5, 1e300, [], ["stop"], {}, {"ask": "stop"}, "\u0000", "\ud800", "1", 10**30,
)  # fmt: skip


def message(chance: random.Random, now_ms: int) -> Message:
    """One of many kinds. Times lie a minute or more from the limit, so that both judgements see the same."""
    said: Any = {"v": 1, "ask": "stop"}
    if chance.random() < 0.5:
        said["kind"] = chance.choice(("controlled", "immediate"))
    if chance.random() < 0.4:
        said["sent_ms"] = now_ms + chance.choice(
            (0, 10**9, 3_600_000, -AGE_MAX_MS - 60_000, -(10**9), -now_ms)
        )
    how = chance.random()
    if how < 0.45:
        for _ in range(chance.randint(1, 2)):
            name = chance.choice(("v", "ask", "kind", "sent_ms", "then", "V"))
            said[name] = chance.choice(_WORDS)
            if chance.random() < 0.3:
                said.pop(chance.choice(list(said)))
    body = json.dumps(said).encode()
    if how > 0.7:
        raw = bytearray(body)
        for _ in range(chance.randint(1, 4)):
            place = chance.randrange(len(raw) + 1)
            match chance.randrange(4):
                case 0:
                    raw[place:place] = bytes([chance.randrange(256)])
                case 1:
                    del raw[place : place + chance.randint(1, 5)]
                case 2:
                    raw[place:place] = raw[: chance.randrange(len(raw) + 1)]
                case _:
                    raw[place : place + 1] = bytes([chance.randrange(32, 127)])
        body = bytes(raw)
    elif how > 0.66:
        body = chance.randbytes(chance.choice((0, 1, 10, 1000)))
    elif how > 0.63:
        body = b"[" * chance.choice((100, 1000)) + body
    elif how > 0.60:
        body += b" " * chance.choice((900, 1024, 4096, 70_000, 300_000 if chance.random() < 0.02 else 0))
    topic = TOPICS.command
    if chance.random() < 0.1:
        topic = chance.choice(
            (TOPICS.state, TOPICS.root, f"{TOPICS.command}/", f"/{TOPICS.command}", "giornata/chapel/command",
             TOPICS.command.upper(), "$SYS/command", "\u6f6e")
        )  # fmt: skip
    return Message(topic.encode(), body, chance.randrange(2), chance.random() < 0.1, chance.random() < 0.2)


def passed_on(kinds: list[str]) -> list[str]:
    """Which stops a session is asked for, of these messages in this order: one of each kind, never back to gentle."""
    out: list[str] = []
    for kind in kinds:
        if "immediate" not in out and kind not in out and not (kind == "controlled" and out):
            out.append(kind)
    return out


@dataclass
class Campaign:
    """What became of the messages."""

    counts: Counter[str] = field(default_factory=Counter)
    failures: list[str] = field(default_factory=list)
    seconds: float = 0.0


class Session:
    """Stands where a host and its session stand: keeps what it is asked."""

    def __init__(self, folder: Path) -> None:
        self.machine = SimpleNamespace(name="boathouse")
        self.state_dir = SimpleNamespace(run=folder, latch=folder / "latch.json")
        self.journal = SimpleNamespace(note=lambda *_: None)
        self.watcher = Watcher()
        self.session = 1
        self.service = self
        self.asked: list[str] = []

    def status(self) -> dict[str, Any]:
        """A session in the middle of a pass."""
        return {"state": "painting", "stop_asked": "; ".join(self.asked)}

    def stop(self, reason: str, by: str, *, at_once: bool = False) -> None:
        """Keep it."""
        assert (reason, by) == ("stop", "MQTT")
        self.asked.append("immediate" if at_once else "controlled")


class Counting(mqttclient.Life):
    """Counts the messages that have been judged."""

    def __init__(self, service: socket.socket, settings: dict[str, Any]) -> None:
        super().__init__(service, settings)
        self.taken = 0
        self.judged = asyncio.Event()

    def take(self, message: aiomqtt.Message) -> None:
        """Count it when it has been judged."""
        super().take(message)
        self.taken += 1
        self.judged.set()


async def _campaign(count: int, seed: int, batch: int, tell: Callable[[str], None]) -> Campaign:
    found = Campaign()
    ours, theirs = socket.socketpair(socket.AF_UNIX, socket.SOCK_SEQPACKET)
    ours.setblocking(False)
    theirs.setblocking(False)
    loop = asyncio.get_running_loop()
    with Broker() as broker, ours, theirs:
        life = Counting(
            theirs,
            {"host": "127.0.0.1", "port": broker.port, "root": TOPICS.root, "user": None,
             "password_file": None, "password_env": None, "tls": None},
        )  # fmt: skip
        session = Session(Path())
        reporter = Reporter(session, Mqtt(host="127.0.0.1"), Path())  # type: ignore[arg-type]
        words: list[dict[str, Any]] = []
        first_word = asyncio.Event()

        def hear() -> None:
            while True:
                try:
                    raw = ours.recv(65_536)
                except BlockingIOError:
                    return
                words.append(json.loads(raw))
                reporter.hear(words[-1])
                first_word.set()

        loop.add_reader(ours, hear)
        living = asyncio.ensure_future(life.live())
        try:
            async with asyncio.timeout(WAIT_S):
                await first_word.wait()
            assert words[0] == {"up": True}
            for first in range(0, count, batch):
                # What the child's own loss watch asks for: a word of the service now and then.
                await loop.sock_sendall(ours, json.dumps(_letter(first)).encode())
                await _batch(
                    found, life, broker, session, hear, range(first, min(first + batch, count)), seed
                )
                if living.done():
                    found.failures.append(f"after {first}: the connection ended: {living.exception()!r}")
                    break
                if len(found.failures) > 20:
                    break
                if first % 5000 < batch:
                    tell(f"{first + batch}: {dict(found.counts)}")
        finally:
            loop.remove_reader(ours)
            living.cancel()
            await asyncio.gather(living, return_exceptions=True)
        strangers = {name for one in words for name in one} - {"up", "done", "stop", "refused", "count"}
        if strangers:
            found.failures.append(f"words that no client has: {strangers}")
    return found


def _letter(number: int) -> dict[str, Any]:
    return {"n": number, "topic": TOPICS.state, "body": "{}", "qos": 1, "retain": False}


async def _batch(
    found: Campaign, life: Counting, broker: Broker, session: Session, hear: Callable[[], None],
    numbers: range, seed: int,
) -> None:  # fmt: skip
    """Send a batch on one line, wait until all of it is judged, compare what the session was asked for."""
    now_ms = time.time_ns() // 1_000_000
    sent = [message(random.Random(f"{seed}/{number}"), now_ms) for number in numbers]
    session.asked.clear()
    target = life.taken + len(sent)
    data = b"".join(
        publish(
            one.topic, one.body, qos=one.qos, retain=one.retain, number=place + 1, duplicate=one.duplicate
        )
        for place, one in enumerate(sent)
    )
    await asyncio.to_thread(broker.raw, data)
    try:
        async with asyncio.timeout(WAIT_S):
            while life.taken < target:
                life.judged.clear()
                await life.judged.wait()
    except TimeoutError:
        found.failures.append(f"{numbers}: {target - life.taken} messages were never judged")
        return
    hear()
    kinds = [one.wanted(now_ms) for one in sent]
    for kind in kinds:
        found.counts[kind or "no stop"] += 1
    wanted = passed_on([kind for kind in kinds if kind is not None])
    if session.asked != wanted:
        bodies = [one.body[:200] for one in sent]
        found.failures.append(f"{numbers}: asked for {session.asked}, expected {wanted}: {bodies}")


def run_campaign(
    count: int, seed: int, batch: int = BATCH, tell: Callable[[str], None] = lambda _: None
) -> Campaign:
    """Send ``count`` messages. A batch of few messages says more of each of them."""
    limits = mqttclient.FLOOD_PER_S, mqttclient.BUSY_SHARE
    mqttclient.FLOOD_PER_S, mqttclient.BUSY_SHARE = 10**9, 10.0
    begun_s, before_mb = time.process_time(), _peak_mb()
    try:
        found = asyncio.run(_campaign(count, seed, batch, tell))
    finally:
        mqttclient.FLOOD_PER_S, mqttclient.BUSY_SHARE = limits
    found.seconds = time.process_time() - begun_s
    if _peak_mb() > before_mb + MEMORY_MAX_MB:
        found.failures.append(f"{_peak_mb() - before_mb:.0f} MB")
    return found


def _peak_mb() -> float:
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def main() -> int:
    """Run as asked; exit code 1 where anything went wrong."""
    parser = argparse.ArgumentParser(description="Send what a subscriber may meet.")
    parser.add_argument("--count", type=int, default=50_000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument(
        "--batch", type=int, default=BATCH, help="messages between two looks at what was asked for"
    )
    arguments = parser.parse_args()
    found = run_campaign(
        arguments.count, arguments.seed, arguments.batch, lambda text: print(text, flush=True)
    )
    print(f"{arguments.count} messages of seed {arguments.seed}: {dict(found.counts)}")
    print(f"{found.seconds:.1f} s of processor time; peak memory {_peak_mb():.0f} MB")
    for failure in found.failures:
        print(f"--- {failure[:2000]}")
    return 1 if found.failures else 0


if __name__ == "__main__":
    sys.exit(main())
