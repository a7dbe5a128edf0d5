"""Damaged requests at a service's control socket, thousands: `python -m tests.fuzz.control --count 50000 --seed 1`.

One service lives through all trials; each trial is a connection of its own. A trial is its seed and number. It ends
well when every answer is a line of the protocol, no more answers come than lines were sent, and the talk ends when the
other end does. Over all trials: the service goes on answering, no error gets as far as its event loop, and nothing is
opened that could move. A line that a judge written here apart takes for a request to run a verb is not sent.
"""

from __future__ import annotations

import argparse
import asyncio
import contextlib
import copy
import json
import random
import sys
import tempfile
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from controller.config.machine import Machine
from controller.config.places import StateDir, shipped
from controller.session.journal import Journal
from controller.session.serve import Service, serve

MACHINE = shipped("machines/boathouse.toml")
REPLY_S = 20.0
"""Wall time in which a talk must have ended; only a hang meets it."""

REQUESTS: tuple[dict[str, Any], ...] = (
    {"v": 1, "ask": "status"},
    {"v": 1, "ask": "stop", "kind": "controlled"},
    {"v": 1, "ask": "stop", "kind": "immediate"},
    {"v": 1, "ask": "pause"},
    {"v": 1, "ask": "follow"},
    {"v": 1, "ask": "answer", "prompt": 1, "value": True},
    {"v": 1, "ask": "run", "verb": "home", "arguments": {"accept_difference": False, "yes": True}},
    {
        "v": 1,
        "ask": "run",
        "verb": "paint",
        "arguments": {"prepared": "/nowhere", "inks": ["teal"], "yes": True},
    },
    {"v": 1, "ask": "run", "verb": "measure", "arguments": {"test": {"kind": "line"}, "yes": True}},
    {"v": 1, "ask": "run", "verb": "clear", "arguments": {"reason": "stop-asked", "person": "Ada"}},
)
NASTY: tuple[Any, ...] = (
    None, True, False, 0, -1, 1.5, 10**30, -(10**400), "", "run", "home", "\x00", "\ud800", "x" * 5000, [], {}, [[]],
    {"v": 1}, ["status"] * 300, "\u0661", "../../etc", "NaN",
)  # fmt: skip


TAKES: dict[str, dict[str, type]] = {
    "home": {"machine_digest": str, "virtual": bool, "yes": bool, "accept_difference": bool},
    "paint": {
        "machine_digest": str, "virtual": bool, "yes": bool, "prepared": str, "inks": list, "passes": list,
        "again": bool,
    },
    "measure": {"machine_digest": str, "virtual": bool, "yes": bool, "test": dict},
    "clear": {"reason": str, "person": str},
}  # fmt: skip
NEEDS = {"home": set[str](), "paint": {"prepared"}, "measure": {"test"}, "clear": {"reason", "person"}}


def might_run(line: bytes) -> bool:
    """Whether a line could be a whole request to run a verb; judged by names and types alone, so generously."""
    try:
        said = json.loads(line)
    except (ValueError, RecursionError):
        return False
    if not isinstance(said, dict) or not set(said) <= {"v", "ask", "verb", "arguments"}:
        return False
    verb, arguments = said.get("verb"), said.get("arguments", {})
    if said.get("ask") != "run" or said.get("v") != 1 or not isinstance(verb, str) or verb not in TAKES:
        return False
    if not isinstance(arguments, dict) or not NEEDS[verb] <= set(arguments) <= set(TAKES[verb]):
        return False
    return all(value is None or isinstance(value, TAKES[verb][name]) for name, value in arguments.items())


def _by_value(chance: random.Random) -> bytes:
    request = json.loads(json.dumps(chance.choice(REQUESTS)))
    for _ in range(chance.randint(1, 3)):
        place = request
        if isinstance(request.get("arguments"), dict) and chance.random() < 0.5:
            place = request["arguments"]
        name = chance.choice([*place, "more", "v", "ask", "arguments"])
        match chance.randrange(3):
            case 0:
                place[name] = copy.deepcopy(chance.choice(NASTY))
            case 1:
                place.pop(name, None)
            case _:
                place[str(chance.choice(NASTY))] = copy.deepcopy(chance.choice(NASTY))
    return json.dumps(request).encode() + b"\n"


def _by_byte(chance: random.Random) -> bytes:
    raw = bytearray(json.dumps(chance.choice(REQUESTS)).encode() + b"\n")
    for _ in range(chance.randint(1, 8)):
        if not raw:
            break
        at = chance.randrange(len(raw))
        match chance.randrange(5):
            case 0:
                raw[at] = chance.randrange(256)
            case 1:
                del raw[at : at + chance.randint(1, 20)]
            case 2:
                raw[at:at] = chance.choice((b"\n", b"\x00", b"[" * 50, b"{" * 50, b"\xff\xfe", b'"', b"\\u"))
            case 3:
                raw[at:at] = raw[: chance.randint(1, len(raw))]
            case _:
                raw[at:at] = chance.randbytes(chance.randint(1, 40))
    return bytes(raw)


def _noise(chance: random.Random) -> bytes:
    return chance.randbytes(chance.choice((1, 7, 300, 4000)))


def _deep(chance: random.Random) -> bytes:
    depth = chance.choice((10, 1000, 8000))
    return b'{"v": 1, "ask": ' + chance.choice((b"[", b'{"a":')) * depth + b"\n"


def _long(chance: random.Random) -> bytes:
    return b'{"v": 1, "ask": "' + b"s" * chance.choice((16_000, 16_384, 17_000, 200_000)) + b'"}\n'


