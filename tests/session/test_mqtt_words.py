"""What is said over MQTT and what is obeyed: pure parts, and the packets of the brokers beside it."""

from __future__ import annotations

import json
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.config.errors import InputError
from controller.config.load import load_machine, machine_from, read_toml
from controller.config.places import shipped
from controller.session.mqttbroker import covers, packet
from controller.session.mqttdesk import EVENTS_MAX, NS_PER_S, Backoff, Desk, LossWatch, refresh_ns_of
from controller.session.mqttwords import AGE_MAX_MS, COMMAND_BYTES_MAX, Topics, client_identifier, judge

NOW_MS = 1_790_000_000_000
TOPICS = Topics.of("giornata", "boathouse")
BOATHOUSE = shipped("machines/boathouse.toml")


def _judge(body: bytes, *, retained: bool = False) -> str | None:
    return judge(body, retained=retained, now_ms=NOW_MS).kind


# what is a stop


@pytest.mark.parametrize(
    ("said", "kind"),
    [
        ({"v": 1, "ask": "stop"}, "controlled"),
        ({"v": 1, "ask": "stop", "kind": "controlled"}, "controlled"),
        ({"v": 1, "ask": "stop", "kind": "immediate"}, "immediate"),
        ({"v": 1, "ask": "stop", "sent_ms": NOW_MS - AGE_MAX_MS}, "controlled"),
        ({"v": 1, "ask": "stop", "sent_ms": NOW_MS + 10**9}, "controlled"),
    ],
)
def test_stops_are_obeyed(said: dict[str, Any], kind: str) -> None:
    """The control socket's words are the words; a time may be missing or in the future."""
    assert _judge(json.dumps(said).encode()) == kind
    assert _judge(json.dumps(said).encode(), retained=True) is None


@pytest.mark.parametrize(
    "body",
    [
        b"",
        b"stop",
        b"null",
        b"[]",
        b"\xff\xfe",
        b"[" * 1000,
        json.dumps({"v": 1, "ask": "stop"}).encode("utf-16"),
        b'{"ask": "stop"}',
        b'{"v": 2, "ask": "stop"}',
        b'{"v": true, "ask": "stop"}',
        b'{"v": 1.0, "ask": "stop"}',
        b'{"v": 1, "ask": "STOP"}',
        b'{"v": 1, "ask": "status"}',
        b'{"v": 1, "ask": "pause"}',
        b'{"v": 1, "ask": "paint"}',
        b'{"v": 1, "ask": "home"}',
        b'{"v": 1, "ask": "clear"}',
        b'{"v": 1, "ask": ["stop"]}',
        b'{"v": 1, "ask": "stop", "kind": "gentle"}',
        b'{"v": 1, "ask": "stop", "kind": null}',
        b'{"v": 1, "ask": "stop", "kind": ["immediate"]}',
        b'{"v": 1, "ask": "stop", "then": "paint"}',
        b'{"v": 1, "ask": "stop", "sent_ms": "now"}',
        b'{"v": 1, "ask": "stop", "sent_ms": true}',
        b'{"v": 1, "ask": "stop", "sent_ms": 1e999}',
        b'{"v": 1, "ask": "stop", "sent_ms": ' + b"9" * 5000 + b"}",
        b'{"v": 1, "ask": "stop", "sent_ms": ' + str(NOW_MS - AGE_MAX_MS - 1).encode() + b"}",
        b'{"v": 1, "ask": "stop"}' + b" " * COMMAND_BYTES_MAX,
    ],
)
def test_nothing_else_is(body: bytes) -> None:
    """Whatever is not exactly a stop is none, and it is said why."""
    verdict = judge(body, retained=False, now_ms=NOW_MS)
    assert verdict.kind is None
    assert verdict.why


@given(body=st.binary(max_size=300), retained=st.booleans())
def test_no_bytes_are_too_strange(body: bytes, retained: bool) -> None:
    """Any bytes are judged without an error, and random ones are no stop."""
    assert _judge(body, retained=retained) is None


def test_identifier_is_what_every_broker_takes() -> None:
    """1 to 23 digits and letters (MQTT 3.1.1, 3.1.3.1), the same each time, another for another machine."""
    mine = client_identifier(TOPICS.root)
    assert len(mine) <= 23
    assert mine.isascii()
    assert mine.isalnum()
    assert mine == client_identifier(TOPICS.root) != client_identifier("giornata/chapel")


# what is told, and when


def _fields(letter: Any) -> dict[str, Any]:
    return dict(json.loads(letter.body))


def _desk(**more: Any) -> Desk:
    return Desk(TOPICS, **{"qos": 1, "refresh_ns": 5 * NS_PER_S, **more})


