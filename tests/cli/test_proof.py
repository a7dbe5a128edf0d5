"""The verb ``proof`` as a shell runs it: answers, files and exit codes."""

from __future__ import annotations

from pathlib import Path

from .conftest import Shell


def test_proof_prepares_where_needed_and_answers(shell: Shell) -> None:
    """A job that was never prepared is, and its proof is in the state's folder; nothing has moved."""
    answer = shell.verb("proof", shell.job)
    assert answer.code == 0
    assert "coverage" in answer.out
    assert "ochre" in answer.out
    page = shell.state / "proofs" / "two-strokes" / "index.html"
    assert str(page) in answer.out.replace("\n", "")
    assert page.is_file()
    assert shell.runs == []


def test_proof_in_json(shell: Shell, tmp_path: Path) -> None:
    """One JSON object with coverage by ink, gaps and files; a circle's line of 5 mm radius covers 2 pi r w."""
    answer = shell.verb(
        "proof", shell.job, "--json", "--out", tmp_path / "p", "--px-per-mm", 2, "--register-error", 2
    )
    assert answer.code == 0
    told = answer.json
    assert told["ok"] is True
    assert told["px_per_mm"] == 2.0
    ochre = next(one for one in told["coverage"] if one["ink"] == "ochre")
    assert abs(ochre["wanted_mm2"] - 40.0 * 3.14159265) < 1.0
    assert ochre["covered_share"] > 0.999
    assert told["gaps"]["area_most_mm2"] == 0.0
    assert Path(told["files"]["page"]).is_file()
    assert told["files"]["gaps_png"] is None


def test_bad_options_are_bad_input(shell: Shell, tmp_path: Path) -> None:
    """Exit code 2, one line with option, expected and got; nothing is written."""
    for option, value, words in (
        ("--px-per-mm", "-3", "--px-per-mm: expected a number above 0, got -3"),
        ("--register-error", "0", "--register-error: expected mm above 0, up to 100, got 0"),
    ):
        answer = shell.verb("proof", shell.job, "--out", tmp_path / "p", option, value)
        assert answer.code == 2
        assert words in answer.err
        assert not (tmp_path / "p").exists()


def test_a_missing_job_is_bad_input(shell: Shell) -> None:
    """The file is named."""
    answer = shell.verb("proof", shell.folder / "none.toml")
    assert answer.code == 2
    assert "none.toml" in answer.err


def test_a_foreign_folder_is_left_alone(shell: Shell, tmp_path: Path) -> None:
    """A folder that holds something else is not written to."""
    place = tmp_path / "photos"
    place.mkdir()
    (place / "heron.txt").write_text("keep me")
    answer = shell.verb("proof", shell.job, "--out", place)
    assert answer.code == 2
    assert "left alone" in answer.err
    assert [path.name for path in place.iterdir()] == ["heron.txt"]
