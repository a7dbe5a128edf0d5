"""How a picture is painted: the job file's colours, tips, techniques and traps, and what is wrong with them."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from controller.config.errors import InputError
from controller.config.load import job_from

FILE = Path("evening.toml")


def whole(job_data: dict[str, Any]) -> dict[str, Any]:
    """A job that uses every field."""
    del job_data["inks"][1]["group"]
    job_data["inks"][1] |= {
        "tip": "round",
        "pen_metres": 120.0,
        "pen_minutes": 25.0,
        "dry_minutes": 10.0,
    }
    return job_data | {
        "unmatched": "skip",
        "colour_distance_max": 3.0,
        "canvas_colour": "#ffffff",
        "order": "light-to-dark",
        "tips": {"round": {"metres": [0, 50, 120], "width_mm": [1.5, 1.6, 1.8]}},
        "techniques": [
            {"layer": "waves", "ink": "sea", "fill": "flat", "style": "hatch", "hatch_angle_deg": 45.0},
            {"layer": "foam", "fill": "screen", "pitch_mm": 12.0, "tint": 0.3, "lattice": "hexagonal",
             "again": "enlarge", "enlarge_mm": 2.0},
            {"ink": "moon", "fill": "screen", "pitch_mm": 12.0, "diameter_mm": 9.0, "borders": "clipped"},
            {"stroke": "band", "fill": "none", "overlap": 0.1, "knocks_out": False},
        ],
        "traps": {"width_mm": 3.0},
        "sitting": {"watch_minutes": 40.0, "change_minutes": 2.5},
    }  # fmt: skip


def wrong(data: dict[str, Any]) -> dict[str, tuple[str, str]]:
    """Field to what was expected and what came, of a job that is refused."""
    with pytest.raises(InputError) as caught:
        job_from(data, FILE)
    assert all(one.file == FILE for one in caught.value.mistakes)
    return {one.where: (one.expected, one.got) for one in caught.value.mistakes}


def test_every_field_loads(job_data: dict[str, Any]) -> None:
    """A job with all fields loads, and its values are there as written."""
    job = job_from(whole(job_data), FILE)
    assert job.tips["round"].width_mm == (1.5, 1.6, 1.8)
    assert job.techniques[1].tint == 0.3
    assert job.techniques[0].stroke == "line"
    assert job.traps is not None
    assert job.traps.width_mm == 3.0
    assert (job.techniques[1].again, job.techniques[1].enlarge_mm) == ("enlarge", 2.0)
    assert (job.sitting.watch_minutes, job.sitting.change_minutes) == (40.0, 2.5)
    assert not job.refuses_unmatched


def test_files_without_these_fields_mean_what_they_meant(job_data: dict[str, Any]) -> None:
    """A job in which every ink has its group loads as before, and elements outside the groups are left out."""
    job = job_from(job_data, FILE)
    assert job.techniques == ()
    assert job.traps is None
    assert (job.sitting.watch_minutes, job.sitting.change_minutes) == (60.0, 5.0)
    assert job.order == "as-listed"
    assert not job.refuses_unmatched
    del job_data["inks"][0]["group"]
    assert job_from(job_data, FILE).refuses_unmatched
    assert not job_from(job_data | {"unmatched": "skip"}, FILE).refuses_unmatched
    assert job_from(job_data | {"unmatched": "refuse"}, FILE).refuses_unmatched


@pytest.mark.parametrize(
    ("path", "value", "where", "expected", "got"),
    [
        ("unmatched", "maybe", "unmatched", '"refuse" or "skip"', '"maybe"'),
        ("colour_distance_max", -1.0, "colour_distance_max", "at least 0", "-1.0"),
        ("canvas_colour", "white", "canvas_colour", 'a colour such as "#1a2b3c"', '"white"'),
        (
            "canvas_colour",
            "#204060",
            "inks[sea].colour",
            "another colour than canvas_colour",
            '"#204060"',
        ),
        ("inks.1.tip", "square", "inks[sea].tip", "a tip's table in this file ([tips.round])", '"square"'),
        ("inks.1.tip_mm", 1.4, "inks[sea].tip_mm", "the new width of tips.round (1.5)", "1.4"),
        ("inks.1.pen_metres", 0.0, "inks[sea].pen_metres", "a number above 0", "0.0"),
        ("tips.round.metres", [0, 50], "tips.round.width_mm", "as many numbers as metres has (2)", "3"),
        ("tips.round.metres", [1, 50, 60], "tips.round.metres", "0 first: the width of a new tip", "1"),
        (
            "tips.round.metres",
            [0, 50, 50],
            "tips.round.metres",
            "each number above the one before",
            "50 after 50",
        ),
        ("tips.round.width_mm", [], "tips.round.width_mm", "at least 2 entries", "[]"),
        (
            "techniques.0.ink",
            "tar",
            "techniques[#1].ink",
            "an ink of this job (moon, sea)",
            '"tar"',
        ),
        (
            "techniques.0.fill",
            "solid",
            "techniques[#1].fill",
            '"flat", "dots", "screen" or "none"',
            '"solid"',
        ),
        (
            "techniques.1.pitch_mm",
            None,
            "techniques[#2].pitch_mm",
            'a number above 0, as fill is "screen"',
            "nothing",
        ),
        (
            "techniques.1.tint",
            None,
            "techniques[#2].diameter_mm",
            "diameter_mm or tint, for a screen",
            "neither",
        ),
        ("techniques.1.diameter_mm", 4.0, "techniques[#2].tint", "diameter_mm or tint", "both"),
        (
            "techniques.2.diameter_mm",
            17.0,
            "techniques[#3].diameter_mm",
            'below 16.9706, from where the dots cover everything (fill = "flat" does that)',
            "17",
        ),
        ("techniques.3.tint", 0.2, "techniques[#4].tint", 'nothing unless fill is "screen"', "0.2"),
        ("techniques.3.style", "hatch", "techniques[#4].style", 'no hatch unless fill is "flat"', '"hatch"'),
        (
            "techniques.3.hatch_angle_deg",
            30.0,
            "techniques[#4].hatch_angle_deg",
            'no angle unless style is "hatch"',
            "30",
        ),
        (
            "techniques.0.again",
            "strengthen",
            "techniques[#1].again",
            'nothing unless fill is "dots" or "screen"',
            '"strengthen"',
        ),
        (
            "techniques.2.again",
            "enlarge",
            "techniques[#3].enlarge_mm",
            'a number above 0, as again is "enlarge"',
            "nothing",
        ),
        (
            "techniques.1.again",
            "strengthen",
            "techniques[#2].enlarge_mm",
            'nothing unless again is "enlarge"',
            "2",
        ),
        ("sitting.watch_minutes", 0.0, "sitting.watch_minutes", "a number above 0", "0.0"),
        ("techniques.3.layer", "foam", "techniques[#4]", "shapes that no earlier technique takes", None),
        ("traps.width_mm", 0.0, "traps.width_mm", "a number above 0", "0.0"),
        (
            "traps.widths_mm",
            1.0,
            "traps.widths_mm",
            "a known field (did you mean width_mm?)",
            "unknown field widths_mm",
        ),
    ],
)
def test_each_mistake_has_one_message(
    job_data: dict[str, Any], path: str, value: object, where: str, expected: str, got: str | None
) -> None:
    """One wrong value gives one message: the field, what was expected and what came."""
    data = whole(job_data)
    here: Any = data
    *way, last = path.split(".")
    for step in way:
        here = here[int(step)] if step.isdecimal() else here[step]
    if value is None:
        del here[last]
    else:
        here[last] = value
    found = wrong(data)
    assert set(found) == {where}
    assert found[where][0] == expected
    assert got is None or found[where][1] == got


def test_two_inks_of_one_colour_need_groups(job_data: dict[str, Any]) -> None:
    """Of two inks of one colour, both without a group, the second would never be used: refused."""
    for ink in job_data["inks"]:
        ink |= {"colour": "#20406A"}
    assert job_from(job_data, FILE).inks[0].colour == "#20406A"
    del job_data["inks"][0]["group"]
    assert job_from(job_data, FILE)
    del job_data["inks"][1]["group"]
    job_data["inks"][1]["colour"] = "#20406a"
    assert set(wrong(job_data)) == {"inks[sea].colour"}


def test_a_tip_has_a_name(job_data: dict[str, Any]) -> None:
    """A table of [tips] whose name could be taken for a place in a list is refused."""
    data = whole(job_data)
    data["tips"]["5"] = data["tips"]["round"]
    (expected,) = [one[0] for where, one in wrong(data).items() if where.startswith("tips.5")]
    assert expected == "a name of small letters, digits and hyphens, a letter first (up to 64)"


def test_rules_also_run_beside_other_mistakes(job_data: dict[str, Any]) -> None:
    """One look finds all: a bad field hides no contradiction elsewhere."""
    data = whole(job_data)
    data["name"] = "Not a Name"
    data["inks"][1]["tip_mm"] = 1.4
    data["techniques"][1]["diameter_mm"] = 4.0
    assert set(wrong(data)) == {"name", "inks[sea].tip_mm", "techniques[#2].tint"}


def test_a_kept_sequence_is_for_jobs_as_drawn(job_data: dict[str, Any]) -> None:
    """Strokes keep the drawing's sequence only in a job that paints what is drawn; elsewhere the field is refused."""
    first, second = (ink["name"] for ink in job_data["inks"][:2])
    job_data["inks"][0]["sequence"] = "as-drawn"
    assert job_from(job_data, FILE).inks[0].sequence == "as-drawn"
    found = wrong(job_data | {"techniques": [{"layer": "foam", "fill": "none"}]})
    assert found[f"inks[{first}].sequence"][1] == '"as-drawn" beside techniques'
    del job_data["inks"][1]["group"]
    (got,) = [one[1] for where, one in wrong(job_data).items() if where == f"inks[{first}].sequence"]
    assert got == f'"as-drawn" beside ink "{second}" without a group'
