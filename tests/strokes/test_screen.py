"""Which dots an area gets: borders, one lattice for the whole canvas."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import shapely

from controller.config.errors import InputError
from controller.config.job import Technique
from controller.config.load import load_machine
from controller.config.places import shipped
from controller.strokes.passes import JobPasses
from controller.strokes.screen import Lattice, TooManyDotsError, lattice, screen_dots
from controller.strokes.works import build_works
from tests.strokes.scenes import TEAL, Sheet, job, rectangle

DISC = shapely.Point(50.0, 40.0).buffer(30.0, quad_segs=64)


@pytest.mark.parametrize("kind", ["square", "hexagonal"])
@pytest.mark.parametrize("angle", [0.0, 15.0, 45.0, 75.0])
def test_screens_of_one_ink_line_up(kind: str, angle: float) -> None:
    """The parts of an area get the very dots of the whole, to the last bit, wherever it is cut."""
    places = lattice(kind, 4.0, angle)
    whole = screen_dots(DISC, places, 2.5).centre_mm
    halves = [DISC.intersection(shapely.box(0, 0, 47.3, 99)), DISC.difference(shapely.box(0, 0, 47.3, 99))]
    parts = np.concatenate([screen_dots(half, places, 2.5).centre_mm for half in halves])
    assert {tuple(dot) for dot in parts} == {tuple(dot) for dot in whole}
    assert len(parts) == len(whole)


def test_whole_dots_have_their_centre_inside() -> None:
    """Whole: exactly the lattice's places in the area, also those on its edge; those cut outside are counted."""
    dots = screen_dots(shapely.box(0, 0, 8, 4), lattice("square", 4.0, 0.0), 3.0)
    assert {tuple(np.round(dot, 9)) for dot in dots.centre_mm} == {
        (0, 0), (4, 0), (8, 0), (0, 4), (4, 4), (8, 4)
    }  # fmt: skip
    assert dots.clipped == ()
    assert dots.dropped == 0
    assert (dots.diameter_mm == 3.0).all()
    # Less than 1.5 mm outside: (4, 0), (8, 0) and (0, 4) by 1 mm, (0, 0) by sqrt 2.
    assert screen_dots(shapely.box(1, 1, 8, 4), lattice("square", 4.0, 0.0), 3.0).dropped == 4


def test_dropped_dots_lie_inside_only() -> None:
    """Dropped: every dot that is left lies inside, every other dot of the lattice that meets the area does not."""
    places = lattice("hexagonal", 4.0, 15.0)
    dots = screen_dots(DISC, places, 2.5, "dropped")
    assert shapely.distance(shapely.Point(50, 40), shapely.points(dots.centre_mm)).max() <= 30.0 - 1.25
    all_around = screen_dots(shapely.box(0, 0, 100, 100), places, 2.5).centre_mm
    away = np.hypot(*(all_around - [50, 40]).T)
    assert np.count_nonzero(away <= 30.0 - 1.25 - 0.01) <= len(dots.centre_mm)
    assert len(dots.centre_mm) <= np.count_nonzero(away <= 30.0 - 1.25 + 0.01)
    assert dots.dropped == pytest.approx(np.count_nonzero(np.abs(away - 30.0) < 1.25), abs=1)


def test_clipped_dots_make_up_the_whole_share() -> None:
    """Clipped: whole dots and pieces together are the lattice's discs cut by the area (shapely's areas)."""
    places = lattice("square", 4.0, 45.0)
    dots = screen_dots(DISC, places, 2.5, "clipped")
    discs = shapely.buffer(
        shapely.points(screen_dots(shapely.box(0, 0, 100, 100), places, 2.5).centre_mm), 1.25, quad_segs=64
    )
    expected = shapely.area(shapely.intersection(discs, DISC)).sum()
    found = len(dots.centre_mm) * np.pi * 1.25**2 + shapely.area(np.array(dots.clipped)).sum()
    assert found == pytest.approx(expected, rel=2e-3)
    assert all(DISC.buffer(1e-9).covers(piece) for piece in dots.clipped)


def test_lattices_of_patterns() -> None:
    """Any two steps that do not lie on one line make a lattice, its origin where it says."""
    places = Lattice(((3.0, 0.0), (1.0, 2.0)), (0.5, 0.25))
    dots = screen_dots(shapely.box(0, 0, 5, 3), places, 1.0)
    assert sorted(map(tuple, dots.centre_mm)) == [(0.5, 0.25), (1.5, 2.25), (3.5, 0.25), (4.5, 2.25)]
    with pytest.raises(ValueError, match="one line"):
        Lattice(((3.0, 1.0), (6.0, 2.0)))
    with pytest.raises(ValueError, match="pitch_mm > 0"):
        lattice("square", 0.0, 0.0)


def test_nothing_in_nothing() -> None:
    """An empty area has no dots, and neither has one between the places."""
    places = lattice("square", 10.0, 0.0)
    for area in (shapely.Polygon(), shapely.box(2, 2, 5, 5)):
        dots = screen_dots(area, places, 2.0)
        assert dots.centre_mm.shape == (0, 2)
        assert dots.dropped == 0


def test_screens_that_no_memory_holds_are_refused() -> None:
    """A wall of dots a tenth of a millimetre apart is refused before any is made; so is a hair across the wall."""
    wall = shapely.box(0, 0, 3000, 2000)
    hair = shapely.Polygon([(0, 0), (3000, 1999), (3000, 2000), (0, 1)])
    for area in (wall, hair):
        with pytest.raises(TooManyDotsError, match="300000"):
            screen_dots(area, lattice("square", 0.1, 30.0), 0.05)
    assert len(screen_dots(wall, lattice("square", 8.0, 30.0), 5.0).centre_mm) == pytest.approx(
        93_750, rel=0.01
    )


def test_a_job_with_such_a_screen_is_refused_in_words() -> None:
    """The element, the bound and the number of dots are told, before anything is made."""
    fine = Technique(fill="screen", pitch_mm=0.1, diameter_mm=0.05)
    made = job(("teal", TEAL), techniques=(fine,))
    drawing = Sheet().add(rectangle(0, 0, 1000, 900), fill=TEAL).drawing()
    passes = JobPasses(made, load_machine(shipped("machines/reference-twin.toml")))
    with pytest.raises(InputError) as refused:
        build_works(drawing, made, Path("low-tide.toml"), passes)
    (mistake,) = refused.value.mistakes
    assert mistake.where == "e0"
    assert "300000 dots" in mistake.expected
    assert "9e+07" in mistake.got
