"""The mural's near half: sand and the channels through it, the boat left dry, reeds, what lies about, the words.

Owns shapes and where they stand; x right, y down, mm of the drawing.
"""

from __future__ import annotations

import math
import random

from tests.bench.mural_scene import BOTTOM, LEFT, LINE, RIGHT, SHORE, TOP
from tests.bench.mural_svg import (
    CANVAS,
    CORAL,
    MIST,
    NIGHT,
    SAND,
    TEAL,
    Point,
    Svg,
    leaf,
    numbers,
    polyline,
    smooth,
    wave,
)


def _shore_line() -> list[Point]:
    return [
        (x, SHORE + 10.0 * math.sin(x / 118.0) + 6.0 * math.sin(x / 47.0 + 1.0))
        for x in (LEFT + (RIGHT - LEFT) * step / 48.0 for step in range(49))
    ]


BARS = {
    "bar-west": (
        "46,1440 200,1426 420,1444 640,1434 800,1456 880,1474",
        "700,1506 480,1534 240,1552 46,1540",
    ),
    "bar-boat": (
        "960,1466 1120,1436 1340,1430 1560,1444 1760,1434 1960,1470 1800,1496 1600,1514 1360,1520 1120,1496",
        "",
    ),
    "bar-east": (
        "2010,1488 2180,1450 2420,1432 2660,1444 2914,1426",
        "2914,1528 2680,1536 2420,1516 2160,1514",
    ),
    "bar-words": (
        (
            "250,1676 330,1602 520,1560 860,1540 1260,1548 1700,1540 2120,1542 2440,1560 2640,1606 2716,1676 "
            "2620,1752 2300,1790 1860,1797 1400,1788 960,1796 560,1784 330,1752"
        ),
        "",
    ),
    "bar-corner-west": ("46,1580 130,1580 196,1640 232,1720 330,1790 372,1814", "46,1814"),
    "bar-corner-east": ("2600,1814 2660,1788 2752,1720 2790,1640 2840,1574 2914,1562", "2914,1814"),
}
"""Edges clockwise, a smooth curve through each list of points; a bar without a second one is smooth all round."""


def _bar(first: str, second: str) -> str:
    edges = [[_point(one) for one in edge.split()] for edge in (first, second)]
    if not edges[1]:
        return smooth(edges[0], closed=True)
    back = smooth(edges[1])[1:] if len(edges[1]) > 1 else numbers(*edges[1][0])
    return f"{smooth(edges[0])}L{back}Z"


def _point(text: str) -> Point:
    x, y = map(float, text.split(","))
    return x, y


def sand(svg: Svg) -> None:
    """Wet ground from shore to frame, bars of dry sand on it, grain on the bars."""
    edge = _shore_line()
    with svg.group("channels"):
        svg.path(f"{smooth(edge)}V{numbers(BOTTOM)}H{numbers(LEFT)}Z", id="wet", fill=MIST)
        foam = smooth([(x, y - 8.0) for x, y in edge])
        svg.path(foam, id="foam", fill="none", stroke=CANVAS, stroke_width=28.0)
    with svg.group("surf", fill="none", stroke=TEAL, stroke_width=9.0):
        svg.path(smooth([(x, y - 24.0) for x, y in edge]), id="surf-line")
    with svg.group("bars", fill=SAND):
        for name, edges in BARS.items():
            svg.path(_bar(*edges), id=name)
    with svg.group("streams", fill="none", stroke=TEAL, stroke_linecap="round"):
        for left, right, y, phase in (
            (900.0, 1080.0, 1518.0, 0.1), (1260.0, 1420.0, 1534.0, 0.4), (2080.0, 2260.0, 1530.0, 0.6),
            (470.0, 640.0, 1551.0, 0.2), (2500.0, 2630.0, 1549.0, 0.0), (1000.0, 1080.0, 1424.0, 0.3),
        ):  # fmt: skip
            svg.path(smooth(wave(left, right, y, 90.0, 4.0, phase)), stroke_width=8.0)
    with svg.inside("defs"):
        svg.raw(
            '<pattern id="grains" patternUnits="userSpaceOnUse" width="20" height="20" patternTransform="rotate(15)">'
        )
        svg.raw(f'<circle cx="10" cy="10" r="3.5" fill="{CORAL}"/></pattern>')
    with svg.group("grain", fill="url(#grains)"):
        for place, (x, y, rx, ry) in enumerate(
            ((250.0, 1492.0, 190.0, 34.0), (560.0, 1478.0, 130.0, 26.0), (1310.0, 1478.0, 200.0, 30.0),
             (1740.0, 1468.0, 120.0, 22.0), (2460.0, 1474.0, 230.0, 30.0), (2790.0, 1486.0, 100.0, 34.0))
        ):  # fmt: skip
            svg.add("ellipse", id=f"grain-{place}", cx=x, cy=y, rx=rx, ry=ry)


