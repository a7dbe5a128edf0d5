"""From driven tests to values: the streamer's records, the refusal of the motor's swing, the files and the verb."""

from __future__ import annotations

import json
from dataclasses import replace
from math import pi
from pathlib import Path

import numpy as np
import pytest

from controller.cli.main import main
from controller.config.errors import InputError
from controller.config.machine import AXES, Machine
from controller.config.places import shipped
from controller.motion.geometry import GeometryMap
from controller.motion.probe import Probe, load_test, plan_probe
from controller.motion.probesteps import BrakeTest, StepsTest
from controller.report.identified import evaluate, words_of
from controller.session.identify import DrivenTest, read_samples, samples
from tests.calibrate.idtwins import Truth, drawn, played, records_of


def driven(machine: Machine, probe: Probe) -> DrivenTest:
    """A probe played on the machine's own gantry, as the session would read it back."""
    assert isinstance(probe.test, StepsTest | BrakeTest)
    return DrivenTest(machine, 1, probe.test, probe.parts, records_of(machine, probe), ())


def told(seed: int) -> tuple[Machine, dict[str, Truth]]:
    """A random gantry whose file knows lag and dead time, as after identify steps."""
    machine, truth = drawn(seed)
    axes = {
        axis: machine.axes[axis].model_copy(
            update={"loop_lag_ms": truth[axis].lag_ms, "latency_ms": truth[axis].latency_ms}
        )
        for axis in AXES
    }
    return machine.model_copy(update={"axes": axes}), truth


def test_steps_become_values_with_a_plot() -> None:
    """Lag and latency of y, whose counts run backwards, with the plot; as JSON knows them."""
    machine, truth = drawn(5)
    probe = plan_probe(machine, StepsTest("y", 950.0, 1500.0, 2, 150.0))
    measured, poor, fit, pictures = evaluate(driven(machine, probe))
    assert poor is None
    assert fit is not None
    lag, latency = measured
    assert lag.field == "axes.y.loop_lag_ms"
    assert lag.value == pytest.approx(truth["y"].lag_ms, rel=0.02)
    assert latency.value == pytest.approx(truth["y"].latency_ms, abs=0.15)
    assert pictures["steps-y.png"].startswith(b"\x89PNG")
    said = json.loads(json.dumps(words_of(measured, None)))
    assert [one["field"] for one in said["measured"]] == ["axes.y.loop_lag_ms", "axes.y.latency_ms"]


def test_the_motor_does_not_see_its_belt() -> None:
    """Behind a stiff velocity loop nothing of a belt that rings shows in the encoder: refused, and the rest is drawn.

    The head rings all the while, by its own record.
    """
    machine, truth = told(1)
    probe = plan_probe(machine, BrakeTest("y", (950.0,), 1500.0, 1.5, 200.0))
    head = played(machine, probe.schedule).head_mm[:, 1]
    ring = int(np.flatnonzero([part.what == "ring" for part in probe.parts])[0])
    begin = int(probe.schedule.segments["first_tick"][ring]) * machine.tick_us // 1000
    assert np.ptp(head[begin + 50 : begin + 550]) > 0.05
    measured, poor, _, pictures = evaluate(driven(machine, probe))
    assert measured == ()
    assert poor is not None
    assert "not observable" in poor.got or "damping" in poor.expected
    assert list(pictures) == ["brake-y-0.png"]
    assert truth["y"].frequency_hz > 6.0


