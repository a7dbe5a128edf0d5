"""Packages: what the looks see, that the sdist's list holds every tracked file; the whole trial as a campaign."""

from __future__ import annotations

import io
import subprocess
import sys
import tarfile
import tomllib
import zipfile
from pathlib import Path

import pytest

from tests.packaging import trial

VERSION = "0.1.0"


def sdist_of(folder: Path, *names: str) -> Path:
    """An sdist with these empty files."""
    path = folder / f"giornata-{VERSION}.tar.gz"
    with tarfile.open(path, "w:gz") as archive:
        for name in names:
            archive.addfile(tarfile.TarInfo(f"giornata-{VERSION}/{name}"), io.BytesIO())
    return path


def wheel_of(folder: Path, *names: str) -> Path:
    """A wheel with these empty files."""
    path = folder / f"giornata-{VERSION}-py3-none-any.whl"
    with zipfile.ZipFile(path, "w") as archive:
        for name in names:
            archive.writestr(name, "")
    return path


WHOLE_WHEEL = (
    "controller/__init__.py", "drivers/__init__.py", "safety/__init__.py",
    *(f"controller/config/shipped/{name}" for name in trial.SHIPPED),
    f"giornata-{VERSION}.dist-info/METADATA", f"giornata-{VERSION}.data/data/share/man/man1/giornata.1",
)  # fmt: skip


def test_the_look_into_a_wheel_sees_what_is_wrong(tmp_path: Path) -> None:
    """A whole one passes; a test, a cache, another package in it, or a shipped file or the manual page less, do not."""
    assert trial.look_into_wheel(wheel_of(tmp_path, *WHOLE_WHEEL)) == len(WHOLE_WHEEL)
    for more in ("tests/test_x.py", "controller/test_x.py", "controller/__pycache__/a.pyc", "configs/a.toml"):
        with pytest.raises(trial.TrialError):
            trial.look_into_wheel(wheel_of(tmp_path, *WHOLE_WHEEL, more))
    for place in (3, len(WHOLE_WHEEL) - 1):
        with pytest.raises(trial.TrialError):
            trial.look_into_wheel(wheel_of(tmp_path, *WHOLE_WHEEL[:place], *WHOLE_WHEEL[place + 1 :]))


def test_the_look_into_an_sdist_sees_what_is_wrong(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A file that make check needs less, a tracked file less, a cache more."""
    monkeypatch.setattr(trial, "tracked", lambda: {"safety/guard.py"})
    whole = (*trial.CHECK_NEEDS, "safety/guard.py")
    assert trial.look_into_sdist(sdist_of(tmp_path, *whole)) == len(whole)
    for names in (whole[1:], whole[:-1], (*whole, "safety/__pycache__/guard.pyc"), (*whole, ".venv/a")):
        with pytest.raises(trial.TrialError):
            trial.look_into_sdist(sdist_of(tmp_path, *names))


def test_the_sdist_lists_everything_that_is_tracked() -> None:
    """What git has at the top of the checkout is in pyproject's list, or one of the two the backend always takes."""
    if not (tops := {name.split("/")[0] for name in trial.tracked()}):
        pytest.skip("no git checkout: nothing says what is tracked")
    settings = tomllib.loads((trial.ROOT / "pyproject.toml").read_text())["tool"]["hatch"]["build"]["targets"]
    listed = {name.removeprefix("/") for name in settings["sdist"]["include"]}
    assert tops - {"pyproject.toml", ".gitignore"} == listed


def test_a_command_that_ends_otherwise_is_told(tmp_path: Path) -> None:
    """Its words, the code that was expected, what it said."""
    with pytest.raises(trial.TrialError, match=r"expected exit code 0, got 3:\nlow tide"):
        trial.run(sys.executable, "-c", "print('low tide'); raise SystemExit(3)", cwd=tmp_path)


@pytest.mark.campaign
def test_the_packages_work_where_no_checkout_is() -> None:
    """``make dist`` without its copies: built twice, looked into, installed, used. Takes minutes and a registry."""
    done = subprocess.run(
        [sys.executable, "-m", "tests.packaging"], cwd=trial.ROOT, check=False, capture_output=True, text=True
    )
    assert done.returncode == 0, done.stdout
    assert done.stdout.count("demo painted in virtual time, report written") == 2
