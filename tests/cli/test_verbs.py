"""The verbs as a shell sees them: exit codes, JSON, what is said. Virtual time."""

from __future__ import annotations

import os
from dataclasses import replace

import pytest

from controller.session.service import StoppedError
from safety import latch
from safety.client import GuardSilentError

HALT = latch.Latch("stop-asked", "a person asked for it", "", latch.now_text(), 1, standstill="proved")


def test_prepare_home_paint_status(shell) -> None:
    """The ordinary day answers with one JSON object a verb, exit 0, and status tells what was done."""
    prepared = shell.verb("prepare", shell.job, "--json")
    assert prepared.code == 0
    assert [ink["strokes"] for ink in prepared.json["inks"]] == [1, 1]
    before = shell.verb("status", "--json").json
    assert (before["state"], before["registered"], before["why"]) == ("unregistered", False, "never homed")
    homed = shell.home("--json")
    assert homed.code == 0
    assert {row["axis"] for row in homed.json["homings"]} == {"x", "y"}
    painted = shell.paint("--json")
    assert painted.code == 0
    assert [(one["ink"], one["state"], one["strokes"]) for one in painted.json["passes"]] == [
        ("ochre", "finished", 1),
        ("teal", "finished", 1),
    ]
    status = shell.verb("status", "--json").json
    assert (status["state"], status["registered"]) == ("registered", True)
    assert [one["strokes_finished"] for one in status["passes"]] == [1, 1]


def test_prepare_says_what_passes_come_to(shell) -> None:
    """Totals and passes as JSON; the table for people is no wider than 80 columns and names limits that are passed."""
    text = shell.job.read_text()
    shell.job.write_text(text.replace("tip_mm = 4.0\n", "tip_mm = 4.0\npen_metres = 0.02\n", 1))
    answer = shell.verb("prepare", shell.job, "--json").json
    first, second = answer["passes"]
    assert (first["name"], first["too_long"], second["name"], second["cut_by"]) == (
        "ochre-1",
        True,
        "teal-1",
        "end",
    )
    assert answer["totals"]["pens"] == 2
    assert answer["totals"]["pen_changes"] == 1
    assert answer["totals"]["breaks_minutes"] == 5.0
    assert answer["totals"]["minutes"] * 60.0 == sum(one["ticks"] for one in answer["passes"]) * 0.004
    said = shell.verb("prepare", shell.job)
    assert max(map(len, said.out.split("prepared in")[0].splitlines())) <= 80
    assert "ochre-1" in said.out
    assert "1 pen changes" not in said.out
    assert "1 pen change;" in said.out
    assert "warning: ochre-1: a stroke of 0.0 m" in said.err


def test_paint_one_pass_by_name(shell) -> None:
    """--pass paints that pass; an unknown name is bad input that lists the passes there are."""
    shell.home()
    wrong = shell.paint("--pass", "teal-7")
    assert wrong.code == 2
    assert "one of ochre-1, teal-1" in wrong.err
    painted = shell.paint("--pass", "teal-1", "--json")
    assert [(one["name"], one["ink"]) for one in painted.json["passes"]] == [("teal-1", "teal")]
    assert "two-strokes teal-1: finished, 1 of 1 strokes" in shell.verb("status").out


def test_words_for_people(shell) -> None:
    """Without --json the same verbs print tables and lines on the right streams."""
    assert "prepared in" in shell.verb("prepare", shell.job).out
    homed = shell.home()
    assert homed.out == ""
    assert "spread" in homed.err
    painted = shell.paint("--ink", "teal")
    assert "teal" in painted.out
    assert "ochre" not in painted.out
    assert "boathouse: registered" in shell.verb("status").out


def test_stop_without_a_guard(shell) -> None:
    """With nothing running, stop says so and points at the emergency stop; exit 3."""
    answer = shell.verb("stop", "--json")
    assert answer.code == 3
    assert "no guard runs" in answer.json["error"]["reason"]
    assert "emergency stop" in answer.json["error"]["remedy"]


