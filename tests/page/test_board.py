"""What the page knows, in which words, and from when on it knows nothing."""

from __future__ import annotations

import gzip
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import pytest

from controller.page.board import STALE_NS, STEPS_KEPT, Board, Link, span
from controller.page.looking import UNREAD, Account, Look
from controller.page.picture import Picture
from controller.session.prepared import PreparedPass
from safety.latch import Latch

PASS = PreparedPass(
    name="teal-1", ink="teal", number=1, of=2, turn=0, colour="#1f7a78", tip_mm=4.0, tip_end_mm=4.0, strokes=40,
    metres=8.0, pen_m=10.0, ticks=1000, seconds=100.0, fresh_pen=False, cut_by="metres", too_long=False,
    wet_strokes=0, wet_minutes=0.0, digest="d",
)  # fmt: skip
PICTURE = Picture("0123456789abcdef", "tide", gzip.compress(b"strokes"), (PASS,), 80)
S = 1_000_000_000


def status(**changes: Any) -> dict[str, Any]:
    """An answer as a session that paints gives it."""
    return {
        "v": 1, "ok": True, "machine": "boathouse", "state": "painting", "session": 3, "clock": "real", "pid": 9,
        "what": "teal-1", "strokes_finished": 10, "strokes": 40, "ticks_sent": 250, "ticks": 1000, "stop_asked": "",
        "pause_asked": None, "tick_ns": 4_000_000, "pass": PASS.model_dump(mode="json"), "prompt": None, "latch": None,
        "registered": True, "why": "homing accepted", "difference_mm": {"x": 0.012, "y": None}, "daemon": True,
        "holder": "serve", "position_mm": [12.34, 56.78],
        "timing": {"ticks": 250, "tick_ms": 4.0, "p50_us": 21.0, "p99_us": 90.0, "max_us": 140.0}, **changes,
    }  # fmt: skip


def look(*painted: int, **changes: Any) -> Look:
    """A look at a journal in which these strokes are painted."""
    account = Account(
        state="registered", registered=True, why="homing accepted", job="tide", painted=(painted,)
    )
    return Look(None, replace(account, **changes), PICTURE)


@pytest.fixture
def board() -> Board:
    """A board that has heard a painting session at instant 0."""
    one = Board("boathouse")
    one.connected(0)
    one.take({**status(), "following": True, "recent": [{"event": "note", "text": "on it", "at_ms": 5}]}, 0)
    one.looked(look(0, 1, 2))
    return one


def facts(board: Board, now_ns: int = 0) -> dict[str, str]:
    """What is told, by name."""
    return dict(board.view(now_ns)["facts"])


def test_what_a_painting_session_shows(board: Board) -> None:
    """State, pass, time left by its ticks, position, timing, pen, register and the whole job, each in words."""
    view = board.view(1 * S)
    assert (view["link"], view["state"], view["age_ms"]) == ("live", "painting", 1000)
    assert view["doing"] == "session 3: teal-1"
    assert view["position_mm"] == [12.34, 56.78]
    assert view["share"] == 0.25
    assert view["events"] == [[5, "on it"]]
    said = facts(board)
    assert said["Pass"] == "teal-1 (1 of 2 in teal): 10 of 40 strokes"
    # 750 ticks of 4 ms are 3 s.
    assert said["Time left"] == "3 s of motion in this run"
    assert said["Position"] == "x 12.3 mm, y 56.8 mm on the canvas, by the motors"
    assert said["Timing so far"] == ("late by 21 µs (p50), 90 µs (p99), 140 µs at most, in 250 ticks of 4 ms")
    # A quarter of 8 m after 10 m.
    assert said["Pen"] == "about 12.0 m painted, 6.0 m to go in this pass"
    assert said["Register"] == "registered; the last homing differed by x +0.012 mm"
    # 37 of 40 strokes of 100 s.
    assert said["Whole job"] == "tide: 3 of 40 strokes, about 2 min of motion left"


def test_unknown_after_three_seconds(board: Board) -> None:
    """At three seconds without a word it is still known, a nanosecond later it is not; one word mends it."""
    assert board.link(STALE_NS) is Link.LIVE
    assert board.link(STALE_NS + 1) is Link.SILENT
    view = board.view(STALE_NS + 1)
    assert (view["state"], view["was"], view["position_mm"]) == ("unknown", "painting", None)
    assert "hangs" in view["doing"]
    board.take({"v": 1, "event": "advanced", "ticks": 260, "ticks_total": 1000, "strokes": 11}, 9 * S)
    assert board.view(9 * S)["state"] == "painting"
    assert "11 of 40 strokes" in facts(board)["Pass"]


