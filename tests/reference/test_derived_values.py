"""Derived numbers against published values, handbook tables and trade facts."""

from __future__ import annotations

from fractions import Fraction
from typing import Any

import pytest

from controller.config import formulas
from drivers.settings import DriveSettings


def drive(**changes: Any) -> DriveSettings:
    """A drive with 131072 counts a turn on a 5 mm belt of 20 teeth, changed as the test needs."""
    settings: dict[str, Any] = {
        "node_id": 1,
        "direction": 1,
        "counts_per_turn": 131_072,
        "belt_pitch_mm": 5.0,
        "pulley_teeth": 20,
        "quick_stop_mm_s2": 1000.0,
    }
    return DriveSettings(**{**settings, **changes})


@pytest.mark.parametrize(
    ("pitch_mm", "teeth", "travel_mm", "counts_per_mm"),
    [
        (5.0, 20, Fraction(100), 1310.72),
        (8.0, 24, Fraction(192), 682.6667),
        (10.0, 32, Fraction(320), 409.6),
        (5.08, 20, Fraction("101.6"), 1290.0787),
    ],
    ids=["T5x20", "8Mx24", "AT10x32", "XLx20"],
)
def test_travel_and_counts(pitch_mm: float, teeth: int, travel_mm: Fraction, counts_per_mm: float) -> None:
    """Travel a turn = pitch x teeth, and 131072 counts over it.

    Pitches: ISO 13050 (8M) and ISO 5296 (XL 5.08 mm) for the inch and HTD series, T5 and AT10 by their names;
    counts a mm by division, rounded as printed.
    """
    settings = drive(belt_pitch_mm=pitch_mm, pulley_teeth=teeth)
    assert settings.travel_per_turn_mm == travel_mm
    assert float(settings.counts_per_mm) == pytest.approx(counts_per_mm, rel=1e-7)


def test_counts_stay_exact_where_decimals_do_not_end() -> None:
    """131072 counts on 101.6 mm is 1290.0787...: kept as 163840/127, so that a thousand turns lose nothing.

    By hand: 131072/101.6 = 1310720/1016 = 163840/127.
    """
    counts_per_mm = drive(belt_pitch_mm=5.08).counts_per_mm
    assert counts_per_mm == Fraction(163_840, 127)
    assert counts_per_mm * Fraction("101600") == 131_072_000


def test_gear_divides_the_travel() -> None:
    """A 5:1 gear makes five motor turns of one pulley turn: a fifth of the travel, five times the counts."""
    geared = drive(gear_motor_turns=5)
    assert geared.travel_per_turn_mm == 20
    assert geared.counts_per_mm == 5 * drive().counts_per_mm


def test_counter_wraps_after_16384_turns() -> None:
    """A signed 32-bit counter of 131072 counts a turn wraps 16384 turns from zero: 1 638 400 mm at 100 mm a turn.

    By hand: 2^31 / 131072 = 16384. The counter spans both signs, so twice that before it reads the same again.
    """
    assert formulas.counter_span_m(drive().counts_per_mm) * 1000 == 2 * 1_638_400


def test_actuator_with_324000_counts() -> None:
    """324 000 counts a turn on about 58.3 mm of travel resolve 0.18 um; 32 bits then span about half a mile.

    Common practice, no source. Half a mile is 804.67 m (international mile, 1609.344 m); "about" is taken as 5 %.
    """
    counts_per_mm = Fraction(324_000) / Fraction("58.3")
    assert formulas.resolution_um(counts_per_mm) == pytest.approx(0.18, abs=0.005)
    assert formulas.counter_span_m(counts_per_mm) == pytest.approx(1609.344 / 2, rel=0.05)


def test_one_turn_a_minute() -> None:
    """A drive commanded in turns a minute: 1 rpm at 100 mm a turn is 1.6667 mm/s (by hand: 100/60)."""
    step = formulas.velocity_step_mm_s(131_072 / 60, drive().counts_per_mm)
    assert step == pytest.approx(1.6667, abs=5e-5)
    assert 0.5 * step * 10 == pytest.approx(8.333, abs=5e-4)


@pytest.mark.parametrize(
    ("data_bytes", "extended", "bits"),
    [(0, False, 55), (1, False, 65), (8, False, 135), (0, True, 80), (1, True, 90), (8, True, 160)],
)
def test_worst_can_frame(data_bytes: int, extended: bool, bits: int) -> None:
    """Worst-case frames take 55 + 10 n bits (11-bit identifiers) and 80 + 10 n (29-bit).

    Davis, Burns, Bril, Lukkien, "Controller Area Network (CAN) schedulability analysis: refuted, revisited and
    revised", Real-Time Systems 35 (2007), section 3.
    """
    assert formulas.can_frame_bits_max(data_bytes, extended=extended) == bits


