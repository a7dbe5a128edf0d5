"""The wall-sized demo picture: writes its SVG, draws it as painted.

    python -m tests.bench.mural --write                                    configs/jobs/low-tide-wall/low-tide-wall.svg
    python -m tests.bench.mural --picture docs/mural.png --prepared DIR    what the strokes paint

Owns which parts lie on which; mural_scene, mural_shore and mural_heron own the parts.
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

from tests.bench import mural_heron, mural_scene, mural_shore
from tests.bench.mural_svg import Svg, number

CONFIGS = Path(__file__).parents[2] / "configs"
JOB = CONFIGS / "jobs" / "low-tide-wall" / "job.toml"
ARTWORK = JOB.with_name("low-tide-wall.svg")
MACHINE = CONFIGS / "machines" / "boathouse.toml"


def drawing() -> str:
    """The SVG's text: the same on every computer."""
    width, height = number(mural_scene.WIDTH), number(mural_scene.HEIGHT)
    svg = Svg()
    svg.raw('<?xml version="1.0" encoding="UTF-8"?>')
    svg.raw(
        "<!-- Low Tide, the wall: heron, moon, boathouse, boat, and the words. Written by tests/bench/mural.py. -->"
    )
    head = f'width="{width}mm" height="{height}mm" viewBox="0 0 {width} {height}"'
    svg.raw(f'<svg xmlns="http://www.w3.org/2000/svg" {head}>')
    svg.raw("<title>Low Tide</title>")
    with svg.inside("defs"):
        mural_scene.patterns(svg)
    mural_scene.sky(svg)
    mural_scene.far_shore(svg)
    mural_scene.water(svg)
    mural_scene.boathouse(svg)
    mural_shore.sand(svg)
    mural_shore.boat(svg)
    mural_shore.small_things(svg)
    mural_heron.heron(svg)
    mural_shore.words(svg)
    mural_shore.reeds(svg)
    mural_shore.frame(svg)
    svg.raw("</svg>")
    return svg.text()


def main(arguments: list[str]) -> int:
    """Do what is asked."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench.mural", description=__doc__.splitlines()[0])
    parser.add_argument("--write", action="store_true", help="write the SVG")
    parser.add_argument("--picture", type=Path, metavar="PNG", help="draw what the strokes paint")
    parser.add_argument("--prepared", type=Path, metavar="DIR", help="the prepared job, for --picture")
    asked = parser.parse_args(arguments)
    if asked.picture and not asked.prepared:
        parser.error("--picture needs --prepared DIR, a folder that giornata prepare made")
    if asked.write:
        ARTWORK.write_text(drawing(), encoding="utf-8")
    if asked.picture:
        from controller.config.load import load_job, load_machine
        from controller.session.prepared import load_prepared
        from tests.bench import mural_paint

        prepared = load_prepared(asked.prepared)
        mural_paint.picture(prepared, load_job(JOB), load_machine(MACHINE), asked.picture)
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