def test_a_motor_that_gives_shows_it() -> None:
    """Were the loop soft, and the encoder swung by 0.02 mm at 7 Hz: found at the place where it was braked."""
    machine, _ = told(1)
    probe = plan_probe(machine, BrakeTest("x", (1200.0,), 950.0, 1.5, 200.0))
    made = driven(machine, probe)
    ring = int(np.flatnonzero([part.what == "ring" for part in probe.parts])[0])
    rows = made.records["segment"] == ring
    t = np.arange(int(rows.sum())) * machine.tick_us * 1e-6
    per_mm = float(machine.axes["x"].drive.counts_per_mm)
    swing = np.exp(-0.03 * 2 * pi * 7.0 * t) * np.sin(2 * pi * 7.0 * t)
    made.records["measured_counts"][rows, 0] += np.rint(0.02 * per_mm * swing).astype(np.int64)
    measured, poor, _, pictures = evaluate(made)
    assert poor is None
    (belt,) = measured
    plain = belt.plain()
    assert isinstance(plain, dict)
    place = float(GeometryMap.of(machine).to_axes(np.array([1200.0, 950.0]))[0])
    assert plain["position_mm"] == [pytest.approx(place)]
    assert plain["frequency_hz"] == [pytest.approx(7.0, abs=0.1)]
    assert plain["damping"] == pytest.approx(0.03, abs=0.005)
    assert pictures["brake-x-0.png"].startswith(b"\x89PNG")


def test_brakes_are_planned_stiff_from_the_roomier_side() -> None:
    """What the file states of the belt would take the ringing out: the plan is that of a stiff belt. Places near an end
    are come to from the other side; one beyond the limits is refused."""
    machine, _ = drawn(2)
    stated = machine.axes["x"].model_copy(
        update={
            "belt": load_belt(),
        }
    )
    with_belt = machine.model_copy(update={"axes": {**machine.axes, "x": stated}})
    test = BrakeTest("x", (60.0, 2950.0), 950.0, 0.6, 200.0)
    stiff, told = plan_probe(machine, test), plan_probe(with_belt, test)
    assert np.array_equal(stiff.schedule.velocity_units, told.schedule.velocity_units)
    signs = [
        int(np.sign(speeds[np.abs(speeds) > 0.4 * np.abs(speeds).max()][-1]))
        for number, part in enumerate(stiff.parts)
        if part.what == "ring"
        for speeds in [segment(stiff, number - 1)]
    ]
    assert signs == [-1, 1]
    with pytest.raises(InputError, match="a way with axis x"):
        plan_probe(machine, replace(test, places_mm=(5000.0,)))
    with pytest.raises(InputError, match="at least one place"):
        plan_probe(machine, replace(test, places_mm=()))


def load_belt() -> object:
    """A belt as a machine file states it."""
    import tomllib

    file = tomllib.loads(shipped("machines/reference-twin.toml").read_text())
    return Machine.model_validate(file).axes["x"].belt


def segment(probe: Probe, number: int) -> np.ndarray:
    """Velocities of x in one part."""
    first, ticks = (int(probe.schedule.segments[name][number]) for name in ("first_tick", "ticks"))
    return np.asarray(probe.schedule.velocity_units[first : first + ticks, 0], dtype=np.int64)


def test_steps_that_do_not_fit_are_refused() -> None:
    """A way beyond the limits, a single time, a speed that the machine may not go."""
    machine, _ = drawn(2)
    test = StepsTest("x", 1500.0, 950.0, 3, 200.0)
    for change, words in (
        ({"along_mm": 3300.0}, "a way with axis x"),
        ({"repeats": 1}, "at least 2"),
        ({"speed_mm_s": 5000.0}, "at most"),
    ):
        with pytest.raises(InputError, match=words):
            plan_probe(machine, replace(test, **change))


def test_tests_are_kept_and_read_back(tmp_path: Path) -> None:
    """Settings, parts and flank of both tests come back from their folders."""
    machine, _ = drawn(2)
    for number, test in enumerate(
        (StepsTest("x", 1500.0, 950.0, 2, 200.0), BrakeTest("y", (400.0, 900.0), 1500.0, 0.6, 200.0))
    ):
        probe = plan_probe(machine, test)
        folder = tmp_path / str(number)
        probe.save(folder)
        assert load_test(folder) == (test, probe.parts, probe.flank)


