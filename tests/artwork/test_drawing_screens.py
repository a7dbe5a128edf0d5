"""Patterns of one circle are dot screens; any other pattern is reported."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from controller.artwork.model import Drawing, Screen

Draw = Callable[..., Drawing]

CORNERS = "".join(f'<circle cx="{x}" cy="{y}" r="1"/>' for x in (0, 8) for y in (0, 6))

THREE = CORNERS.replace('<circle cx="8" cy="6" r="1"/>', "")


def screen_of(
    draw: Draw, pattern: str, filled: str = '<rect width="90" height="60" fill="url(#p)"/>'
) -> Screen:
    drawing = draw(pattern + filled)
    assert drawing.skipped == ()
    (screen,) = drawing.screens
    assert drawing.shapes["pattern"].tolist() == [0]
    assert drawing.shapes["fill"].tolist() == [screen.colour]
    return screen


def lattice(screen: Screen, reach: int = 30) -> set[tuple[float, float]]:
    """Centres within 40 mm of (50, 50), to the micrometre."""
    steps = np.arange(-reach, reach + 1)
    i, j = np.meshgrid(steps, steps)
    centres = (
        np.array(screen.origin_mm)
        + i.reshape(-1, 1) * np.array(screen.pitch_mm[0])
        + j.reshape(-1, 1) * np.array(screen.pitch_mm[1])
    )
    near = np.abs(centres - 50).max(axis=1) < 20
    return {(round(x, 3) + 0.0, round(y, 3) + 0.0) for x, y in centres[near].tolist()}


def centres(x0: float, y0: float, dx: float, dy: float) -> set[tuple[float, float]]:
    """The same of an upright lattice, by counting."""
    return {
        (round(x0 + i * dx, 3), round(y0 + j * dy, 3))
        for i in range(-100, 100)
        for j in range(-100, 100)
        if abs(x0 + i * dx - 50) < 20 and abs(y0 + j * dy - 50) < 20
    }


USER = 'id="p" patternUnits="userSpaceOnUse"'
TILE = f'{USER} width="8" height="6"'


@pytest.mark.parametrize(
    ("pattern", "expected", "diameter"),
    [
        (
            f'<pattern {TILE}><circle cx="3" cy="2" r="1.5"/></pattern>',
            centres(3, 2, 8, 6),
            3,
        ),
        (
            f'<pattern {USER} x="1" y="2" width="8" height="6"><circle cx="3" cy="2" r="1"/></pattern>',
            centres(4, 4, 8, 6),
            2,
        ),
        (f"<pattern {TILE}>{CORNERS}</pattern>", centres(0, 0, 8, 6), 2),
        (
            f'<pattern {TILE}>{CORNERS}<circle cx="4" cy="3" r="1"/></pattern>',
            centres(0, 0, 8, 6) | centres(4, 3, 8, 6),
            2,
        ),
        (
            f'<pattern {TILE}><circle cx="2" cy="3" r="1"/><circle cx="6" cy="3" r="1"/></pattern>',
            centres(2, 3, 4, 6),
            2,
        ),
        (
            f'<pattern {TILE} viewBox="0 0 4 3"><ellipse cx="2" cy="1" rx=".5" ry=".5"/></pattern>',
            centres(4, 2, 8, 6),
            2,
        ),
        # A tenth of 90 and a fifth of 60 mm; the circle in user units.
        (
            '<pattern id="p" width=".1" height="20%"><circle cx="2" cy="3" r="1"/></pattern>',
            centres(2, 3, 9, 12),
            2,
        ),
        (
            (
                f'<pattern id="q" {TILE[7:]}><circle cx="3" cy="2" r="1"/></pattern>'
                '<pattern id="p" href="#q" x="1"/>'
            ),
            centres(4, 2, 8, 6),
            2,
        ),
        (
            (
                f'<defs><circle id="d" r="1"/></defs><pattern {TILE}><g transform="translate(3 2)">'
                '<use href="#d"/></g></pattern>'
            ),
            centres(3, 2, 8, 6),
            2,
        ),
        (
            (
                f'<pattern {TILE} patternTransform="translate(1 1) scale(.5)">'
                '<circle cx="4" cy="2" r="2"/></pattern>'
            ),
            centres(3, 2, 4, 3),
            2,
        ),
    ],
)
def test_lattices(draw: Draw, pattern: str, expected: set[tuple[float, float]], diameter: float) -> None:
    """Where the dots are, counted by hand from SVG 2, 14.3: tile, its origin, its transform, its content's units."""
    screen = screen_of(draw, pattern)
    assert lattice(screen) == expected
    assert screen.diameter_mm == pytest.approx(diameter)


