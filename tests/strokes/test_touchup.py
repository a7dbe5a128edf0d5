"""Touch-up: where canvas shows with one ink off, against closed forms, and strokes that close just that."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from controller.config.job import Job
from controller.report.mendproof import touch_proof
from controller.strokes.inks import assign
from controller.strokes.regions import seen
from controller.strokes.touchup import Bare, bare_places, fit_shift, touch_up
from controller.strokes.traps import trapped
from tests.strokes.scenes import BLACK, OCHRE, TEAL, Sheet, circle, job, rectangle

INKS = (("ochre", OCHRE), ("teal", TEAL), ("black", BLACK))
OCHRE_ROW, TEAL_ROW, BLACK_ROW = range(3)


def bare_of(sheet: Sheet, made: Job, ink: int, *measured: tuple[float, float, float, float]) -> Bare:
    drawing = sheet.drawing()
    works = seen(drawing, assign(drawing, made), made)
    table = np.array(measured)
    shift = fit_shift(table[:, :2], table[:, 2:])
    return bare_places(works, trapped(works, made).works, made, ink, shift)


def halves() -> Sheet:
    """Ochre on the left, black on the right, one edge of 100 between them."""
    return Sheet().add(rectangle(0, 0, 100, 100), fill=OCHRE).add(rectangle(100, 0, 100, 100), fill=BLACK)


def test_a_shift_opens_a_strip_as_wide_as_itself() -> None:
    """Off by 1.5 mm away from a straight border of 100 mm: 150 mm2 of canvas, all at the border; the far outer edge and
    the one along the shift are none."""
    bare = bare_of(halves(), job(*INKS), OCHRE_ROW, (50, 50, -1.5, 0.0))
    assert bare.gaps.area == pytest.approx(150.0, rel=1e-3)
    assert bare.gaps.bounds == pytest.approx((98.5, 0, 100, 100), abs=1e-3)
    aside = bare_of(halves(), job(*INKS), OCHRE_ROW, (50, 50, -1.5, 0.7))
    assert aside.gaps.bounds[0] > 96.0, "the outer edge at y = 0 is no gap but near the border"


@pytest.mark.parametrize(("off_mm", "area_mm2"), [(-2.9, 0.0), (-4.0, 100.0), (4.0, 0.0)])
def test_traps_take_what_they_promise(off_mm: float, area_mm2: float) -> None:
    """A trap of 3 mm takes 2.9 mm; of 4 mm it leaves 1 mm along 100 mm, the other way none."""
    bare = bare_of(halves(), job(*INKS, trap_mm=3.0), OCHRE_ROW, (50, 50, off_mm, 0.0))
    assert bare.gaps.area == pytest.approx(area_mm2, abs=0.2)


def test_the_darker_ink_that_lies_off_mends_its_own_place() -> None:
    """Black off by 4 mm, away from ochre that ends 3 mm under it: 1 mm of canvas inside black's own place."""
    bare = bare_of(halves(), job(*INKS, trap_mm=3.0), BLACK_ROW, (150, 50, 4.0, 0.0))
    assert bare.gaps.bounds == pytest.approx((103, 0, 104, 100), abs=2e-3)
    assert bare.gaps.area == pytest.approx(100.0, rel=2e-3)


def test_shifts_at_four_corners_make_a_wedge() -> None:
    """A shift that grows by 15 mm a metre along the border opens a wedge: 0.015 * 100^2 / 2 mm2."""
    corners = [(x, y, -0.015 * y, 0.0) for x in (0, 100) for y in (0, 100)]
    bare = bare_of(halves(), job(*INKS), OCHRE_ROW, *corners)
    assert bare.gaps.area == pytest.approx(75.0, rel=2e-3)