def test_a_service_that_accepts_and_never_speaks_is_unknown() -> None:
    """Not even the first word: asking for three seconds, unknown from then on, and never healthy."""
    board = Board("boathouse")
    board.connected(0)
    assert (board.view(0)["state"], board.view(0)["age_ms"]) == ("asking", None)
    view = board.view(STALE_NS + 1)
    # It has not spoken: there is no last word that could be so old.
    assert (view["state"], view["age_ms"]) == ("unknown", None)


def test_a_connection_is_no_word(board: Board) -> None:
    """A service that comes after one that spoke has three seconds for its first word, and the age is the last word's
    meanwhile."""
    board.disconnected()
    board.connected(20 * S)
    view = board.view(20 * S + STALE_NS)
    assert (view["state"], view["age_ms"]) == ("asking", 23_000)
    assert board.view(20 * S + STALE_NS + 1)["state"] == "unknown"
    board.take({"v": 1, "ok": True, "state": "registered"}, 24 * S)
    assert (board.view(24 * S)["state"], board.view(24 * S)["age_ms"]) == ("registered", 0)


def test_nobody_listens(board: Board) -> None:
    """With the last session ended nothing runs; with one that nobody has ended its service has died."""
    board.disconnected()
    for _ in range(2):
        assert board.view(1 * S)["state"] == "asking"
        board.looked(look(0, 1, 2))
    board.disconnected()
    view = board.view(1 * S)
    assert (view["link"], view["state"]) == ("none", "no service")
    assert "registered" in view["doing"]
    assert view["position_mm"] is None
    assert facts(board)["Pass"] == "none runs"
    board.looked(look(0, 1, 2, left_open=True))
    view = board.view(1 * S)
    assert (view["link"], view["state"]) == ("gone", "unknown")
    assert "died" in view["doing"]


def test_a_session_that_ends_in_order_never_looks_like_a_death(board: Board) -> None:
    """Its socket goes a moment after its end was written: a look that began before does not count."""
    board.looked(look(0, 1, 2, left_open=True))
    board.disconnected()
    board.looked(look(0, 1, 2, left_open=True))
    assert board.link(0) is Link.ASKING
    board.looked(look(0, 1, 2))
    assert board.link(0) is Link.NONE


def test_a_journal_that_cannot_be_read_says_nothing_of_the_machine(board: Board) -> None:
    """Neither registered nor unregistered."""
    board.disconnected()
    for _ in range(2):
        board.looked(
            Look(None, Account(state=UNREAD, why="the journal cannot be read"), None, ("a sentence",))
        )
    assert "cannot be read" in board.view(0)["doing"]
    assert "cannot be read" in facts(board)["Register"]


def test_a_service_that_refuses_the_talk_is_unknown(board: Board) -> None:
    """As when 32 talk to it already: what it says is shown, and nothing is taken for healthy."""
    board.disconnected("expected up to 32 talks at a time, got one more")
    view = board.view(0)
    assert view["state"] == "unknown"
    assert "32 talks" in view["doing"]


def test_alerts(board: Board) -> None:
    """A latch by the file, even with no service; questions, stops and pauses by the service; what cannot be read."""
    assert board.view(0)["alerts"] == []
    standing = Latch("stop-asked", "a person asked for it", standstill="proved")
    board.looked(Look(standing, look().account, PICTURE, ("the journal cannot be read: disk gone",)))
    board.take(
        status(prompt={"prompt": 1, "kind": "confirm", "question": "Is the wall dry?"}, stop_asked="a gull"),
        0,
    )
    assert (board.view(0)["latched"], board.view(0)["state"]) == (True, "halted")
    said = "\n".join(board.view(0)["alerts"])
    for piece in (
        "stop-asked",
        "Standstill proved",
        "giornata clear",
        "Is the wall dry?",
        "a gull",
        "disk gone",
    ):
        assert piece in said
    board.disconnected()
    said = "\n".join(board.view(0)["alerts"])
    assert "stop-asked" in said
    assert "Is the wall dry?" not in said
    board.looked(look(elsewhere=("teal-1",)))
    assert "another plan: teal-1" in board.view(0)["alerts"][0]