def test_a_turned_screen(draw: Draw) -> None:
    """patternTransform and the shape's own transform both turn and scale the lattice."""
    screen = screen_of(
        draw,
        f'<pattern {USER} width="4" height="4" patternTransform="rotate(15)">'
        '<circle cx="2" cy="2" r="1"/></pattern>',
        '<g transform="rotate(30) scale(2)"><rect width="40" height="40" fill="url(#p)"/></g>',
    )
    half = np.sqrt(0.5)
    np.testing.assert_allclose(screen.pitch_mm, [[8 * half, 8 * half], [-8 * half, 8 * half]])
    np.testing.assert_allclose(screen.origin_mm, [0, 8 * half], atol=1e-12)
    assert screen.diameter_mm == pytest.approx(4)


def test_colours_come_from_where_the_pattern_stands(draw: Draw) -> None:
    """A pattern's content inherits from the pattern and what is around it, not from the shape it fills (14.3)."""
    drawing = draw(
        f'<g fill="#d9952b"><pattern {TILE}><circle cx="3" cy="2" r="1"/></pattern></g>'
        '<g fill="red"><rect width="90" height="60" fill="url(#p)"/></g>'
    )
    assert drawing.colours[drawing.screens[0].colour] == "#d9952b"


def test_shapes_share_a_screen(draw: Draw) -> None:
    """Shapes in the same units that one pattern fills have one screen; another transform makes another."""
    rect = '<rect width="90" height="60" fill="url(#p)"/>'
    drawing = draw(
        f'<pattern {TILE}><circle cx="3" cy="2" r="1"/></pattern>{rect * 20}'
        f'<g transform="scale(2)">{rect}</g>'
    )
    assert drawing.shapes["pattern"].tolist() == [0] * 20 + [1]


@pytest.mark.parametrize(
    "pattern",
    [
        f'<pattern {TILE}><rect width="2" height="2"/></pattern>',
        f'<pattern {TILE}><circle cx="3" cy="2" r="1"/><rect width="2" height="2"/></pattern>',
        f'<pattern {TILE}><circle cx="3" cy="2" r="1" stroke="red"/></pattern>',
        f'<pattern {TILE}><circle cx="3" cy="2" r="1" fill="none"/></pattern>',
        f'<pattern {TILE}><ellipse cx="3" cy="2" rx="1" ry="2"/></pattern>',
        f'<pattern {TILE}><circle cx="0" cy="3" r="1"/></pattern>',  # half a dot
        f'<pattern {TILE}><circle cx="4" cy="5.5" r="1"/></pattern>',
        f"<pattern {TILE}>{THREE}</pattern>",
        f'<pattern {TILE}><circle cx="2" cy="2" r="1"/><circle cx="6" cy="4.5" r="1"/></pattern>',
        f'<pattern {TILE}><circle cx="2" cy="3" r="1"/><circle cx="6" cy="3" r="1.1"/></pattern>',
        f'<pattern {TILE}><circle cx="2" cy="3" r="1"/><circle cx="6" cy="3" r="1" fill="red"/></pattern>',
        f"<pattern {TILE}><text>LOW TIDE</text></pattern>",
        f"<pattern {TILE}/>",
        f'<pattern {USER} height="6"><circle cx="3" cy="2" r="1"/></pattern>',
        f'<pattern {TILE} patternTransform="scale(2 1)"><circle cx="3" cy="2" r="1"/></pattern>',
        f'<pattern {TILE}><circle cx="3" cy="2" r="1" fill="url(#p)"/></pattern>',
        f'<pattern {USER} href="#p" width="8" height="6"/>',
        f'<pattern {USER} href="other.svg#p" width="8" height="6"/>',
        (
            '<pattern id="p" patternContentUnits="objectBoundingBox" width=".1" height=".1">'
            '<circle cx=".05" cy=".05" r=".03"/></pattern>'
        ),
    ],
)
def test_other_patterns_are_reported(draw: Draw, pattern: str) -> None:
    """A pattern that is no lattice of equal whole dots fills nothing; its shape is named and keeps its line."""
    drawing = draw(f'{pattern}<rect id="it" width="90" height="60" fill="url(#p)" stroke="red"/>')
    assert [(one.element_id, one.what, one.kind) for one in drawing.skipped] == [("it", "fill", "left out")]
    assert drawing.shapes["fill"].tolist() == [-1]
    assert drawing.outlines == 1
