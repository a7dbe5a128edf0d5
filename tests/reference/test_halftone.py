"""Screens of dots against closed forms: covered shares both ways, touching and full, angles and moire periods.

Shares are the areas of overlapping discs in a lattice's cell, in closed form, and shapely's unions of discs. Angles
are those of DIN 16547, from two summaries of it.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
import shapely

from controller.strokes.screen import (
    FULL,
    LIGHT_ANGLE_DEG,
    STRONG_ANGLES_DEG,
    LatticeKind,
    diameter_for,
    lattice,
    moire_period_mm,
    screen_dots,
    separation_deg,
    tint_of,
)

SHARES = [
    (0.4, 0.125664, 0.145104),
    (0.6, 0.282743, 0.326484),
    (0.8, 0.502655, 0.580416),
    (1.0, 0.785398, 0.906900),
    (1.05, 0.844454, 0.962709),
    (1.2, 0.950911, 1.0),
    (1.4, 0.999797, 1.0),
]
DIAMETERS = [
    (0.10, 0.356825, 0.332063),
    (0.25, 0.564190, 0.525038),
    (0.50, 0.797885, 0.742515),
    (0.75, 0.977205, 0.909392),
    (0.80, 1.010545, 0.939216),
    (0.95, 1.198109, 1.035162),
    (0.99, 1.315516, 1.098575),
]


@pytest.mark.parametrize(("diameter", "square", "hexagonal"), SHARES)
def test_shares_of_diameters(diameter: float, square: float, hexagonal: float) -> None:
    """Diameter in pitches to covered share, below and beyond touching, to 1e-5."""
    assert tint_of(diameter, "square") == pytest.approx(square, abs=1e-5)
    assert tint_of(diameter, "hexagonal") == pytest.approx(hexagonal, abs=1e-5)


@pytest.mark.parametrize(("share", "square", "hexagonal"), DIAMETERS)
def test_diameters_of_shares(share: float, square: float, hexagonal: float) -> None:
    """Covered share to diameter in pitches, to 1e-5."""
    assert diameter_for(share, "square") == pytest.approx(square, abs=1e-5)
    assert diameter_for(share, "hexagonal") == pytest.approx(hexagonal, abs=1e-5)


@pytest.mark.parametrize("kind", ["square", "hexagonal"])
def test_there_and_back(kind: LatticeKind) -> None:
    """Every tint comes back from its diameter, 0 and 1 too, and more tint never takes a smaller dot."""
    tints = np.linspace(0.0, 1.0, 501)
    diameters = diameter_for(tints, kind)
    np.testing.assert_allclose(tint_of(diameters, kind), tints, atol=1e-9)
    assert (np.diff(diameters) > 0).all()
    assert diameters[0] == 0.0
    # The last of the bare spots closes like a square root: 1e-9 of share is 3e-5 of diameter there.
    assert diameters[-1] == pytest.approx(FULL[kind], abs=1e-4)


def test_densest_lattices_and_dot_gain() -> None:
    """Touching dots cover pi/4 and pi/(2 sqrt 3); pitch 4, dots 2.5 grown to 2.6 darken by .025035."""
    assert tint_of(1.0, "square") == pytest.approx(math.pi / 4, abs=1e-12)
    assert tint_of(1.0, "hexagonal") == pytest.approx(math.pi / (2 * math.sqrt(3)), abs=1e-12)
    gain = tint_of(2.6 / 4, "square") - tint_of(2.5 / 4, "square")
    assert gain == pytest.approx(0.025035, abs=1e-6)


@pytest.mark.parametrize("kind", ["square", "hexagonal"])
@pytest.mark.parametrize("tint", [0.3, 0.75, 0.93])
def test_a_screen_has_its_tint(kind: LatticeKind, tint: float) -> None:
    """The union of the very dots laid over 40 by 40 pitches covers the tint of a window inside, to 0.3 %."""
    pitch = 5.0
    diameter = float(diameter_for(tint, kind)) * pitch
    dots = screen_dots(shapely.box(0, 0, 200, 200), lattice(kind, pitch, 15.0), diameter)
    discs = shapely.buffer(shapely.points(dots.centre_mm), diameter / 2, quad_segs=32)
    window = shapely.box(20, 20, 180, 180)
    assert shapely.union_all(discs).intersection(window).area / window.area == pytest.approx(tint, rel=3e-3)


def test_angles_and_moire() -> None:
    """Strong inks are 30 degrees apart, the lightest 15 (DIN 16547); periods in closed form."""
    strong = [
        separation_deg(one, other)
        for at, one in enumerate(STRONG_ANGLES_DEG)
        for other in STRONG_ANGLES_DEG[at + 1 :]
    ]
    assert strong == [30.0, 30.0, 30.0]
    assert min(separation_deg(LIGHT_ANGLE_DEG, one) for one in STRONG_ANGLES_DEG) == 15.0
    assert separation_deg(135.0, 45.0) == 0.0
    assert separation_deg(0.0, 45.0, "hexagonal") == 15.0
    for angle, period in ((5, 11.4628), (15, 3.8306), (30, 1.9319), (45, 1.3066)):
        assert moire_period_mm(1.0, 1.0, angle) == pytest.approx(period, abs=1e-4)
    assert moire_period_mm(4.0, 4.2, 0.0) == pytest.approx(84.0, abs=1e-9)
    assert moire_period_mm(4.0, 4.2, 5.0) == pytest.approx(41.005, abs=1e-3)
    assert moire_period_mm(4.0, 4.0, 0.0) == math.inf
