"""A bench of files for the verbs, and a way to run them as a shell would."""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from controller.cli.main import main
from tests.faults.waves import edited


@dataclass
class Answer:
    """What a command did."""

    code: int
    out: str
    err: str

    @property
    def json(self) -> dict[str, Any]:
        """Standard output as the one JSON object that it must be."""
        answer = json.loads(self.out)
        assert isinstance(answer, dict)
        return answer


@dataclass
class Shell:
    """The verbs on one machine file, one job file and one state folder."""

    folder: Path
    capsys: pytest.CaptureFixture[str]

    @property
    def machine(self) -> Path:
        """The machine file."""
        return self.folder / "boathouse.toml"

    @property
    def job(self) -> Path:
        """The job file."""
        return self.folder / "job.toml"

    @property
    def state(self) -> Path:
        """The state folder."""
        return self.folder / "s"

    def edit(self, path: Path, old: str, new: str) -> None:
        """Replace a piece of a file that must be there."""
        text = path.read_text()
        assert old in text
        path.write_text(text.replace(old, new, 1))

    def run(self, *arguments: object) -> Answer:
        """Run one command."""
        self.capsys.readouterr()
        code = main([str(argument) for argument in arguments])
        said = self.capsys.readouterr()
        return Answer(code, said.out, said.err)

    def verb(self, verb: str, *arguments: object) -> Answer:
        """Run a verb on this machine and state."""
        return self.run(verb, *arguments, "--machine", self.machine, "--state", self.state)

    def paint(self, *arguments: object) -> Answer:
        """Paint in virtual time without prompts."""
        return self.verb("paint", self.job, "--virtual", "--yes", *arguments)

    def home(self, *arguments: object) -> Answer:
        """Home in virtual time."""
        return self.verb("home", "--virtual", "--yes", *arguments)

    @property
    def runs(self) -> list[str]:
        """What has run so far; nothing has moved while this is empty."""
        folder = self.state / "runs"
        return sorted(path.name for path in folder.iterdir()) if folder.is_dir() else []


SVG = """<svg xmlns="http://www.w3.org/2000/svg" width="100mm" height="60mm" viewBox="0 0 100 60">
<g id="moon"><circle cx="20" cy="20" r="5" fill="none" stroke="#d9952b"/></g>
<g id="water"><path id="wave" d="M 10 40 L 60 40" fill="none" stroke="#1f7a78"/></g></svg>
"""
JOB = """format = 1
name = "two-strokes"
artwork = "two.svg"
origin_mm = [20.0, 20.0]
[[inks]]
name = "ochre"
group = "moon"
colour = "#d9952b"
tip_mm = 4.0
[[inks]]
name = "teal"
group = "water"
colour = "#1f7a78"
tip_mm = 4.0
"""


@pytest.fixture
def shell(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> Shell:
    """The boathouse with a job of two strokes; its switches are near and soon touched."""
    (tmp_path / "boathouse.toml").write_text(edited())
    (tmp_path / "job.toml").write_text(JOB)
    (tmp_path / "two.svg").write_text(SVG)
    return Shell(tmp_path, capsys)
