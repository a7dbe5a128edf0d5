"""Ring-downs: against closed forms, scipy's simulation of a second order, and lines that simulated tips drew."""

from __future__ import annotations

from dataclasses import replace
from math import exp, pi, sqrt

import numpy as np
import pytest
from scipy import signal

from controller.calibrate.identify_ring import (
    WaveReading,
    belt_measured,
    line_height_mm,
    ring_of_line,
    ring_of_samples,
    sway_mm,
    together,
    wave_run_up_mm,
)
from controller.calibrate.values import PoorFit
from tests.calibrate.idtwins import AXES_BOTH, brisk, drawn, identified, rung


def reading(hertz: float, damping: float, *, speed: float = 150.0, waves: int = 5) -> WaveReading:
    """What a line of this mode measures exactly: wavelength v / f_d, heights falling by the decrement."""
    swing_hz = hertz * sqrt(1.0 - damping**2)
    decrement = 2.0 * pi * damping / sqrt(1.0 - damping**2)
    heights = tuple((number, 20.0 * exp(-decrement * number)) for number in range(waves + 1))
    return WaveReading(speed, waves, waves * speed / swing_hz, heights)


@pytest.mark.parametrize(("hertz", "damping"), [(6.0, 0.02), (10.0, 0.05), (18.0, 0.1)])
def test_a_line_gives_back_its_mode(hertz: float, damping: float) -> None:
    """Wavelength and logarithmic decrement by their textbook forms, there and back."""
    found = ring_of_line(reading(hertz, damping))
    assert found.frequency_hz == pytest.approx(hertz, rel=1e-9)
    assert found.damping == pytest.approx(damping, rel=1e-9)


def test_two_heights_are_the_textbook_case() -> None:
    """5.0 mm and 1.25 mm two waves apart: delta = ln 4 / 2 = 0.6931, zeta = 0.10965 (by hand)."""
    found = ring_of_line(WaveReading(100.0, 4, 40.0, ((0, 5.0), (2, 1.25))))
    assert found.damping == pytest.approx(0.10965, abs=1e-5)
    assert found.frequency_hz == pytest.approx(10.0 / sqrt(1.0 - 0.10965**2), rel=1e-6)


def test_half_widths_are_those_of_many_readings() -> None:
    """Read a thousand times with doubts of that size, 95 of 100 lie within the half widths, within sampling."""
    exact = reading(9.0, 0.04, waves=4)
    random = np.random.default_rng(4)
    held = np.zeros(2)
    for _ in range(1000):
        length = exact.length_mm + exact.length_doubt_mm / 1.96 * random.standard_normal()
        speed = exact.speed_mm_s * (1.0 + exact.speed_doubt / 1.96 * random.standard_normal())
        heights = tuple(
            (number, mm + exact.height_doubt_mm / 1.96 * random.standard_normal())
            for number, mm in exact.heights
        )
        found = ring_of_line(replace(exact, length_mm=length, speed_mm_s=speed, heights=heights))
        held += (
            abs(found.frequency_hz - 9.0) <= found.frequency_half_hz,
            abs(found.damping - 0.04) <= found.damping_half,
        )
    assert 920 <= held[0] <= 980
    assert 920 <= held[1] <= 985


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"waves": 1}, "2 whole waves"),
        ({"heights": ((0, 1.0),)}, "heights of two waves"),
        ({"heights": ((1, 1.0), (1, 0.8))}, "in their order"),
        ({"heights": ((0, 1.0), (1, 0.15))}, "twice what can be told apart"),
        ({"heights": ((0, 0.5), (1, 0.6), (2, 0.9))}, "become lower"),
        ({"length_mm": 4.0}, "known within 10 %"),
        ({"sway_mm": 20.0}, "known within 10 %"),
        ({"length_mm": float("nan")}, "above 0"),
        ({"heights": ((0, 5.0), (1, 0.4))}, "damping ratio up to"),
    ],
)
def test_lines_that_cannot_be_read_are_refused(change: dict[str, object], words: str) -> None:
    """Each with what was expected and what came."""
    with pytest.raises(PoorFit, match=words):
        ring_of_line(replace(reading(10.0, 0.05), **change))


