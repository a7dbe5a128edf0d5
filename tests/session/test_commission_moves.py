"""The steps that move: what each says of a right machine and of a wrong one, and what goes into history and file."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

import pytest

from controller.calibrate.repeat import repeatability
from controller.calibrate.values import Measured, PoorFit
from controller.config.errors import RefusedError
from controller.config.load import load_machine
from controller.config.places import StateDir, shipped
from controller.session.calibrationages import check_warnings
from controller.session.calibrationhistory import history
from controller.session.calibrationkeep import kept, revert, write
from controller.session.commission import NAMES, commission, how_it_stands
from controller.session.commissionbench import Bench
from controller.session.commissionmoves import counts_a_turn
from controller.session.watcher import Watcher
from controller.stream.spec import JogTask

from .commissioned import Person, Wired


class Site:
    """The simulated boathouse machine on a runner that goes where it is told."""

    def __init__(self, folder: Path, **runner: Any) -> None:
        self.path = folder / "m.toml"
        self.path.write_bytes(shipped("machines/boathouse.toml").read_bytes())
        self.state = StateDir.open(folder / "s", "boathouse")
        self.runner = Wired(self.path, self.state, **runner)
        self.person = Person()

    async def go(self, only: str = "", **more: Any) -> Any:
        """One call."""
        bench = Bench(
            self.path, self.state.root, self.person, Watcher(), lambda *_: self.runner, signals=False
        )
        return await commission(
            self.path, self.state.root, self.person, Watcher(), only=only, bench=bench, **more
        )


async def test_a_right_machine_is_through_in_one_go_and_stays_so(tmp_path: Path) -> None:
    """All steps in order, each confirmed; the file is as before, the history has what was measured; a second call asks
    nothing at all."""
    site = Site(tmp_path)
    before = site.path.read_bytes()
    result = await site.go()
    assert (result.stopped_at, result.why) == ("", "")
    assert tuple(row.step for row in result.done) == NAMES
    assert [key for key in site.person.keys if key.startswith("confirm")] == [
        f"confirm {name}" for name in NAMES
    ]
    assert site.path.read_bytes() == before
    jogs = [task for order in site.runner.orders for task in order.tasks if isinstance(task, JogTask)]
    assert all(one.speed_mm_s <= 10.0 for one in jogs[:8])
    rows = history(site.path, site.state.root).rows
    fields = {row.measured.field for row in rows}
    assert {"axes.y.drive.direction", "axes.x.homing.repeatability_mm", "motion.acceleration_mm_s2"} <= fields
    assert {row.person for row in rows} == {"Ada"}
    site.person.asked.clear()
    assert (await site.go()).done == ()
    assert site.person.asked == []
    assert all(one.holds for one in how_it_stands(site.path, site.state.root))


async def test_a_wrong_direction_is_written_on_consent_and_tried_again(tmp_path: Path) -> None:
    """The head goes left: the sign in the file is turned, every other byte stays, and the step is done anew with it."""
    site = Site(tmp_path)
    before = site.path.read_text()

    def seen(_question: Any) -> str:
        return "right" if load_machine(site.path).axes["x"].drive.direction < 0 else "left"

    site.person.replies["direction x"] = seen
    await site.go("stops")
    await site.go("stop-command")
    result = await site.go("direction")
    assert [row.state for row in result.done] == ["done", "done"]
    assert site.path.read_text() == before.replace(
        "node_id = 1\ndirection = 1", "node_id = 1\ndirection = -1"
    )
    (change,) = history(site.path, site.state.root).writes
    assert (change.field, change.before, change.after) == ("axes.x.drive.direction", "1", "-1")
    assert Path(change.kept).read_text() == before  # noqa: ASYNC240
    revert(site.path, site.state.root, "axes.x.drive.direction", "Ada")
    assert site.path.read_text() == before
    assert not {one.name: one.holds for one in how_it_stands(site.path, site.state.root)}["direction"]


async def test_without_consent_the_file_stays(tmp_path: Path) -> None:
    """A no to writing: measured and kept in the history alone."""
    site = Site(tmp_path)
    site.person.replies |= {"direction x": "left", "write": False}
    before = site.path.read_bytes()
    await site.go("stops")
    await site.go("stop-command")
    await site.go("direction")
    assert site.path.read_bytes() == before
    assert history(site.path, site.state.root).rows[0].measured.value == -1


@pytest.mark.parametrize(
    ("replies", "runner", "step", "words"),
    [
        ({"direction y": "not at all"}, {}, "direction", "is the belt on"),
        ({}, {"scale": 0.5}, "direction", "its drive counted 2.50"),
        ({"ruler x": 170.0}, {}, "counts", "0.850 of it"),
        ({"confirm homing": False}, {}, "homing", "something else"),
        ({}, {"following_mm": 30.0}, "following", "not even the first rung"),
        ({"begin travel": "stop"}, {}, "travel", "stopped before it"),
    ],
)
async def test_a_wrong_machine_goes_no_further(
    tmp_path: Path, replies: Any, runner: Any, step: str, words: str
) -> None:
    """The step fails in words, and none after it is begun, now or by name."""
    site = Site(tmp_path, **runner)
    site.person.replies |= replies
    result = await site.go()
    assert result.stopped_at == step
    assert words in result.why
    assert not any(
        key == f"begin {later}" for later in NAMES[NAMES.index(step) + 1 :] for key in site.person.keys
    )
    if step != NAMES[-1]:
        with pytest.raises(RefusedError, match=f"step {step} comes before"):
            await site.go(NAMES[-1])


async def test_the_ladder_ends_where_half_the_margin_is_used(tmp_path: Path) -> None:
    """Following error grows with the acceleration, 3 mm at the file's 2000 mm/s2, with 4 mm allowed: 1000 mm/s2 leave
    62 %, 1500 mm/s2 leave 44 % and are one too many."""
    site = Site(tmp_path, following_mm=3.0)
    site.person.replies["write"] = False
    result = await site.go()
    assert result.stopped_at == ""
    latest = {row.measured.field: row.measured for row in history(site.path, site.state.root).rows}
    assert latest["motion.acceleration_mm_s2"].value == 1000.0


def test_counts_a_turn_by_hand() -> None:
    """A drive that counts four edges where the file has one goes a quarter of the way: four times as many."""
    machine = load_machine(shipped("machines/boathouse.toml"))
    quarter = counts_a_turn(machine, "x", 200.0, 50.0)
    assert isinstance(quarter, Measured)
    assert quarter.value == 4 * 324_000
    same = counts_a_turn(machine, "x", 200.0, 200.5)
    assert isinstance(same, Measured)
    assert same.value == 324_000
    assert isinstance(counts_a_turn(machine, "x", 200.0, 190.0), str)


def test_repeatability_by_the_handbook() -> None:
    """Chi-square of 9 degrees of freedom: 2.700 and 19.023 (handbook table, 95 %): factors 0.688 and 1.826."""
    readings = [0.0, 1.0] * 5
    found = repeatability(readings)
    deviation = (10 * 0.25 / 9) ** 0.5
    assert found.deviation == pytest.approx(deviation)
    assert (found.low / deviation, found.high / deviation) == pytest.approx((0.688, 1.826), abs=0.001)
    with pytest.raises(PoorFit):
        repeatability([0.0, 0.1])


def test_values_into_the_file_out_again_and_their_age(tmp_path: Path) -> None:
    """Written: found by check no more; old: told with its date; changed by hand since: not taken back."""
    site = Site(tmp_path)
    before, root = site.path.read_text(), site.state.root
    play = Measured("axes.x.play_mm", 0.31, "mm", 0.02, "comb", 6)
    table = Measured(
        "axes.y.length_table", {"position_mm": (20.0, 2000.0), "error_mm": (0.0, 0.6)}, "mm", 0.1, "tape", 4
    )
    rows, none = kept(site.path, root, [play, table], "Ada")
    assert none is None
    now_ms = rows[0].at_ms

    def warned(days: float = 0.0) -> list[str]:
        return [
            str(one)
            for one in check_warnings(load_machine(site.path), site.path, root, now_ms + int(days * 864e5))
        ]

    assert any("axes.x.play_mm: the file says 0.25; measured" in one for one in warned())
    write(site.path, root, [row.id for row in rows], "Ada")
    assert tomllib.loads(site.path.read_text())["axes"]["x"]["play_mm"] == 0.31
    assert load_machine(site.path).axes["y"].length_table is not None
    assert warned() == []
    assert warned(89.0) == []
    assert sum("91 days ago (more than 90)" in one for one in warned(91.0)) == 2
    revert(site.path, root, "axes.y.length_table", "Ada")
    assert site.path.read_text() == before.replace("play_mm = 0.25", "play_mm = 0.31", 1)
    site.path.write_text(site.path.read_text().replace("0.31", "0.4"))
    with pytest.raises(RefusedError, match="somebody has changed it since"):
        revert(site.path, root, "axes.x.play_mm", "Ada")


def test_a_value_that_the_file_cannot_hold_is_not_written(tmp_path: Path) -> None:
    """A contradiction with the rest of the file: refused at the door, and the file is untouched."""
    from controller.config.errors import InputError

    site = Site(tmp_path)
    before = site.path.read_bytes()
    rows, _ = kept(
        site.path, site.state.root, [Measured("axes.x.loop_lag_ms", 900.0, "ms", 1.0, "steps", 9)], "Ada"
    )
    with pytest.raises(InputError, match="at most 200"):
        write(site.path, site.state.root, [rows[0].id], "Ada")
    assert site.path.read_bytes() == before
    seen, _ = kept(
        site.path,
        site.state.root,
        [Measured("axes.x.homing.repeatability_mm", 0.01, "mm", None, "h", 5)],
        "A",
    )
    with pytest.raises(RefusedError, match="does not stand in a machine file"):
        write(site.path, site.state.root, [seen[0].id], "Ada")