def test_steps_of_the_picture(board: Board) -> None:
    """A browser that has the picture gets only strokes; each step once, in order."""
    seen = board.step
    assert board.steps_since(seen) == []
    board.looked(look(0, 1, 2, 3, 4))
    board.looked(look(0, 1, 2, 3, 4, 7))
    assert board.steps_since(seen) == [{"pass": 0, "done": [[3, 2]]}, {"pass": 0, "done": [[7, 1]]}]
    assert board.steps_since(seen + 1) == [{"pass": 0, "done": [[7, 1]]}]
    assert board.whole() == {"key": PICTURE.key, "painted": [[[0, 5], [7, 1]]]}


def test_only_the_whole_helps(board: Board) -> None:
    """After strokes that are gone (a pass painted anew), another picture, or more steps than are kept."""
    seen = board.step
    board.looked(look(0))
    assert board.steps_since(seen) is None
    assert board.steps_since(board.step) == []
    seen = board.step
    board.looked(replace(look(0), picture=replace(PICTURE, key="f" * 16)))
    assert board.steps_since(seen) is None
    board.looked(look())
    seen = board.step
    for count in range(1, STEPS_KEPT + 2):
        board.looked(look(*range(count)))
    assert board.steps_since(seen) is None
    kept = board.steps_since(board.step - STEPS_KEPT)
    assert kept is not None
    assert len(kept) == STEPS_KEPT


def test_packed_is_served_by_its_key_only(board: Board) -> None:
    """Another key is another picture, gone by now."""
    assert board.packed(PICTURE.key) == PICTURE.packed
    assert board.packed("f" * 16) is None
    assert board.packed("../journal.sqlite") is None


def test_version_grows_with_what_is_shown_only(board: Board) -> None:
    """The same word again is no news; a change of state, an event and a look that differ are."""
    version = board.version
    board.take({**status(), "following": True, "recent": []}, 1)
    board.take(status(), 2)
    version = board.version
    board.take(status(), 3)
    board.looked(look(0, 1, 2))
    assert board.version == version
    changes: list[Callable[[], None]] = [
        lambda: board.take(status(state="paused"), 4),
        lambda: board.take({"v": 1, "event": "note", "text": "a gull", "at_ms": 7}, 5),
        lambda: board.looked(look(0, 1, 2, 3)),
        lambda: board.disconnected(),
    ]
    for change in changes:
        before = board.version
        change()
        assert board.version > before


@pytest.mark.parametrize(
    "message",
    [
        {}, {"event": 7}, {"event": "advanced"}, {"ok": True}, {"ok": True, "state": None, "pass": 5, "timing": 5},
        {"event": "note"}, {"ok": True, "state": "painting", "recent": [1, None, {"event": "state"}]},
        {"event": "pass_begun", "pass": {}}, {"event": "note", "text": "x" * 9000, "at_ms": 1e30},
        {**status(), "recent": 5}, {**status(), "recent": "past"}, {**status(), "strokes": "many", "ticks": "all"},
        {**status(), "ticks": float("inf"), "ticks_sent": float("nan"), "tick_ns": [4]},
        {**status(), "timing": {"ticks": 4}, "strokes_finished": {"x": 1}, "pass": {"name": "teal-1"}},
        {**status(), "position_mm": ["a"], "difference_mm": 3, "strokes": 0},
    ],
)  # fmt: skip
def test_odd_messages_leave_a_page_that_can_be_shown(board: Board, message: dict[str, Any]) -> None:
    """Whatever an object of JSON a service says, a view comes of it, with texts of bounded length."""
    board.take(message, 1)
    view = board.view(1)
    assert all(len(text) < 1000 for _, text in [*view["facts"], *view["events"]])


def test_nothing_is_kept_for_whoever_comes_next(board: Board) -> None:
    """When nobody has looked on for a while the board is empty again: old news is never shown as news."""
    board.forgotten()
    view = board.view(0)
    assert (view["link"], view["state"], view["events"], view["age_ms"]) == ("asking", "asking", [], None)
    assert board.whole() == {"key": None, "painted": []}


def test_spans() -> None:
    """Seconds, minutes, hours."""
    said = [span(seconds) for seconds in (0.4, 59.4, 61, 3599, 3600, 8100)]
    assert said == ["0 s", "59 s", "1 min", "1 h 00 min", "1 h 00 min", "2 h 15 min"]
