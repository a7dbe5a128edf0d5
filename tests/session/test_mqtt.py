"""Sessions beside a broker that lives, dies, hangs, floods and lies: real client processes, a broker in a thread.

Every wait is for something said, never for time; what may not happen is followed by something that must, which comes
after it on the same line.
"""

from __future__ import annotations

import asyncio
import json
import os
import re
import shutil
import signal
import socket
import ssl
import subprocess
import sys
from collections.abc import Awaitable, Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest

from controller.config.errors import HaltedError
from controller.config.places import StateDir, shipped
from controller.session import remote, serve, verbs
from controller.session.figures import figures_of
from controller.session.journal import Journal
from controller.session.mqttclient import MEMORY_BYTES
from controller.session.mqttwords import Topics, client_identifier
from controller.session.operator import SimulatedOperator
from controller.session.service import StoppedError
from controller.session.virtualrunner import VirtualRunner
from controller.session.watcher import Watcher
from controller.stream.spec import StreamOutcome
from drivers.errors import FaultError
from safety import latch

from .broker import Broker, Published, closed_port, publish
from .conftest import FakeRunner
from .test_stops import HoldingRunner

pytestmark = pytest.mark.realtime

BOATHOUSE = shipped("machines/boathouse.toml")
TOPICS = Topics.of("giornata", "boathouse")
STOP = b'{"v": 1, "ask": "stop"}'
AT_ONCE = b'{"v": 1, "ask": "stop", "kind": "immediate"}'
Step = Callable[["Day"], Awaitable[None]]


class Notes(Watcher):
    """Keeps what a person would have read."""

    def __init__(self) -> None:
        self.lines: list[str] = []
        self._more = asyncio.Event()

    def note(self, text: str) -> None:
        """Keep it."""
        self.lines.append(text)
        self._more.set()

    async def until(self, words: str) -> None:
        """Wait until a line has these words."""
        async with asyncio.timeout(60.0):
            while not any(words in line for line in self.lines):
                self._more.clear()
                await self._more.wait()


@dataclass
class Day:
    """A homed machine with a broker's table, and a session on it."""

    folder: Path
    broker: Broker
    table: dict[str, Any] = field(default_factory=dict)
    runner: Any = None
    notes: Notes = field(default_factory=Notes)

    @property
    def state(self) -> StateDir:
        """The machine's folder."""
        return StateDir.open(self.folder / "s", "boathouse")

    @property
    def machine(self) -> Path:
        """The machine file, with the table."""
        path = self.folder / "machine.toml"
        fields = {"host": "127.0.0.1", "port": self.broker.port, **self.table}
        tls = fields.pop("tls", None)
        lines = [f"{name} = {json.dumps(value)}" for name, value in fields.items()]
        if tls is not None:
            lines += ["[mqtt.tls]", *(f"{name} = {json.dumps(value)}" for name, value in tls.items())]
        path.write_text(BOATHOUSE.read_text() + "\n[mqtt]\n" + "\n".join(lines) + "\n")
        return path

    def home(self) -> None:
        """Home it, without any broker."""
        asyncio.run(
            verbs.home(
                BOATHOUSE, self.state.root, SimulatedOperator(), Watcher(),
                runner_of=lambda *_: FakeRunner(), signals=False,
            )
        )  # fmt: skip

    def paint(self, three: Any, step: Step | None = None) -> None:
        """One session that paints; ``step`` goes on beside it once it moves. Its errors come out."""

        async def session() -> None:
            self.notes = Notes()
            painting = asyncio.ensure_future(
                verbs.paint(
                    three, self.machine, self.state.root, SimulatedOperator(), self.notes,
                    runner_of=lambda *_: self.runner, signals=False,
                )
            )  # fmt: skip
            if step is not None:
                await self.runner.moving.wait()
                await step(self)
            await painting

        asyncio.run(session())

    async def connected(self) -> None:
        """Wait until a client listens to the command topic."""
        await self.notes.until("connected to the broker")

    def events(self) -> list[str]:
        """What the journal says of MQTT."""
        journal = Journal.read(self.state.journal)
        found = [one.text for one in journal.events() if one.kind == "mqtt"]
        journal.close()
        return found


