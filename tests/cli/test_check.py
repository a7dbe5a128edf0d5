"""The command line's base: check, schema, exit codes, JSON, and a quick start."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
import typer

from controller.cli import main as cli
from controller.cli.console import Exit, emit, report_error
from controller.cli.main import main
from controller.config.errors import HaltedError, InputError, Mistake, RefusedError
from controller.config.places import shipped
from controller.config.remedies import remedies
from drivers.errors import FaultError, LinkError, MisuseError

BOATHOUSE = str(shipped("machines/boathouse.toml"))
JOB = """
format = 1
name = "evening"
artwork = "evening.svg"
origin_mm = [100.0, 80.0]

[[inks]]
name = "moon"
group = "ink-moon"
colour = "#f4e9c1"
tip_mm = 3.0
"""
SVG = """<svg xmlns="http://www.w3.org/2000/svg" width="90mm" height="60mm" viewBox="0 0 90 60">
<g id="ink-moon"><circle id="moon" cx="20" cy="20" r="9" fill="#f4e9c1"/></g></svg>
"""


@pytest.fixture
def job(tmp_path: Path) -> Path:
    """A job file with its artwork."""
    (tmp_path / "evening.svg").write_text(SVG)
    path = tmp_path / "job.toml"
    path.write_text(JOB)
    return path


def spoiled(tmp_path: Path, *changes: tuple[str, str]) -> str:
    """A copy of the shipped machine with text replaced."""
    text = Path(BOATHOUSE).read_text(encoding="utf-8")
    for old, new in changes:
        assert old in text
        text = text.replace(old, new, 1)
    path = tmp_path / "machine.toml"
    path.write_text(text, encoding="utf-8")
    return str(path)


def test_check_prints_the_derived_numbers(capsys: pytest.CaptureFixture[str], job: Path) -> None:
    """A good machine and job: a table of each on standard output, silence on standard error, exit code 0."""
    assert main(["check", BOATHOUSE, str(job)]) == 0
    said = capsys.readouterr()
    for words in ("machine boathouse", "5400", "106.8", "795.36", "24.5", "job evening", "moon", "#f4e9c1"):
        assert words in said.out
    assert said.err == ""


def test_check_as_json(capsys: pytest.CaptureFixture[str], job: Path) -> None:
    """With --json, standard output is one object that holds every number, exact counts as a fraction too."""
    assert main(["check", "--json", BOATHOUSE, str(job)]) == 0
    answer = json.loads(capsys.readouterr().out)
    (machine,) = answer["machines"]
    assert answer["ok"] is True
    assert machine["axes"]["x"]["counts_per_mm_exact"] == "5400"
    assert machine["axes"]["y"]["energy_j"] == pytest.approx(0.9)
    assert machine["warnings"] == []
    assert answer["jobs"][0]["inks"][0]["spiral_step_mm"] == pytest.approx(2.4)
    assert machine["axes"]["x"]["canvas_mm"] == [200.0, 3200.0]
    assert machine["axes"]["x"]["stretch_mm"] is None
    assert machine["axes"]["y"]["take_up_ms"] == pytest.approx(14.1421, abs=1e-3)
    assert machine["jerk_ms"] == pytest.approx(8.0)
    assert [dot["radius_mm"] for dot in machine["dots"]] == [2.0, 5.0]


def test_check_shows_what_belt_and_tables_make(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    """A machine with a belt, a crooked plane and a loose pen: its numbers in the table, its warnings apart."""
    path = spoiled(
        tmp_path,
        ("[trim]", "[geometry]\nsquareness_mm_m = 2.0\n\n[pen]\nlean_mm = [0.7, 0.0]\n\n[trim]"),
        ("[axes.y]", "[axes.x.belt]\nposition_mm = [0.0]\nfrequency_hz = [10.0]\n\n[axes.y]"),
    )
    assert main(["check", path]) == 0
    said = capsys.readouterr()
    for words in ("belt gives at full acceleration", "0.507", "stiff", "195.9", "3199.7", "2.78", "63.25"):
        assert words in said.out
    for words in ("axes.x.belt.frequency_hz", "axes.x.acceleration_max_mm_s2", "pen.lean_mm"):
        assert words in said.err


def test_check_refuses_a_crooked_table(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    """True places in the column of errors: one line with file, field, expected and got, exit code 2 (bad input)."""
    table = "[axes.x.length_table]\nposition_mm = [0.0, 1000.0]\nerror_mm = [0.0, 1000.4]\n\n[axes.y]"
    path = spoiled(tmp_path, ("[axes.y]", table))
    assert main(["check", path]) == 2
    (line,) = [line for line in capsys.readouterr().err.splitlines() if "length_table" in line]
    assert line.endswith(
        "axes.x.length_table.error_mm: expected a change of at most 10 mm a metre along position_mm, "
        "got 1000 mm a metre between 0 and 1000 mm"
    )


def test_warnings_do_not_fail(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    """A machine beyond its stated limits is warned of on standard error; the answer stands and the code is 0."""
    path = spoiled(tmp_path, ("kinetic_energy_max_j = 10.0", "kinetic_energy_max_j = 1.0"))
    assert main(["check", path]) == 0
    said = capsys.readouterr()
    assert "warning: " in said.err
    assert "kinetic_energy_max_j" in said.err
    assert "machine boathouse" in said.out
    assert main(["check", "--json", path]) == 0
    said = capsys.readouterr()
    assert json.loads(said.out)["machines"][0]["warnings"][0]["where"] == "axes.x.moving_mass_kg"


def test_check_lists_what_no_ink_paints(capsys: pytest.CaptureFixture[str], job: Path) -> None:
    """Text and shapes of colours that no ink has are named before anything is prepared, with and without --json."""
    more = '<text id="sign">LOW TIDE</text><circle id="buoy" cx="60" cy="20" r="9" fill="#c04040"/></svg>'
    job.with_name("evening.svg").write_text(SVG.replace("</svg>", more))
    assert main(["check", str(job)]) == 0
    assert "not painted: sign (text)" in capsys.readouterr().err
    by_colour = JOB.replace('group = "ink-moon"\n', "").replace(
        "format = 1", 'format = 1\nunmatched = "skip"'
    )
    job.write_text(by_colour)
    assert main(["check", "--json", str(job)]) == 0
    skipped = json.loads(capsys.readouterr().out)["jobs"][0]["skipped"]
    assert {(one["element_id"], one["what"]) for one in skipped} == {("sign", "text"), ("buoy", "ink")}
    job.write_text(by_colour.replace('unmatched = "skip"\n', ""))
    assert main(["check", str(job)]) == Exit.BAD_INPUT
    assert "buoy" in capsys.readouterr().err


def test_all_mistakes_of_all_files(capsys: pytest.CaptureFixture[str], tmp_path: Path, job: Path) -> None:
    """Mistakes of every file come in one answer, each with its file; nothing is printed as if it were good."""
    machine = spoiled(tmp_path, ("tick_us = 4000", "tick_us = 4"), ("seed = 7", 'seed = "7"'))
    job.write_text(JOB.replace("evening.svg", "morning.svg"))
    gone = str(tmp_path / "gone.toml")
    assert main(["check", machine, str(job), gone]) == Exit.BAD_INPUT
    said = capsys.readouterr()
    assert said.out == ""
    for words in (f"{machine}: tick_us:", f"{machine}: twin.seed:", f"{job}: artwork:", f"{gone}: file:"):
        assert words in said.err


def test_a_state_folder_too_deep_for_sockets_is_a_mistake(
    capsys: pytest.CaptureFixture[str], tmp_path: Path, job: Path
) -> None:
    """check says it, not only the session that could not open: folder, length and limit, beside all other mistakes.

    The limit is the kernel's (unix(7): sun_path has 108 bytes, the last of them zero).
    """
    deep = tmp_path / ("d" * 120)
    machine = spoiled(tmp_path, ("seed = 7", 'seed = "7"'))
    assert main(["check", machine, BOATHOUSE, str(job), "--state", str(deep), "--json"]) == Exit.BAD_INPUT
    said = capsys.readouterr()
    mistakes = {one["code"]: one for one in json.loads(said.out)["error"]["mistakes"]}
    assert set(mistakes) == {"file-wrong-type", "state-path-long"}
    found = mistakes["state-path-long"]
    longest = len(os.fsencode(deep / "run" / "control.sock"))
    assert found["file"] == str(deep)
    assert "107 bytes" in found["expected"]
    assert f"{longest} bytes" in found["got"]
    assert "--state" in said.err
    assert not deep.exists()
    assert main(["check", BOATHOUSE, "--state", str(tmp_path / "s")]) == 0


def test_mistakes_as_json(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    """With --json a refusal is one object on standard output, and the words are on standard error as well."""
    path = spoiled(tmp_path, ("tick_us = 4000", "tick_us = true"))
    assert main(["check", path, "--json"]) == Exit.BAD_INPUT
    said = capsys.readouterr()
    answer = json.loads(said.out)
    assert (answer["ok"], answer["exit"], answer["error"]["kind"]) == (False, 2, "input")
    assert answer["error"]["mistakes"] == [
        {
            "file": path,
            "where": "tick_us",
            "expected": "a whole number",
            "got": "true",
            "code": "file-wrong-type",
        }
    ]
    assert "tick_us: expected a whole number, got true" in said.err


def test_job_and_machine_are_compared(capsys: pytest.CaptureFixture[str], job: Path) -> None:
    """A job that begins off the canvas is fine by itself and refused beside the machine."""
    job.write_text(JOB.replace("[100.0, 80.0]", "[3100.0, 80.0]"))
    assert main(["check", str(job)]) == 0
    assert main(["check", str(job), BOATHOUSE]) == Exit.BAD_INPUT
    assert "origin_mm: expected a place on the canvas of boathouse" in capsys.readouterr().err


@pytest.mark.parametrize("arguments", [[], ["check"], ["check", "--speed", "x"], ["nonsense"], ["schema"]])
def test_usage_errors_are_bad_input(capsys: pytest.CaptureFixture[str], arguments: list[str]) -> None:
    """A wrong call is answered with exit code 2 and words, and starts nothing."""
    assert main(arguments) == Exit.BAD_INPUT
    said = capsys.readouterr()
    assert "giornata" in said.out + said.err


def test_usage_error_as_json(capsys: pytest.CaptureFixture[str]) -> None:
    """A wrong call with --json is JSON too."""
    assert main(["check", "--json"]) == Exit.BAD_INPUT
    assert json.loads(capsys.readouterr().out)["error"]["kind"] == "usage"


def test_version(capsys: pytest.CaptureFixture[str]) -> None:
    """--version prints name and version and nothing else."""
    assert main(["--version"]) == 0
    name, version = capsys.readouterr().out.split()
    assert name == "giornata"
    assert version[0].isdigit()


def test_help_tells_the_exit_codes(capsys: pytest.CaptureFixture[str]) -> None:
    """The help of the whole names every exit code."""
    assert main(["--help"]) == 0
    text = capsys.readouterr().out
    for code in Exit:
        assert str(int(code)) in text


def table(text: str, heading: str) -> list[list[str]]:
    """Rows of the Markdown table whose first column is called ``heading``."""
    lines = text.splitlines()
    start = next(n for n, line in enumerate(lines) if line.startswith(f"| {heading} |")) + 2
    rows = []
    for line in lines[start:]:
        if not line.startswith("|"):
            break
        rows.append([cell.strip() for cell in line.strip("|").split("|")])
    return rows


def test_readme_tells_the_truth_about_commands() -> None:
    """README's tables hold exactly the verbs and exit codes that there are."""
    readme = (Path(__file__).parents[2] / "README.md").read_text(encoding="utf-8")
    told = {row[0].strip("`").split()[1] for row in table(readme, "command")}
    assert told == {verb.__name__ for verb in cli.VERBS} | {group.info.name for group in cli.GROUPS}
    assert [int(row[0]) for row in table(readme, "exit code")] == sorted(Exit)