@pytest.mark.parametrize(
    "verb",
    [
        ("home", "--virtual", "--yes"),
        ("paint", "JOB", "--virtual", "--yes"),
        ("prepare", "JOB"),
        ("marks", "JOB", "--virtual"),
        ("measure", "circle", "--virtual", "--yes"),
        ("identify", "steps", "--axis", "x", "--virtual", "--yes"),
        ("commission", "--virtual"),
        ("serve", "--virtual"),
        ("doctor",),
        ("trace", "on"),
        ("pause",),
        ("pause", "--then", "go-on"),
        ("status", "--follow"),
    ],
    ids=" ".join,
)
def test_a_state_folder_too_deep_for_sockets_is_refused_at_once(
    shell, monkeypatch: pytest.MonkeyPatch, verb: tuple[str, ...]
) -> None:
    """Every verb that opens a session or speaks to one says so before it prepares, asks or makes anything.

    The limit is the kernel's (unix(7): sun_path has 108 bytes, the last of them zero).
    """

    def planned(*_: object, **__: object) -> None:
        raise AssertionError("planned for a folder in which no session can open")

    monkeypatch.setattr("controller.session.verbs.prepare", planned)
    monkeypatch.setattr("controller.session.prepare.prepare", planned)
    deep = shell.folder / ("d" * 120)
    words = [shell.job if word == "JOB" else word for word in verb]
    answer = shell.run(*words, "--machine", shell.machine, "--state", deep)
    assert answer.code == 2
    assert "107 bytes" in answer.err
    assert f"{len(os.fsencode(deep / 'run' / 'control.sock'))} bytes" in answer.err
    assert str(deep) in answer.err.replace("\n", "")
    assert not deep.exists()


def test_a_stop_is_never_refused_for_a_folder_too_deep(shell) -> None:
    """Where no session can be there is nobody to stop it: said as ever, gently or not, with the emergency stop."""
    deep = shell.folder / ("d" * 120)
    for how in ((), ("--gently",)):
        answer = shell.run("stop", *how, "--machine", shell.machine, "--state", deep)
        assert answer.code == 3
        assert "emergency stop" in answer.err


def test_a_stop_before_anything_moved_says_so(shell, monkeypatch: pytest.MonkeyPatch) -> None:
    """Stop and status say that nothing had been told to move, and no more: standstill is not proved."""
    told = "nothing had been told to move"
    said: dict[str, object] = {
        "stopped": True,
        "sent": True,
        "latch": "latch.json",
        "standstill": "pending",
        "lease": "never given",
    }
    monkeypatch.setattr("safety.client.request_stop", lambda *_: dict(said))
    assert told in shell.verb("stop").out
    assert shell.verb("stop", "--json").json["lease"] == "never given"
    for other in ("held", "", None):
        said["lease"] = other
        assert told not in shell.verb("stop").out
    standing = replace(
        HALT, standstill="not proved", doubt="no position came from axis x", lease="never given"
    )
    latch.write(shell.state / "latch.json", standing)
    lines = shell.verb("status").out
    assert "standstill not proved: no position came from axis x; " in lines
    assert told in lines
    assert "look whether both axes stand" in lines
    found = shell.verb("status", "--json").json["latch"]
    assert (found["standstill"], found["lease"]) == ("not proved", "never given")


def test_a_stop_of_which_a_half_is_missing_is_not_called_one(shell, monkeypatch: pytest.MonkeyPatch) -> None:
    """No bytes on the wire is a wire's failure, no latch on the disk the system's: told first, with what to do."""
    said: dict[str, object] = {
        "stopped": True,
        "sent": False,
        "latch": "latch.json",
        "wire_error": "no such device",
    }
    monkeypatch.setattr("safety.client.request_stop", lambda *_: dict(said))
    answer = shell.verb("stop")
    assert answer.code == 5
    assert "no stop bytes could be sent (no such device) but the latch stands" in answer.err
    assert "emergency stop" in answer.err
    assert "stopped" not in answer.out
    assert shell.verb("stop", "--json").json["error"]["code"] == "stop-unsent"
    said.update(sent=True, latch_error="disk full")
    answer = shell.verb("stop")
    assert answer.code == 1
    assert "stop bytes are out but the latch could not be written (disk full)" in answer.err
    assert "explain stop-unlatched" in answer.err
    said.update(sent=False)
    answer = shell.verb("stop")
    assert answer.code == 5
    assert "and the latch could not be written" in answer.err


def test_a_stop_that_a_guard_does_not_answer_says_that_the_machine_may_be_moving(
    shell, monkeypatch: pytest.MonkeyPatch
) -> None:
    """That is no refusal by the machine's state, after which nothing moves."""

    def silent(*_: object) -> dict[str, object]:
        raise GuardSilentError("stop.sock: the guard does not answer within 2 s")

    monkeypatch.setattr("safety.client.request_stop", silent)
    answer = shell.verb("stop")
    assert answer.code == 1
    assert "the machine may be moving: use its emergency stop" in answer.err
    assert "no session of ours" not in answer.err
    assert "explain guard-unanswered" in answer.err