@pytest.fixture
def day(tmp_path: Path) -> Iterator[Day]:
    """A broker, and a machine that was homed; its session runs until it is stopped."""
    with Broker() as broker:
        made = Day(tmp_path, broker)
        made.home()
        made.runner = HoldingRunner(made.state, patient=False)
        yield made


def _said(message: Published) -> dict[str, Any]:
    return dict(json.loads(message.body))


async def _wait(broker: Broker, wanted: Callable[[Published], bool]) -> Published:
    return await asyncio.to_thread(broker.wait_for, wanted, 60.0)


def _state_is(**wanted: Any) -> Callable[[Published], bool]:
    return lambda one: one.topic == TOPICS.state and wanted.items() <= _said(one).items()


def _stops(runner: FakeRunner) -> list[str]:
    return [call.split()[0] for call in runner.calls if "stop" in call]


# what is told


def test_a_pass_is_told_from_begin_to_end(day: Day, three) -> None:
    """State (kept), progress and timing of a pass in virtual time, as the report has them; at last "ended"."""

    class Seen(VirtualRunner):
        """Begins when the broker has been reached: a short pass would be over before."""

        async def open(self) -> None:
            """Wait for the connection first."""
            await day.connected()
            await super().open()

    async def session() -> None:
        day.notes = Notes()
        await verbs.paint(
            three, day.machine, day.folder / "v", SimulatedOperator(), day.notes,
            home_first=True, runner_of=Seen, signals=False,
        )  # fmt: skip

    asyncio.run(session())
    told = list(day.broker.published.queue)
    states = [_said(one) for one in told if one.topic == TOPICS.state]
    assert all(one.retain and one.qos == 1 for one in told if one.topic == TOPICS.state)
    assert {"painting", "registered"} <= {one.get("state") for one in states}
    assert (states[-1]["presence"], states[-1]["state"]) == ("ended", "registered")
    assert _said(day.broker.retained[TOPICS.state]) == states[-1]
    assert all(one["v"] == 1 for one in states)

    progress = [_said(one) for one in told if one.topic == TOPICS.progress]
    painted = [one for one in progress if one["what"] == "teal-1"]
    assert [one["ticks_sent"] for one in painted] == sorted({one["ticks_sent"] for one in painted})
    assert painted[-1]["ticks_sent"] > 0
    assert {one["strokes"] for one in painted} == {3}

    (timing,) = (_said(one) for one in told if one.topic == TOPICS.timing)
    state = StateDir.open(day.folder / "v", "boathouse")
    (figures,) = figures_of(state, 1)
    assert figures.timing is not None
    assert (timing["pass"], timing["state"], timing["ticks"]) == ("teal-1", "finished", figures.ticks)
    assert timing["late_p99_us"] == pytest.approx(figures.timing.p99_us, abs=0.06)
    assert (timing["strokes_finished"], timing["strokes"], timing["missing_logs"]) == (3, 3, 0)
    assert [one for one in told if one.topic == TOPICS.alarm] == []
    assert not any(one.will for one in told)


def test_refused_homing_is_an_alarm(day: Day, three) -> None:
    """Touches that spread too far: the alarm says what homing said."""
    day.runner = HoldingRunner(day.state)
    day.runner.spread_mm = 0.2
    day.runner.moving.set()

    async def open_later() -> None:
        await day.connected()

    day.runner.open = open_later
    with pytest.raises(Exception, match="homing refused"):
        day.paint(three)
    alarm = _said(day.broker.wait_for(lambda one: one.topic == TOPICS.alarm))
    assert alarm["kind"] == "homing-refused"
    assert "spread over 0.200 mm" in alarm["text"]
    assert _said(day.broker.retained[TOPICS.state])["state"] == "unregistered"


