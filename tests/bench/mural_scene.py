"""The mural's far half: sky, moon, clouds, gulls, far shore, boathouse and jetty, water.

Owns shapes and where they stand; the drawing is 2960 mm x 1860 mm, x right, y down.
"""

from __future__ import annotations

import math
import random

from tests.bench.mural_svg import (
    BLUE,
    CANVAS,
    CORAL,
    MIST,
    MOON,
    NIGHT,
    SAND,
    TEAL,
    Svg,
    number,
    numbers,
    pill,
    polyline,
    smooth,
    wave,
)

WIDTH, HEIGHT = 2960.0, 1860.0
LEFT, RIGHT, TOP, BOTTOM = 46.0, 2914.0, 46.0, 1814.0
"""The picture inside its frame."""
HORIZON = 1014.0
SHORE = 1400.0
TILE = 21.0
"""Of the sky's screens: a square lattice at 45 degrees, its rows half a tile apart."""
MOON_AT, MOON_R, GLOW_R = (2060.0, 470.0), 208.0, 436.0
LINE = 4.0
"""As wide as the night tip."""

WATER_PITCH = 16.5
WATER_ROW = WATER_PITCH * math.sqrt(3.0) / 2.0

Strip = tuple[float, float, float]
"""Top, bottom, diameter of its dots."""
SPARSE = {"high-23", "low-0", "low-1"}
"""Strips with half as many dots: lighter than the smallest dots on the whole lattice are."""


def strips(top: float, bottom: float, first: float, last: float, count: int, row: float) -> list[Strip]:
    """``count`` strips from ``top`` to ``bottom``, borders midway between rows of dots, tints evenly apart.

    Diameters go as the root of the tint.
    """
    found = []
    edges = [
        (math.floor((top + (bottom - top) * step / count) / row) + 0.5) * row for step in range(count + 1)
    ]
    for step in range(count):
        share = (step + 0.5) / count
        diameter = math.sqrt(first**2 + (last**2 - first**2) * share)
        found.append((max(edges[step], top), min(edges[step + 1], bottom), round(diameter, 1)))
    return found


HIGH = strips(TOP, 806.0, 13.2, 6.2, 24, TILE / 2.0)
LOW = strips(500.0, HORIZON, 6.2, 13.2, 20, TILE / 2.0)
DEEP = strips(HORIZON, SHORE + 30.0, 14.0, 6.2, 13, WATER_ROW)


def patterns(svg: Svg) -> None:
    """The screens of sky and water, one pattern a tint, the rest of each inherited from the first."""
    sky = f'patternUnits="userSpaceOnUse" width="{number(TILE)}" height="{number(TILE)}"'
    shifted = f'{sky} patternTransform="translate({number(TILE / 2.0)} 0)"'
    water = f'patternUnits="userSpaceOnUse" width="{number(WATER_PITCH)}" height="{2.0 * WATER_ROW:.6f}"'
    for name, head, colour, rows, height in (
        ("high", sky, BLUE, HIGH, TILE),
        ("low", shifted, CORAL, LOW, TILE),
        ("deep", water, BLUE, DEEP, 2.0 * WATER_ROW),
    ):
        width = TILE if name != "deep" else WATER_PITCH
        for place, (_, _, diameter) in enumerate(rows):
            own = head if place == 0 else f'href="#{name}-0"'
            places = ((width / 2.0, height / 2.0), (0.0, 0.0), (width, 0.0), (0.0, height), (width, height))
            corners = "".join(
                f'<circle cx="{x:.6g}" cy="{y:.8g}" r="{number(diameter / 2.0)}"/>'
                for x, y in (places[:1] if f"{name}-{place}" in SPARSE else places)
            )
            svg.raw(f'<pattern id="{name}-{place}" {own}><g fill="{colour}">{corners}</g></pattern>')


def _screened(svg: Svg, name: str, rows: list[Strip]) -> None:
    for place, (top, bottom, _) in enumerate(rows):
        svg.add(
            "rect", id=f"{name}-strip-{place}", x=LEFT, y=top, width=RIGHT - LEFT, height=bottom - top,
            fill=f"url(#{name}-{place})",
        )  # fmt: skip


def sky(svg: Svg) -> None:
    """Blue dots from above, coral ones from the horizon, one in the other's gaps; clouds; the moon in its glow."""
    with svg.group("sky"):
        _screened(svg, "high", HIGH)
        _screened(svg, "low", LOW)
    with svg.group("glow", fill=MOON):
        x, y = MOON_AT
        svg.add("circle", id="clearing", cx=x, cy=y, r=GLOW_R, fill=CANVAS)
        svg.dots(_glow(), 0.4, "glow-")
    with svg.group("moon"):
        svg.add("circle", id="moon-disc", cx=x, cy=y, r=MOON_R, fill=MOON)
        for place, blob in enumerate(_maria()):
            svg.path(smooth(blob, closed=True), id=f"mare-{place}", fill=SAND)
    _clouds(svg)
    _gulls(svg)