@pytest.mark.parametrize("as_json", [True, False])
def test_what_a_person_stopped_ends_with_130_in_words_and_as_json(
    shell, monkeypatch: pytest.MonkeyPatch, as_json: bool
) -> None:
    """Words as they are, brackets of a reason too; one JSON object; for painting with what goes on."""
    words = "stop asked for: [tea] by Ada"

    async def stopped(*_: object, **__: object) -> None:
        raise StoppedError(words)

    monkeypatch.setattr("controller.session.remote.home", stopped)
    monkeypatch.setattr("controller.session.remote.paint", stopped)
    for verb, said in ((shell.home, words), (shell.paint, f"{words}; giornata paint goes on from there")):
        answer = verb("--json") if as_json else verb()
        assert answer.code == 130
        assert said in answer.err
        if as_json:
            shown = answer.json
            assert (shown["ok"], shown["exit"], shown["stopped"]) == (False, 130, words)


def test_latch_refuses_until_cleared_by_its_reason(shell) -> None:
    """A latch refuses home and paint by its reason; clear wants that very code, then homing is due."""
    assert shell.home().code == 0
    latch.write(shell.state / "latch.json", HALT)
    for refused in (shell.paint(), shell.home()):
        assert refused.code == 3
        assert "stopped: a person asked for it (stop-asked)" in refused.err
    assert shell.verb("status", "--json").json["latch"]["reason"] == "stop-asked"
    assert shell.verb("clear", "--reason", "lease-out", "--by", "Ada").code == 3
    cleared = shell.verb("clear", "--reason", "stop-asked", "--by", "Ada", "--json")
    assert cleared.code == 0
    assert cleared.json["next"] == "giornata home"
    refused = shell.paint()
    assert refused.code == 3
    assert "giornata home" in refused.err
    assert shell.home().code == 0
    assert shell.paint().code == 0


def test_clear_asks_a_person(shell, monkeypatch: pytest.MonkeyPatch) -> None:
    """Without --reason and without a terminal nobody can have looked: refused, the latch stands."""
    assert shell.verb("clear").code == 3
    latch.write(shell.state / "latch.json", HALT)
    answer = shell.verb("clear")
    assert answer.code == 3
    assert "--reason stop-asked" in answer.err
    assert (shell.state / "latch.json").exists()


def test_paint_without_terminal_needs_yes(shell) -> None:
    """Pens are loaded by people: without a terminal and without --yes nothing is painted."""
    assert shell.home().code == 0
    answer = shell.verb("paint", shell.job, "--virtual")
    assert answer.code == 3
    assert "--yes" in answer.err
    assert shell.runs == ["0001-homing"]


def test_stale_preparation_is_made_anew(shell) -> None:
    """paint notices that the artwork changed since prepare, says so, and paints the new one."""
    assert shell.home().code == 0
    assert shell.verb("prepare", shell.job).code == 0
    shell.edit(shell.folder / "two.svg", "M 10 40 L 60 40", "M 10 40 L 70 40")
    painted = shell.paint("--ink", "teal", "--json")
    assert painted.code == 0
    assert painted.json["passes"][0]["metres"] == pytest.approx(0.06)


def test_demo_in_virtual_time(shell) -> None:
    """The demonstration runs whole in virtual time, answers in JSON and leaves report and picture."""
    folder = shell.folder / "d"
    answer = shell.run("demo", "--virtual", "--dir", folder, "--json")
    assert answer.code == 0
    shown = answer.json
    assert shown["clock"] == "virtual"
    assert len(shown["passes"]) >= 2
    assert sum(one["strokes"] for one in shown["passes"]) >= 60
    assert (folder / "twin" / "canvas.png").is_file()
    told = shown["mqtt"]
    assert told["messages"]["progress"] > 0, "the broker beside it has heard of the passes"
    assert {"painting", "registered"} <= set(told["states"])
    assert told["progress"]["what"] in {one["name"] for one in shown["passes"]}
    assert shell.run("demo", "--virtual", "--dir", shell.folder).code == 2
    other = shell.run("demo", "--wire", "string", "--dir", folder)
    assert other.code == 2
    assert "--wire: expected one of can, modbus, described-can, described-serial, got string" in other.err
    assert shell.job.exists()