HULL = "M-232 -92C-196 -84 -150 -78 -96 -76L170 -84L232 -104C226 -52 196 -6 150 4L-112 4C-170 -4 -214 -46 -232 -92Z"


def boat(svg: Svg) -> None:
    """A boat left dry, leaning; mast and rigging go up into the moon's glow."""
    with svg.group("boat", transform="translate(1440 1462) rotate(-5)"):
        with svg.group("boat-parts", stroke_linejoin="round"):
            svg.path("M-20 -76V-660", id="mast", fill="none", stroke=NIGHT, stroke_width=15.0)
            svg.path("M-26 -190H206", id="boom", fill="none", stroke=NIGHT, stroke_width=12.0)
            svg.path(
                "M-8 -200C30 -236 120 -238 176 -212C192 -204 192 -196 176 -194C110 -190 40 -190 -8 -192Z",
                id="sail", fill=MIST, stroke=NIGHT, stroke_width=10.0,
            )  # fmt: skip
            svg.path(
                "M40 -222L46 -194M92 -230L96 -192M140 -224L142 -194",
                fill="none",
                stroke=NIGHT,
                stroke_width=8.0,
            )
            svg.path(HULL, id="hull", fill=TEAL)
            svg.path(
                "M-205 -58C-140 -46 -60 -44 20 -46L212 -62L200 -40L20 -24C-60 -22 -130 -24 -188 -34Z",
                id="stripe",
                fill=CORAL,
            )
            svg.path(HULL, id="hull-edge", fill="none", stroke=NIGHT, stroke_width=14.0)
            svg.path("M-20 -660l74 22l-74 24Z", id="burgee", fill=CORAL, stroke=NIGHT, stroke_width=8.0)
        with svg.group("rigging", fill="none", stroke=NIGHT, stroke_width=LINE):
            svg.path(
                "M-20 -648L-226 -92M-20 -648L222 -102M-20 -560L-120 -78M-20 -560L92 -80M-20 -600L206 -192"
            )
            svg.path("M-112 -300H66M-92 -410H44")
    with svg.group("mooring", fill="none", stroke=NIGHT, stroke_width=LINE):
        svg.path("M1215 1390C1180 1440 1130 1462 1060 1480")
    with svg.group("anchor", fill="none", stroke=NIGHT, stroke_width=9.0, stroke_linecap="round"):
        svg.path("M1058 1480L1016 1494M1004 1474C1000 1492 1004 1506 1018 1516M1046 1470l14 20")


def reeds(svg: Svg) -> None:
    """Blades and bulrushes in both lower corners."""
    chance = random.Random(41)
    with svg.inside("defs"), svg.inside("clipPath", id="inside-frame"):
        svg.add("rect", x=LEFT, y=TOP, width=RIGHT - LEFT, height=BOTTOM - TOP)
    with svg.group("reeds", clip_path="url(#inside-frame)"):
        for side, base in ((1.0, 120.0), (-1.0, 2836.0)):
            for count in range(9):
                x = base + (count - 4) * 24.0 + 10.0 * chance.random()
                high = 1230.0 - 240.0 * chance.random() + 26.0 * abs(count - 4)
                lean = (count - 3.2) * 26.0 + side * 30.0
                tip = (min(max(x + lean, LEFT + 18.0), RIGHT - 18.0), high)
                colour = (TEAL, NIGHT, TEAL)[count % 3]
                svg.path(
                    leaf(
                        (x, 1830.0), tip, side * (16.0 + 34.0 * chance.random()), 34.0 + 8.0 * chance.random()
                    ),
                    fill=colour,
                )
    with svg.group("stems", clip_path="url(#inside-frame)", fill="none", stroke=NIGHT, stroke_width=LINE):
        for x, top, bend in STEMS:
            svg.path(
                f"M{numbers(x, 1830.0)}Q{numbers(x + 0.2 * bend, 0.5 * (top + 1830.0), x + bend, top - 64.0)}"
            )
    with svg.group("bulrushes", fill=CORAL, stroke=NIGHT, stroke_width=9.0):
        for x, top, bend in STEMS:
            angle = math.degrees(math.atan2(1.1 * bend, 1800.0 - top))
            svg.add(
                "rect", x=-17.0, y=0.0, width=34.0, height=128.0, rx=17.0,
                transform=f"translate({numbers(x + 0.9 * bend, top)}) rotate({angle:.2f})",
            )  # fmt: skip


