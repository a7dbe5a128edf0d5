"""Stop inputs: no stop is held back beyond its stated time, no glitch stops, and what is not known is open."""

from __future__ import annotations

import json
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from safety.events import Event, InputClosed, InputOpened
from safety.inputs import NOT_READ, Debounce, StopInputs
from safety.settings import StopInput

MS = 1_000_000
DEBOUNCE = 2 * MS


def closed_contact(debounce_ns: int = DEBOUNCE) -> Debounce:
    contact = Debounce(debounce_ns)
    contact.read(0, True)
    contact.read(debounce_ns, True)
    assert not contact.is_open
    return contact


def test_a_contact_is_open_until_it_has_read_closed_long_enough() -> None:
    """Not yet read is open; one ns short of the debounce time is open; then it is closed."""
    contact = Debounce(DEBOUNCE)
    assert contact.is_open
    assert contact.read(5, True)
    assert contact.read(5 + DEBOUNCE - 1, True)
    assert not contact.read(5 + DEBOUNCE, True)


def test_an_opening_counts_from_its_first_reading() -> None:
    """Open at the first reading: due exactly the debounce time later, and not a ns before."""
    contact = closed_contact()
    assert not contact.read(10 * MS, False)
    assert contact.due_ns() == 10 * MS + DEBOUNCE
    assert not contact.read(10 * MS + DEBOUNCE - 1, False)
    assert contact.read(10 * MS + DEBOUNCE, False)
    assert contact.due_ns() is None


def test_a_glitch_is_counted_and_ignored() -> None:
    """Closed again before the time is over: no opening, nothing pending, one glitch."""
    contact = closed_contact()
    contact.read(10 * MS, False)
    assert not contact.read(10 * MS + DEBOUNCE - 1, True)
    assert contact.due_ns() is None
    assert not contact.read(100 * MS, True)
    assert contact.glitches == 1
    assert not contact.read(101 * MS, False)


def test_unreadable_is_open_at_once() -> None:
    """No debouncing for what cannot be read, in the middle of anything."""
    assert closed_contact().read(10 * MS, None)
    contact = closed_contact()
    contact.read(10 * MS, False)
    assert contact.read(10 * MS + 1, None)


