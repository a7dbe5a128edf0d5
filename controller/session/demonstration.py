"""The demonstration: the shipped machine and job, a fresh state folder, one whole session, told of over MQTT.

Owns which files are shown, the broker beside it, and that only a folder of an earlier demonstration is ever removed.
"""

from __future__ import annotations

import contextlib
import json
import re
import shutil
import subprocess
import sys
import time
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path

from controller.config.counting import counted
from controller.config.errors import InputError, Mistake
from controller.config.examine import examine_files
from controller.config.places import StateDir, shipped
from controller.session import verbs
from controller.session.daemon import RunnerOf
from controller.session.figures import PassFigures, figures_of
from controller.session.operator import SimulatedOperator
from controller.session.prepare import prepare
from controller.session.prepared import SkippedElement
from controller.session.watcher import Watcher

JOB = "jobs/low-tide/job.toml"
MACHINES = {
    "can": "machines/boathouse.toml",
    "modbus": "machines/boathouse-modbus.toml",
    "described-can": "machines/boathouse-described-can.toml",
    "described-serial": "machines/boathouse-described-serial.toml",
}
"""By the wire that is shown: the same gantry, its drives spoken to in four ways."""
MARK = ".giornata-demo"
_DRIVE_FILE = re.compile(r'^(drive_file\s*=\s*)("[^"]*")')


@dataclass(frozen=True, slots=True)
class Told:
    """What came to the broker: messages by their topic's last level, the states in order, the last of progress, and the
    file with all of it."""

    port: int
    messages: dict[str, int]
    states: tuple[str, ...]
    progress: dict[str, object]
    file: Path

    @property
    def lines(self) -> tuple[str, ...]:
        """Two lines for a person."""
        counts = ", ".join(f"{count} of {name}" for name, count in self.messages.items())
        first = f"told over MQTT, at a broker of our own on 127.0.0.1:{self.port}: {counts or 'nothing'}; "
        last = self.progress
        if not last:
            return (first + "no progress",)
        at = f"{last['what']}, {last['strokes_finished']} of {last['strokes']} strokes"
        return (first + f"last progress {at}", "states: " + ", ".join(self.states))


@dataclass(frozen=True, slots=True)
class Shown:
    """What the demonstration came to. ``seconds`` of the session, preparation and report not counted."""

    state: StateDir
    session: int
    clock: str
    realtime: bool
    seconds: float
    figures: tuple[PassFigures, ...]
    skipped: tuple[SkippedElement, ...]
    canvas_picture: Path
    told: Told


def demonstrate(folder: Path, runner_of: RunnerOf, watcher: Watcher, wire: str = "can") -> Shown:
    """Check, prepare, home and paint all inks over ``wire``, a name in ``MACHINES``. Raises what the verbs raise."""
    machine = MACHINES.get(wire)
    if machine is None:
        raise InputError(
            [Mistake(folder, "--wire", f"one of {', '.join(MACHINES)}", wire, code="option-value")]
        )
    root = _fresh(folder.absolute())
    with _broker(root / "mqtt.jsonl") as port:
        machine_path = root / Path(machine).name
        table = f'\n[mqtt]\nhost = "127.0.0.1"\nport = {port}\n'
        machine_path.write_text(_plain(shipped(machine)) + table)
        shown = _demonstrate(root, machine_path, shipped(JOB), runner_of, watcher)
    return replace(shown, told=_told(port, root / "mqtt.jsonl"))


def _plain(path: Path) -> str:
    """A machine file's text, for another folder: without its schema's path, with whole paths of drive files."""

    def whole(found: re.Match[str]) -> str:
        return found[1] + json.dumps(str((path.parent / json.loads(found[2])).resolve()))

    lines = (line for line in path.read_text().splitlines() if not line.startswith("#:schema"))
    return "\n".join(_DRIVE_FILE.sub(whole, line) for line in lines) + "\n"


@contextlib.contextmanager
def _broker(log: Path) -> Iterator[int]:
    """A broker as a process of its own, and its port; it ends with us, however we end."""
    words = (sys.executable, "-P", "-m", "controller.session.mqttbroker", str(log))
    with subprocess.Popen(
        words, stdin=subprocess.PIPE, stdout=subprocess.PIPE, start_new_session=True
    ) as child:
        assert child.stdin is not None
        assert child.stdout is not None
        try:
            yield int(json.loads(child.stdout.readline())["port"])
        finally:
            child.stdin.close()
            try:
                child.wait(5.0)
            except subprocess.TimeoutExpired:
                child.kill()


def _told(port: int, log: Path) -> Told:
    counts: Counter[str] = Counter()
    states: list[str] = []
    progress: dict[str, object] = {}
    for line in log.read_text().splitlines():
        said = json.loads(line)
        name = said["topic"].rsplit("/", 1)[-1]
        counts[name] += 1
        body = json.loads(said["body"])
        if name == "progress":
            progress = body
        if name == "state":
            word = body["state"] if body["presence"] == "here" else body["presence"]
            states += [word] if word not in states[-1:] else []
    return Told(port, dict(counts), tuple(states), progress, log)


def _demonstrate(
    root: Path, machine_path: Path, job_path: Path, runner_of: RunnerOf, watcher: Watcher
) -> Shown:
    examine_files([machine_path, job_path], root)
    watcher.note(f"{machine_path.name} and {job_path.parent.name}/{job_path.name} checked")
    prepared = prepare(job_path, machine_path, root / "prepared" / job_path.parent.name)
    record = prepared.record
    strokes = sum(ink.strokes for ink in record.inks)
    watcher.note(
        f"prepared {counted(len(record.inks), 'ink')}, {counted(len(record.passes), 'pass', 'passes')}, "
        f"{counted(strokes, 'stroke')}, "
        f"{record.seconds:.0f} s of motion"
    )
    begun_s = time.monotonic()
    done = verbs.run(
        verbs.paint(
            prepared, machine_path, root, SimulatedOperator(), watcher, home_first=True, runner_of=runner_of
        )
    )
    took_s = time.monotonic() - begun_s
    figures = tuple(figures_of(done.state, done.session))
    return Shown(
        done.state,
        done.session,
        figures[0].clock,
        all(one.realtime for one in figures),
        took_s,
        figures,
        prepared.record.skipped,
        done.state.twin / "canvas.png",
        Told(0, {}, (), {}, root / "mqtt.jsonl"),
    )


def _fresh(folder: Path) -> Path:
    """An empty folder; an earlier demonstration in its place is removed, anything else is left alone."""
    if folder.exists() and not (folder / MARK).is_file() and (not folder.is_dir() or any(folder.iterdir())):
        expected = "a new or empty folder, or an earlier demonstration's"
        raise InputError(
            [Mistake(folder, "--dir", expected, "something else, left alone", code="out-occupied")]
        )
    if folder.exists():
        shutil.rmtree(folder)
    folder.mkdir(parents=True)
    (folder / MARK).write_text("written by giornata demo; the next demo removes this folder\n")
    return folder
