"""Pens, upkeep and mends as a shell sees them: exit codes, JSON, what is said. Virtual time."""

from __future__ import annotations

import shlex

import pytest

from controller.report.painted import load_painted


def test_pens_stock_and_upkeep_after_a_day(shell) -> None:
    """Two inks painted: a pen each with its metres; stock counts down; upkeep has every run; tables fit 100 columns."""
    assert shell.verb("pens", "--json").json["pens"] == []
    assert "not moved" in shell.verb("maintenance").out
    shell.home()
    assert shell.verb("pens", "--stock", "teal=1", "--stock", "ochre=3", "--json").json["left"] == {
        "teal": 1,
        "ochre": 3,
    }
    shell.paint()
    answer = shell.verb("pens", "--json").json
    assert [(one["pen"]["ink"], one["is_last"]) for one in answer["pens"]] == [
        ("ochre", True),
        ("teal", True),
    ]
    assert answer["left"] == {"teal": 0, "ochre": 2}
    done = {one["name"]: one["metres"] for one in shell.verb("prepare", shell.job, "--json").json["inks"]}
    for one in answer["pens"]:
        assert one["metres"] == pytest.approx(done[one["pen"]["ink"]])
        assert one["down_s"] > 0.0
        assert one["up_since_ms"] is not None
    said = shell.verb("pens")
    assert said.code == 0
    assert "0 unused teal pens left" in said.err
    upkeep = shell.verb("maintenance", "--json").json
    assert upkeep["runs"] == 5  # homing, and homing and painting for each ink
    assert {one["part"]: one["total"] > 0 for one in upkeep["parts"]} == dict.fromkeys(
        ("belt-x", "belt-y", "pulleys-x", "pulleys-y", "guides", "drives", "head"), True
    )
    shell.edit(shell.machine, "[canvas]", "[maintenance]\nbelt_metres = 0.001\n\n[canvas]")
    assert "warning: inspect belt of x" in shell.verb("maintenance").err
    assert "inspect belt of x" in shell.paint("--ink", "teal", "--again").err, "and told when painting begins"
    after = shell.verb("maintenance", "--inspected", "belt-x", "--inspected", "belt-y", "--json").json
    assert after["reminders"] == []
    assert shell.verb("maintenance", "--inspected", "wing").code == 2


def test_a_measured_line_is_prepared_by_and_reminders_leave_plans_alone(shell) -> None:
    """[maintenance] changes no plan; a line measured 25 % wider changes its ink's tip and no other ink's plan."""
    shell.home()
    shell.paint("--ink", "teal")
    first = shell.verb("prepare", shell.job, "--json").json
    shell.edit(shell.machine, "[canvas]", "[maintenance]\nbelt_metres = 5000\n\n[canvas]")
    again = shell.verb("prepare", shell.job, "--json").json
    assert [one["plan_key"] for one in again["passes"]] == [one["plan_key"] for one in first["passes"]]
    (old,) = [one for one in first["passes"] if one["ink"] == "teal"]
    assert shell.verb("pens", "--width", f"teal={old['tip_mm'] * 1.25}").code == 0
    said = shell.verb("prepare", shell.job)
    assert "teal: a new tip's line is taken as 5.00 mm wide, as measured" in said.out
    measured = shell.verb("prepare", shell.job, "--json").json
    assert measured["tip_factors"] == {"teal": 1.25}
    (new,) = [one for one in measured["passes"] if one["ink"] == "teal"]
    assert new["tip_mm"] == pytest.approx(1.25 * old["tip_mm"])
    keys = [
        {one["name"]: one["plan_key"] for one in made["passes"] if one["ink"] == "ochre"}
        for made in (first, measured)
    ]
    assert keys[0] == keys[1]
    assert shell.verb("proof", shell.job, "--json").code == 0
    assert shell.verb("pens", "--width", "teal=x").code == 2


@pytest.mark.campaign
def test_a_mend_from_the_shell(shell) -> None:
    """Made, listed, painted by its name, listed as begun; nothing painted yet is refused, nonsense is bad input."""
    assert shell.verb("mend", shell.job, "--dry-minutes", "4").code == 3
    assert shell.verb("mend", shell.job, "--json").json["mends"] == []
    shell.home()
    shell.paint()
    made = shell.verb("mend", shell.job, "--dry-minutes", "60", "--json")
    assert made.code == 0
    (one,) = made.json["mends"]
    assert one["name"] == "teal-mend-1"
    shown = shell.verb("mend", shell.job, "--dry-minutes", "60", "--ink", "ochre")
    told = next(line for line in shown.out.splitlines() if line.endswith(" paints it")).removesuffix(
        " paints it"
    )
    assert shlex.split(told) == [
        "giornata", "paint", str(shell.job), "--machine", str(shell.machine), "--state", str(shell.state),
        "--pass", "ochre-mend-1",
    ]  # fmt: skip
    assert max(map(len, shown.out.split("picture")[0].splitlines())) <= 100
    painted = shell.paint("--pass", "teal-mend-1", "--json")
    assert painted.code == 0
    assert [(row["name"], row["state"]) for row in painted.json["passes"]] == [("teal-mend-1", "finished")]
    listed = shell.verb("mend", shell.job, "--json").json["mends"]
    assert {row["name"]: row["passes"][0]["begun"] for row in listed} == {
        "teal-mend-1": True,
        "ochre-mend-1": False,
    }
    listing = shell.verb("mend", shell.job).out
    stand = {
        line.split()[0]: next(word for word in ("waits", "begun", "painted") if word in line)
        for line in listing.splitlines()
        if "-mend-" in line
    }
    assert stand == {"teal-mend-1": "painted", "ochre-mend-1": "waits"}
    assert shell.verb("mend", shell.job, "--remove", "ochre-mend-1").code == 0
    assert shell.verb("mend", shell.job, "--remove", "teal-mend-1").code == 3
    assert shell.verb("mend", shell.job, "--region", "1,2").code == 2


def test_a_primed_pen_leaves_its_zigzag_in_the_swatch_only(shell) -> None:
    """Each ink's pen touches the swatch before its pass, there and nowhere else; the report is made as ever."""
    text = shell.job.read_text()
    swatch = "[swatch]\norigin_mm = [200.0, 20.0]\nsize_mm = [70.0, 60.0]\nprime_mm = 50.0\n"
    shell.job.write_text(text + swatch)
    shell.home()
    shell.paint()
    painted = load_painted(shell.state / "twin" / "canvas.npz")
    assert painted.contacts == 4  # a zigzag and a stroke of each ink
    for contact, in_swatch in enumerate((True, False, True, False)):
        points = painted.points_mm[painted.offsets[contact] : painted.offsets[contact + 1]]
        inside = (points >= (200.0, 20.0)).all() and (points <= (270.0, 80.0)).all()
        assert bool(inside) is in_swatch
    assert [run.split("-", 1)[1] for run in shell.runs] == [
        "homing", "homing", "prime-ochre", "ochre-1", "homing", "prime-teal", "teal-1"
    ]  # fmt: skip
    assert shell.verb("report").code == 0