def test_chatter_does_not_hold_a_stop_back() -> None:
    """Bouncing between open and closed faster than the debounce time is one opening, counted from its first."""
    contact = closed_contact()
    for step in range(4):
        assert not contact.read(10 * MS + step * MS // 2, bool(step % 2))
    assert contact.read(10 * MS + DEBOUNCE, False)


def test_without_debouncing_the_first_reading_counts() -> None:
    """A debounce time of zero acts at once, both ways."""
    contact = Debounce(0)
    assert not contact.read(1, True)
    assert contact.read(2, False)
    assert not contact.read(3, True)


READINGS = st.lists(
    st.tuples(st.integers(1, 3 * MS), st.sampled_from([True, True, False, None])), max_size=60
)


@given(READINGS)
def test_law_no_stop_is_delayed_beyond_the_debounce_time(history: list[tuple[int, bool | None]]) -> None:
    """Over any readings: once all readings of a debounce time have said open, the contact is called open."""
    contact = closed_contact()
    now_ns = 10 * MS
    run_start_ns: int | None = None
    for step_ns, closed in history:
        now_ns += step_ns
        if closed:
            run_start_ns = None
        elif run_start_ns is None:
            run_start_ns = now_ns
        contact.read(now_ns, closed)
        due_ns = contact.due_ns()
        if run_start_ns is not None:
            assert contact.is_open or now_ns - run_start_ns < DEBOUNCE
            assert contact.is_open or (due_ns is not None and due_ns <= run_start_ns + DEBOUNCE)
        assert closed is not None or contact.is_open


@given(st.lists(st.tuples(st.integers(1, DEBOUNCE - 1), st.integers(DEBOUNCE, 10 * MS)), max_size=20))
def test_law_short_openings_with_rest_between_never_stop(glitches: list[tuple[int, int]]) -> None:
    """Openings shorter than the debounce time, each with at least as long a rest after it, are counted and ignored."""
    contact = closed_contact()
    now_ns = 10 * MS
    for open_ns, rest_ns in glitches:
        assert not contact.read(now_ns, False)
        assert not contact.read(now_ns + open_ns, True)
        assert not contact.read(now_ns + open_ns + rest_ns, True)
        now_ns += open_ns + rest_ns
    assert contact.glitches == len(glitches)


@given(READINGS)
def test_law_closed_needs_the_whole_time(history: list[tuple[int, bool | None]]) -> None:
    """An open contact is called closed only after readings of the whole debounce time have all said closed."""
    contact = Debounce(DEBOUNCE)
    now_ns, closed_since_ns = 0, None
    for step_ns, closed in history:
        now_ns += step_ns
        was_open = contact.is_open
        closed_since_ns = (now_ns if closed_since_ns is None else closed_since_ns) if closed else None
        contact.read(now_ns, closed)
        if was_open and not contact.is_open:
            assert closed_since_ns is not None
            assert now_ns - closed_since_ns >= DEBOUNCE


LINE = StopInput("button", "modem-line", "/dev/ttyS9", "dsr", debounce_ms=2.0, silent_ms=50.0)
GATE = StopInput("gate", "reported", debounce_ms=0.0, silent_ms=20.0)


def report(name: object = "gate", closed: object = True) -> bytes:
    return json.dumps({"input": name, "closed": closed}).encode()


def settled(*inputs: StopInput) -> StopInputs:
    """All of them closed at 10 ms."""
    found = StopInputs(inputs, 0)
    for one in inputs:
        for read_ns in (5 * MS, 10 * MS):
            found.read(one.name, read_ns, True) if one.kind == "modem-line" else found.report(
                1, report(), read_ns
            )
    assert found.look(10 * MS) == [InputClosed(one.name) for one in inputs]
    return found


def test_at_first_everything_is_open_and_nothing_has_been_closed() -> None:
    """What nobody has read yet keeps the machine from arming and latches nothing."""
    inputs = StopInputs((LINE, GATE), 0)
    assert inputs.first() == [InputOpened(name, NOT_READ, was_closed=False) for name in ("button", "gate")]
    assert inputs.look(10_000 * MS) == []
    assert inputs.due_ns() is None


def test_an_opening_is_told_once_with_its_reason() -> None:
    """Pressed: told at the end of the debounce time without any further reading, once; closed again is told as well."""
    inputs = settled(LINE)
    inputs.read("button", 11 * MS, False, "reads open")
    assert inputs.look(11 * MS) == []
    assert inputs.due_ns() == 13 * MS
    assert inputs.look(13 * MS) == [InputOpened("button", "reads open", was_closed=True)]
    assert inputs.look(14 * MS) == []
    inputs.read("button", 20 * MS, True)
    inputs.read("button", 22 * MS, True)
    assert inputs.look(22 * MS) == [InputClosed("button")]


@pytest.mark.parametrize(("silent_ns", "opens"), [(20 * MS, False), (20 * MS + 1, True)])
def test_silence_opens_at_its_limit(silent_ns: int, opens: bool) -> None:
    """A reader may be silent for its limit and not a ns longer; the look that sees it is asked for."""
    inputs = settled(GATE)
    assert inputs.due_ns() == 30 * MS + 1
    found = inputs.look(10 * MS + silent_ns)
    assert [type(event) for event in found] == ([InputOpened] if opens else [])
    assert not found or "nothing heard" in found[0].why  # type: ignore[union-attr]


def test_an_unreadable_line_opens_at_once() -> None:
    """An adapter that has gone is open with the next look, whatever the debounce time."""
    inputs = settled(LINE)
    inputs.read("button", 11 * MS, None, "/dev/ttyS9: No such device")
    assert inputs.look(11 * MS) == [InputOpened("button", "/dev/ttyS9: No such device", was_closed=True)]


def test_old_instants_do_not_make_an_input_young() -> None:
    """A reading older than the last one does not turn the clock back."""
    inputs = settled(LINE)
    inputs.read("button", 3 * MS, True)
    assert inputs.due_ns() == 60 * MS + 1


@pytest.mark.parametrize(
    "message",
    [b"", b"{", b"[]", b"null", b"\xff", report("button"), report("nobody"), report(None), report(["gate"]),
     b"[" * 4000],
)  # fmt: skip
def test_odd_messages_are_said_and_change_nothing(message: bytes) -> None:
    """Noise, unknown names, and inputs that nobody may report: a complaint; silence does the rest."""
    inputs = settled(LINE, GATE)
    assert inputs.report(1, message, 11 * MS) != ""
    assert inputs.look(11 * MS) == []


@pytest.mark.parametrize("closed", [None, 1, "true", []])
def test_a_report_without_an_answer_is_open(closed: object) -> None:
    """A named input with anything but true is open."""
    inputs = settled(GATE)
    assert inputs.report(1, report("gate", closed), 11 * MS) != ""
    assert [type(event) for event in inputs.look(11 * MS)] == [InputOpened]


def test_a_reader_that_hangs_up_opens_what_it_reported() -> None:
    """Its inputs are open at once, and the next reader may take them over."""
    inputs = settled(LINE, GATE)
    inputs.lost(2, 11 * MS)
    assert inputs.look(11 * MS) == []
    inputs.lost(1, 11 * MS)
    assert inputs.look(11 * MS) == [InputOpened("gate", "its reader has gone", was_closed=True)]
    assert inputs.report(2, report(), 12 * MS) == ""
    assert inputs.look(12 * MS) == [InputClosed("gate")]


def test_nobody_closes_what_another_reports() -> None:
    """A second reader cannot keep an input alive or closed; it can open it."""
    inputs = settled(GATE)
    assert "another reader" in inputs.report(2, report(), 25 * MS)
    assert inputs.due_ns() == 30 * MS + 1
    inputs.report(2, report(closed=False), 26 * MS)
    assert [type(event) for event in inputs.look(26 * MS)] == [InputOpened]


@given(
    st.lists(
        st.tuples(
            st.integers(0, 40 * MS), st.sampled_from(["closed", "open", "odd", "other", "lost", "none"])
        ),
        max_size=40,
    )
)
def test_law_an_input_counts_as_closed_only_on_a_fresh_word(history: list[tuple[int, str]]) -> None:
    """Over any history: closed means that its own reader said so within the limit and nothing bad since.

    Openings and closings take turns, beginning with a closing.
    """
    inputs = StopInputs((GATE,), 0)
    now_ns = 0
    said_closed_ns: int | None = None
    told: list[Event] = []
    for step_ns, what in history:
        now_ns += step_ns
        told += inputs.look(now_ns)
        if what == "closed":
            inputs.report(1, report(), now_ns)
            said_closed_ns = now_ns
        elif what == "open":
            inputs.report(1, report(closed=False), now_ns)
            said_closed_ns = None
        elif what == "odd":
            inputs.report(1, b"noise", now_ns)
        elif what == "other":
            inputs.report(2, b'{"input": "gate"}', now_ns)
            said_closed_ns = None
        elif what == "lost":
            inputs.lost(1, now_ns)
            inputs.lost(2, now_ns)
            said_closed_ns = None
        told += inputs.look(now_ns)
        if told and isinstance(told[-1], InputClosed):
            assert said_closed_ns is not None
            assert now_ns - said_closed_ns <= 20 * MS
    assert all(type(one) is not type(two) for one, two in pairwise(told))
    assert not told or isinstance(told[0], InputClosed)