def test_a_drives_fault_is_an_alarm(day: Day, three) -> None:
    """A run that failed: one alarm with the streamer's reason."""
    day.runner = FakeRunner(strokes=1, pass_end=StreamOutcome(end="failed", reason="axis x: fault 7121h"))

    async def open_later() -> None:
        await day.connected()

    day.runner.open = open_later
    with pytest.raises(FaultError):
        day.paint(three)
    alarms = [_said(one) for one in list(day.broker.published.queue) if one.topic == TOPICS.alarm]
    assert [(one["kind"], one["text"]) for one in alarms] == [("drive-fault", "axis x: fault 7121h")]


# stops


def test_a_controlled_stop_however_often_is_one(day: Day, three) -> None:
    """The same message again is the same stop: nothing latches, the streamer is asked once, the pass can go on."""

    async def step(day: Day) -> None:
        await day.connected()
        for _ in range(3):
            day.broker.send(TOPICS.command, STOP)

    with pytest.raises(StoppedError):
        day.paint(three, step)
    assert _stops(day.runner) == ["ask_stop"]
    assert latch.read(day.state.latch) is None
    assert _said(day.broker.retained[TOPICS.state])["state"] == "paused"
    journal = Journal.read(day.state.journal)
    assert "stop by MQTT" in [one.text for one in journal.events() if one.kind == "stop"]
    journal.close()


def test_an_immediate_stop_latches_and_is_an_alarm(day: Day, three) -> None:
    """kind immediate goes to the guard; the latch is told as an alarm, and the kept state says halted."""

    async def step(day: Day) -> None:
        await day.connected()
        day.broker.send(TOPICS.command, AT_ONCE, qos=0)

    with pytest.raises(HaltedError):
        day.paint(three, step)
    assert _stops(day.runner) == ["stop_now"]
    alarm = _said(day.broker.wait_for(lambda one: one.topic == TOPICS.alarm))
    assert (alarm["kind"], alarm["reason"]) == ("latch", "stop-asked")
    assert _said(day.broker.retained[TOPICS.state])["state"] == "halted"


def test_an_immediate_stop_follows_a_controlled_one(day: Day, three) -> None:
    """While the axes still slow down on the path, a person can ask for more."""
    day.runner = HoldingRunner(day.state)

    async def step(day: Day) -> None:
        await day.connected()
        day.broker.send(TOPICS.command, STOP)
        await day.notes.until("stopping on the path")
        day.broker.send(TOPICS.command, AT_ONCE)
        day.broker.send(TOPICS.command, AT_ONCE)

    with pytest.raises(HaltedError):
        day.paint(three, step)
    assert _stops(day.runner) == ["ask_stop", "stop_now"]


def test_what_is_no_stop_does_nothing(day: Day, three) -> None:
    """A kept stop, one too old, other words, other topics: nothing; the stop after them is the only one."""
    day.broker.send(TOPICS.command, AT_ONCE, retain=True)

    async def step(day: Day) -> None:
        await day.connected()
        await day.notes.until("a retained message")
        for body in (
            b'{"v": 1, "ask": "stop", "kind": "immediate", "sent_ms": 1000}',
            b'{"v": 1, "ask": "paint"}',
            b'{"v": 1, "ask": "home"}',
            b'{"v": 1, "ask": "clear"}',
            b"\x00" * 100_000,
            b"[" * 1000,
        ):
            day.broker.send(TOPICS.command, body)
        day.broker.raw(publish("giornata/chapel/command", AT_ONCE))
        day.broker.send(TOPICS.command, STOP)

    with pytest.raises(StoppedError):
        day.paint(three, step)
    assert _stops(day.runner) == ["ask_stop"]
    assert len(day.runner.orders) == 2


# brokers that do not behave


async def _still_paints(day: Day) -> None:
    """The session lives and nobody has asked it to stop; then it is stopped as from the control socket."""
    await asyncio.sleep(0)
    assert _stops(day.runner) == []
    said = await asyncio.to_thread(verbs.stop, day.machine, day.state.root, reason="tea", gently=True)
    assert said["kind"] == "controlled"


