"""What a built wheel and sdist are held to: what is in them, and that the program works from them alone.

Owns the building, the looking and the trying. Everything happens in a folder of its own, outside the checkout, with no
path of the checkout in the environment. Packages that ours needs come through pip, at the versions of constraints.txt.
"""

from __future__ import annotations

import hashlib
import json
import os
import re
import subprocess
import sys
import tarfile
import zipfile
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

ROOT = Path(__file__).parents[2]
EPOCH = "1767225600"
"""SOURCE_DATE_EPOCH (reproducible-builds.org) of the trial: 2026-01-01; any fixed instant serves."""
WHEEL_TOPS = {"controller", "drivers", "safety"}
CHECK_NEEDS = (
    "Makefile", "pyproject.toml", "constraints.txt", "mkdocs.yml", "README.md", "DEVELOPERS.md", "CHANGELOG.md",
    "LICENSE", "tests/conftest.py", "configs/schemas/machine.schema.json", "docs/man/giornata.1", ".gitignore",
)  # fmt: skip
SHIPPED = (
    "machines/boathouse.toml", "machines/template-slcan.toml", "drives/heron.toml", "drives/boathouse-drive.eds",
    "heads/petrel.toml", "jobs/low-tide/job.toml", "jobs/low-tide/low-tide.svg", "schemas/job.schema.json",
    "systemd/giornata@.service",
)  # fmt: skip


class TrialError(AssertionError):
    """Something in a package, or a command from it, is not as it must be."""


def run(*words: str | Path, cwd: Path, env: Mapping[str, str] | None = None, code: int = 0) -> str:
    """What one command says, its answer before its warnings. Raises TrialError when it ends with another code."""
    answer, warnings = _run(words, cwd, env, code)
    return answer + warnings


def answer(*words: str | Path, cwd: Path, env: Mapping[str, str]) -> dict[str, Any]:
    """The one JSON object that a command answers."""
    found: dict[str, Any] = json.loads(_run(words, cwd, env, 0)[0])
    return found


def _run(words: Sequence[str | Path], cwd: Path, env: Mapping[str, str] | None, code: int) -> tuple[str, str]:
    done = subprocess.run(
        [str(word) for word in words], cwd=cwd, env=dict(env) if env is not None else None, check=False,
        capture_output=True, text=True, timeout=1800,
    )  # fmt: skip
    if done.returncode != code:
        said = (done.stdout + done.stderr)[-3000:]
        raise TrialError(
            f"{' '.join(map(str, words))}: expected exit code {code}, got {done.returncode}:\n{said}"
        )
    return done.stdout, done.stderr


def build(out: Path, source: Path = ROOT) -> tuple[Path, Path]:
    """Sdist of ``source``, and the wheel built from that sdist; both in ``out``."""
    env = {**os.environ, "SOURCE_DATE_EPOCH": EPOCH}
    run(sys.executable, "-m", "build", "--outdir", out, source, cwd=out, env=env)
    (sdist,), (wheel,) = out.glob("*.tar.gz"), out.glob("*.whl")
    return sdist, wheel


def unpacked(sdist: Path, folder: Path) -> Path:
    """The sdist's own folder, unpacked in ``folder``."""
    with tarfile.open(sdist) as archive:
        archive.extractall(folder, filter="data")
    return folder / sdist.name.removesuffix(".tar.gz")


def digest(path: Path) -> str:
    """SHA-256 of a file."""
    return hashlib.sha256(path.read_bytes()).hexdigest()


def tracked() -> set[str]:
    """Files that git has; none where this is no checkout."""
    if not (ROOT / ".git").exists():
        return set()
    return set(run("git", "ls-files", cwd=ROOT).split("\n")) - {""}


def look_into_sdist(sdist: Path) -> int:
    """All that make check needs is in it, every tracked file too, and nothing of caches. Answers how many files."""
    with tarfile.open(sdist) as archive:
        names = {name.partition("/")[2] for name in archive.getnames()} - {""}
    if missing := sorted((set(CHECK_NEEDS) | tracked()) - names):
        raise TrialError(f"{sdist.name} lacks {', '.join(missing[:20])}")
    if odd := sorted(
        name for name in names if re.search(r"__pycache__|\.pyc$|\.nb[ci]$|^\.venv|^build/", name)
    ):
        raise TrialError(f"{sdist.name} holds {', '.join(odd[:20])}")
    return len(names)


