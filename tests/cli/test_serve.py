"""The verbs against a service that runs, beside the same verbs without one: same words and exit codes. Virtual time."""

from __future__ import annotations

import asyncio
import contextlib
import json
import re
import threading
from collections.abc import AsyncIterator, Iterator
from pathlib import Path
from typing import Any

import pytest

from controller.config.places import StateDir
from controller.session.operator import SimulatedOperator
from controller.session.remote import follow, run_there
from controller.session.serve import Service, serve
from controller.session.virtualrunner import VirtualRunner
from controller.session.watcher import Watcher
from safety import latch

from .conftest import Answer, Shell

HALT = latch.Latch("stop-asked", "a person asked for it", "", latch.now_text(), 1, standstill="proved")


@contextlib.contextmanager
def served(shell: Shell, log: list[dict[str, Any]] | None = None) -> Iterator[None]:
    """A service on the shell's machine and state, in a thread of its own."""
    up = threading.Event()
    found: list[tuple[Service, asyncio.AbstractEventLoop]] = []

    def meanwhile(service: Service) -> None:
        found.append((service, asyncio.get_running_loop()))
        up.set()

    def work() -> None:
        events: list[dict[str, Any]] = [] if log is None else log
        asyncio.run(
            serve(
                shell.machine, shell.state, VirtualRunner, clock="virtual", signals=False, meanwhile=meanwhile,
                log=events.append,
            )
        )  # fmt: skip

    thread = threading.Thread(target=work)
    thread.start()
    assert up.wait(60)
    try:
        yield
    finally:
        service, loop = found[0]
        loop.call_soon_threadsafe(service.end, "the test is over")
        thread.join(60)
        assert not thread.is_alive()


def _day(shell: Shell) -> list[tuple[str, Answer]]:
    """A day's verbs, mistakes included."""
    paint = ("paint", shell.job, "--virtual")
    home = ("home", "--virtual", "--yes")
    script: list[tuple[object, ...]] = [
        (*paint, "--yes"), home, (*paint, "--yes", "--pass", "teal-7"), paint, (*paint, "--yes", "--json"),
        (*paint, "--yes"), (*home, "--json"), ("clear", "--reason", "stop-asked"), ("stop", "--gently"),
    ]  # fmt: skip
    halted: list[tuple[object, ...]] = [
        home, (*paint, "--yes"), ("clear", "--reason", "lease-out", "--by", "Ada"), ("clear",),
        ("clear", "--reason", "stop-asked", "--by", "Ada", "--json"), (*paint, "--yes"), home,
    ]  # fmt: skip

    def run(verb: tuple[object, ...]) -> tuple[str, Answer]:
        return " ".join(map(str, verb)), shell.verb(str(verb[0]), *verb[1:])

    said = [run(verb) for verb in script]
    latch.write(shell.state / "latch.json", HALT)
    return said + [run(verb) for verb in halted]


def _words(text: str) -> str:
    """Without what differs from run to run."""
    return re.sub(r"[-+]?\d+(\.\d+)?", "#", re.sub(r"/\S+", "PATH", text))


def test_same_words_and_exit_codes_with_and_without_a_service(shell: Shell, capsys, tmp_path: Path) -> None:
    """A whole day, refusals and bad input included, verb by verb."""
    alone = _day(shell)
    other = Shell(tmp_path / "other", capsys)
    other.folder.mkdir()
    for path in (shell.machine, shell.job, shell.folder / "two.svg"):
        (other.folder / path.name).write_text(path.read_text())
    with served(other):
        through = _day(other)
    assert [answer.code for _, answer in alone] == [3, 0, 2, 3, 0, 0, 0, 3, 3, 3, 3, 3, 3, 0, 3, 0]
    for (verb, one), (_, two) in zip(alone, through, strict=True):
        assert (two.code, _words(two.out), _words(two.err)) == (one.code, _words(one.out), _words(one.err)), (
            verb
        )
    assert sorted(_words(run) for run in shell.runs) == sorted(_words(run) for run in other.runs)


def test_status_beside_a_service(shell: Shell) -> None:
    """At rest status says that a service runs, and what the journal says; with --json both."""
    with served(shell):
        assert "a service runs" in shell.verb("status").out
        assert shell.home().code == 0
        answer = shell.verb("status", "--json").json
        assert (answer["state"], answer["registered"], answer["service"]["daemon"]) == (
            "registered",
            True,
            True,
        )
    assert "a service runs" not in shell.verb("status").out


def test_second_service_is_refused(shell: Shell) -> None:
    """By the first one's name, exit 3."""
    with served(shell):
        refused = shell.verb("serve")
        assert refused.code == 3
        assert "a service holds this machine (giornata serve, pid" in refused.err


def test_measure_through_a_service(shell: Shell) -> None:
    """A line driven by the service: the same figures' names as without one; what no machine takes is refused."""
    line = ("measure", "line", "--from", "100", "100", "--to", "300", "100", "--yes", "--virtual", "--json")
    assert shell.home().code == 0
    alone = shell.run(*line, "--machine", shell.machine, "--state", shell.state)
    with served(shell):
        through = shell.run(*line, "--machine", shell.machine, "--state", shell.state)
        off = shell.run(
            *(one.replace("300", "90000") for one in line), "--machine", shell.machine, "--state", shell.state
        )
    assert (alone.code, through.code, off.code) == (0, 0, 2)
    names = [[figure["figure"] for figure in one.json["figures"]] for one in (alone, through)]
    assert names[0] == names[1] != []


def test_other_machine_file_is_refused(shell: Shell) -> None:
    """The machine file that a command names must be the service's, by its contents."""
    with served(shell):
        shell.edit(shell.machine, "\n", "\n# edited\n")
        assert shell.home().code == 0  # it is the service's own file all the same
        other = shell.folder / "other.toml"
        other.write_text(shell.machine.read_text() + "\n# another\n")
        refused = shell.run("home", "--yes", "--machine", other, "--state", shell.state)
        assert refused.code == 3
        assert "another machine file was given" in refused.err


def test_follow_prints_lines_without_a_terminal(shell: Shell, monkeypatch: pytest.MonkeyPatch) -> None:
    """status --follow into a pipe: how it stands, a line an event; as JSON an object each. Here until a verb ends."""
    from controller.cli import following

    async def until_homed(place: StateDir, _resting: object) -> AsyncIterator[dict[str, Any]]:
        """What is followed, while somebody else homes."""
        arguments = {"yes": True, "virtual": True}
        homing: asyncio.Task[Any] | None = None
        async with asyncio.timeout(60), contextlib.aclosing(follow(place.control_socket)) as messages:
            async for message in messages:
                yield message
                if message.get("following"):
                    homing = asyncio.create_task(
                        run_there(place, "home", arguments, SimulatedOperator(), Watcher(), stop=None)
                    )
                if message.get("event") == "verb_ended":
                    break
        assert homing is not None
        await homing

    monkeypatch.setattr(following, "_messages", until_homed)
    with served(shell):
        said = shell.verb("status", "--follow").out.splitlines()
        assert said[0].startswith("boathouse: unregistered, service at rest, pid ")
        assert any(line.endswith("home ended with exit code 0; registered") for line in said)
        assert any("homing axis x" in line for line in said)
        objects = [json.loads(line) for line in shell.verb("status", "--follow", "--json").out.splitlines()]
        assert [one["event"] for one in objects if "event" in one][-1] == "verb_ended"