def test_one_letter_at_a_time() -> None:
    """The next one leaves when the broker has the one before, and no sooner."""
    desk = _desk()
    desk.state({"state": "registered"})
    first = desk.next(0, NOW_MS)
    assert first is not None
    assert (first.topic, first.qos, first.retain) == ("giornata/boathouse/state", 1, True)
    assert _fields(first) == {"v": 1, "state": "registered", "at_ms": NOW_MS}
    desk.alarm({"kind": "latch"})
    assert desk.next(1, NOW_MS) is None
    assert not desk.done(first.number + 1)
    assert desk.done(first.number)
    second = desk.next(2, NOW_MS)
    assert second is not None
    assert (second.topic, second.retain) == ("giornata/boathouse/alarm", False)
    assert not desk.is_told
    assert desk.done(second.number)
    assert desk.is_told
    assert desk.next(3, NOW_MS) is None


def test_state_is_told_when_it_changes_and_now_and_then() -> None:
    """The same state again only after the refresh time; another one at once."""
    desk = _desk()
    told = []
    for second in range(12):
        desk.state({"state": "painting" if second == 3 else "registered"})
        if letter := desk.next(second * NS_PER_S, NOW_MS):
            told.append(second)
            desk.done(letter.number)
    assert told == [0, 3, 4, 9]


