"""A short run of the campaign over damaged requests, and the proof that it would notice."""

from __future__ import annotations

from tests.fuzz.control import Tripwire, damaged, might_run, run_campaign


def test_damaged_requests_end_and_move_nothing() -> None:
    """300 damaged requests: each talk ends, the service goes on, no runner is made, no reader is left."""
    campaign = run_campaign(300, seed=7)
    assert campaign.failures == {}
    assert min(campaign.counts["answered"], campaign.counts["refused"]) > 9


def test_trials_can_be_repeated() -> None:
    """A trial is its seed and number."""
    assert damaged(3, 14) == damaged(3, 14) != damaged(3, 15)


def test_a_request_that_runs_is_noticed() -> None:
    """A whole request to home, let through: the campaign names the trial."""

    class Quiet(Tripwire):
        opened = 0

    line = b'{"v": 1, "ask": "run", "verb": "home", "arguments": {"yes": true}}\n'
    assert might_run(line)
    campaign = run_campaign(1, 1, lambda *_: line, guarded=False, runner=Quiet)
    assert list(campaign.failures) == [0]
    assert "brought a runner up" in campaign.failures[0]
