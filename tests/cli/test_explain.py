"""``giornata explain``: what it prints, and that errors and warnings lead to it."""

from __future__ import annotations

import json

import pytest

from controller.cli import console
from controller.cli.main import main
from controller.config.remedies import CAUTIONS, catalogue, entry_json, remedies


def test_an_entry_in_the_terminal(capsys: pytest.CaptureFixture[str]) -> None:
    """The whole entry is printed: meaning, causes, the caution before the steps, the steps, where to read more."""
    assert main(["explain", "homing-tooth-jump"]) == 0
    said = " ".join(capsys.readouterr().out.split())
    entry = remedies()["homing-tooth-jump"]
    places = [
        said.index(" ".join(words.split()))
        for words in (
            entry.says, entry.means, *entry.causes, CAUTIONS["hands"].text, *entry.steps, f"docs/{entry.read[0]}",
        )
    ]  # fmt: skip
    assert places == sorted(places)


def test_lines_fit_the_terminal(capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> None:
    """On a narrow terminal lines are folded, and none ends in blanks."""
    monkeypatch.setenv("COLUMNS", "60")
    assert main(["explain", "lease-out"]) == 0
    lines = capsys.readouterr().out.splitlines()
    assert max(map(len, lines)) <= 60
    assert all(line == line.rstrip() for line in lines)


def test_json_is_stable(capsys: pytest.CaptureFixture[str]) -> None:
    """Programs get every field by its name, the cautions with their words."""
    assert main(["explain", "lease-out", "--json"]) == 0
    answer = json.loads(capsys.readouterr().out)
    assert answer == json.loads(json.dumps({"ok": True, **entry_json(remedies()["lease-out"])}))
    assert set(answer) == {"ok", "code", "group", "says", "means", "causes", "steps", "read", "cautions"}
    assert answer["cautions"][0]["text"].startswith("Before a hand goes near belt")


def test_all_of_them_by_group(capsys: pytest.CaptureFixture[str]) -> None:
    """Without a code every entry is listed once, under its group; as JSON the same."""
    assert main(["explain"]) == 0
    told = capsys.readouterr().out
    lines = told.splitlines()
    firsts = [line.split()[0] for line in lines if line.startswith("  ")]
    assert firsts == list(remedies())
    assert [line for line in lines if line in catalogue().titles.values()] == list(
        catalogue().titles.values()
    )
    assert main(["explain", "--json"]) == 0
    answer = json.loads(capsys.readouterr().out)
    assert answer["count"] == len(remedies())
    assert [one["code"] for group in answer["groups"] for one in group["codes"]] == list(remedies())


def test_an_unknown_code_is_bad_input_with_the_nearest(capsys: pytest.CaptureFixture[str]) -> None:
    """A slip in a code is answered with the codes that are near it, as every bad argument with exit 2."""
    assert main(["explain", "not-homd", "--json"]) == 2
    error = json.loads(capsys.readouterr().out)["error"]
    assert error["code"] == "code-unknown"
    assert "not-homed" in error["mistakes"][0]["expected"]


def test_a_code_as_it_was_printed_is_taken(capsys: pytest.CaptureFixture[str]) -> None:
    """Brackets and capitals that came along when it was copied do no harm."""
    assert main(["explain", "[Not-Homed]"]) == 0
    assert capsys.readouterr().out.startswith("not-homed\n")


def test_a_bad_file_leads_to_its_entries(
    capsys: pytest.CaptureFixture[str], tmp_path_factory: pytest.TempPathFactory
) -> None:
    """Mistakes of several sorts: each sort is named once with the command that explains it; JSON has one at each."""
    path = tmp_path_factory.mktemp("job") / "job.toml"
    path.write_text('format = 1\nname = "LOW TIDE"\nartwork = 3\nink = 1\n')
    assert main(["check", str(path)]) == 2
    told = capsys.readouterr().err
    codes = [line.split()[-1] for line in told.splitlines() if "giornata explain" in line]
    assert {"file-text-refused", "file-unknown-field", "file-wrong-type"} <= set(codes)
    assert len(codes) == len(set(codes)) <= console.EXPLAINED
    assert main(["check", str(path), "--json"]) == 2
    error = json.loads(capsys.readouterr().out)["error"]
    assert {one["code"] for one in error["mistakes"]} >= set(codes)
    assert all(one["code"] in remedies() for one in error["mistakes"])


def test_a_warning_ends_with_its_code(capsys: pytest.CaptureFixture[str]) -> None:
    """What is warned of can be looked up as well."""
    console.warn("the sky is low", code="check-old")
    assert capsys.readouterr().err.rstrip().endswith("the sky is low [check-old]")