@pytest.mark.parametrize("verb", sorted(verb.__name__ for verb in cli.VERBS))
def test_every_verb_explains_itself(capsys: pytest.CaptureFixture[str], verb: str) -> None:
    """Every verb has a help of its own, and takes --json; service and page, which only serve, have no end to report."""
    assert main([verb, "--help"]) == 0
    text = capsys.readouterr().out
    assert f"giornata {verb}" in text
    assert {"serve": "--log", "page": "--port"}.get(verb, "--json") in text


@pytest.mark.parametrize(
    ("error", "code", "kind"),
    [
        (InputError([Mistake(Path("a.toml"), "x", "y", "z", code="file-out-of-range")]), 2, "input"),
        (typer.BadParameter("expected more"), 2, "usage"),
        (RefusedError("a stop is latched", "Clear it", code="latched"), 3, "refused"),
        (HaltedError("the guard stopped the axes", "Clear it and home", code="lease-out"), 4, "halted"),
        (LinkError("wire", "an answer", "silence"), 5, "link"),
        (FaultError("axis x", "no fault", "2310h"), 5, "fault"),
        (MisuseError("axis x", "two values", "three"), 1, "misuse"),
        (PermissionError(13, "Permission denied", "journal.sqlite"), 1, "system"),
        (KeyboardInterrupt(), 130, "interrupted"),
        (ZeroDivisionError("division by zero"), 1, "internal"),
    ],
    ids=lambda value: type(value).__name__ if isinstance(value, BaseException) else None,
)
def test_every_error_has_its_code(
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
    error: BaseException,
    code: int,
    kind: str,
) -> None:
    """An error out of a verb becomes its exit code, words on standard error, JSON on standard output."""

    def call(*_arguments: Any, **_options: Any) -> None:
        raise error

    monkeypatch.setattr(cli, "app", call)
    assert main(["check", "x"]) == code
    said = capsys.readouterr()
    assert said.err.startswith("giornata: ")
    assert "Traceback" not in said.err
    assert said.out == ""
    assert main(["check", "x", "--json"]) == code
    answer = json.loads(capsys.readouterr().out)
    assert (answer["exit"], answer["error"]["kind"]) == (code, kind)
    # What it is explained by is an entry, told in words and in JSON alike.
    explained = said.err.rstrip().rpartition("giornata explain ")[2]
    assert answer["error"]["code"] == explained
    assert explained in remedies()


