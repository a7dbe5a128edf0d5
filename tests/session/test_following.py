"""What a follower is shown, what the log says, and what is known of a run while it runs."""

from __future__ import annotations

import contextlib
import inspect
import io
import json
import os
import shutil
import subprocess
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from controller.config.load import load_machine
from controller.config.places import shipped
from controller.session.followers import Follower, Followers
from controller.session.live import BIN_RATIO, LatenessTally, Live
from controller.session.prepared import Prepared
from controller.session.recorder import Advance
from controller.session.servicelog import LINE_BYTES_MAX, ServiceLog, log_line
from controller.session.standing import Standing, words
from controller.session.states import DaemonState
from controller.session.watcher import Watcher
from controller.session.watchers import Watchers
from controller.session.wire import DriftTold, EventWatcher, Message, relay
from controller.stream.record import TICK_DTYPE

AT_MS = 1_769_391_062_000


class Kept(Watcher):
    """Keeps every call with its arguments."""

    def __init__(self) -> None:
        self.calls: list[tuple[object, ...]] = []

    def __getattribute__(self, name: str) -> object:
        if name in METHODS:
            return lambda *arguments: self.calls.append((name, *arguments))
        return super().__getattribute__(name)


METHODS = tuple(
    name for name, _ in inspect.getmembers(Watcher, inspect.isfunction) if not name.startswith("_")
)


def _tell_all(watcher: Watcher, three: Prepared) -> None:
    part = three.part("teal-1")
    watcher.state(DaemonState.PAINTING)
    watcher.homing_begun()
    watcher.homed(False, ("axis x: spread",))
    watcher.drifted(DriftTold(("both axes are quiet",), ("x",)))
    watcher.pass_begun(part, 1, 2, 3, 4000)
    watcher.measuring_begun("circle", 77)
    watcher.advanced(Advance(10, 2, True), 5, 4000)
    watcher.pass_ended(part, "stopped")
    watcher.note("look")


def test_everything_a_watcher_is_told_goes_over_the_socket_and_back(three: Prepared) -> None:
    """Every method of a watcher becomes an event in JSON, and the event the same call at the other end."""
    direct, remote = Kept(), Kept()
    _tell_all(direct, three)
    assert {call[0] for call in direct.calls} == set(METHODS)

    def over(event: Message) -> None:
        relay(json.loads(json.dumps(event)), remote)

    _tell_all(EventWatcher(over), three)
    assert [(name, *map(_plain, arguments)) for name, *arguments in remote.calls] == [
        (name, *map(_plain, arguments)) for name, *arguments in direct.calls
    ]


def _plain(value: object) -> object:
    return list(value) if isinstance(value, tuple) else value


def test_several_watchers_are_each_told_everything(three: Prepared) -> None:
    """Watchers passes every method on, to each, in order."""
    one, two = Kept(), Kept()
    _tell_all(Watchers(one, two), three)
    assert one.calls == two.calls
    assert {call[0] for call in one.calls} == set(METHODS)


# queues


async def test_a_queue_keeps_the_latest_and_says_what_went() -> None:
    """More events than there is room for: the oldest go, their number is told first, the last message always comes."""
    follower = Follower(room=3)
    for number in range(10):
        follower.put({"event": "note", "n": number})
    follower.finish({"result": "done"})
    heard = [await follower.next() for _ in range(5)]
    assert heard[0] == ({"event": "lost", "events": 7}, False)
    assert [message.get("n") for message, _ in heard[1:4]] == [7, 8, 9]
    assert heard[4] == ({"result": "done"}, True)


async def test_progress_takes_one_place() -> None:
    """A reader who is away while a pass runs finds the latest progress and loses no other event for it."""
    follower = Follower(room=3)
    follower.put({"event": "note"})
    for ticks in range(1000):
        follower.put({"event": "advanced", "ticks": ticks})
    assert follower.waiting == 2
    assert (await follower.next())[0] == {"event": "note"}
    assert (await follower.next())[0]["ticks"] == 999


