"""The stops' proof with real processes: service, guard, reader and streamer beside a gantry on a wire that is a pty.

What is made up is the hardware alone: the simulated gantry's process, a serial port's modem lines and a GPIO line, both
files. The last service is ``giornata commission`` as a process at a terminal, answered as its prompts come.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
import pty
import re
import select
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from controller.cli.main import main
from controller.config.load import load_machine
from controller.config.places import StateDir
from controller.session.commission import commission
from controller.session.commissionask import Ask
from controller.session.commissionbench import Bench
from controller.session.journal import Journal
from controller.session.processes import Child
from controller.session.processrunner import ProcessRunner
from controller.session.stopproof import unproved
from controller.session.watcher import Watcher
from drivers.twin.settings import TwinSettings
from safety.modem import INPUT_LINES, OUTPUT_LINES
from tests.faults.realsite import TWIN_PRIORITY, Spoken
from tests.faults.scene import HOMING_START_MM, machine_text
from tests.session.commissioned import Person
from tests.session.commissionprogram import made_up

pytestmark = pytest.mark.realtime

DSR, RTS = INPUT_LINES["dsr"], OUTPUT_LINES["rts"]
PATIENCE_S = 300.0
BY_HAND_S = 1.0
"""So long a hand is waited for that does not come."""
BUTTON = '{ kind = "modem-line", name = "button", device = "%s", line = "dsr" }'
FENCE = '{ kind = "gpio", name = "fence", chip = "/dev/gpiochip9", line = 17 }'
BELT = '{ kind = "drive-input", name = "belt", axis = "y", bit = 18 }'
CONTROLS = re.compile(r"\x1b\[[0-9;?]*[A-Za-z]|[\r\n]")


class Prompter:
    """``giornata commission`` as a process at a terminal: waits for words, answers them."""

    def __init__(self, *arguments: str) -> None:
        self._ours, theirs = pty.openpty()
        environment = {**os.environ, "TERM": "xterm", "COLUMNS": "200"}
        self.process = subprocess.Popen(
            [sys.executable, "-m", "tests.session.commissionprogram", "commission", *arguments],
            stdin=theirs, stdout=theirs, stderr=theirs, start_new_session=True, env=environment,
        )  # fmt: skip
        os.close(theirs)
        self._unread = ""

    def until(self, *words: str) -> int:
        """Read on until the terminal has shown one of ``words``, wherever lines are broken; which."""
        end_s = time.monotonic() + PATIENCE_S
        wanted = [one.replace(" ", "") for one in words]
        while not (found := [one for one in wanted if one in self._unread]):
            assert time.monotonic() < end_s, f"expected {words}, the terminal shows {self._unread[-2000:]!r}"
            assert self._more(1.0), f"expected {words}, it ended after {self._unread[-2000:]!r}"
        self._unread = self._unread.partition(found[0])[2]
        return wanted.index(found[0])

    def _more(self, wait_s: float) -> bool:
        """Take what is there; whether the far end is still open."""
        if not select.select([self._ours], [], [], wait_s)[0]:
            return True
        try:
            shown = os.read(self._ours, 65536).decode(errors="replace")
        except OSError:
            return False
        self._unread += CONTROLS.sub("", shown).replace(" ", "")
        return True

    def answer(self, words: str, line: str) -> None:
        """Wait for a prompt and type a line."""
        self.until(words)
        self.type(line)

    def type(self, line: str) -> None:
        """A line."""
        os.write(self._ours, f"{line}\n".encode())

    def ends(self) -> int:
        """Its exit code."""
        while self._more(PATIENCE_S):
            pass
        return self.process.wait(PATIENCE_S)

    def close(self) -> None:
        """Over with it, whatever it is at."""
        if self.process.poll() is None:
            self.process.kill()
        self.process.wait()
        os.close(self._ours)


class Wall:
    """A machine file whose wire is the gantry's pty, the three loops, a contactor, and what the journal says."""

    def __init__(self, folder: Path) -> None:
        self.folder, self.file, self.port = folder, folder / "m.toml", folder / "port"
        self.fence(closed=True)
        self.button(closed=True)
        self.file.write_text(machine_text())
        machine = load_machine(self.file)
        assert machine.twin is not None
        axes = {
            name: axis.model_copy(update={"start_mm": HOMING_START_MM["xy".index(name)]})
            for name, axis in machine.twin.axes.items()
        }
        settings = folder / "twin.json"
        settings.write_text(
            TwinSettings(
                group=machine.group_settings(), parameters=machine.twin.model_copy(update={"axes": axes}),
                state_dir=str(folder / "world"), parent_pid=os.getpid(),
            ).model_dump_json()
        )  # fmt: skip
        self.twin = Spoken("-m", "tests.faults.troubled_twin", str(settings))
        self.channel = str(self.twin.hear("ready")["channel"])
        # Real drives keep time whatever the computer does; see controller/session/simulated.py.
        with contextlib.suppress(OSError):
            os.sched_setscheduler(self.twin.pid, os.SCHED_FIFO, os.sched_param(TWIN_PRIORITY))
        self.state = StateDir(folder / "s")
        self.began = self.places()

    def declare(self, *inputs: str, cut: bool = True) -> None:
        """The machine file with these stop inputs, and a power-cut output unless told otherwise."""
        text = machine_text().replace('"simulated"', f'"{self.channel}"')
        own = ", ".join(one.replace("%s", str(self.port)) for one in inputs)
        output = f'power_cut = {{ kind = "modem-line", device = "{self.port}", line = "rts" }}' if cut else ""
        self.file.write_text(text.replace("[canvas]", f"[stops]\ninputs = [{own}]\n{output}\n[canvas]"))
        assert load_machine(self.file).wire.is_simulated is False

    def button(self, *, closed: bool) -> None:
        """Its contact, in one step."""
        self._put(self.port, str(DSR if closed else 0))

    def fence(self, *, closed: bool) -> None:
        """Its contact, in one step."""
        self._put(self.folder / "fence", str(int(closed)))

    def belt(self, *, closed: bool) -> None:
        """Its contact."""
        self.twin.tell(belt=closed)
        self.twin.hear("belt")

    @staticmethod
    def _put(path: Path, text: str) -> None:
        beside = path.with_suffix(".new")
        beside.write_text(text)
        beside.replace(path)

    def contactor_holds(self) -> bool:
        """What holds the motors' power."""
        out = Path(f"{self.port}.out")
        return out.exists() and bool(int(out.read_text()) & RTS)

    def places(self) -> Any:
        """Where both axes truly stand."""
        self.twin.tell(status=True)
        return self.twin.hear("status")["axes"]

    def missing(self) -> tuple[str, ...]:
        """What is not proved, by the journal."""
        with contextlib.closing(Journal.read(self.state.journal)) as journal:
            return unproved(journal.calibration, load_machine(self.file))

    def verb(self, *words: str) -> int:
        """A verb, here; its exit code."""
        return main([*words, "--machine", str(self.file), "--state", str(self.state.root)])

    def step(self, missed: str = "") -> str:
        """The step in this process, by hands that do what they are told, but for one question; why it failed."""
        loops = {"button": self.button, "fence": self.fence, "belt": self.belt}

        def hand(question: Ask) -> None:
            verb, name = question.key.split()
            if question.key != missed:
                loops[name](closed=verb == "close")

        person = Person(
            {f"{verb} {name}": hand for name in loops for verb in ("open", "close")}
            | {
                "power on": lambda _question: self.contactor_holds(),
                "power off": lambda _question: not self.contactor_holds(),
            }
        )
        bench = Bench(
            self.file, self.state.root, person, Watcher(), ProcessRunner, signals=False, by_hand_s=BY_HAND_S
        )
        done = commission(self.file, self.state.root, person, Watcher(), only="stops", bench=bench)
        return asyncio.run(done).why

    def close(self) -> None:
        """The gantry ends."""
        self.twin.end()


