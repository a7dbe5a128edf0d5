"""``giornata measure`` as a shell sees it: exit codes, JSON, what is said. Virtual time."""

from __future__ import annotations

from pathlib import Path

import pytest

from safety import latch

HALT = latch.Latch("stop-asked", "a person asked for it", "", latch.now_text(), 1, standstill="proved")


def test_line_in_json_and_in_words(shell) -> None:
    """One JSON object with figures by source and files that are there; without --json a table and the files' names."""
    assert shell.home().code == 0
    line = ("measure", "line", "--from", "300", "300", "--to", "500", "420")
    where = ("--machine", shell.machine, "--state", shell.state, "--virtual", "--yes")
    answer = shell.run(*line, *where, "--json")
    assert answer.code == 0
    said = answer.json
    assert (said["ok"], said["test"]["kind"], said["test"]["speed_mm_s"]) == (True, "line", 200.0)
    assert said["sources"] == ["motors", "model", "simulation"]
    figures = {one["figure"]: one for one in said["figures"]}
    assert figures["LS there"]["simulation"] < 0.01
    assert figures["apart"]["motors"] > 0.05
    for name in ("page", "figures", "readings"):
        assert Path(said["files"][name]).is_file()
    assert all(Path(plot).is_file() for plot in said["files"]["plots"])
    people = shell.run(*line, *where, "--out", shell.folder / "here")
    assert people.code == 0
    assert "LS there" in people.out
    assert f"page: {shell.folder / 'here' / 'line.html'}" in people.out
    assert "line from (300, 300) to (500, 420)" in people.err
    assert shell.verb("status", "--json").json["state"] == "registered"


def test_state_refuses(shell) -> None:
    """Never homed: exit 3 with the remedy, nothing ran. Latched: exit 3 with the reason."""
    circle = ("measure", "circle", "--machine", shell.machine, "--state", shell.state, "--virtual")
    answer = shell.run(*circle, "--json")
    assert answer.code == 3
    assert answer.json["error"]["remedy"] == "run giornata home"
    assert shell.runs == []
    latch.write(shell.state / "latch.json", HALT)
    refused = shell.run(*circle)
    assert refused.code == 3
    assert "stop-asked" in refused.err


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (("circle", "--radius", "20", "--speed", "300"), "speed: expected at most about 200 mm/s"),
        (("circle", "--radius", "0"), "--radius"),
        (("circle", "--centre", "0", "0", "--radius", "400"), "place: expected a way with axis"),
        (("axis", "--axis", "z"), "'z'"),
        (("axis",), "--axis"),
        (("axis", "--axis", "x", "--between", "500", "400"), "--between: expected a low and a higher place"),
        (("axis", "--axis", "x", "--repeats", "1"), "--repeats"),
        (("line", "--from", "1", "1", "--to", "1", "1"), "line: expected two ends"),
        (("line", "--from", "1", "1"), "--to"),
    ],
)
def test_bad_input_is_one_clear_message(shell, arguments: tuple[str, ...], said: str) -> None:
    """Exit 2, one message with the name of what is wrong; no state folder is made for it."""
    answer = shell.run("measure", *arguments, "--machine", shell.machine, "--state", shell.state, "--virtual")
    assert answer.code == 2
    assert said in answer.err
    assert answer.err.count("giornata:") == 1
    assert not shell.state.exists()
