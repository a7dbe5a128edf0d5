"""Whole measuring sessions in virtual time: what the machine file does not know of the gantry is found and named."""

from __future__ import annotations

import asyncio
import csv
import re
from dataclasses import dataclass
from io import StringIO
from pathlib import Path

import numpy as np
import pytest

from controller.config.errors import InputError
from controller.config.places import StateDir, shipped
from controller.motion.probe import AxisTest, CircleTest, LineTest, Test
from controller.register.positioning import off_line
from controller.report.probed import last_measuring_session, read_probed
from controller.report.probefigures import evaluate
from controller.report.probepage import ProbeReport, build_probe_report
from controller.session import verbs
from controller.session.measure import measure
from controller.session.operator import SimulatedOperator
from controller.session.virtualrunner import VirtualRunner
from controller.session.watcher import Watcher

RADIUS, SPEED = 100.0, 80.0
CIRCLE = CircleTest((1500.0, 950.0), RADIUS, SPEED)
AXIS = AxisTest("y", (300.0, 700.4, 1100.9), 900.0, 3, 500.0)
LINE = LineTest((600.0, 500.0), (1100.0, 1000.0), 150.0)

PLAY_MM = (0.25, 0.65)
LAG_MS = (11.0, 8.0)
SQUARENESS_MM_M = 0.9


@dataclass
class Site:
    """A gantry of which the machine file does not know everything, measured in three sessions."""

    machine: Path
    state: Path
    circle: ProbeReport
    axis: ProbeReport
    line: ProbeReport


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Site:
    """The file believes in no play at all, and in square axes that lag alike; the gantry is otherwise."""
    folder = tmp_path_factory.mktemp("m")
    machine, state = folder / "boathouse.toml", folder / "s"
    text = shipped("machines/boathouse.toml").read_text()
    believed, true = text.split("[twin]")
    believed = believed.replace("play_mm = 0.25", "play_mm = 0.0")
    # Without trim, which would take a difference of lag out again within a second.
    believed = believed.replace("gain_per_s = 2.0", "gain_per_s = 0.0")
    head, x, y = re.split(r"\[twin\.axes\.[xy]\]\n", true)
    x = x.replace("loop_lag_ms = 8.0", f"loop_lag_ms = {LAG_MS[0]}")
    y = y.replace("play_mm = 0.25", f"play_mm = {PLAY_MM[1]}")
    machine.write_text(
        f"{believed}[twin]\nsquareness_mm_m = {SQUARENESS_MM_M}{head}[twin.axes.x]\n{x}[twin.axes.y]\n{y}"
    )
    asyncio.run(
        verbs.home(machine, state, SimulatedOperator(), Watcher(), runner_of=VirtualRunner, signals=False)
    )

    def drive(test: Test) -> ProbeReport:
        driven = asyncio.run(
            measure(
                test, machine, state, SimulatedOperator(), Watcher(), runner_of=VirtualRunner, signals=False
            )
        )
        return build_probe_report(driven.state.root, driven.session)

    return Site(machine, state, drive(CIRCLE), drive(AXIS), drive(LINE))


def test_circle_names_play_squareness_and_lag(site: Site) -> None:
    """Play of each axis, squareness and the difference of lag are found in the simulated head within 10 %."""
    head = next(one for one in site.circle.evaluated.circles if one.source == "simulation").figures
    assert head.causes.play_mm == pytest.approx(PLAY_MM, rel=0.1)
    assert head.causes.squareness_mm_m == pytest.approx(SQUARENESS_MM_M, rel=0.1)
    assert head.causes.lag_difference_ms == pytest.approx(LAG_MS[0] - LAG_MS[1], rel=0.1)
    assert abs(head.causes.scale_difference_mm_m) < 0.05
    # Closed forms of the parts bound the whole: the larger play shows nearly whole in H, once.
    assert 0.8 * PLAY_MM[1] < head.hysteresis_h_mm < PLAY_MM[1] + 2 * SPEED * 3e-3


def test_encoders_do_not_see_play(site: Site) -> None:
    """The motors' column shows the lag, which encoders see, and neither play nor squareness, which they cannot."""
    motors = next(one for one in site.circle.evaluated.circles if one.source == "motors").figures
    assert motors.causes.lag_difference_ms == pytest.approx(LAG_MS[0] - LAG_MS[1], rel=0.1)
    assert np.abs(motors.causes.play_mm).max() < 0.02
    assert abs(motors.causes.squareness_mm_m) < 0.02
    assert site.circle.evaluated.sources == ("motors", "simulation")


