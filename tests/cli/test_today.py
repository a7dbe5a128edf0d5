"""``giornata today`` as a shell sees it: exit codes, JSON, the file it writes; nothing moves."""

from __future__ import annotations


def test_a_sheet_before_the_first_homing(shell) -> None:
    """Both passes, fresh pens, the page where it was asked for, what bars the day as a warning; nothing has run."""
    sheet = shell.folder / "wall" / "today.html"
    answer = shell.verb("today", shell.job, "--json", "--out", sheet, "--begin", "09:30", "--paper", "letter")
    assert answer.code == 0
    found = answer.json
    assert [(one["name"], one["fresh_pen"], one["goes_on"]) for one in found["passes"]] == [
        ("ochre-1", True, None),
        ("teal-1", True, None),
    ]
    assert found["barred"] == ["Never homed: giornata home."]
    assert found["begin"] == "09:30"
    assert found["file"] == str(sheet)
    text = sheet.read_text(encoding="utf-8")
    assert "size: letter portrait" in text
    assert "09:30" in text
    said = shell.verb("today", shell.job)
    assert said.code == 0
    assert "warning: Never homed" in said.err
    assert "teal-1" in said.out
    assert (shell.state / "reports" / "today-two-strokes.html").is_file()
    assert shell.runs == []
    assert shell.verb("today", shell.job, "--ink", "teal", "--json").json["passes"][0]["name"] == "teal-1"


def test_bad_input_is_two_and_writes_nothing(shell) -> None:
    """One clear message each, exit code 2, no page."""
    for wrong in (
        ("--hours", "0"), ("--hours", "nan"), ("--begin", "noon"), ("--paper", "a5"), ("--pass", "wing-1"),
        ("--ink", "wing"),
    ):  # fmt: skip
        answer = shell.verb("today", shell.job, *wrong)
        assert answer.code == 2, wrong
        assert "fault in the program" not in answer.err
    assert shell.verb("today", shell.folder / "none.toml").code == 2
    assert not list(shell.state.rglob("today-*.html"))


def test_a_folder_that_takes_no_page(shell) -> None:
    """The place for the page is a file already: told as the system says it, exit code 1 or 2, no half page."""
    (shell.folder / "wall").write_text("a file")
    answer = shell.verb("today", shell.job, "--out", shell.folder / "wall" / "today.html")
    assert answer.code in (1, 2)
    assert "wall" in answer.err
