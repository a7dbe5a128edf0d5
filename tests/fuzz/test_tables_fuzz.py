"""Short runs of the campaigns over damaged job and machine files, and the proof that they would notice."""

from __future__ import annotations

import math
import random
import tomllib
from dataclasses import replace
from pathlib import Path

import pytest

from controller.config.errors import InputError, Mistake
from controller.config.load import load_job, load_machine
from tests.fuzz import job, machine
from tests.fuzz.campaign import Guard, held, words_amiss
from tests.fuzz.tables import BY_VALUE, HUGE, written


def test_damaged_jobs_hold_or_are_refused() -> None:
    """60 damaged jobs: each holds and gets its inks, or is refused in words; within bounds, nothing else opened."""
    campaign = job.run_campaign(60, seed=7)
    assert campaign.failures == {}
    assert min(campaign.counts["painted"], campaign.counts["refused"]) > 5


def test_damaged_machines_hold_or_are_refused() -> None:
    """30 damaged machines: each has finite derived numbers or is refused in words."""
    campaign = machine.run_campaign(30, seed=7)
    assert campaign.failures == {}
    assert min(campaign.counts["holds"], campaign.counts["refused"]) > 2


def test_trials_can_be_repeated() -> None:
    """A trial is its seed and number."""
    for kind in (job, machine):
        assert kind.damaged(3, 14) == kind.damaged(3, 14) != kind.damaged(3, 15)


@pytest.mark.parametrize("source", [*job.SOURCES, *machine.SOURCES], ids=lambda path: path.stem)
def test_writing_changes_nothing(source: Path) -> None:
    """A good file written anew means the same, so that what a trial changes is the damage alone."""
    parsed = tomllib.loads(source.read_text(encoding="utf-8"))
    assert tomllib.loads(written(parsed)) == parsed


def test_damage_by_value_can_be_written() -> None:
    """What is done to values stays TOML: such trials go beyond the parser, to the models and the rules."""
    source = job.SOURCES[0].read_text(encoding="utf-8")
    for seed in range(300):
        chance = random.Random(seed)
        parsed = tomllib.loads(source)
        for _ in range(5):
            chance.choice(BY_VALUE)(parsed, chance)
        tomllib.loads(written(parsed))


@pytest.mark.parametrize("what", HUGE)
def test_large_files_are_refused_in_time(what: str, tmp_path: Path) -> None:
    """A file of a megabyte, made to be slow to read, is refused within the bounds on processor time and memory."""
    file = tmp_path / "large.toml"
    file.write_bytes(HUGE[what])
    guard = Guard()
    for load in (load_job, load_machine):
        assert held(lambda load=load: str(load(file)), guard, [file]).what == "refused"


@pytest.mark.parametrize("flaw", ["crash", "words", "file", "technique", "ink", "lost", "check"])
def test_the_campaign_over_jobs_notices(monkeypatch: pytest.MonkeyPatch, tmp_path: Path, flaw: str) -> None:
    """A reader with a flaw put in is caught: an exception, a mistake without words, a file, an ink that is none."""

    def flawed(file: Path) -> object:
        if flaw == "crash":
            raise KeyError("inks")
        if flaw == "words":
            raise InputError([Mistake(file, "inks", "", "nothing", code="exit-2")])
        if flaw == "file":
            Path(__file__).read_bytes()
        return load_job(file)

    def assign(drawing, made):
        assigned = job_assign(drawing, made)
        if flaw == "technique":
            assigned.fill_technique[:] = len(made.techniques)
        if flaw == "ink":
            assigned.stroke_ink[0] = len(made.inks)
        return replace(assigned, unmatched=()) if flaw == "lost" else assigned

    job_assign = job.assign
    monkeypatch.setattr(job, "load_job", flawed)
    monkeypatch.setattr(job, "assign", assign)
    if flaw == "check":
        monkeypatch.setattr(job, "main", lambda _arguments: 1)
    good = job.SOURCES[0].read_bytes()
    assert job.run_trial(good, tmp_path, Guard()).what not in job.GOOD


def test_the_campaign_over_machines_notices(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """A derived number that is none is caught."""
    numbers = machine.machine_numbers

    def flawed(made):
        return replace(numbers(made), bus_load=math.nan)

    monkeypatch.setattr(machine, "machine_numbers", flawed)
    assert machine.run_trial(machine.SOURCES[0].read_bytes(), tmp_path, Guard()).what not in machine.GOOD


@pytest.mark.parametrize(
    "artwork",
    ["pipe", "loop", "folder", ".", "/dev/zero", "/dev/tty", "n" * 300 + ".svg", "n/" * 400 + "x.svg"],
)
def test_artwork_that_is_no_file(artwork: str, tmp_path: Path) -> None:
    """Pipes, devices, folders and names that no file can have are refused; nothing waits for them or reads on."""
    source = job.SOURCES[0].read_text(encoding="utf-8")
    data = source.replace('artwork = "boathouse.svg"', f'artwork = "{artwork}"').encode()
    job.furnish(tmp_path)
    assert job.run_trial(data, tmp_path, Guard()).what == "refused"


def test_words_of_a_file_cannot_speak_to_the_terminal() -> None:
    """A mistake shows control characters of the file as escapes, in one line, and cuts short what is long."""
    mistake = Mistake(Path("a\nb.toml"), "inks[\x1b[2J]", "text", "x" * 100_000, code="exit-2")
    assert str(mistake).startswith("a\\nb.toml: inks[\\x1b[2J]: expected text, got xxx")
    assert words_amiss(InputError([mistake])) is None
    assert words_amiss(InputError([])) is not None
