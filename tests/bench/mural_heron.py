"""The mural's heron, standing on a bar and looking at the moon.

Owns its outline and plumage in the units of its own grid, 2.75 mm each; mm elsewhere.
"""

from __future__ import annotations

import math
import re

from tests.bench.mural_svg import BLUE, CANVAS, MIST, MOON, NIGHT, Point, Svg, number

UNIT = 2.75
AT = (118.0, 206.0)

CONTOUR = (
    "M314 89C304 80 288 75 273 83C259 90 253 104 249 120C243 144 246 160 257 176C268 192 272 206 266 222"
    "C260 238 240 246 216 252C184 260 146 286 112 318C98 332 82 350 66 370C94 362 118 354 140 350"
    "C170 358 204 354 230 340C262 322 284 296 290 262C296 232 292 204 279 180C268 160 264 146 269 134"
    "C273 125 284 121 298 119Z"
)
NECK = (
    "M298 119C284 121 273 125 269 134C264 146 268 160 279 180C292 204 296 232 290 262C287 280 280 295 271 307"
    "C272 286 277 262 276 238C275 212 266 190 259 172C251 152 250 138 254 122C258 112 274 108 300 107Z"
)
BILL = "M308 90C336 93 362 98 394 106.500C364 112 330 116 297 119.500L304 104Z"
WING = (
    "M250 258C262 286 240 318 198 330C164 340 124 344 80 366C102 346 126 328 154 305C182 282 212 264 234 257"
    "C241 254 247 253 250 258Z"
)
PRIMARIES = "M152 337C124 343 98 352 66 370C82 350 98 332 112 318C124 314 142 318 152 337Z"
PLUMES = ("M281 246C286 266 284 284 273 304", "M268 250C272 270 268 288 257 308")


def heron(svg: Svg) -> None:
    """Legs behind, then body, wing, neck, head, and the outline over all."""
    with svg.group("heron", transform=f"translate({number(AT[0])} {number(AT[1])}) scale({UNIT})"):
        with svg.group("legs", fill="none", stroke=NIGHT, stroke_width=15.0 / UNIT, stroke_linejoin="round"):
            svg.path("M180 350C178 372 177 384 172 398L196 458", id="leg-far")
            svg.path("M210 348C213 372 215 388 213 402L219 460", id="leg-near")
            svg.path("M172 464L196 457L216 466M190 468L219 460L246 468", id="toes", stroke_width=11.0 / UNIT)
        with svg.group("plumage"):
            svg.path(CONTOUR, id="body", fill=MIST)
            svg.path(WING, id="wing", fill=BLUE)
            svg.path(PRIMARIES, id="primaries", fill=NIGHT)
            svg.path(NECK, id="neck-front", fill=CANVAS)
            svg.path(
                "M252 108C258 92 268 84 284 82C296 82 304 86 310 90L304 100C290 98 270 98 252 108Z",
                id="crown",
                fill=CANVAS,
            )
            svg.path(BILL, id="bill", fill=MOON)
        with svg.group("lines", fill="none", stroke=NIGHT, stroke_linejoin="round", stroke_linecap="round"):
            svg.path(CONTOUR.rstrip("Z"), id="outline", stroke_width=14.0 / UNIT)
            svg.path(BILL, id="bill-edge", stroke_width=10.0 / UNIT)
            svg.path(WING, id="wing-edge", stroke_width=11.0 / UNIT)
            for place, feather in enumerate(
                ("M226 268C226 290 204 304 172 312", "M202 280C198 296 174 310 146 319",
                 "M232 292C222 312 192 322 154 328", "M178 296C168 308 152 318 130 326")
            ):  # fmt: skip
                svg.path(feather, id=f"feather-{place}", stroke_width=9.0 / UNIT)
            svg.path("M382 106.500C352 105 326 104 302 105", id="gape", stroke_width=7.0 / UNIT)
            for place, plume in enumerate(PLUMES):
                svg.path(plume, id=f"plume-{place}", stroke_width=8.0 / UNIT)
        with svg.group("crest", fill=NIGHT):
            svg.path(
                "M300 92C284 86 262 92 246 106C232 116 216 126 196 132C214 114 232 98 256 90C272 84 288 84 300 92Z",
                id="crest-upper",
            )
            svg.path("M266 96C246 108 230 124 212 150C216 130 228 112 246 98Z", id="crest-lower")
            svg.add(
                "circle", id="eye", cx=291.0, cy=99.0, r=6.2, fill=MOON, stroke=NIGHT, stroke_width=7.0 / UNIT
            )
        with svg.group("streaks", fill=NIGHT):
            svg.dots(_streaks(), 0.2, "streak-")
        with svg.group("flecks", fill=NIGHT):
            svg.dots(_flecks(), 0.2, "fleck-")


def _streaks() -> list[tuple[float, float, float]]:
    """Two rows of dots down the neck."""
    found = []
    places = ((262, 128), (258, 142), (260, 156), (266, 172), (274, 190), (281, 210), (284, 230))
    for place, (x, y) in enumerate(places):
        found.append((float(x), float(y), 3.4))
        if 2 <= place <= 4:
            found.append((x + 5.0, y + 6.5, 2.6))
    return found


def _flecks() -> list[tuple[float, float, float]]:
    """Shade on breast and belly: a lattice of dots, larger towards the edge."""
    body, wing, neck = _outline(CONTOUR), _outline(WING), _outline(NECK)
    lines = [point for one in (WING, NECK, *PLUMES) for point in _outline(one)]
    found = []
    for row in range(60):
        y = 250.0 + 6.4 * row * math.sqrt(3.0) / 2.0
        for column in range(40):
            x = 110.0 + 6.4 * (column + 0.5 * (row % 2))
            edge = _away(body, x, y)
            if not _within(body, x, y) or not 6.2 < edge < 24.0:
                continue
            if _within(wing, x, y) or _within(neck, x, y) or _away(lines, x, y) < 5.6:
                continue
            if y < 345.0 and x > 160.0 and not (x < 256.0 and y < 310.0):
                found.append((x, y, max(4.8 - 0.13 * (edge - 6.2), 2.2)))
    return found


def _outline(path: str) -> list[Point]:
    """Vertices of a path of M, C, L and Z with absolute coordinates."""
    points: list[Point] = []
    for part in re.findall(r"[MCL][^MCLZ]*", path):
        values = [float(one) for one in re.findall(r"-?[0-9.]+", part[1:])]
        pairs = list(zip(values[::2], values[1::2], strict=True))
        if part[0] != "C":
            points += pairs
            continue
        for row in range(0, len(pairs), 3):
            (a, b), (c, d), (e, f) = pairs[row : row + 3]
            x, y = points[-1]
            for step in range(1, 17):
                t = step / 16.0
                u = 1.0 - t
                points.append(
                    (
                        u**3 * x + 3 * u * u * t * a + 3 * u * t * t * c + t**3 * e,
                        u**3 * y + 3 * u * u * t * b + 3 * u * t * t * d + t**3 * f,
                    )
                )
    return points


def _within(outline: list[Point], x: float, y: float) -> bool:
    """Whether a line from the place to the right crosses the outline an odd number of times."""
    inside = False
    for (a, b), (c, d) in zip(outline, [*outline[1:], outline[0]], strict=True):
        if (b > y) != (d > y) and x < a + (y - b) * (c - a) / (d - b):
            inside = not inside
    return inside


def _away(outline: list[Point], x: float, y: float) -> float:
    """Distance from the nearest vertex."""
    return min(math.hypot(x - a, y - b) for a, b in outline)