def test_a_broker_that_dies_and_comes_back(day: Day, three) -> None:
    """The session goes on; when the broker is back it is told where the session stands, and a stop gets through."""

    async def step(day: Day) -> None:
        await day.connected()
        await _wait(day.broker, _state_is(state="painting"))
        day.broker.stop()
        await day.notes.until("no connection")
        day.broker.retained.clear()
        day.broker.start()
        await _wait(day.broker, _state_is(state="painting", presence="here"))
        assert _stops(day.runner) == []
        day.broker.send(TOPICS.command, STOP)

    with pytest.raises(StoppedError, match="as asked"):
        day.paint(three, step)
    assert _stops(day.runner) == ["ask_stop"]


@pytest.mark.parametrize("lost", ["ignore", "stop"])
@pytest.mark.parametrize("how", ["absent", "hangs"])
def test_a_lost_broker(day: Day, three, lost: str, how: str) -> None:
    """Absent, or connected and then silent: a controlled stop where the machine file says so, else none."""
    day.table = {"lost": lost, "lost_after_s": 2.0}

    async def step(day: Day) -> None:
        if how == "hangs":
            await day.connected()
            day.broker.mute()
        await day.notes.until("the broker is lost for 2 s" if lost == "ignore" else "stopping on the path")
        if lost == "ignore":
            await _still_paints(day)

    with closed_port() as port:
        if how == "absent":
            day.table["port"] = port
        with pytest.raises(StoppedError):
            day.paint(three, step)
    assert _stops(day.runner) == ["ask_stop"]
    assert latch.read(day.state.latch) is None
    journal = Journal.read(day.state.journal)
    (stop,) = (one.text for one in journal.events() if one.kind == "stop")
    journal.close()
    assert stop == ("stop by control socket" if lost == "ignore" else "the broker is lost for 2 s by MQTT")


def _flood(day: Day) -> None:
    junk = publish(TOPICS.command, b'{"v": 1, "ask": "paint"}', qos=1) * 10_000
    day.broker.raw(junk)


def _huge(day: Day) -> None:
    # A PUBLISH that claims the most that MQTT can (table 2.4), of which a megabyte comes.
    day.broker.raw(b"\x30\xff\xff\xff\x7f" + b"\x00" * 1_000_000)


def _garbage(day: Day) -> None:
    day.broker.raw(bytes(range(256)) * 16)


def _lies(day: Day) -> None:
    # Acknowledgements of what was never sent, a CONNACK in the middle, and a topic with a wildcard.
    day.broker.raw(
        b"\x40\x02\x7f\xff" * 3 + b"\x90\x03\x00\x63\x00" + b"\x20\x02\x00\x00" + publish("#", AT_ONCE)
    )


@pytest.mark.parametrize("what", [_flood, _huge, _garbage, _lies])
def test_a_broker_that_goes_mad(day: Day, three, what: Callable[[Day], None]) -> None:
    """The connection is given up, the session goes on, and the next connection takes a stop."""

    async def step(day: Day) -> None:
        await day.connected()
        await asyncio.to_thread(what, day)
        await day.notes.until("no connection")
        assert _stops(day.runner) == []
        await asyncio.to_thread(day.broker.connects.get)
        await asyncio.to_thread(day.broker.connects.get)
        day.notes.lines.clear()
        await day.connected()
        day.broker.send(TOPICS.command, STOP)

    with pytest.raises(StoppedError):
        day.paint(three, step)
    assert _stops(day.runner) == ["ask_stop"]
    if what is _flood:
        assert any("the broker floods" in line for line in day.events())
        assert day.broker.acknowledged < 10_000


def test_a_client_that_dies_leaves_its_will(day: Day, three) -> None:
    """SIGKILL to the client: the broker says gone, another client follows and says here; the session goes on."""

    async def step(day: Day) -> None:
        await day.connected()
        await _wait(day.broker, _state_is(presence="here"))
        (pid,) = _clients_of(os.getpid())
        assert _address_space(pid) == MEMORY_BYTES
        os.kill(pid, signal.SIGKILL)
        gone = await _wait(day.broker, _state_is(presence="gone"))
        assert gone.will
        assert gone.retain
        await _wait(day.broker, _state_is(presence="here"))
        await _still_paints(day)

    with pytest.raises(StoppedError):
        day.paint(three, step)