@pytest.fixture
def wall(monkeypatch: pytest.MonkeyPatch) -> Iterator[Wall]:
    monkeypatch.setattr(Child, "start", Child.start)  # put back at the end
    made_up()
    folder = Path(tempfile.mkdtemp(prefix="g-", dir="/tmp"))  # socket paths end at 107 bytes
    one = Wall(folder)
    yield one
    one.close()
    shutil.rmtree(folder)


MOTION = (
    ("home", "--yes"),
    ("measure", "circle", "--yes"),
    ("identify", "steps", "--axis", "x", "--yes"),
)


def refused(wall: Wall, capsys: pytest.CaptureFixture[str], *names: str) -> None:
    """Every verb that moves is refused by these names and no other, before a guard or a streamer is started."""
    guard = wall.state.guard_settings
    guard.unlink(missing_ok=True)
    for words in MOTION:
        assert wall.verb(*words, "--json") == 3
        reason = json.loads(capsys.readouterr().out)["error"]["reason"]
        assert reason == f"not proved on this wiring: {', '.join(names)}; nothing moves before"
    assert not guard.exists()


def test_no_verb_moves_before_every_declared_loop_was_opened_by_hand(
    wall: Wall, capsys: pytest.CaptureFixture[str]
) -> None:
    """A button and a contactor are declared and proved. Then a fence is declared beside, and nothing moves again. What
    is proved is proved one by one, though a hand that does not come breaks it off. Nothing has moved meanwhile."""
    wall.declare(BUTTON)
    refused(wall, capsys, "stop input button", "the power-cut output")
    assert wall.step() == ""
    assert wall.missing() == ()
    wall.declare(BUTTON, FENCE)
    everything = ("stop input button", "stop input fence", "the power-cut output")
    refused(wall, capsys, *everything)
    assert "stop input fence: expected it to open, the guard saw nothing open" in wall.step(
        missed="open fence"
    )
    refused(wall, capsys, *everything[1:])
    assert wall.step() == ""
    assert wall.missing() == ()
    assert wall.places() == wall.began


@pytest.mark.campaign
def test_a_drives_input_is_proved_at_a_terminal_and_then_it_moves(
    wall: Wall, capsys: pytest.CaptureFixture[str]
) -> None:
    """The bring-up at a terminal: asked once both motors hold, the loop is opened and stops them. Both axes
    have stood where they were; only then a verb moves them."""
    wall.declare(BELT, cut=False)
    refused(wall, capsys, "stop input belt")
    with contextlib.closing(Prompter("--machine", str(wall.file), "--state", str(wall.state.root))) as at:
        at.answer("Begin? [go / stop]", "go")
        at.until("Open the loop belt now")
        wall.belt(closed=False)
        # The guard may be quicker than the streamer's word which loop it was: then that is looked up.
        if at.until("Leave belt open", "Seen. Close belt again.") == 0:
            at.answer("may the latch be cleared? [y/N]", "y")
            at.until("Seen. Close belt again.")
            wall.belt(closed=True)
        else:
            wall.belt(closed=True)
            at.answer("may the latch be cleared? [y/N]", "y")
        at.answer("Is that what you saw? [y/N]", "y")
        at.answer("Begin? [go / stop]", "stop")
        assert at.ends() == 3
    assert wall.missing() == ()
    assert wall.places() == wall.began
    # A busy computer may lose readings of a touch, and homing then refuses what it found; move it did.
    wall.verb("home", "--yes")
    assert wall.places() != wall.began
