"""A short run of the campaign over messages at the session's subscriber, and the proof that it would notice."""

from __future__ import annotations

import dataclasses
import json
import random
from typing import Any

import pytest

from controller.session import mqttclient
from controller.session.mqttwords import Verdict, judge
from tests.fuzz import mqtt

NOW_MS = 1_790_000_000_000


def test_messages_are_stops_or_nothing() -> None:
    """900 messages, the whole way: a session is asked for exactly the stops that the documents call so."""
    found = mqtt.run_campaign(900, seed=7)
    assert found.failures == []
    assert min(found.counts["controlled"], found.counts["immediate"]) > 9
    assert found.counts["no stop"] > 500


def _retained_count(body: bytes, *, retained: bool, now_ms: int) -> Verdict:
    return judge(body, retained=False, now_ms=now_ms)


def _any_age(body: bytes, *, retained: bool, now_ms: int) -> Verdict:
    return judge(body, retained=retained, now_ms=0)


def _any_fields(body: bytes, *, retained: bool, now_ms: int) -> Verdict:
    verdict = judge(body, retained=retained, now_ms=now_ms)
    if verdict.kind is None and not retained and b'"ask": "stop"' in body:
        return Verdict("controlled")
    return verdict


@pytest.mark.parametrize("wrong", [_retained_count, _any_age, _any_fields])
def test_a_wrong_judgement_is_noticed(wrong: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    """A subscriber that obeys kept, old or almost right messages does not pass."""
    monkeypatch.setattr(mqttclient, "judge", wrong)
    assert mqtt.run_campaign(900, seed=7).failures != []


def test_messages_can_be_repeated_and_are_of_every_kind() -> None:
    """A message is its seed and number; among a thousand there is every kind that a broker can send."""
    made = [mqtt.message(random.Random(f"3/{number}"), NOW_MS) for number in range(1000)]
    assert made == [mqtt.message(random.Random(f"3/{number}"), NOW_MS) for number in range(1000)]
    assert {one.qos for one in made} == {0, 1}
    assert {one.retain for one in made} == {True, False}
    assert max(len(one.body) for one in made) > 4096
    assert sum(one.wanted(NOW_MS) is not None for one in made) > 100
    good = mqtt.Message(
        mqtt.TOPICS.command.encode(), json.dumps({"v": 1, "ask": "stop"}).encode(), 1, False, False
    )
    assert good.wanted(NOW_MS) == "controlled"
    assert dataclasses.replace(good, retain=True).wanted(NOW_MS) is None