def _address_space(pid: int) -> int:
    """The most memory that a process may claim, by the kernel's word."""
    found = re.search(r"Max address space +(\d+)", Path(f"/proc/{pid}/limits").read_text())
    assert found is not None
    return int(found[1])


def _clients_of(parent: int) -> list[int]:
    """Processes of ours that talk to a broker, by the kernel's list."""
    found = []
    for entry in Path("/proc").iterdir():
        if not entry.name.isdecimal():
            continue
        try:
            status = (entry / "stat").read_text().rpartition(")")[2].split()
            command = (entry / "cmdline").read_bytes()
        except OSError:
            continue
        if int(status[1]) == parent and b"controller.session.mqttclient" in command:
            found.append(int(entry.name))
    return found


def test_a_service_that_dies_leaves_its_will(tmp_path: Path) -> None:
    """The service's end of the socket closes, as the kernel does for the dead: the client goes without a farewell."""
    with Broker() as broker:
        ours, theirs = socket.socketpair(socket.AF_UNIX, socket.SOCK_SEQPACKET)
        settings = {
            "host": "127.0.0.1", "port": broker.port, "root": TOPICS.root, "user": None,
            "password_file": None, "password_env": None, "tls": None,
        }  # fmt: skip
        with ours, theirs:
            client = subprocess.Popen(
                [sys.executable, "-P", "-m", "controller.session.mqttclient", str(theirs.fileno())],
                pass_fds=(theirs.fileno(),),
            )
            ours.send(json.dumps(settings).encode())
            talk = broker.connects.get(timeout=60.0)
            assert talk.identifier == client_identifier(TOPICS.root)
            assert talk.clean
            assert json.loads(ours.recv(1000)) == {"up": True}
        gone = broker.wait_for(lambda one: one.will, 60.0)
        assert (gone.topic, _said(gone), gone.retain) == (TOPICS.state, {"v": 1, "presence": "gone"}, True)
        assert client.wait(60.0) == 1


def test_no_table_no_client(day: Day, three) -> None:
    """Without the table no process is started and nobody is told."""
    day.runner = FakeRunner()
    seen: list[list[int]] = []
    day.runner.during = lambda: seen.append(_clients_of(os.getpid()))
    asyncio.run(
        verbs.paint(
            three, BOATHOUSE, day.state.root, SimulatedOperator(), Watcher(),
            runner_of=lambda *_: day.runner, signals=False,
        )
    )  # fmt: skip
    assert seen == [[]]
    assert day.broker.published.empty()


def test_a_service_that_outlives_its_sessions(day: Day, three) -> None:
    """At rest it is told of too, and a stop there does nothing; a session of it is stopped like any; then "ended"."""

    async def day_of_service() -> None:
        refused = asyncio.Event()

        def keep(event: dict[str, Any]) -> None:
            if "not obeyed" in str(event.get("text")):
                refused.set()

        up: asyncio.Future[serve.Service] = asyncio.get_running_loop().create_future()
        serving = asyncio.create_task(
            serve.serve(
                day.machine, day.state.root, lambda *_: day.runner, clock="real", signals=False,
                log=keep, meanwhile=up.set_result,
            )
        )  # fmt: skip
        service = await up
        await _wait(day.broker, _state_is(presence="here", what="at rest", state="registered", session=None))
        day.broker.send(TOPICS.command, AT_ONCE)
        async with asyncio.timeout(60.0):
            await refused.wait()
        assert day.runner.calls == []
        assert latch.read(day.state.latch) is None

        painting = asyncio.create_task(
            remote.run_there(
                day.state, "paint", {"prepared": str(three.folder), "yes": True}, SimulatedOperator(), Watcher(),
                stop=None,
            )
        )  # fmt: skip
        await day.runner.moving.wait()
        await _wait(day.broker, _state_is(state="painting"))
        day.broker.send(TOPICS.command, STOP)
        with pytest.raises(StoppedError):
            await painting
        assert _stops(day.runner) == ["ask_stop"]
        await _wait(day.broker, _state_is(presence="here", what="at rest", state="paused"))
        service.end("the day is over")
        await serving

    asyncio.run(day_of_service())
    kept = _said(day.broker.retained[TOPICS.state])
    assert (kept["presence"], kept["state"], kept["session"]) == ("ended", "paused", None)