def test_no_real_frame_is_longer() -> None:
    """The bound holds for frames built and stuffed bit by bit, and bytes of zeros come within a byte of it.

    Frame layout, CRC-15 polynomial 4599h and stuffing after five equal bits: ISO 11898-1 (from memory). With the
    3-bit inter-frame space: identifier 0 with 8 x 00h takes 127 bits, 7FFh with 8 x FFh 126, 555h with 8 x 55h
    112, the shortest possible is 111.
    """
    assert stuffed_bits(0x000, bytes(8)) == 127
    assert stuffed_bits(0x7FF, b"\xff" * 8) == 126
    assert stuffed_bits(0x555, b"\x55" * 8) == 112
    for identifier in (0x000, 0x080, 0x181, 0x201, 0x555, 0x77F, 0x7FF):
        for length in range(9):
            for fill in (0x00, 0x0F, 0x3C, 0x55, 0xC3, 0xF0, 0xFF):
                bits = stuffed_bits(identifier, bytes([fill]) * length)
                assert bits <= formulas.can_frame_bits_max(length)


def stuffed_bits(identifier: int, data: bytes) -> int:
    """Bits of one 11-bit data frame on the wire, from start of frame to the end of the inter-frame space."""
    bits = [0, *((identifier >> n) & 1 for n in reversed(range(11))), 0, 0, 0]
    bits += [(len(data) >> n) & 1 for n in reversed(range(4))]
    bits += [(byte >> n) & 1 for byte in data for n in reversed(range(8))]
    crc = 0
    for bit in bits:
        crc = ((crc << 1) ^ 0x4599 if bit ^ (crc >> 14) else crc << 1) & 0x7FFF
    bits += [(crc >> n) & 1 for n in reversed(range(15))]
    stuffing = run = 0
    last = -1
    for bit in bits:
        run = run + 1 if bit == last else 1
        last = bit
        if run == 5:
            stuffing += 1
            last, run = 1 - bit, 1
    # CRC delimiter, ACK slot and delimiter, end of frame (7), inter-frame space (3)
    return len(bits) + stuffing + 1 + 2 + 7 + 3


@pytest.mark.parametrize(
    ("bitrate_bit_s", "period_us", "load"),
    [
        (500_000, 1000, 1.11),
        (500_000, 2000, 0.555),
        (500_000, 10_000, 0.111),
        (1_000_000, 1000, 0.555),
    ],
)
def test_bus_load_of_a_small_cycle(bitrate_bit_s: int, period_us: int, load: float) -> None:
    """Two axes with 6 bytes out and 8 bytes in, and SYNC, take 555 bits: loads by hand, 111 % being impossible."""
    cycle = (0, 6, 6, 8, 8)
    assert sum(formulas.can_frame_bits_max(n) for n in cycle) == 555
    assert formulas.bus_load(cycle, period_us, bitrate_bit_s) == pytest.approx(load, rel=1e-12)


def test_our_cycle() -> None:
    """Our cycle for two axes, by the 2007 bound by hand: SYNC 55, outputs 95, 2 x (115 + 115 + 135) = 880 bits.

    At 4 ms and 1 Mbit/s 22 %; every 40 ms heartbeats of 65 bits from us and two drives add 195/40000, and the
    allowance of an SDO exchange and an emergency of each drive (3 x 135 bits) another 810/40000.
    """
    assert sum(formulas.can_frame_bits_max(n) for n in formulas.cycle_bytes(2)) == 880
    assert formulas.machine_bus_load(2, 4000, 1_000_000, 40) == pytest.approx(0.22 + 1005 / 40_000, rel=1e-12)


@pytest.mark.parametrize(
    ("speed_mm_s", "reaction_s", "deceleration_mm_s2", "distance_mm"),
    [
        (500, 0.1, 2000, 112.5),
        (300, 0.05, 1000, 60.0),
        (1000, 0.1, 3000, 266.667),
        (300, 0.1, 1500, 60.0),
    ],
)
def test_stopping_distance(
    speed_mm_s: float, reaction_s: float, deceleration_mm_s2: float, distance_mm: float
) -> None:
    """v t_r + v^2/2a, uniform deceleration after a reaction time; last row: a watchdog of 100 ms. By hand."""
    found = formulas.stopping_distance_mm(speed_mm_s, reaction_s, deceleration_mm_s2)
    assert found == pytest.approx(distance_mm, abs=5e-4)


@pytest.mark.parametrize(
    ("mass_kg", "speed_m_s", "energy_j"),
    [(8, 1.0, 4.0), (20, 0.6325, 4.0), (8, 1.5811, 10.0), (20, 1.0, 10.0)],
)
def test_kinetic_energy(mass_kg: float, speed_m_s: float, energy_j: float) -> None:
    """m v^2/2 at the speeds where 8 kg and 20 kg carry 4 J and 10 J.

    4 J and 10 J are the limits for powered guards in EN 953 clause 5.2.5.2 (read in a copy; kept in ISO 14120,
    from memory). Speeds by hand, rounded to four places.
    """
    assert formulas.kinetic_energy_j(mass_kg, speed_m_s * 1000) == pytest.approx(energy_j, rel=2e-4)


def test_frames_beyond_eight_bytes_do_not_exist() -> None:
    """Classical CAN carries 0 to 8 bytes (ISO 11898-1); anything else is refused, not extrapolated."""
    for length in (-1, 9):
        with pytest.raises(ValueError, match="0 to 8"):
            formulas.can_frame_bits_max(length)
