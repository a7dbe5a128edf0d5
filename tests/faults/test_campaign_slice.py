"""A short, seeded slice of the fault campaign; ``make faults`` plays all of it."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from drivers.twin.record import MotionRecord
from tests.faults import virtual
from tests.faults.campaign import REAL_BY_NAME, kinds_markdown, markdown, play_real, rows, shared_folder
from tests.faults.judge import Bound, Trial, judge_motion
from tests.faults.kinds import BY_NAME, KINDS, Kind
from tests.faults.scene import PHASES, Scene

SEED = 1
TRIALS_A_KIND = 2


@pytest.fixture(scope="module")
def scene() -> Iterator[Scene]:
    """The scene, in memory."""
    folder = shared_folder()
    yield virtual.with_phases(Scene.build(folder), folder)
    for path in sorted(folder.rglob("*"), reverse=True):
        path.rmdir() if path.is_dir() else path.unlink()
    folder.rmdir()


@pytest.mark.parametrize("kind", KINDS, ids=lambda kind: kind.name)
def test_every_kind_ends_as_it_must(kind: Kind, scene: Scene) -> None:
    """In virtual time: finished in order, or standstill within the bound computed for the kind, and no motion after."""
    for number in range(TRIALS_A_KIND):
        trial = virtual.run_trial(scene, kind, SEED, number, scene.folder)
        assert not trial.problems, trial


def test_a_trial_is_the_same_each_time(scene: Scene) -> None:
    """What failed can be played again: kind, seed and number say everything."""
    first, again = (virtual.run_trial(scene, KINDS[1], 7, 3, scene.folder) for _ in range(2))
    assert first == again
    assert first.react_ms != virtual.run_trial(scene, KINDS[1], 8, 3, scene.folder).react_ms


def test_every_phase_is_hit(scene: Scene) -> None:
    """The scene has ticks of every phase, and trials go through them in turn."""
    assert set(scene.phase_ticks) == set(PHASES)
    assert all(len(ticks) > 20 for ticks in scene.phase_ticks.values())


def _record(t_ms: list[float], x_mm: list[float], speed: list[float]) -> MotionRecord:
    """A record of the x axis alone; the last instant is the record's end."""
    zero = np.zeros(len(t_ms))
    at = np.stack([np.array(x_mm), zero], axis=1)
    mm_s = np.stack([np.array(speed), zero], axis=1)
    t_ns = (np.array(t_ms) * 1e6).astype(np.int64)
    return MotionRecord(t_ns, at, at, mm_s, mm_s, int(t_ns[-1]))


def test_the_judge_finds_what_is_wrong() -> None:
    """Motion at the end, a short watch, motion after standstill, a broken bound: each is a problem of its own."""

    def problems(record: MotionRecord, allowed: Bound) -> str:
        trial = Trial("made up", 1, 0, "stroke", bound=allowed)
        judge_motion(trial, record, 0, 10_000_000)
        return "; ".join(trial.problems)

    wide = Bound(100.0, 100.0, 100.0)
    stopped = _record([0, 50, 2000], [0.0, 5.0, 5.0], [100.0, 0.0, 0.0])
    assert problems(stopped, wide) == ""
    assert "first stop command (ms)" in problems(stopped, Bound(9.0, 100.0, 100.0))
    assert "standstill (ms)" in problems(stopped, Bound(100.0, 49.0, 100.0))
    assert "way (mm)" in problems(stopped, Bound(100.0, 100.0, 4.9))
    assert "still moving" in problems(_record([0, 50, 2000], [0, 5.0, 9.0], [100.0, 100.0, 100.0]), wide)
    assert "watched for" in problems(_record([0, 50, 500], [0, 5.0, 5.0], [100.0, 0.0, 0.0]), wide)
    crept = _record([0, 50, 2000], [0.0, 5.0, 5.5], [100.0, 0.0, 0.0])
    assert "after standstill" in problems(crept, wide)


def test_the_table_tells_of_failures() -> None:
    """One row a kind: ends counted, the largest of what was measured, failures kept."""
    trials = [
        Trial("a", 1, 0, "stroke", "halted", react_ms=1.0, travel_mm=2.0, bound=Bound(5.0, 6.0, 7.0)),
        Trial(
            "a",
            1,
            1,
            "travel",
            "halted",
            react_ms=3.0,
            travel_mm=1.0,
            bound=Bound(5.0, 6.0, 7.0),
            problems=["x"],
        ),
    ]
    (row,) = rows(trials)
    assert (row["trials"], row["failed"], row["ends"]) == (2, 1, {"halted": 2})
    assert row["react_ms"] == [1.0, 3.0, 3.0]
    assert "| a | virtual | 2 | 2 halted | 1.0 / 3.0 / 3.0 | 5 | 1.0 / 2.0 / 2.0 | 7 |" in markdown([row])


def test_the_document_knows_every_kind() -> None:
    """docs/faults.md holds the table of kinds as they are now, and figures of every one of them."""
    text = (Path(__file__).parents[2] / "docs" / "faults.md").read_text()
    assert kinds_markdown() in text
    measured = text.split("<!-- measured -->")[1]
    assert all(f"| {name} |" in measured for name in (*BY_NAME, *REAL_BY_NAME))


@pytest.mark.realtime
@pytest.mark.parametrize(
    "name",
    [
        "real-guard-killed",
        pytest.param("real-all-killed", marks=pytest.mark.campaign),
        pytest.param("real-stop-controlled", marks=pytest.mark.campaign),
        pytest.param("real-service-hung-stop", marks=pytest.mark.campaign),
    ],
)
def test_real_processes(name: str, tmp_path: Path) -> None:
    """In real time, one trial each: two deaths, a controlled stop; ``make faults`` plays the other kinds, and more.

    The last one is a real session: its service hangs, and ``giornata stop`` stops the machine all the same.
    """
    (trial,) = play_real(name, SEED, tmp_path, only=0)
    assert not trial.problems, trial