def test_remedies_are_told(capsys: pytest.CaptureFixture[str]) -> None:
    """A refusal comes with what to do next, in words and in JSON."""
    report_error(
        RefusedError("a stop is latched", "Look at the machine, then clear it", code="latched"), as_json=True
    )
    said = capsys.readouterr()
    assert "Look at the machine" in said.err
    assert json.loads(said.out)["error"]["remedy"] == "Look at the machine, then clear it"


def test_markup_in_a_message_is_plain_text(capsys: pytest.CaptureFixture[str]) -> None:
    """Brackets in file contents are shown as they are, not taken for colours."""
    mistake = Mistake(Path("a.toml"), "[red]", "[/] closed", "[bold]", code="exit-2")
    report_error(InputError([mistake]), as_json=False)
    assert "a.toml: [red]: expected [/] closed, got [bold]" in capsys.readouterr().err


def test_json_holds_no_infinity() -> None:
    """What is no JSON number (RFC 8259, section 6) is never printed as one."""
    with pytest.raises(ValueError, match="JSON"):
        emit({"speed": float("inf")})


def test_argument_named_like_the_option(capsys: pytest.CaptureFixture[str]) -> None:
    """After a double dash ``--json`` is a file name, not a wish."""
    assert main(["check", "--", "--json"]) == Exit.BAD_INPUT
    said = capsys.readouterr()
    assert said.out == ""
    assert "--json: file:" in said.err