# who may


@pytest.mark.parametrize("word", ["right", "wrong", "missing"])
def test_passwords_come_from_files(day: Day, three, word: str) -> None:
    """The right one gets in; a wrong or missing one is a note, and the session goes on. None is written down."""
    day.broker.users = {"heron": "low tide"}
    day.table = {"user": "heron", "password_file": "secret"}
    if word != "missing":
        (day.folder / "secret").write_text("low tide\n" if word == "right" else "high tide\n")

    async def step(day: Day) -> None:
        if word == "right":
            await day.connected()
        else:
            await day.notes.until(
                "user name or password" if word == "wrong" else "password_file cannot be read"
            )
        await _still_paints(day)

    with pytest.raises(StoppedError):
        day.paint(three, step)
    kept = [path for path in day.state.root.rglob("*") if path.is_file()]
    assert kept
    assert not any(b"tide\n" in path.read_bytes() or b"low tide" in path.read_bytes() for path in kept)


@pytest.fixture(scope="module")
def certificates(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A broker's certificate for 127.0.0.1 that is its own authority, and another authority."""
    openssl = shutil.which("openssl")
    if openssl is None:
        pytest.skip("no openssl to make certificates with")
    folder = tmp_path_factory.mktemp("tls")
    for name in ("broker", "other"):
        subprocess.run(
            [openssl, "req", "-x509", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes",
             "-days", "2", "-subj", f"/CN={name}", "-addext", "subjectAltName=IP:127.0.0.1",
             "-keyout", f"{folder}/{name}.key", "-out", f"{folder}/{name}.pem"],
            check=True, capture_output=True,
        )  # fmt: skip
    return folder


@pytest.mark.parametrize("authority", ["broker", "other"])
def test_tls_is_verified(tmp_path: Path, three, certificates: Path, authority: str) -> None:
    """A broker whose authority the machine file names is talked to; any other is not, and is not told anything."""
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.load_cert_chain(certificates / "broker.pem", certificates / "broker.key")
    with Broker(tls=context) as broker:
        day = Day(tmp_path, broker, {"tls": {"ca": str(certificates / f"{authority}.pem")}})
        day.home()
        day.runner = HoldingRunner(day.state, patient=False)

        async def step(day: Day) -> None:
            if authority == "broker":
                await day.connected()
                day.broker.send(TOPICS.command, STOP)
            else:
                await day.notes.until("certificate verify failed")
                assert day.broker.connects.empty()
                await _still_paints(day)

        with pytest.raises(StoppedError):
            day.paint(three, step)


# another broker than ours


@pytest.mark.skipif(shutil.which("mosquitto") is None, reason="no other broker installed")
def test_with_another_broker(tmp_path: Path, three) -> None:
    """The same session beside an independent broker: kept state, and a stop that gets through."""
    with closed_port() as port:
        pass
    settings = tmp_path / "broker.conf"
    settings.write_text(f"listener {port} 127.0.0.1\nallow_anonymous true\n")
    other = subprocess.Popen(["mosquitto", "-c", str(settings)], stderr=subprocess.DEVNULL)
    try:
        with Broker() as unused:
            day = Day(tmp_path, unused, {"port": port})
            day.home()
            day.runner = HoldingRunner(day.state, patient=False)

            async def step(day: Day) -> None:
                await day.connected()
                await asyncio.to_thread(
                    subprocess.run,
                    ["mosquitto_pub", "-p", str(port), "-q", "1", "-t", TOPICS.command, "-m", STOP.decode()],
                    check=True,
                )

            with pytest.raises(StoppedError):
                day.paint(three, step)
            kept = subprocess.run(
                ["mosquitto_sub", "-p", str(port), "-t", TOPICS.state, "-C", "1", "-W", "20"],
                check=True, capture_output=True,
            )  # fmt: skip
            assert json.loads(kept.stdout)["presence"] == "ended"
    finally:
        other.terminate()
        other.wait()