async def test_progress_is_paced_and_its_end_always_told() -> None:
    """Ten times a second by the clock that is given, and the last tick of a run whenever it comes."""
    now_ns = 0
    followers = Followers(lambda: now_ns, lambda: AT_MS)
    follower = followers.open()
    heard = []
    for ticks in range(1, 101):
        now_ns += 4_000_000
        followers.tell({"event": "advanced", "ticks": ticks, "ticks_total": 100})
        if follower.waiting:
            heard.append((await follower.next())[0]["ticks"])
    assert heard == [1, 26, 51, 76, 100]


# lateness


@given(
    st.lists(st.floats(min_value=-50.0, max_value=5e6), min_size=1, max_size=300),
    st.sampled_from([50.0, 99.0]),
)
def test_percentile_bounds_the_nearest_rank(late_us: list[float], percent: float) -> None:
    """Against numpy's own nearest-rank percentile: never below it, and above by no more than a class' width."""
    tally = LatenessTally()
    for part in np.array_split(np.array(late_us), 3):
        tally.add(part)
    true_us = float(np.percentile(late_us, percent, method="inverted_cdf"))
    found_us = tally.percentile_us(percent)
    assert tally.max_us == max(late_us)
    assert found_us >= min(true_us, max(late_us)) - 1e-9 or true_us <= 0
    assert found_us <= max(1.0, true_us * BIN_RATIO) + 1e-9


def test_position_is_where_the_motors_say() -> None:
    """Raw counts made from a place with the machine file's own numbers come back as that place, within a count."""
    machine = load_machine(shipped("machines/boathouse.toml"))
    live = Live(machine)
    assert live.position_mm() is None
    records = np.zeros(2, dtype=TICK_DTYPE)
    records["feedback_ns"], records["sent_ns"], records["scheduled_ns"] = 1, 1_050_000, 1_000_000
    from controller.motion.geometry import GeometryMap

    axis_mm = np.asarray(GeometryMap.of(machine).to_axes(np.array([[345.0, 210.0]])))[0]
    offsets = (1000.0, -2000.0)
    for index, name in enumerate(("x", "y")):
        drive = machine.axes[name].drive
        records["measured_counts"][:, index] = round(
            offsets[index] + drive.direction * float(drive.counts_per_mm) * axis_mm[index]
        )
    live.take(records)
    assert live.position_mm() is None
    live.begin(offsets)
    live.take(records)
    assert live.position_mm() == pytest.approx((345.0, 210.0), abs=0.01)
    fields = live.fields()
    assert (fields["timing"]["ticks"], fields["timing"]["max_us"]) == (2, 50.0)


# standing and its page


def _painting(three: Prepared) -> Standing:
    part = three.part("teal-1").model_dump(mode="json")
    standing = Standing()
    standing.take({
        "ok": True, "machine": "boathouse", "state": "painting", "session": 12, "clock": "real", "what": "teal-1",
        "pid": 4711, "strokes": 3, "strokes_finished": 1, "ticks": 1000, "ticks_sent": 250, "tick_ns": 4_000_000,
        "position_mm": [123.4, 56.7], "registered": True, "difference_mm": {"x": 0.012, "y": -0.004},
        "timing": {"ticks": 250, "tick_ms": 4.0, "p50_us": 61.0, "p99_us": 180.0, "max_us": 903.0}, "pass": part,
        "prompt": None, "stop_asked": "", "latch": None,
        "recent": [{"event": "session_begun", "session": 12, "verb": "paint", "job": "three", "at_ms": AT_MS}],
    })  # fmt: skip
    return standing