def test_only_readings_whose_instant_is_known_count() -> None:
    """Stale feedback, a lost record and a tick that left late leave out the readings that they make doubtful."""
    machine, _ = drawn(2)
    probe = plan_probe(machine, StepsTest("x", 1500.0, 950.0, 2, 200.0))
    records = records_of(machine, probe)
    whole = samples(machine, AXES.index("x"), records, 100, 300)
    assert len(whole.reading_s) == 200
    spoilt = records.copy()
    spoilt["flags"][150] = 0
    spoilt["sent_ns"][160] += 2 * machine.tick_ns
    assert len(samples(machine, 0, spoilt, 100, 300).reading_s) == 198
    assert len(samples(machine, 0, np.delete(records, 200), 100, 299).reading_s) == 198
    with pytest.raises(TypeError, match="tick records"):
        samples(machine, 0, np.zeros(3), 0, 3)


def test_samples_of_a_file(tmp_path: Path) -> None:
    """Two columns behind a line of words; anything else is named by its line."""
    path = tmp_path / "gauge.csv"
    path.write_text("seconds,mm\n0.0,1.5\n0.004;1.6  # by hand\n\n0.008,1.4\n")
    time_s, value = read_samples(path)
    assert time_s.tolist() == [0.0, 0.004, 0.008]
    assert value.tolist() == [1.5, 1.6, 1.4]
    for text, where in (("0,1\n1,2,3\n", "line 2"), ("0,1\nx,2\n", "line 2"), ("0,1\n1,nan\n", "line 2")):
        path.write_text(text)
        with pytest.raises(InputError, match=where):
            read_samples(path)
    with pytest.raises(InputError, match="can be read"):
        read_samples(tmp_path / "none.csv")


def test_the_verb_reads_waves_and_samples(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A wave read off a line and a sensor's file answer in JSON; a poor one ends with 1, nonsense with 2."""
    wave = ["identify", "wave", "--axis", "x", "--place", "1200", "--speed", "100", "--json"]
    code = main([*wave, "--waves", "6", "--length", "60", "--height", "0:2.0", "--height", "4:0.6"])
    said = json.loads(capsys.readouterr().out)
    assert (code, said["ok"]) == (0, True)
    assert said["measured"][0]["value"]["frequency_hz"] == [pytest.approx(10.0, abs=0.03)]
    assert main([*wave, "--waves", "6", "--length", "60", "--height", "0:0.1", "--height", "4:0.1"]) == 1
    assert json.loads(capsys.readouterr().out)["error"]["kind"] == "poor fit"
    assert main([*wave, "--waves", "6", "--length", "60", "--height", "first"]) == 2
    capsys.readouterr()
    t = np.arange(0.0, 1.0, 0.005)
    # exp(-zeta w t) with w_d = 2 pi 9: zeta w = w_d zeta / sqrt(1 - zeta^2).
    rows = np.column_stack(
        [t, np.exp(-0.05 / (1 - 0.05**2) ** 0.5 * 2 * pi * 9 * t) * np.cos(2 * pi * 9 * t)]
    )
    np.savetxt(tmp_path / "s.csv", rows, delimiter=",")
    place = ["--axis", "y", "--place", "700", "--plot", str(tmp_path / "s.png"), "--json"]
    assert main(["identify", "samples", str(tmp_path / "s.csv"), *place]) == 0
    said = json.loads(capsys.readouterr().out)
    assert said["measured"][0]["field"] == "axes.y.belt"
    assert said["measured"][0]["value"]["frequency_hz"] == [
        pytest.approx(9.0 / (1 - 0.05**2) ** 0.5, abs=1e-3)
    ]
    assert (tmp_path / "s.png").read_bytes().startswith(b"\x89PNG")


def test_the_verb_says_what_it_is_able_to_tell(capsys: pytest.CaptureFixture[str]) -> None:
    """In words and as JSON, friction and a clamped head are no."""
    machine = str(shipped("machines/boathouse.toml"))
    assert main(["identify", "able", "--machine", machine, "--json"]) == 0
    said = json.loads(capsys.readouterr().out)
    assert [one["what"] for one in said["able"] if one["can"] is False] == [
        "play with the head clamped",
        "friction",
    ]
    assert main(["identify", "able", "--machine", machine]) == 0
    assert "cannot tell" in capsys.readouterr().out