def look_into_wheel(wheel: Path) -> int:
    """Our three packages, what is shipped, the manual page and metadata: no test, no cache. Answers how many files."""
    with zipfile.ZipFile(wheel) as archive:
        names = archive.namelist()
    tops = {name.split("/")[0] for name in names}
    data = {top for top in tops if re.fullmatch(r"giornata-[\d.]+\.(dist-info|data)", top)}
    if tops - data != WHEEL_TOPS or len(data) != 2:
        raise TrialError(
            f"{wheel.name}: expected {sorted(WHEEL_TOPS)} and metadata at its top, got {sorted(tops)}"
        )
    wanted = [f"controller/config/shipped/{name}" for name in SHIPPED]
    if missing := [name for name in wanted if name not in names]:
        raise TrialError(f"{wheel.name} lacks {', '.join(missing)}")
    if not any(name.endswith(".data/data/share/man/man1/giornata.1") for name in names):
        raise TrialError(f"{wheel.name} lacks the manual page")
    if odd := [
        name for name in names if re.search(r"(^|/)(tests?|__pycache__)/|\.pyc$|conftest|/test_", name)
    ]:
        raise TrialError(f"{wheel.name} holds {', '.join(odd[:20])}")
    return len(names)


def bare_environment(home: Path, commands: Path) -> dict[str, str]:
    """An environment in which nothing leads back to the checkout: a home of its own, our command first on the path."""
    return {
        "HOME": str(home), "PATH": f"{commands}:/usr/local/bin:/usr/bin:/bin", "LANG": "C.UTF-8", "TERM": "dumb",
        "COLUMNS": "120",
    }  # fmt: skip


def install(folder: Path, package: Path, *, again: bool = False) -> Path:
    """``package`` in a virtual environment under ``folder``; answers a folder with nothing but the command in it, as an
    installer of applications links it. ``again``: in place of what is there, its needs being there."""
    environment, commands = folder / "venv", folder / "bin"
    if not again:
        run(sys.executable, "-m", "venv", environment, cwd=folder)
    more = ("--force-reinstall", "--no-deps") if again else ("-c", ROOT / "constraints.txt")
    run(
        environment / "bin" / "python", "-m", "pip", "install", "--quiet", "--disable-pip-version-check", *more,
        package, cwd=folder,
    )  # fmt: skip
    commands.mkdir(exist_ok=True)
    if not (commands / "giornata").exists():
        (commands / "giornata").symlink_to(environment / "bin" / "giornata")
    return commands


def try_out(folder: Path, commands: Path, version: str) -> Iterator[str]:
    """Use the installed program as somebody who never had a checkout: a line for each thing that held."""
    home = folder / "home"
    home.mkdir(exist_ok=True)
    env = bare_environment(home, commands)
    site = Path(
        run(
            folder / "venv/bin/python", "-P", "-c", "import controller; print(controller.__path__[0])", cwd=home,
            env=env,
        ).strip()
    )  # fmt: skip
    if not site.is_relative_to(folder / "venv"):
        raise TrialError(f"expected our packages in the virtual environment, got {site}")
    shipped = site / "config" / "shipped"
    said = run("giornata", "--version", cwd=home, env=env).strip()
    if said != f"giornata {version}":
        raise TrialError(f"expected giornata {version}, got {said}")
    yield said
    files = [str(shipped / name) for name in ("machines/boathouse.toml", "jobs/low-tide/job.toml")]
    checked = answer("giornata", "check", "--json", *files, cwd=home, env=env)
    yield f"checked {checked['machines'][0]['name']}, {checked['jobs'][0]['name']}"
    run("giornata", "schema", "--check", cwd=home, env=env)
    yield "schemas fresh"
    asked = run("giornata", "page", "--machine", files[0], "--state", home / "s", cwd=home, env=env, code=3)
    if "giornata[page]" not in asked:
        raise TrialError(f"expected the page's extra to be named, got: {asked}")
    yield "without the extra, page says what to install"
    run("giornata", "page", "--help", cwd=home, env=env)
    painted = answer("giornata", "demo", "--virtual", "--json", "--dir", home / "demo", cwd=home, env=env)
    states = [one["state"] for one in painted["passes"]]
    if states != ["finished"] * 3 or not Path(painted["report"]["html"]).is_file():
        raise TrialError(f"expected three finished passes and a report, got {states}")
    yield "demo painted in virtual time, report written"
    sheet = answer(
        "giornata", "today", files[1], "--machine", files[0], "--state", home / "today", "--json", cwd=home, env=env
    )  # fmt: skip
    yield f"sheet of {len(sheet['passes'])} passes"
    manual = folder / "venv" / "share" / "man" / "man1" / "giornata.1"
    if ".TH GIORNATA 1" not in manual.read_text():
        raise TrialError(f"expected the manual page at {manual}")
    yield "manual page installed"
