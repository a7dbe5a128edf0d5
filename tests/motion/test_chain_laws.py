"""Laws of the inverse chain over generated motions: what the play makes of the motor is what was meant."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from controller.motion.chain import AxisModel, Chain, crossing_s
from controller.motion.inverse import look_up
from controller.motion.kernel import weights

TICK_S = 0.004

Vector = npt.NDArray[np.float64]

PLAIN_PLAY = AxisModel(play_mm=(0.8,), acceleration_max_mm_s2=2040.0)
FULL = AxisModel(0.0023, 0.008, (0.0, 60.0), (0.6, 0.8), (0.0, 50.0, 90.0), (9.0, 10.0, 12.0), 0.05, 2040.0)


def play(motor: Vector, half: Vector | float, start: float) -> Vector:
    """The play operator w = max(u - r, min(u + r, w)) (Krasnosel'skii and Pokrovskii, from memory)."""
    out = np.empty_like(motor)
    w = start
    for k, (u, r) in enumerate(zip(motor, np.broadcast_to(half, motor.shape), strict=True)):
        w = out[k] = max(u - r, min(u + r, w))
    return out


def ramps(stops: list[float], speed_mm_s: float, rest: int, start: float = 0.0) -> Vector:
    """Rest-to-rest moves through ``stops`` with cosine speeds, ``rest`` still ticks after each."""
    parts, here = [], start
    for stop in stops:
        ticks = max(int(np.ceil(np.pi / 2 * abs(stop - here) / speed_mm_s / TICK_S)), 4)
        share = 0.5 - 0.5 * np.cos(np.pi * np.arange(1, ticks + 1) / ticks)
        share[-1] = 1.0
        parts += [here + (stop - here) * share, np.full(rest, stop)]
        here = stop
    return np.concatenate(parts)


def run(model: AxisModel, raw: Vector, flank: float) -> tuple[Chain, Vector, Vector, Vector]:
    """One axis through a chain: the chain, commands, motor and belt side, each (n,)."""
    start = _motor_at(model, raw[0], flank)
    chain = Chain([model], TICK_S, [start], [flank])
    offset = chain.head_mm[0] - raw[0]
    assert abs(offset) < 1e-9
    raw = np.concatenate([raw, np.full(chain.end_ticks, raw[-1])]) + offset
    trace = chain.trace(raw[:, None])
    return chain, trace.commands_mm[:, 0], trace.motor_mm[:, 0], trace.belt_side_mm[:, 0]


def _motor_at(model: AxisModel, head: float, flank: float) -> float:
    return head + flank * 0.5 * float(model.gap_mm(head))


stops = st.lists(st.floats(-40.0, 60.0, allow_nan=False), min_size=1, max_size=8)


@settings(deadline=None, max_examples=60)
@given(stops, st.sampled_from([-1.0, 1.0]), st.floats(1.0, 200.0))
@example([0.0, 0.004, 0.0, 5.0], 1.0, 1.0)
def test_the_play_gives_back_what_was_meant(places: list[float], flank: float, speed: float) -> None:
    """With a rest at each turn, play(motor) is the wanted belt side to 1e-9 mm at every tick."""
    rest = int(np.ceil(crossing_s(PLAIN_PLAY) / TICK_S)) + 8
    # Turns of less than the hysteresis are none: keep them away here.
    places = [round(place / 0.02) * 0.02 for place in places]
    raw = np.concatenate([np.zeros(1), ramps(places, speed, rest)])
    _, _, motor, belt_side = run(PLAIN_PLAY, raw, flank)
    np.testing.assert_allclose(play(motor, 0.4, 0.0), belt_side, rtol=0, atol=1e-9)


@settings(deadline=None, max_examples=60)
@given(stops, st.sampled_from([-1.0, 1.0]), st.floats(2.0, 34.0), st.integers(0, 30))
def test_the_play_gives_back_what_was_meant_without_rests(
    places: list[float], flank: float, speed: float, rest: int
) -> None:
    """In motion the belt side is held in each crossing; the play keeps to it within a braking tick, A h^2 / 2.

    At 20 mm/s turns take at most 400 mm/s^2. At 34 mm/s they take all that the motor has: half the gap, then.
    """
    places = [round(place / 2.0) * 2.0 for place in places]
    raw = np.concatenate([np.zeros(1), ramps(places, speed, rest)])
    _, _, motor, belt_side = run(PLAIN_PLAY, raw, flank)
    slack = 0.5 * 2.0 * PLAIN_PLAY.acceleration_max_mm_s2 * TICK_S**2 if speed <= 20.0 else 0.4
    np.testing.assert_allclose(play(motor, 0.4, 0.0), belt_side, rtol=0, atol=slack)


@settings(deadline=None, max_examples=60)
@given(
    st.lists(stops, min_size=1, max_size=4),
    st.sampled_from([-1.0, 1.0]),
    st.floats(2.0, 200.0),
    st.booleans(),
)
@example([[-2.0, 2.939149265810626e-11, 0.0], [-1.0]], -1.0, 2.0, False)
def test_chunks_make_no_difference(
    chunks: list[list[float]], flank: float, speed: float, still_start: bool
) -> None:
    """Commands, motor, flank and place are the same to the last bit however the motion is cut at rests."""
    whole, pieces = (
        Chain([FULL], TICK_S, [_motor_at(FULL, 0.0, flank)], [flank], still_start=still_start)
        for _ in range(2)
    )
    here, raws = float(whole.head_mm[0]), []
    for places in chunks:
        raw = np.concatenate([np.full(whole.start_ticks, here), ramps(places, speed, 3, start=here)])
        raws.append(np.concatenate([raw, np.full(whole.end_ticks, raw[-1])])[:, None])
        here = float(raw[-1])
    together = whole.commands_mm(np.concatenate(raws))
    apart = np.concatenate([pieces.commands_mm(raw) for raw in raws])
    assert np.array_equal(together, apart)
    assert np.array_equal(whole.flank, pieces.flank)
    assert np.array_equal(whole.motor_mm, pieces.motor_mm)


@settings(deadline=None, max_examples=60)
@given(stops, st.sampled_from([-1.0, 1.0]), st.floats(2.0, 200.0))
def test_nothing_drifts(places: list[float], flank: float, speed: float) -> None:
    """At rest the motor stands at the head plus the flank's half gap exactly, after whatever motion."""
    head = float(Chain([FULL], TICK_S, [_motor_at(FULL, 0.0, flank)], [flank]).head_mm[0])
    chain, commands, _, belt_side = run(FULL, ramps(places, speed, 5, start=head), flank)
    half = 0.5 * float(FULL.gap_mm(places[-1]))
    assert belt_side[-1] == pytest.approx(places[-1], abs=1e-12)
    assert commands[-1] == pytest.approx(places[-1] + float(chain.flank[0]) * half, abs=1e-9)


@settings(deadline=None, max_examples=40)
@given(stops, st.floats(5.0, 60.0), st.integers(2, 4))
def test_the_order_of_motor_places_does_not_depend_on_the_rate(
    places: list[float], speed: float, slower: int
) -> None:
    """The play is rate-independent: the same way at a fraction of the speed crosses the gap equally often."""
    places = [round(place / 2.0) * 2.0 for place in places]
    rest = int(np.ceil(crossing_s(PLAIN_PLAY) / TICK_S)) + 8
    ends = []
    for pace in (speed, speed / slower):
        raw = np.concatenate([np.zeros(1), ramps(places, pace, rest)])
        chain, _, motor, _ = run(PLAIN_PLAY, raw, 1.0)
        way = np.abs(np.diff(motor)).sum()
        ends.append((float(chain.flank[0]), way))
    assert ends[0][0] == ends[1][0]
    assert ends[0][1] == pytest.approx(ends[1][1], abs=1e-6)


@settings(deadline=None, max_examples=40)
@given(st.floats(0.0, 0.0024), st.integers(0, 10_000))
def test_noise_makes_no_chatter(size: float, seed: int) -> None:
    """Noise of less than half the hysteresis on a monotonic motion, or on a rest, crosses no gap."""
    raw = np.concatenate([np.zeros(1), ramps([30.0], 20.0, 0)])
    noise = np.random.default_rng(seed).uniform(-size, size, len(raw))
    noise[0] = 0.0
    chain, _, motor, _ = run(PLAIN_PLAY, raw + noise, 1.0)
    assert float(chain.flank[0]) == 1.0
    assert np.diff(motor).min() > -0.01


@settings(deadline=None, max_examples=40)
@given(st.floats(0.0, 0.9999), st.floats(1e-3, 0.02), st.lists(st.floats(-1e3, 1e3), min_size=6, max_size=6))
def test_smoothing_reproduces_what_it_must(phase: float, tick_s: float, values: list[float]) -> None:
    """The kernel keeps constants and lines, lies in the hull of its six values, and no weight is negative."""
    w = weights(phase, tick_s)
    assert w[0].min() >= 0.0
    assert w[0].sum() == pytest.approx(1.0, abs=1e-12)
    at = np.arange(-2.0, 4.0)
    assert w[0] @ at == pytest.approx(phase, abs=1e-12)
    assert w[1] @ at * tick_s == pytest.approx(1.0, abs=1e-9)
    # A parabola is raised by the variance of the kernel, half a tick squared, and keeps its curvature.
    assert w[0] @ at**2 == pytest.approx(phase**2 + 0.5, abs=1e-12)
    assert w[2] @ at**2 * tick_s**2 == pytest.approx(2.0, abs=1e-9)
    smooth = float(w[0] @ np.array(values))
    assert min(values) - 1e-9 <= smooth <= max(values) + 1e-9


@settings(deadline=None, max_examples=60)
@given(st.floats(-20.0, 120.0))
def test_tables_are_straight_between_places(at: float) -> None:
    """The compiled look-up gives numpy's interpolation."""
    places, values = np.array([0.0, 10.0, 40.0, 100.0]), np.array([1.0, 3.0, 2.0, 2.5])
    found, _ = look_up(places, values, at)
    assert found == pytest.approx(float(np.interp(at, places, values)), abs=1e-12)