def _glow() -> list[tuple[float, float, float]]:
    """Dots on a spiral of golden angles around the moon, smaller outwards."""
    found = []
    cell = 17.4 / math.sqrt(math.pi)
    for count in range(10_000):
        r = cell * math.sqrt(count)
        if r > GLOW_R - 12.0:
            break
        if r < MOON_R + 22.0:
            continue
        share = (r - MOON_R - 22.0) / (GLOW_R - 12.0 - MOON_R - 22.0)
        diameter = math.sqrt(14.6**2 + (6.2**2 - 14.6**2) * share)
        angle = count * math.pi * (3.0 - math.sqrt(5.0))
        x, y = MOON_AT[0] + r * math.cos(angle), MOON_AT[1] + r * math.sin(angle)
        if y > TOP + 18.0 and not _in_clouds(x, y, diameter / 2.0):
            found.append((x, y, diameter))
    return found


def _blob(x: float, y: float, r: float, seed: int, squeeze: float = 1.0) -> list[tuple[float, float]]:
    chance = random.Random(seed)
    return [
        (
            x + r * (0.82 + 0.36 * chance.random()) * math.cos(step * math.pi / 4.0),
            y + squeeze * r * (0.82 + 0.36 * chance.random()) * math.sin(step * math.pi / 4.0),
        )
        for step in range(8)
    ]


def _maria() -> list[list[tuple[float, float]]]:
    """Seas of the moon, three of them run into one another."""
    x, y = MOON_AT
    return [
        _blob(x - 78.0, y - 58.0, 66.0, 3),
        _blob(x - 96.0, y + 26.0, 50.0, 12),
        _blob(x - 8.0, y - 92.0, 46.0, 8, 0.8),
        _blob(x + 66.0, y - 64.0, 36.0, 5),
        _blob(x + 104.0, y - 8.0, 42.0, 7),
        _blob(x + 30.0, y + 96.0, 34.0, 11, 0.6),
        _blob(x + 122.0, y + 84.0, 17.0, 6),
        _blob(x - 46.0, y + 138.0, 15.0, 9),
    ]


CLOUDS = (
    ((1080.0, 1420.0, 216.0), (1010.0, 1560.0, 256.0), (960.0, 1390.0, 296.0)),
    ((2380.0, 2760.0, 300.0), (2310.0, 2700.0, 340.0), (2440.0, 2830.0, 380.0)),
    ((120.0, 420.0, 560.0), (90.0, 500.0, 600.0)),
    ((1790.0, 2120.0, 726.0), (1690.0, 2210.0, 766.0), (1840.0, 2290.0, 806.0)),
    ((440.0, 720.0, 176.0), (380.0, 650.0, 216.0)),
)

RIM, RIM_MORE = 68.0, 12.0
"""Height of the bare bars behind the mist ones, and by how much they are longer at each end."""


def _in_clouds(x: float, y: float, r: float) -> bool:
    """Whether a dot touches a cloud's rim."""
    reach = RIM / 2.0 + r
    for left, right, middle in (bar for bars in CLOUDS for bar in bars):
        along = max(left - RIM_MORE + RIM / 2.0 - x, x - right - RIM_MORE + RIM / 2.0, 0.0)
        if math.hypot(along, y - middle) < reach:
            return True
    return False


def _clouds(svg: Svg) -> None:
    """Bars with round ends that overlap, bare above and mist below."""
    with svg.group("clouds"):
        for place, bars in enumerate(CLOUDS):
            for left, right, y in bars:
                svg.path(
                    pill(left - RIM_MORE, right + RIM_MORE, y, RIM),
                    fill=CANVAS,
                    id=f"cloud-{place}-{number(y)}",
                )
            for left, right, y in bars:
                svg.path(pill(left, right, y, 44.0), fill=MIST, id=f"mist-{place}-{number(y)}")


def _gulls(svg: Svg) -> None:
    with svg.group("gulls", fill="none", stroke=NIGHT, stroke_width=11.0, stroke_linecap="round"):
        for x, y, size in (
            (1420.0, 420.0, 1.0),
            (1500.0, 512.0, 0.72),
            (1336.0, 560.0, 0.62),
            (2690.0, 190.0, 0.8),
        ):
            a, b, c, d = 70.0 * size, 40.0 * size, 14.0 * size, 22.0 * size
            svg.path(
                f"M{numbers(x - a, y - c)}Q{numbers(x - b, y - d - c, x, y)}Q{numbers(x + b, y - d - c, x + a, y - c)}"
            )