def test_schema_check_and_write(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    """schema --check exits 1 while files are stale, --write mends them, then --check exits 0."""
    folder = ["--folder", str(tmp_path / "schemas")]
    assert main(["schema", "--check", *folder]) == Exit.FAILED
    assert "stale" in capsys.readouterr().out
    assert main(["schema", "--write", *folder]) == 0
    capsys.readouterr()
    assert main(["schema", "--check", "--json", *folder]) == 0
    assert json.loads(capsys.readouterr().out) == {"ok": True, "stale": []}


HEAVY = (
    "numpy",
    "numba",
    "matplotlib",
    "canopen",
    "can",
    "scipy",
    "svgelements",
    "PIL",
    "pydantic",
    "asyncio",
)


def test_start_imports_nothing_heavy() -> None:
    """``giornata --help`` does not pay for what it does not use.

    The check first sees that it would notice: the interpreter that imported numpy says so.
    """
    script = (
        "import sys\n{extra}\nfrom controller.cli.main import main\n"
        "code = main(['--help'])\n"
        f"print('LOADED', *[name for name in {HEAVY!r} if name in sys.modules], file=sys.stderr)\nsys.exit(code)"
    )
    for extra, expected in (("", "LOADED"), ("import numpy", "LOADED numpy")):
        done = subprocess.run(
            [sys.executable, "-c", script.format(extra=extra)], capture_output=True, text=True, timeout=60
        )
        assert done.returncode == 0
        assert done.stderr.strip() == expected


def test_a_reader_that_goes_away_is_no_traceback() -> None:
    """When the reader of the answer closes early (``giornata check ... | head -0``), nothing is spilled."""
    script = "import sys; from controller.cli.main import main; sys.exit(main())"
    with subprocess.Popen(
        [sys.executable, "-c", script, "check", BOATHOUSE],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    ) as process:
        assert process.stdout is not None
        assert process.stderr is not None
        process.stdout.close()
        said = process.stderr.read()
    assert process.returncode == Exit.FAILED
    assert "Traceback" not in said