def _whole(chance: random.Random) -> bytes:
    return json.dumps(chance.choice(REQUESTS[:6])).encode() + b"\n"


def _many(chance: random.Random) -> bytes:
    return b"".join(
        chance.choice((_by_value, _by_byte, _whole))(chance) for _ in range(chance.randint(2, 30))
    )


KINDS: tuple[Callable[[random.Random], bytes], ...] = (
    *(4 * (_by_value, _by_byte)), _noise, _deep, _long, _many,
)  # fmt: skip


def damaged(seed: int, trial: int) -> bytes:
    """What one trial sends."""
    chance = random.Random(f"{seed}/{trial}")
    return chance.choice(KINDS)(chance)


class Tripwire:
    """A runner that must never come up."""

    opened = 0
    clock = "real"

    def __init__(self, *_: object) -> None:
        type(self).opened += 1

    async def close(self) -> None:
        """Nothing to close."""

    async def open(self) -> None:
        """Say so."""
        raise AssertionError("a damaged request brought a runner up")


@dataclass
class Campaign:
    """What came of it. ``failures``: by trial."""

    counts: Counter[str] = field(default_factory=Counter)
    failures: dict[int, str] = field(default_factory=dict)


async def _trial(path: Path, data: bytes) -> str:
    """Send, hang up at our end, read to theirs. Raises AssertionError for what must not be."""
    reader, writer = await asyncio.open_unix_connection(str(path))
    try:
        async with asyncio.timeout(REPLY_S):
            with contextlib.suppress(ConnectionError):
                writer.write(data)
                writer.write_eof()
            said = b""
            with contextlib.suppress(ConnectionError):
                said = await reader.read(-1)
    finally:
        writer.close()
        with contextlib.suppress(ConnectionError):
            await writer.wait_closed()
    answers = [json.loads(line) for line in said.splitlines()]
    assert all(isinstance(one, dict) and one.get("v") == 1 for one in answers), said[:200]
    replies = [one for one in answers if "ok" in one]
    assert len(replies) <= data.count(b"\n") + 1, (len(replies), data[:200])
    for one in replies:
        assert isinstance(one["ok"], bool)
        assert one["ok"] or {"expected", "got"} <= set(one), one
    if not replies:
        return "hung up"
    return "answered" if any(one["ok"] for one in replies) else "refused"


async def _all(
    count: int, seed: int, root: Path, source: Callable[[int, int], bytes], guarded: bool, runner: type[Tripwire]
) -> Campaign:  # fmt: skip
    campaign = Campaign()
    state = StateDir.open(root, "boathouse")
    loop = asyncio.get_running_loop()
    trial = -1
    loop.set_exception_handler(
        lambda _loop, what: campaign.failures.setdefault(trial, f"in the event loop: {what.get('message')}")
    )
    up: asyncio.Future[Service] = loop.create_future()
    before = runner.opened

    def runner_of(machine: Machine, path: Path, place: StateDir) -> Any:
        return runner(machine, path, place)

    serving = asyncio.create_task(
        serve(MACHINE, root, runner_of, clock="real", signals=False, meanwhile=up.set_result)
    )
    service = await up
    try:
        for trial in range(count):
            data = source(seed, trial)
            if guarded and any(map(might_run, data.split(b"\n"))):
                campaign.counts["could run a verb, not sent"] += 1
                continue
            try:
                campaign.counts[await _trial(state.control_socket, data)] += 1
            except Exception as error:  # noqa: BLE001 - it is the finding
                campaign.failures[trial] = f"{type(error).__name__}: {error}"
            if runner.opened != before:
                campaign.failures.setdefault(trial, "a runner was made")
                before = runner.opened
            if serving.done():
                campaign.failures[trial] = "the service ended"
                break
            if trial % 100 == 99:
                assert await _trial(state.control_socket, b'{"v": 1, "ask": "status"}\n') == "answered"
    finally:
        service.end("the campaign is over")
        await serving
    if service.host.followers.count:
        campaign.failures[count] = f"{service.host.followers.count} readers were left"
    with contextlib.closing(Journal.read(state.journal)) as journal:
        if guarded and journal.sessions():
            campaign.failures[count] = "a session is in the journal"
    return campaign


def run_campaign(
    count: int, seed: int, source: Callable[[int, int], bytes] = damaged, *, guarded: bool = True,
    runner: type[Tripwire] = Tripwire,
) -> Campaign:  # fmt: skip
    """Run trials 0 to ``count`` of a seed. ``guarded``: what could run a verb is not sent."""
    with tempfile.TemporaryDirectory(prefix="gf-") as folder:
        return asyncio.run(_all(count, seed, Path(folder) / "s", source, guarded, runner))


def main(arguments: list[str] | None = None) -> int:
    """Run one campaign and say what came of it; exit code 1 when a trial ended badly."""
    parser = argparse.ArgumentParser(prog="python -m tests.fuzz.control", description=__doc__)
    parser.add_argument("--count", type=int, default=50_000)
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args(arguments)
    campaign = run_campaign(options.count, options.seed)
    sys.stdout.write(f"{options.count} trials, seed {options.seed}: {dict(campaign.counts)}\n")
    for trial, what in sorted(campaign.failures.items())[:20]:
        sys.stdout.write(f"trial {trial}: {what}\n")
    sys.stdout.write(f"{len(campaign.failures)} ended badly\n")
    return 1 if campaign.failures else 0


if __name__ == "__main__":
    sys.exit(main())
