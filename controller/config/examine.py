"""Looking through several files at once: what ``giornata check`` asks for.

Owns the order of the look: every file by itself first, then jobs against the machine, and every mistake of all of
them in one answer.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

from controller.config.derived import (
    JobNumbers,
    MachineNumbers,
    check_artwork,
    check_job_against_machine,
    job_numbers,
    machine_numbers,
)
from controller.config.errors import InputError, Mistake
from controller.config.job import Job
from controller.config.load import job_from, kind_of, machine_from, read_toml
from controller.config.machine import Machine
from controller.config.places import StateDir


@dataclass(frozen=True, slots=True)
class Findings:
    """Derived numbers of every file, in the order in which they were given."""

    machines: tuple[tuple[Path, MachineNumbers], ...]
    jobs: tuple[tuple[Path, JobNumbers], ...]


def examine_files(paths: Iterable[Path], state_root: Path | None = None) -> Findings:
    """Load and check every file. Raises InputError with every mistake of all files.

    A state folder in which no session could open (``state_root``, each machine's own if None) is a mistake, too.
    """
    machines: list[tuple[Path, Machine]] = []
    jobs: list[tuple[Path, Job]] = []
    mistakes: list[Mistake] = []
    for path in paths:
        try:
            data = read_toml(path)
            if kind_of(data, path) == "machine":
                machine = machine_from(data, path)
                machines.append((path, machine))
                StateDir.for_session(state_root, machine.name)
            else:
                job = job_from(data, path)
                mistakes += check_artwork(job, path)
                jobs.append((path, job))
        except InputError as error:
            mistakes += error.mistakes
    for _, machine in machines:
        for path, job in jobs:
            mistakes += check_job_against_machine(job, path, machine)
    if mistakes:
        raise InputError(mistakes)
    return Findings(
        tuple((path, machine_numbers(machine)) for path, machine in machines),
        tuple((path, job_numbers(job, path)) for path, job in jobs),
    )