def far_shore(svg: Svg) -> None:
    """Hills behind the water: blue in the distance, night where they are near."""
    with svg.group("headland"):
        back = [
            (1330.0, HORIZON),
            (1450.0, 978.0),
            (1600.0, 952.0),
            (1760.0, 962.0),
            (1930.0, 916.0),
            (2110.0, 936.0),
        ]
        back += [(2320.0, 878.0), (2560.0, 896.0), (2740.0, 846.0), (RIGHT, 870.0)]
        hill = smooth(back)
        svg.path(f"{hill}V{number(HORIZON)}Z", id="hill-far", fill=BLUE)
    with svg.group("near-shore"):
        front = [
            (LEFT, 946.0),
            (150.0, 934.0),
            (250.0, 958.0),
            (380.0, 950.0),
            (520.0, 984.0),
            (690.0, 990.0),
            (820.0, HORIZON),
        ]
        svg.path(f"{smooth(front)}H{number(LEFT)}Z", id="hill-near", fill=TEAL)


def water(svg: Svg) -> None:
    """Blue dots, darker far out; the moon's path; waves that grow as they come near."""
    with svg.group("sea"):
        _screened(svg, "deep", DEEP)
    _moon_path(svg)
    with svg.group("horizon", fill="none", stroke=TEAL, stroke_width=12.0):
        svg.path(f"M{numbers(LEFT, HORIZON)}H{number(RIGHT)}", id="horizon-line")
    with svg.group("waves", fill="none", stroke=TEAL, stroke_linecap="round", stroke_linejoin="round"):
        chance = random.Random(17)
        for row in range(9):
            near = row / 8.0
            y = HORIZON + 32.0 + 296.0 * near**1.2
            length, height = 70.0 + 120.0 * near, 4.0 + 11.0 * near
            x = LEFT + 40.0 - 200.0 * chance.random()
            while x < RIGHT:
                run = length * (1 + int(3 * chance.random())) + length / 2.0
                left, right = max(x, LEFT + 20.0), min(x + run, RIGHT - 20.0)
                wide = 34.0 + 100.0 * near
                crosses = left < MOON_AT[0] + wide and right > MOON_AT[0] - wide
                if right - left > 50.0 and not crosses:
                    svg.path(smooth(wave(left, right, y, length, height)), stroke_width=8.0 + 9.0 * near)
                x += run + length * (0.5 + 1.2 * chance.random())


def _moon_path(svg: Svg) -> None:
    """The moon on the water: lenses that widen as they come near, dots between them."""
    chance = random.Random(29)
    x = MOON_AT[0]
    lenses = []
    for row in range(16):
        near = row / 15.0
        y = HORIZON + 18.0 + 346.0 * near**1.12
        half = (40.0 + 134.0 * near) * (0.5 + 0.5 * chance.random())
        lenses.append((x + (chance.random() - 0.5) * 44.0 * (0.4 + near), y, half, 7.5 + 8.0 * near))
    with svg.group("moon-path", fill=MOON):
        for middle, y, half, thick in lenses:
            svg.path(_lens(middle, y, half + 58.0, 3.2 * thick), fill=CANVAS)
        for place, (middle, y, half, thick) in enumerate(lenses):
            svg.path(pill(middle - half, middle + half, y, thick), id=f"glint-{place}")
    with svg.group("sparks", fill=MOON):
        dots = []
        for row in range(18):
            near = row / 17.0
            y = HORIZON + 30.0 + 330.0 * near**1.15
            half = 64.0 + 170.0 * near
            for _ in range(4 + int(5 * near)):
                way = (chance.random() - 0.5) * 2.0
                away = half * math.copysign(abs(way) ** 0.3, way)
                dots.append((x + away, y + 9.0 * (chance.random() - 0.5), 7.0 + 6.0 * near * chance.random()))
        svg.dots(_apart(dots, 5.0), 0.5, "spark-")


def _lens(middle: float, y: float, half: float, thick: float) -> str:
    return (
        f"M{numbers(middle - half, y)}Q{numbers(middle, y - thick, middle + half, y)}"
        f"Q{numbers(middle, y + thick, middle - half, y)}Z"
    )