def test_standing_follows_events(three: Prepared) -> None:
    """Time left, share and metres follow progress; a prompt stands until answered; a bad event changes nothing."""
    standing = _painting(three)
    assert standing.seconds_left == pytest.approx(3.0)
    standing.take(
        {"event": "advanced", "ticks": 500, "ticks_total": 1000, "strokes": 2, "position_mm": [1.0, 2.0]}
    )
    assert (standing.seconds_left, standing.share_done) == (pytest.approx(2.0), 0.5)
    assert standing.metres_left == pytest.approx(three.part("teal-1").metres / 3)
    standing.take({"event": "prompt", "prompt": 4, "kind": "confirm", "question": "clear?", "at_ms": AT_MS})
    assert standing.fields["prompt"]["prompt"] == 4
    standing.take({"event": "answered", "prompt": 4, "value": True, "at_ms": AT_MS})
    assert standing.fields["prompt"] is None
    for odd in ({"event": "state"}, {"event": 7}, {"event": "homed"}, {"event": "pass_begun"}, {}):
        standing.take(odd)
        assert words(odd) == []
    assert standing.events[0] == "01:31:02 session 12 begins: paint three"


JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.just(10**400) | st.text(max_size=5),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=5), inner, max_size=3),
    max_leaves=6,
)


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.data())
def test_a_lying_service_takes_nobody_down(three: Prepared, data: st.DataObject) -> None:
    """Whatever JSON stands in a snapshot, in its past events or in an event: what follows it goes on and can be shown.

    A field that is as it must be is known all the same.
    """
    from rich.console import Console

    from controller.cli.following import page

    standing = _painting(three)
    told = {**standing.fields, "service": {"pid": 9}}
    for name in data.draw(st.lists(st.sampled_from(sorted(told)), min_size=1, max_size=4, unique=True)):
        told[name] = data.draw(JSON)
    part = told.get("pass")
    if isinstance(part, dict) and part:
        told["pass"] = {**part, data.draw(st.sampled_from(sorted(part))): data.draw(JSON)}
    told["recent"] = data.draw(JSON | st.lists(JSON | st.fixed_dictionaries({"event": JSON, "at_ms": JSON})))
    told["ok"], told["state"] = True, "painting"
    standing.take(told)
    standing.take({"event": "advanced", "ticks": data.draw(JSON), "ticks_total": data.draw(JSON)})
    standing.take({"event": "pass_begun", "pass": {"strokes": data.draw(JSON), "metres": data.draw(JSON)}})
    standing.take({"event": data.draw(JSON), "lines": data.draw(JSON), "events": data.draw(JSON)})
    assert 0.0 <= standing.share_done <= 1.0
    assert standing.metres_left is None or standing.metres_left < 1e30
    Console(width=80, file=io.StringIO()).print(page(standing, 24))
    standing.take({**told, "strokes": 40, "strokes_finished": 10})
    assert (standing.fields["strokes"], standing.fields["strokes_finished"]) == (40, 10)


@pytest.mark.parametrize("recent", [5, True, "events", {"event": "note"}, [1, None, "x", ["y"]]])
def test_a_snapshot_whose_past_is_none_is_taken_all_the_same(recent: object) -> None:
    """The state counts, whatever stands for the events before it; those that are objects are kept."""
    standing = Standing()
    standing.take({"ok": True, "state": "painting", "recent": recent})
    assert (standing.fields["state"], list(standing.events)) == ("painting", [])
    kept = [5, {"event": "note", "text": "on it", "at_ms": AT_MS}, None]
    standing.take({"ok": True, "state": "painting", "recent": kept})
    assert list(standing.events) == ["01:31:02 on it"]


@pytest.mark.parametrize("size", [(80, 24), (100, 40), (80, 16)])
@pytest.mark.parametrize("troubled", [False, True])
def test_page_fits_the_terminal(three: Prepared, size: tuple[int, int], troubled: bool) -> None:
    """The page fills the terminal and is nowhere wider or longer; what matters is on it."""
    from rich.console import Console

    from controller.cli.following import page

    standing = _painting(three)
    for number in range(60):
        standing.take({"event": "note", "text": f"{number} " + "a long sentence " * 9, "at_ms": AT_MS})
    if troubled:
        standing.fields.update(
            latch={"text": "the lease ended " * 9, "reason": "lease-out"}, stop_asked="pause by control socket",
            registered=False, why="halted: " + "why " * 40,
            prompt={"kind": "confirm", "question": "is everybody clear? " * 9},
        )  # fmt: skip
    console = Console(width=size[0], height=size[1], record=True, force_terminal=True, file=io.StringIO())
    console.print(page(standing, size[1]))
    lines = console.export_text().splitlines()
    assert len(lines) == size[1]
    assert max(map(len, lines)) <= size[0]
    shown = "\n".join(lines)
    for expected in ("teal-1 (1 of 1)", "stroke 2 of 3", "0:00:03", "p50 61, p99 180, max 903", "x 123.4 mm"):
        assert expected in shown
    assert ("lease ended" in shown) is troubled
    assert "q ends this screen" in lines[-1]


