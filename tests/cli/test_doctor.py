"""``giornata doctor`` as a shell sees it, against the simulated gantry as real processes. No promise about time."""

from __future__ import annotations

import pytest

from controller.session import doctor
from tests.cli.conftest import Shell

STATES = {"good", "could be better", "must be mended", "cannot tell"}


def test_the_simulated_gantry_is_looked_at(shell: Shell, monkeypatch: pytest.MonkeyPatch) -> None:
    """Both drives answer, nothing ran or moved, the wire is told to be simulated; 0 or 1 by what must be mended."""
    monkeypatch.setattr(doctor, "ROUNDS", 5)
    # Long enough for any computer: a drive that answers late is not silent.
    shell.edit(shell.machine, "heartbeat_ms = 40", "heartbeat_ms = 40\nsdo_timeout_s = 30.0")
    answer = shell.verb("doctor", "--seconds", "0.2", "--json")
    said = answer.json
    findings = {one["name"]: one for one in said["findings"]}
    assert said["simulated"]
    assert {one["state"] for one in findings.values()} <= STATES
    assert {"real-time scheduling", "timer latency", "wire load", "round trip x", "rate"} <= set(findings)
    assert findings["timer latency"]["figures"]["samples"]["value"] == 50
    assert findings["wire"]["state"] == "cannot tell"
    assert "simulated" in findings["wire"]["measured"]
    assert [(one["axis"], one["state"], one["trouble"]) for one in said["drives"]] == [
        ("x", "switch on disabled", ""),
        ("y", "switch on disabled", ""),
    ]
    must = any(one["state"] == "must be mended" for one in said["findings"])
    assert (answer.code, said["ok"], said["exit"]) == (int(must), not must, int(must))
    assert shell.runs == []


def test_words_for_people(shell: Shell) -> None:
    """Every finding on its line with its state, advice below, a count at the end; 1 when something must be mended."""
    port = shell.folder / "ttyACM9"
    shell.edit(shell.machine, 'channel = "simulated"', f'channel = "{port}"')
    text = shell.machine.read_text()
    shell.machine.write_text(text[: text.index("# What the simulated gantry")])
    answer = shell.verb("doctor", "--seconds", "0")
    assert answer.code == 1
    assert "must be mended" in answer.out
    assert "→ plug the adapter in" in answer.out
    assert answer.out.rstrip().splitlines()[-1].startswith("boathouse: ")
    assert "not measured: host, answers" in answer.out
    assert shell.run("doctor", "--machine", shell.folder / "none.toml").code == 2