def _apart(dots: list[tuple[float, float, float]], gap: float) -> list[tuple[float, float, float]]:
    """Those that keep a gap from all before them."""
    kept: list[tuple[float, float, float]] = []
    for x, y, diameter in dots:
        if all(math.hypot(x - a, y - b) > (diameter + d) / 2.0 + gap for a, b, d in kept):
            kept.append((x, y, diameter))
    return kept


def boathouse(svg: Svg) -> None:
    """Gable towards us, on stilts, with its slip, its lamp and the jetty."""
    left, right, eaves, floor, peak = 2352.0, 2800.0, 856.0, 1112.0, 668.0
    middle = (left + right) / 2.0
    with svg.group("stilts", fill="none", stroke=NIGHT, stroke_width=18.0):
        for x in (2208.0, 2300.0, 2400.0, 2520.0, 2632.0, 2752.0, 2846.0):
            svg.path(f"M{numbers(x, floor)}V{number(1236.0 + 10.0 * math.sin(x))}")
        for a, b in ((2400.0, 2520.0), (2632.0, 2752.0)):
            svg.path(
                f"M{numbers(a, floor + 24.0)}L{numbers(b, 1214.0)}M{numbers(b, floor + 24.0)}L{numbers(a, 1214.0)}",
                stroke_width=10.0,
            )
    with svg.group("ripples", fill="none", stroke=TEAL, stroke_width=9.0, stroke_linecap="round"):
        for x in (2208.0, 2300.0, 2400.0, 2520.0, 2632.0, 2752.0):
            y = 1240.0 + 10.0 * math.sin(x)
            svg.path(f"M{numbers(x - 40.0, y - 3.0)}A44 13 0 0 0 {numbers(x + 40.0, y - 3.0)}")
    with svg.group("walls"):
        gable = [(left, floor), (left, eaves), (middle, peak), (right, eaves), (right, floor)]
        svg.path(polyline(gable, closed=True), id="wall", fill=CORAL)
    with svg.group("planks", fill="none", stroke=NIGHT, stroke_width=LINE):
        for step in range(1, 11):
            x = left + (right - left) * step / 11.0
            top = peak + abs(x - middle) * (eaves - peak) / (right - middle)
            svg.path(f"M{numbers(x, top + 40.0)}V{number(floor)}")
    with svg.group("house-parts"):
        svg.add("rect", id="door", x=middle - 116.0, y=904.0, width=232.0, height=208.0, fill=TEAL)
        svg.add("circle", id="window", cx=middle, cy=800.0, r=50.0, fill=MOON)
        with svg.group("trim", fill="none", stroke=NIGHT, stroke_width=14.0, stroke_linejoin="miter"):
            jambs = f"M{numbers(middle - 116.0, floor)}V904H{number(middle + 116.0)}V{number(floor)}"
            svg.path(f"{jambs}M{numbers(middle, 904.0)}V{number(floor)}")
            for side in (-1.0, 1.0):
                foot, head = numbers(middle + side * 105.0, 1098.0), numbers(middle + side * 7.0, 911.0)
                svg.path(f"M{foot}L{head}", stroke_width=10.0)
            svg.add("circle", cx=middle, cy=800.0, r=50.0)
            svg.path(
                f"M{numbers(middle - 50.0, 800.0)}H{number(middle + 50.0)}M{numbers(middle, 750.0)}V850",
                stroke_width=9.0,
            )
            svg.path(f"M{numbers(left, floor)}V{number(eaves)}M{numbers(right, floor)}V{number(eaves)}")
        roof = [(left - 58.0, eaves + 34.0), (middle, peak - 22.0), (right + 58.0, eaves + 34.0)]
        svg.path(
            polyline(roof), id="roof", fill="none", stroke=NIGHT, stroke_width=44.0, stroke_linecap="butt"
        )
        svg.path(
            f"M{numbers(middle, peak - 40.0)}V{number(peak - 96.0)}",
            fill="none",
            stroke=NIGHT,
            stroke_width=9.0,
        )
        svg.path(f"M{numbers(middle, peak - 96.0)}l58 14l-58 20Z", id="pennant", fill=CORAL)
        svg.path(
            f"M{numbers(2168.0, floor + 13.0)}H{number(2880.0)}",
            id="deck",
            fill="none",
            stroke=NIGHT,
            stroke_width=26.0,
        )
    with svg.group("rail", fill="none", stroke=NIGHT, stroke_width=LINE):
        svg.path("M2180 1030H2352M2800 1030H2872M2180 1062H2352M2800 1062H2872")
    with svg.group("posts", fill="none", stroke=NIGHT, stroke_width=12.0, stroke_linecap="round"):
        svg.path("M2186 1020V1112M2268 1020V1112M2866 1020V1112")