def test_progress_at_most_once_a_second_and_the_latest() -> None:
    """Told a hundred times a second, it leaves once a second with what is true then; unchanged it does not leave."""
    desk = _desk(qos=0)
    told = []
    for centisecond in range(301):
        desk.progress({"ticks_sent": min(centisecond, 250)})
        if letter := desk.next(centisecond * NS_PER_S // 100, NOW_MS):
            assert (letter.qos, letter.retain) == (0, False)
            told.append((centisecond, _fields(letter)["ticks_sent"]))
            desk.done(letter.number)
    assert told == [(0, 0), (100, 100), (200, 200), (300, 250)]


def test_without_a_broker_the_queue_stays_short() -> None:
    """Ten thousand alarms while nobody listens: the latest are kept, and the first says how many are gone."""
    desk = _desk()
    for number in range(10_000):
        desk.alarm({"number": number})
    told = []
    while letter := desk.next(0, NOW_MS):
        told.append(_fields(letter))
        desk.done(letter.number)
    assert [one["number"] for one in told] == list(range(10_000 - EVENTS_MAX, 10_000))
    assert told[0]["dropped"] == 10_000 - EVENTS_MAX
    assert "dropped" not in told[1]


def test_what_was_out_when_the_line_broke_goes_again() -> None:
    """An alarm that nobody acknowledged, and the state, are told to the next connection."""
    desk = _desk()
    desk.state({"state": "halted"})
    desk.alarm({"kind": "latch"})
    assert desk.next(0, NOW_MS) is not None
    desk.link_lost()
    again = []
    while letter := desk.next(1, NOW_MS):
        again.append(letter.topic)
        desk.done(letter.number)
    assert again == ["giornata/boathouse/alarm", "giornata/boathouse/state"]


@given(
    st.lists(st.sampled_from(["alarm", "timing", "state", "progress", "next", "done", "lost"]), max_size=300)
)
def test_no_event_is_told_out_of_order_or_forgotten(steps: list[str]) -> None:
    """Whatever happens in whichever order: events that fit the queue are acknowledged once each, in their order."""
    desk, given_out, acknowledged, out = _desk(), 0, [], None
    for now_ns, step in enumerate([*steps, "lost", *["next", "done"] * (len(steps) + 2)]):
        match step:
            case "alarm" | "timing":
                if given_out < EVENTS_MAX:
                    getattr(desk, step)({"number": given_out})
                    given_out += 1
            case "state" | "progress":
                getattr(desk, step)({"at": now_ns})
            case "lost":
                desk.link_lost()
                out = None
            case "next":
                out = desk.next(now_ns, NOW_MS) or out
            case "done" if out is not None and desk.done(out.number):
                if "number" in (fields := _fields(out)):
                    acknowledged.append(fields["number"])
                out = None
    assert acknowledged == list(range(given_out))
    assert desk.is_told


# when the broker counts as lost, and how soon it is tried again


def test_loss_is_silence_that_we_looked_at() -> None:
    """2 s without an acknowledgement; an hour in which nobody looked counts as one look."""
    watch = LossWatch(2 * NS_PER_S, 0)
    looks = [watch.look(tenth * NS_PER_S // 10) for tenth in range(1, 22)]
    assert looks == [False] * 20 + [True]
    watch.heard()
    assert not watch.look(3600 * NS_PER_S)
    assert not watch.look(3601 * NS_PER_S)
    assert watch.look(3602 * NS_PER_S)


@given(st.lists(st.integers(0, 3 * NS_PER_S), max_size=100))
def test_a_broker_that_answers_is_never_lost(gaps_ns: list[int]) -> None:
    """With an acknowledgement between two looks it is not lost, however long the gaps."""
    watch, now_ns = LossWatch(2 * NS_PER_S, 0), 0
    for gap_ns in gaps_ns:
        watch.heard()
        now_ns += gap_ns
        assert not watch.look(now_ns)


def test_trying_again_takes_longer_each_time() -> None:
    """1, 2, 4 s and so on up to a minute; from the start after a connection that held for 30 s."""
    backoff = Backoff()
    assert [backoff.after(0.0) for _ in range(8)] == [1, 2, 4, 8, 16, 32, 60, 60]
    assert backoff.after(29.0) == 60
    assert [backoff.after(30.0), backoff.after(0.0)] == [1, 2]


def test_the_state_is_told_often_enough_to_prove_the_broker() -> None:
    """At least four times within what counts as a loss, and every 5 s at the latest."""
    assert refresh_ns_of(2.0) == NS_PER_S // 2
    assert refresh_ns_of(3600.0) == 5 * NS_PER_S


# the machine file


def _machine(**table: Any) -> Any:
    return machine_from({**read_toml(BOATHOUSE), "mqtt": {"host": "broker.example", **table}}, BOATHOUSE)


def test_without_a_table_there_is_no_broker() -> None:
    """Nobody is told of anything unless the machine file says so."""
    assert load_machine(BOATHOUSE).mqtt is None


def test_ports_follow_tls() -> None:
    """IANA's port numbers: 1883 mqtt, 8883 secure-mqtt."""
    assert _machine().mqtt.port_used == 1883
    assert _machine(tls={}).mqtt.port_used == 8883
    assert _machine(tls={}, port=1234).mqtt.port_used == 1234
    assert (_machine().mqtt.lost, _machine().mqtt.qos) == ("ignore", 1)


@pytest.mark.parametrize(
    ("table", "where", "expected"),
    [
        ({"host": "a b"}, "mqtt.host", "a host name or an address"),
        ({"port": 0}, "mqtt.port", "at least 1"),
        ({"prefix": "tide/#"}, "mqtt.prefix", "levels of letters"),
        ({"prefix": "/tide"}, "mqtt.prefix", "levels of letters"),
        ({"qos": 2}, "mqtt.qos", "0 or 1"),
        ({"lost": "halt"}, "mqtt.lost", '"ignore" or "stop"'),
        ({"lost_after_s": 1.0}, "mqtt.lost_after_s", "at least 2"),
        ({"password": "moon"}, "mqtt.password", "a known field"),
        ({"password_file": "p"}, "mqtt.user", "a user"),
        ({"user": "heron", "password_file": "p", "password_env": "P"}, "mqtt.password_env", "one of"),
        ({"tls": {"cert": "c.pem"}}, "mqtt.tls.key", "cert and key together"),
        ({"tls": {"key": "k.pem"}}, "mqtt.tls.cert", "cert and key together"),
        ({"tls": {"verify": False}}, "mqtt.tls.verify", "one of the fields"),
    ],
)
def test_mistakes_of_the_table(table: dict[str, Any], where: str, expected: str) -> None:
    """Each mistake is refused with its path; there is no field for a password and none to leave TLS unverified."""
    with pytest.raises(InputError) as caught:
        _machine(**table)
    (mistake,) = caught.value.mistakes
    assert mistake.where == where
    assert expected in mistake.expected


# packets and subscriptions


@pytest.mark.parametrize(
    ("size", "length"),
    [(0, "00"), (127, "7f"), (128, "8001"), (16_383, "ff7f"), (16_384, "808001"), (2_097_151, "ffff7f")],
)
def test_lengths_are_those_of_the_standard(size: int, length: str) -> None:
    """MQTT 3.1.1, table 2.4: the smallest and largest sizes of each number of digits."""
    made = packet(3, 0, bytes(size))
    assert made[1 : len(made) - size].hex() == length


@pytest.mark.parametrize(
    ("pattern", "topic", "expected"),
    [
        ("sport/tennis/player1/#", "sport/tennis/player1", True),
        ("sport/tennis/player1/#", "sport/tennis/player1/score/wimbledon", True),
        ("sport/#", "sport", True),
        ("sport/tennis/+", "sport/tennis/player1", True),
        ("sport/tennis/+", "sport/tennis/player1/ranking", False),
        ("sport/+", "sport", False),
        ("sport/+", "sport/", True),
        ("+/+", "/finance", True),
        ("/+", "/finance", True),
        ("+", "/finance", False),
    ],
)
def test_subscriptions_match_as_in_the_standard(pattern: str, topic: str, expected: bool) -> None:
    """The examples of MQTT 3.1.1, 4.7.1."""
    assert covers(pattern, topic) is expected
