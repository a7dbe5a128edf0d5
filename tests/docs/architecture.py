"""The picture of the architecture, drawn from what the code imports: ``python -m tests.docs.architecture --write``.

Owns the drawing only. Which rooms there are, their order and what they may import stand in
``tests/test_architecture.py``; what they do import is read from the files.

Rooms stand on the diagonal, in order. A line goes from a room to the left until it is below the room that is imported,
then up to it; the number where it turns is how many modules of ours are imported there, counted once for each file that
does, as a step (1, 3, 10, 30, ...) so that the picture does not change with every line of code.
"""

from __future__ import annotations

import re
import sys
from collections import Counter
from html import escape
from pathlib import Path

from tests.test_architecture import (
    ALLOWED,
    ORDER,
    PACKAGES,
    WAYS_THROUGH,
    imports_of,
    module_name,
    room_of,
    sources,
)

PICTURE = Path(__file__).parents[2] / "docs" / "contributing" / "architecture.svg"
STEPS = (1, 3, 10, 30, 100, 300)
CELL = 36
LEFT, TOP = 24, 40
TEXT = 400
ROOMS = (
    "safety", "drivers", "drivers.line", "drivers.can", "drivers.modbus", "drivers.described", "drivers.heads",
    "drivers.inputs", "drivers.twin", *(f"controller.{room}" for room in ORDER),
)  # fmt: skip
"""From what knows least of the others to what knows most."""

Edges = dict[tuple[str, str], int]

_IMPORT = re.compile(
    r"^[ \t]*(from [.\w]+ import (?:\((?:[^()#]|#[^\n]*)*\)|[^\n(]+)|import \w[^\n(]*)$", re.MULTILINE
)

STYLE = """
text { font: 14px system-ui, sans-serif; fill: #1d1f24; paint-order: stroke; stroke: #fdfcf9; stroke-width: 4px;
  stroke-linejoin: round; }
.small { font-size: 12px; fill: #565b66; } .count { font-size: 12px; text-anchor: middle; stroke: none; }
.line { fill: none; stroke: #8b8f98; stroke-width: 1; } .head { fill: #8b8f98; }
.room { stroke: #1d1f24; stroke-width: 1.2; }
.safety { fill: #f3c9b0; } .drivers { fill: #cfe3d3; } .controller { fill: #cddff0; }
.dot { fill: #fdfcf9; stroke: #8b8f98; } .through { fill: #fdfcf9; stroke: #b3541e; stroke-width: 1.6; }
@media (prefers-color-scheme: dark) {
  text { fill: #e6e4de; stroke: #16181c; } .count { stroke: none; } .small { fill: #a9adb6; }
  .line { stroke: #71767f; } .head { fill: #71767f; }
  .room { stroke: #e6e4de; }
  .safety { fill: #6b3a1d; } .drivers { fill: #24492f; } .controller { fill: #1f405f; }
  .dot { fill: #16181c; stroke: #71767f; } .through { fill: #16181c; stroke: #efb07f; }
}
"""


def edges(files: dict[str, str]) -> Edges:
    """Importing and imported room to the number of imports: modules of ours, once for each importing file.

    files: module names to their source.
    """
    found: Counter[tuple[str, str]] = Counter()
    for module, source in files.items():
        room = room_of(module)
        for name in imported(module, source):
            target = room_of(name)
            if room and target and target != room:
                found[room, target] += 1
    return dict(found)


def imported(module: str, source: str) -> set[str]:
    """What of ours a file imports. Looks at import statements only, each parsed alone: a quarter of the time."""
    statements = "\n".join(match[1] for match in _IMPORT.finditer(source))
    return {name for _, name in imports_of(statements, module) if name.partition(".")[0] in PACKAGES}


def through(files: dict[str, str]) -> set[tuple[str, str]]:
    """Pairs of rooms of which the first may import nothing of the second but what is listed as a way through."""
    return {
        (room, target)
        for room, target in edges(files)
        if target not in ALLOWED[room] and any(room_of(who) == room for who, _ in WAYS_THROUGH)
    }


def step(count: int) -> int:
    """The largest of ``STEPS`` that is no more than ``count``; 0 for none."""
    return max((one for one in STEPS if one <= count), default=0)


