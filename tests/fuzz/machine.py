"""Damaged machine files, thousands of them: `python -m tests.fuzz.machine --count 20000 --seed 1`.

Each trial damages a shipped machine, by its values or by its bytes, and asks `giornata check` of it. The answer must be
a machine whose derived numbers are finite or mistakes in words: nothing else, within the bounds of
``tests.fuzz.campaign``, and no file is opened but this one and those that it names.
"""

from __future__ import annotations

import dataclasses
import math
import random
import shutil
import sys
import tempfile
import tomllib
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

from controller.config.derived import machine_numbers
from controller.config.errors import InputError
from controller.config.load import load_machine
from tests.fuzz.campaign import Campaign, Guard, Outcome, held, run_from_command_line, run_trials
from tests.fuzz.job import asked
from tests.fuzz.svg import ROOT
from tests.fuzz.tables import damaged_file

SOURCES = tuple(sorted((ROOT / "configs/machines").glob("*.toml")))
GOOD = frozenset({"holds", "refused"})
BESIDE = ("drives", "heads")
NAMES = ("drive_file", "head_file", "eds")


def damaged(seed: int, trial: int) -> bytes:
    """The machine file of one trial."""
    chance = random.Random(f"{seed}/{trial}")
    return damaged_file(chance.choice(SOURCES).read_text(encoding="utf-8"), chance)


def numbers_in(value: Any) -> Iterator[float]:
    """Every number of a derived record."""
    if dataclasses.is_dataclass(value):
        for field in dataclasses.fields(value):
            yield from numbers_in(getattr(value, field.name))
    elif isinstance(value, tuple | list):
        for one in value:
            yield from numbers_in(one)
    elif isinstance(value, int | float):
        yield float(value)


def named_in(data: bytes) -> set[str]:
    """The files that a machine file names, as it stands: these may be opened."""
    try:
        left: list[Any] = [tomllib.loads(data.decode())]
    except ValueError:
        return set()
    names = set()
    while left:
        one = left.pop()
        if isinstance(one, dict):
            left += one.values()
            names |= {one[key] for key in NAMES if isinstance(one.get(key), str) and "\0" not in one[key]}
        elif isinstance(one, list):
            left += one
    return names


def run_trial(data: bytes, folder: Path, guard: Guard, *, in_words: bool = False) -> Outcome:
    """Ask all of one damaged machine."""
    file = folder / "machines" / "machine.toml"
    file.parent.mkdir(exist_ok=True)
    file.write_bytes(data)
    for beside in BESIDE:
        if not (folder / beside).exists():
            shutil.copytree(ROOT / "configs" / beside, folder / beside)

    def act() -> str:
        fine = asked(file, in_words=in_words)
        try:
            machine = load_machine(file)
        except InputError:
            assert not fine
            raise
        numbers = list(numbers_in(machine_numbers(machine)))
        assert len(numbers) > 20
        assert all(map(math.isfinite, numbers))
        return "holds"

    return held(act, guard, [file, *(file.parent / name for name in named_in(data))])


def run_campaign(count: int, seed: int, tell: Callable[[str], None] | None = None) -> Campaign:
    """Run trials 0 to ``count`` of a seed."""

    def trial(number: int, folder: Path, guard: Guard) -> Outcome:
        data = SOURCES[0].read_bytes() if number < 0 else damaged(seed, number)
        return run_trial(data, folder, guard, in_words=number % 8 == 0)

    return run_trials(trial, GOOD, count, tell)


def _once(seed: int, trial: int) -> Outcome:
    with tempfile.TemporaryDirectory() as folder:
        return run_trial(damaged(seed, trial), Path(folder), Guard(), in_words=trial % 8 == 0)


if __name__ == "__main__":
    sys.exit(run_from_command_line("machine files", damaged, run_campaign, _once))
