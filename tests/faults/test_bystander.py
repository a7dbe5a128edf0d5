"""What the host took, by the wake-ups of somebody who stands by; and which trials are played again for it."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from tests.faults.bystander import HOST_TRIES, TRIES, WINDOW_NS, Gap, fair_trial, most_taken_ms
from tests.faults.judge import Trial

MS = 1_000_000


@given(st.lists(st.tuples(st.integers(1, 400), st.integers(1, 50)), max_size=30))
def test_the_most_of_any_tenth_of_a_second(steps: list[tuple[int, int]]) -> None:
    """Against numpy, every gap's own window summed by itself."""
    at_ns = np.cumsum([(running + late) * MS for running, late in steps]).astype(np.int64)
    late_ns = np.array([late * MS for _, late in steps], dtype=np.int64)
    gaps: list[Gap] = list(zip(at_ns.tolist(), late_ns.tolist(), strict=True))
    sums = [late_ns[(at_ns >= end - WINDOW_NS) & (at_ns <= end)].sum() / 1e6 for end in at_ns]
    assert most_taken_ms(gaps, 0, 1 << 62) == max(sums, default=0.0)


def test_only_what_lay_in_the_trial_counts() -> None:
    """A gap before it or behind it is none of its; one that reaches into it is."""
    gaps = [(100 * MS, 40 * MS), (500 * MS, 20 * MS)]
    assert most_taken_ms(gaps, 101 * MS, 479 * MS) == 0.0
    assert most_taken_ms(gaps, 101 * MS, 481 * MS) == 20.0
    assert most_taken_ms(gaps, 90 * MS, 200 * MS) == 40.0


class Scripted:
    """Says in turn what the host took."""

    def __init__(self, *taken_ms: float) -> None:
        self._taken_ms = list(taken_ms)

    def taken_ms(self, from_ns: int) -> float:
        """The next of them; the last for ever."""
        assert from_ns > 0
        return self._taken_ms.pop(0) if len(self._taken_ms) > 1 else self._taken_ms[0]


def played(host: Scripted, *broke: bool) -> tuple[Trial, list[int]]:
    """A trial that breaks as told, and how many had been thrown away at each try."""
    told: list[int] = []
    ends = iter(broke)

    def play_one(again: int) -> Trial:
        told.append(again)
        return Trial("real-streamer-killed", 1, 0, "idle", problems=["late"], broke=next(ends, False))

    return fair_trial(play_one, host, 30.0), told  # type: ignore[arg-type]


def test_a_fair_trial_stands_whatever_came_of_it() -> None:
    """The host took less than the bound holds: problems stay."""
    trial, told = played(Scripted(29.9))
    assert (trial.problems, trial.voided, trial.taken_ms, told) == (["late"], 0, 29.9, [0])


def test_a_trial_that_the_host_spoilt_is_played_again_and_counted() -> None:
    """Also when nothing was wrong with it; and not for ever."""
    trial, told = played(Scripted(47.0, 31.0, 3.0))
    assert (trial.voided, trial.taken_ms, told) == (2, 3.0, [0, 1, 2])
    trial, told = played(Scripted(99.0))
    assert (trial.voided, trial.problems, len(told)) == (HOST_TRIES, ["late"], HOST_TRIES + 1)


def test_a_broken_trial_is_played_again_a_few_times() -> None:
    """And then it is a failure."""
    trial, told = played(Scripted(0.0), True, False)
    assert (trial.broke, trial.note, told) == (False, " (try 2)", [0, 1])
    trial, told = played(Scripted(0.0), *[True] * TRIES)
    assert (trial.broke, len(told)) == (True, TRIES)