def drawn(files: dict[str, str]) -> str:
    """The picture as SVG."""
    found, doors = edges(files), through(files)
    of = Counter(room_of(module) for module in files)
    place = {room: number for number, room in enumerate(ROOMS)}
    side = CELL * len(ROOMS)
    width, height = LEFT + side + TEXT // 2, TOP + side + 64
    out = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width} {height}" role="img"',
        ' aria-labelledby="title about">',
        '<title id="title">Rooms and their imports</title>',
        '<desc id="about">Rooms on a diagonal, each with lines to those that it imports.',
        "Lines to the left and up: imports go one way.</desc>",
        f"<style>{STYLE}</style>",
    ]
    x = [LEFT + CELL * number + CELL // 2 for number in range(len(ROOMS))]
    y = [TOP + CELL * number + CELL // 2 for number in range(len(ROOMS))]
    half = 11
    for room, number in place.items():
        targets = [place[target] for importer, target in found if importer == room]
        before, after = [t for t in targets if t < number], [t for t in targets if t > number]
        if before:
            out.append(f'<path class="line" d="M{x[number] - half} {y[number]}H{x[min(before)]}"/>')
        if after:
            out.append(f'<path class="line" d="M{x[number] + half} {y[number]}H{x[max(after)]}"/>')
    for room, number in place.items():
        importers = [place[importer] for importer, target in found if target == room]
        for ends, way in (
            ([i for i in importers if i > number], 1),
            ([i for i in importers if i < number], -1),
        ):
            if ends:
                tip = y[number] + way * (half + 1)
                far = y[max(ends) if way > 0 else min(ends)]
                out.append(f'<path class="line" d="M{x[number]} {far}V{tip + way * 6}"/>')
                out.append(f'<path class="head" d="M{x[number]} {tip}l-4 {way * 7}h8z"/>')
    for (importer, target), count in sorted(found.items()):
        at_x, at_y = x[place[target]], y[place[importer]]
        kind = "through" if (importer, target) in doors else "dot"
        number = step(count)
        out.append(f'<circle class="{kind}" cx="{at_x}" cy="{at_y}" r="{14 if number > 99 else 11}"/>')
        out.append(f'<text class="count" x="{at_x}" y="{at_y + 4}">{number}</text>')
    for room, number in place.items():
        package = room.partition(".")[0]
        out.append(
            f'<rect class="room {package}" x="{x[number] - half}" y="{y[number] - half}" width="{2 * half}"'
            f' height="{2 * half}" rx="3"/>'
        )
        far = max([place[target] for importer, target in found if importer == room] + [number])
        words = escape(room.replace(".", "/"))
        out.append(
            f'<text x="{x[far] + 20}" y="{y[number] + 5}">{words}'
            f'<tspan class="small" dx="8">{_files(step(of[room]))}</tspan></text>'
        )
    foot = TOP + side + 24
    out += [
        f'<text class="small" x="{LEFT}" y="24">A line leads from a room to the left, then up to what it imports.',
        "Numbers: at least so many modules are imported.</text>",
        f'<circle class="through" cx="{LEFT + 11}" cy="{foot}" r="11"/>',
        f'<text class="small" x="{LEFT + 30}" y="{foot + 4}">only through the ways listed in',
        "tests/test_architecture.py</text>",
        "</svg>",
    ]
    return "\n".join(out) + "\n"


def _files(count: int) -> str:
    return "1 file" if count == 1 else f"{count} files or more"


def code() -> dict[str, str]:
    """The code as it stands: module names to source, of all that is in a room."""
    named = {module_name(path): path.read_text(encoding="utf-8") for path in sources()}
    return {module: source for module, source in named.items() if room_of(module)}


def main() -> int:
    """Write the picture, or say whether the one that is there is stale."""
    picture = drawn(code())
    if "--write" in sys.argv[1:]:
        PICTURE.write_text(picture, encoding="utf-8")
        return 0
    fresh = PICTURE.is_file() and PICTURE.read_text(encoding="utf-8") == picture
    sys.stdout.write("as the code is\n" if fresh else "stale: python -m tests.docs.architecture --write\n")
    return 0 if fresh else 1


if __name__ == "__main__":
    sys.exit(main())