# the log


def test_log_lines_hold_one_event_each() -> None:
    """JSON lines parse; text lines have no line break whatever an event holds; a pass goes by its name."""
    event = {"event": "note", "text": 'a "b"\nc', "at_ms": AT_MS, "pass": {"name": "teal-1", "ink": "teal"}}
    parsed = json.loads(log_line("json", event, AT_MS))
    assert (parsed["at"], parsed["event"], parsed["pass"]) == (
        "2026-01-26T01:31:02.000+00:00",
        "note",
        "teal-1",
    )
    text = log_line("text", event, AT_MS)
    assert text == 'at=2026-01-26T01:31:02.000+00:00 event=note text="a \\"b\\"\\nc" pass=teal-1'


def test_log_never_waits_for_its_reader() -> None:
    """A pipe that nobody reads: lines are dropped when it is full, and counted when it is read again."""
    read, write = os.pipe()
    log = ServiceLog(write, "json", lambda: AT_MS)
    for number in range(3000):
        log.write({"event": "note", "text": f"{number} " + "x" * 100})
    dropped = log.dropped
    assert dropped > 0
    log.write({"event": "note", "text": "y" * (2 * LINE_BYTES_MAX)})
    raw = _all_of(read)
    log.write({"event": "ready"})
    raw += _all_of(read)
    lines = [json.loads(line) for line in raw.splitlines()]
    assert lines[-2] == {"at": "2026-01-26T01:31:02.000+00:00", "event": "log_dropped", "lines": dropped + 1}
    assert lines[-1]["event"] == "ready"
    os.close(read)
    log.write({"event": "nobody reads"})
    os.close(write)


def _all_of(descriptor: int) -> bytes:
    os.set_blocking(descriptor, False)
    raw = b""
    with contextlib.suppress(BlockingIOError):
        while True:
            raw += os.read(descriptor, 65536)
    return raw


# the unit for systemd


UNIT = Path(__file__).parents[2] / "configs/systemd/giornata@.service"


@pytest.mark.skipif(shutil.which("systemd-analyze") is None, reason="systemd-analyze is not installed")
def test_unit_is_one_that_systemd_takes(tmp_path: Path) -> None:
    """systemd's own checker finds nothing in the unit; it does find a misspelt line."""
    text = UNIT.read_text().replace("/usr/local/bin/giornata", "/bin/true")
    for wrong in ("", "WatchdogSecs"):
        unit = text.replace("WatchdogSec=", f"{wrong}=") if wrong else text
        (tmp_path / UNIT.name).write_text(unit)
        checked = subprocess.run(
            ["systemd-analyze", "verify", str(tmp_path / UNIT.name)],
            capture_output=True,
            text=True,
            check=False,
        )
        assert (checked.stderr.strip() == "") is (not wrong), checked.stderr
        assert wrong in checked.stderr


def test_unit_leaves_the_guard_alive_and_restarts_nothing() -> None:
    """What the safety of the unit rests on: only the service is signalled, nothing restarts, a stop comes after."""
    lines = UNIT.read_text().splitlines()
    assert {"Type=notify", "KillMode=process", "Restart=no", "WatchdogSec=30s"} <= set(lines)
    (post,) = (line for line in lines if line.startswith("ExecStopPost="))
    assert post.startswith("ExecStopPost=-/usr/local/bin/giornata stop --machine ")