def test_axis_finds_its_play_and_nothing_else(site: Site) -> None:
    """B of the simulated head is the play of y to a hundredth of a millimetre (down comes out low: B is negative)."""
    head = next(one for one in site.axis.evaluated.axes if one.source == "simulation").figures
    motors = next(one for one in site.axis.evaluated.axes if one.source == "motors").figures
    assert abs(head.reversal_mm) == pytest.approx(PLAY_MM[1], abs=0.01)
    assert head.reversal_mm < 0  # the head stays behind: too low a place upwards, too high downwards
    assert head.repeatability_up_mm < 0.01
    assert head.systematic_up_mm < 0.01
    assert abs(motors.reversal_mm) < 0.01


def test_line_ways_lie_apart_by_the_play(site: Site) -> None:
    """At 45 degrees play and lag lay the ways apart by their closed forms; the figure lies between.

    The plays alone: their difference times sin 45, from where the head sets off. At speed the axis that comes later
    takes v sin 2a times the difference of lags off again; squareness turns the line and lays nothing apart.
    """
    head = next(one for one in site.line.evaluated.lines if one.source == "simulation")
    play = (PLAY_MM[1] - PLAY_MM[0]) / np.sqrt(2)
    lag = LINE.speed_mm_s * (LAG_MS[0] - LAG_MS[1]) * 1e-3
    at_speed = []
    for way in (head.there_mm, head.back_mm):
        along, side = off_line(way, LINE.start_mm, LINE.end_mm)
        order = np.argsort(along)
        at_speed.append(np.interp(0.5 * along.max(), along[order], side[order]))
    assert abs(at_speed[0] - at_speed[1]) == pytest.approx(abs(play - lag), abs=0.005)
    assert abs(play - lag) - 0.005 < head.apart_mm < play + 0.01


def test_files_hold_what_the_table_says(site: Site) -> None:
    """Figures, readings, plots and page lie in the session's report folder; the CSVs read back to the same figures."""
    report = site.circle
    files = report.files
    assert files.page.parent == site.state / "reports" / f"{report.probed.session.id:04d}"
    rows = list(csv.DictReader(StringIO(files.figures.read_text())))
    assert [row["figure"] for row in rows] == [row.symbol for row in report.rows]
    assert float(rows[0]["simulation"]) == pytest.approx(report.rows[0].values[-1], abs=1e-6)
    readings = list(csv.DictReader(StringIO(files.readings.read_text())))
    clockwise = np.array(
        [
            (float(row["x_canvas_mm"]), float(row["y_canvas_mm"]))
            for row in readings
            if row["source"] == "simulation" and row["part"] == "clockwise"
        ]
    )
    assert np.hypot(*(clockwise - CIRCLE.centre_mm).T) == pytest.approx(RADIUS, abs=3.0)
    page = files.page.read_text()
    assert page.count("<img ") == len(files.plots) == 3
    assert "http" not in page
    assert 'src="data:image/png;base64,' in page
    for path in files.plots:
        assert path.read_bytes().startswith(b"\x89PNG")
    assert last_measuring_session(StateDir(site.state)) == site.line.probed.session.id


def test_without_the_gantrys_record_the_motors_are_left(site: Site, tmp_path: Path) -> None:
    """A real machine leaves no record of its head; a damaged one is said by name and left out."""
    record = site.state / "twin" / "motion.npz"
    kept = record.read_bytes()
    try:
        record.write_bytes(kept[: len(kept) // 2])
        report = build_probe_report(site.state, site.circle.probed.session.id, tmp_path / "out")
    finally:
        record.write_bytes(kept)
    assert report.evaluated.sources == ("motors",)
    assert "record cannot be read" in report.notes[0]
    assert "record cannot be read" in report.files.page.read_text()


def test_a_torn_log_is_said_and_never_made_up(site: Site, tmp_path: Path) -> None:
    """With half of the timing log gone no source holds a whole test: refused as input, with the reason."""
    log = site.circle.probed.run.folder / "timing.gtl"
    kept = log.read_bytes()
    try:
        log.write_bytes(kept[: len(kept) // 2])
        probed = read_probed(site.state, site.circle.probed.session.id)
        assert evaluate(probed).sources == ()
        with pytest.raises(InputError, match="a whole test"):
            build_probe_report(site.state, site.circle.probed.session.id, tmp_path / "out")
    finally:
        log.write_bytes(kept)


def test_a_session_without_a_test_is_no_input(site: Site) -> None:
    """Session 1 only homed."""
    with pytest.raises(InputError, match="drove a test"):
        read_probed(site.state, 1)