def test_samples_of_a_second_order_system() -> None:
    """scipy.signal's impulse response of a known mode, with an offset, a drift and noise: found within the interval."""
    hertz, damping = 8.3, 0.04
    w = 2.0 * pi * hertz
    t = np.arange(0.0, 1.5, 0.004)
    _, y = signal.impulse(signal.lti([w], [1.0, 2 * damping * w, w * w]), T=t)
    noisy = 3.0 + 0.2 * t + np.asarray(y) + 0.01 * np.random.default_rng(5).standard_normal(len(t))
    found = ring_of_samples(t, noisy)
    assert abs(found.frequency_hz - hertz) <= found.frequency_half_hz < 0.05
    assert abs(found.damping - damping) <= found.damping_half < 0.01
    assert found.explained > 0.95


@pytest.mark.parametrize("what", ["noise", "still", "decay", "short", "slow"])
def test_samples_without_a_swing_are_refused(what: str) -> None:
    """Noise, nothing at all, the plain decay of a trim, too few instants: not observable, and said so."""
    t = np.arange(0.0, 1.5, 0.004)
    value = {
        "noise": np.random.default_rng(6).standard_normal(len(t)),
        "still": np.zeros(len(t)),
        "decay": 0.02 * np.exp(-2.0 * t),
        "short": np.zeros(len(t)),
        "slow": np.zeros(len(t)),
    }[what]
    t, value = {"short": (t[:20], value[:20]), "slow": (100.0 * t, value)}.get(what, (t, value))
    with pytest.raises(PoorFit, match="ring-down samples"):
        ring_of_samples(t, value, floor=1e-3)


def test_places_become_a_table() -> None:
    """Several ring-downs at a place count together; places rise; one damping for the axis."""
    rings = [(2000.0, ring_of_line(reading(12.0, 0.05))), (500.0, ring_of_line(reading(15.0, 0.05)))]
    rings.append((500.0, ring_of_line(reading(15.2, 0.05))))
    found = belt_measured("y", rings)
    assert found.field == "axes.y.belt"
    plain = found.plain()
    assert isinstance(plain, dict)
    assert plain["position_mm"] == [500.0, 2000.0]
    assert plain["frequency_hz"] == pytest.approx([15.1, 12.0], abs=0.02)
    assert plain["damping"] == pytest.approx(0.05, abs=1e-3)


def test_ring_downs_that_contradict_widen_the_interval() -> None:
    """Three that agree make the interval narrower, three that do not make it wider than one alone."""
    agree = [ring_of_line(reading(10.0, 0.05)) for _ in range(3)]
    differ = [ring_of_line(reading(hertz, 0.05)) for hertz in (9.5, 10.0, 10.5)]
    assert together(agree).frequency_half_hz < agree[0].frequency_half_hz < together(differ).frequency_half_hz
    with pytest.raises(PoorFit):
        together([])


def test_what_there_will_be_to_read() -> None:
    """A step of 4000 mm/s2 at 10 Hz swings by A / w^2 = 1.013 mm (by hand): 2.03 mm crest to trough, undamped."""
    assert line_height_mm(4000.0, 1e9, 10.0) == pytest.approx(2.026, abs=2e-3)
    assert line_height_mm(4000.0, 40_000.0, 10.0) == pytest.approx(0.0, abs=1e-9)  # ended over a whole period
    assert wave_run_up_mm(100.0, 2000.0, 1e9) == pytest.approx(2.5, abs=1e-3)  # v^2 / 2A
    assert sway_mm(4000.0, ring_of_line(reading(10.0, 0.05)), 0.0) == pytest.approx(2.026, abs=2e-3)


def test_lines_drawn_by_simulated_tips() -> None:
    """A random gantry: its belts' frequency from a ruler's readings of drawn lines within its interval and 5 %."""
    machine, truth = drawn(11)
    fits = {axis: identified(machine, axis) for axis in AXES_BOTH}
    found = rung(brisk(machine, fits, {axis: truth[axis].play_mm for axis in AXES_BOTH}))
    assert set(found) == {"x", "y"}
    for axis, ring in found.items():
        assert abs(ring.frequency_hz - truth[axis].frequency_hz) <= ring.frequency_half_hz
        assert abs(ring.frequency_hz / truth[axis].frequency_hz - 1.0) < 0.05
        assert abs(ring.damping - truth[axis].damping) <= max(ring.damping_half, 0.005)