STEMS = (
    (196.0, 1060.0, 34.0),
    (128.0, 1150.0, -22.0),
    (262.0, 1200.0, 66.0),
    (2760.0, 1250.0, -50.0),
    (2846.0, 1140.0, 10.0),
)


def small_things(svg: Svg) -> None:
    """Starfish, pebbles, and where the heron has walked."""
    with svg.group("starfish", fill=CORAL, stroke=NIGHT, stroke_width=8.0, stroke_linejoin="round"):
        star = []
        for step in range(10):
            r = 46.0 if step % 2 == 0 else 19.0
            angle = math.radians(10.0 + 36.0 * step)
            star.append((2330.0 + r * math.sin(angle), 1484.0 - r * math.cos(angle)))
        svg.path(polyline(star, closed=True))
    with svg.group("tracks", fill="none", stroke=NIGHT, stroke_width=LINE, stroke_linecap="round"):
        for step in range(5):
            x, y = 664.0 - 88.0 * step, 1503.0 + 18.0 * (step % 2)
            heel, toe, root = numbers(x - 22.0, y), numbers(x + 26.0, y), numbers(x - 2.0, y)
            svg.path(f"M{heel}L{toe}M{numbers(x + 22.0, y - 14.0)}L{root}L{numbers(x + 22.0, y + 14.0)}")


LETTERS = {
    "L": (150.0, "M0 0H58V160H150V216H0Z"),
    "O": (
        214.0,
        "M107 -3A107 111 0 0 1 107 219A107 111 0 0 1 107 -3ZM107 54A49 54 0 0 0 107 162A49 54 0 0 0 107 54Z",
    ),
    "W": (306.0, "M0 0H62L95 130L128 0H178L211 130L244 0H306L242 216H180L153 112L126 216H64Z"),
    "T": (184.0, "M0 0H184V56H121V216H63V56H0Z"),
    "I": (58.0, "M0 0H58V216H0Z"),
    "D": (190.0, "M0 0H80A108 108 0 0 1 80 216H0ZM58 55V161H78A53 53 0 0 0 78 55Z"),
    "E": (146.0, "M0 0H146V55H58V80H130V122H58V161H146V216H0Z"),
}
"""Width and outline of each letter, 216 mm high, counters turned the other way."""
GAP, SPACE = 66.0, 200.0
WORDS_TOP = 1562.0


def words(svg: Svg) -> None:
    """LOW TIDE, in night above the water's line and in teal below it."""
    text = "LOW TIDE"
    width = sum(SPACE - GAP if one == " " else LETTERS[one][0] + GAP for one in text) - GAP
    x = (LEFT + RIGHT - width) / 2.0
    left = x
    line = WORDS_TOP + 141.0
    edge = wave(left - 30.0, left + width + 30.0, line, 150.0, 6.0)
    with svg.inside("defs"):
        with svg.group("letters"):
            for place, one in enumerate(text):
                if one == " ":
                    x += SPACE - GAP
                    continue
                svg.path(
                    LETTERS[one][1],
                    id=f"letter-{place}-{one.lower()}",
                    transform=f"translate({numbers(x, WORDS_TOP)})",
                )
                x += LETTERS[one][0] + GAP
        with svg.inside("clipPath", id="below"):
            svg.path(f"{smooth(edge)}V{numbers(BOTTOM)}H{numbers(edge[0][0])}Z")
        with svg.inside("clipPath", id="above"):
            svg.path(
                f"{smooth([(a, b - 12.0) for a, b in edge])}V{numbers(WORDS_TOP - 30.0)}H{numbers(edge[0][0])}Z"
            )
    with svg.group("words"):
        svg.add("use", id="words-dry", href="#letters", fill=NIGHT, clip_path="url(#above)")
        svg.add("use", id="words-wet", href="#letters", fill=TEAL, clip_path="url(#below)")


def frame(svg: Svg) -> None:
    """A band around all, with rounded corners."""
    with svg.group("frame", fill="none", stroke=NIGHT, stroke_width=22.0):
        svg.add(
            "rect",
            id="frame-band",
            x=LEFT - 6.0,
            y=46.0 - 6.0,
            width=RIGHT - LEFT + 12.0,
            height=BOTTOM - 46.0 + 12.0,
            rx=14.0,
        )
