"""``giornata identify`` as a shell sees it, on the simulated gantry in virtual time."""

from __future__ import annotations

from pathlib import Path

import pytest


def test_steps_through_a_session(shell) -> None:
    """Homed, driven, read back from the session's own log: the [twin] table's lag within its interval; state kept."""
    assert shell.home().code == 0
    where = ("--machine", shell.machine, "--state", shell.state, "--virtual", "--yes")
    answer = shell.run("identify", "steps", "--axis", "y", "--repeats", "2", *where, "--json")
    assert answer.code == 0
    said = answer.json
    lag, latency = said["measured"]
    # boathouse.toml, [twin.axes.y]: a lag of 8 ms, no latency; the file states the same, so nothing need change.
    assert lag["value"] == pytest.approx(8.0, abs=max(lag["half_width"], 0.02))
    assert latency["value"] == pytest.approx(0.0, abs=max(latency["half_width"], 0.02))
    assert Path(said["files"]["answer"]).is_file()
    assert all(Path(plot).is_file() for plot in said["files"]["plots"])
    assert shell.verb("status", "--json").json["state"] == "registered"
