"""Sessions beside brokers that die, hang, flood, lie or let nobody in: nothing moves and nothing stops by it.

Every wait is for something said, never for time.
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
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from controller.session import mqtt, mqttlink, verbs
from controller.session.journal import Journal
from controller.session.mqttclient import MEMORY_BYTES
from controller.session.mqttwords import client_identifier
from controller.session.operator import SimulatedOperator
from controller.session.service import StoppedError
from controller.session.watcher import Watcher
from safety import latch

from .broker import Broker, closed_port, publish
from .conftest import FakeRunner
from .mqttday import AT_ONCE, BOATHOUSE, STOP, TOPICS, Day, made_day, said, state_is, stops, wait
from .test_stops import HoldingRunner


@pytest.fixture
def day(tmp_path: Path) -> Iterator[Day]:
    """A broker, and a machine that was homed; its session runs until it is stopped."""
    with made_day(tmp_path) as made:
        yield made


# brokers that do not behave


async def _still_paints(day: Day) -> None:
    """The session lives and nobody has asked it to stop; then it is stopped as from the control socket."""
    await asyncio.sleep(0)
    assert stops(day.runner) == []
    answer = await asyncio.to_thread(verbs.stop, day.machine, day.state.root, reason="tea", gently=True)
    assert answer["kind"] == "controlled"


def test_a_broker_that_dies_and_comes_back(day: Day, three) -> None:
    """The session goes on; when the broker is back it is told where the session stands, and a stop gets through."""

    async def step(day: Day) -> None:
        await day.connected()
        await wait(day.broker, state_is(state="painting"))
        day.broker.stop()
        await day.notes.until("no connection")
        day.broker.retained.clear()
        day.broker.start()
        await wait(day.broker, state_is(state="painting", presence="here"))
        assert stops(day.runner) == []
        day.broker.send(TOPICS.command, STOP)

    with pytest.raises(StoppedError, match="as asked"):
        day.paint(three, step)
    assert stops(day.runner) == ["ask_stop"]


@pytest.mark.parametrize("lost", ["ignore", "stop"])
@pytest.mark.parametrize("how", ["absent", "hangs", "acknowledges nothing"])
def test_a_lost_broker(day: Day, three, lost: str, how: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """Absent, or connected and then silent: a controlled stop where the machine file says so, else none.

    A farewell that nobody takes is given up, here sooner than for a person's broker.
    """
    monkeypatch.setattr(mqtt, "FAREWELL_S", 0.5)
    day.table = {"lost": lost, "lost_after_s": 2.0, "qos": 0}
    day.broker.acknowledges = how != "acknowledges nothing"

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
    assert stops(day.runner) == ["ask_stop"]
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
        assert stops(day.runner) == []
        await day.connected(times=2)
        day.broker.send(TOPICS.command, STOP)

    with pytest.raises(StoppedError):
        day.paint(three, step)
    assert stops(day.runner) == ["ask_stop"]
    if what is _flood:
        assert any("the broker floods" in line for line in day.events())
        assert day.broker.acknowledged < 10_000


@pytest.mark.parametrize("end", [signal.SIGKILL, signal.SIGSTOP])
def test_a_client_that_dies_leaves_its_will(
    day: Day, three, end: signal.Signals, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Killed, or hung and then ended: the broker says gone, another client says here, and the session goes on."""
    monkeypatch.setattr(mqttlink, "HUNG_S", 60.0 if end is signal.SIGKILL else 3.0)
    day.table = {"lost_after_s": 4.0}

    async def step(day: Day) -> None:
        await day.connected()
        await wait(day.broker, state_is(presence="here"))
        (pid,) = _clients_of(os.getpid())
        assert _address_space(pid) == MEMORY_BYTES
        os.kill(pid, end)
        gone = await wait(day.broker, state_is(presence="gone"))
        assert gone.will
        assert gone.retain
        await wait(day.broker, state_is(presence="here"))
        await _still_paints(day)

    with pytest.raises(StoppedError):
        day.paint(three, step)


def test_a_broker_that_lets_nobody_listen(day: Day, three) -> None:
    """It is told of the session all the same, a person reads that it cannot stop anything, and the session goes on."""
    day.broker.subscription_refused = True

    async def step(day: Day) -> None:
        await day.notes.until("does not let us listen")
        await wait(day.broker, state_is(state="painting"))
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
        assert (gone.topic, said(gone), gone.retain) == (TOPICS.state, {"v": 1, "presence": "gone"}, True)
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


OTHER = ("mosquitto", "mosquitto_pub", "mosquitto_sub")


@pytest.mark.skipif(
    not all(map(shutil.which, OTHER)),
    reason=f"no other broker and its clients are installed (looked for {', '.join(OTHER)})",
)
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