@given(
    seed=st.integers(0, 2**32 - 1),
    count=st.integers(3, 9),
)
@settings(deadline=None, max_examples=30)
def test_three_places_tell_an_affine_shift(seed: int, count: int) -> None:
    """Shifts that an affine map makes are given back at any other place, whatever places were measured."""
    rng = np.random.default_rng(seed)
    places = rng.uniform(0, 1000, (count, 2))
    if np.linalg.svd(places - places.mean(axis=0), compute_uv=False)[-1] < 50.0:
        return
    growth, offset = rng.uniform(-0.005, 0.005, (2, 2)), rng.uniform(-3, 3, 2)
    shift = fit_shift(places, places @ growth.T + offset)
    other = rng.uniform(0, 1000, (5, 2))
    assert shift.at(other) == pytest.approx(other @ growth.T + offset, abs=1e-6)
    assert shift.rms_mm < 1e-6
    moved = shift.moved(shapely.Polygon(places))
    assert shapely.get_coordinates(moved)[:-1] == pytest.approx(places + places @ growth.T + offset, abs=1e-6)


def test_one_place_is_the_same_everywhere_and_two_change_along_their_line() -> None:
    """What was not measured is not made up: across the line between two places nothing changes."""
    one = fit_shift([[10, 10]], [[0.5, -1]])
    assert one.at([[900, 3]])[0] == pytest.approx([0.5, -1])
    two = fit_shift([[0, 0], [100, 0]], [[0, 0], [1, 0]])
    assert two.at([[50, 0], [50, 700]]) == pytest.approx(np.array([[0.5, 0], [0.5, 0]]))


def test_shifts_that_cannot_be_are_refused() -> None:
    """Ten mm more within 100 mm is a slip of measuring; not-a-number is none."""
    with pytest.raises(ValueError, match="20 mm a metre, got 100"):
        fit_shift([[0, 0], [100, 0]], [[0, 0], [10, 0]])
    with pytest.raises(ValueError, match="a shift for each"):
        fit_shift([[0, 0]], [[np.nan, 0]])


@pytest.mark.parametrize("tip_mm", [2.0, 5.0])
@pytest.mark.parametrize("off_mm", [0.6, 1.5, 6.0])
def test_the_pen_closes_the_gap_and_touches_no_other_ink(tip_mm: float, off_mm: float) -> None:
    """Narrower or wider than the tip: next to nothing stays bare, next to nothing lies on black, and the way stays near
    the border instead of going over the whole area again."""
    bare = bare_of(halves(), job(*INKS), OCHRE_ROW, (50, 50, -off_mm, 0.0))
    found = touch_up(bare, tip_mm)
    proof = touch_proof(bare, OCHRE_ROW, found.strokes, tip_mm)
    assert proof.before_mm2 == pytest.approx(100 * off_mm, rel=2e-3)
    # A round tip leaves (1 - pi / 4) w^2 / 4 in a right angle; two of them where the gap ends at the outer edge.
    corners = 2 * (1 - np.pi / 4) * tip_mm**2 / 4
    assert proof.after_mm2 <= corners + proof.error_mm2 + 0.02 * proof.before_mm2
    assert proof.on_others_mm2 < 0.05 * 100
    assert found.strokes.bounds_mm()[0] > 100 - off_mm - 2.0 * tip_mm


def test_a_curved_gap_is_closed() -> None:
    """A moon of ochre in black, off by 2 mm: the lune's area is the closed form of two discs, and it is closed."""
    sheet = Sheet().add(rectangle(0, 0, 200, 200), fill=BLACK).add(circle(100, 100, 50, 720), fill=OCHRE)
    bare = bare_of(sheet, job(*INKS), OCHRE_ROW, (100, 100, 2.0, 0.0))
    r, d = 50.0, 2.0
    lens = 2 * r * r * np.arccos(d / (2 * r)) - d / 2 * np.sqrt(4 * r * r - d * d)
    assert bare.gaps.area + bare.narrow_mm2 == pytest.approx(np.pi * r * r - lens, rel=5e-3)
    found = touch_up(bare, 3.0)
    proof = touch_proof(bare, OCHRE_ROW, found.strokes, 3.0)
    assert proof.after_mm2 < 0.02 * proof.before_mm2
    assert proof.on_others_mm2 < 0.03 * proof.before_mm2


def test_an_ink_without_solid_areas_has_no_gaps() -> None:
    """Asked for them, it says so."""
    with pytest.raises(ValueError, match="solid areas"):
        bare_of(halves(), job(*INKS), TEAL_ROW, (0, 0, 1, 0))
