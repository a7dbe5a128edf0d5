"""The wall-sized demo: its drawing is what its generator writes, and all of it can be painted.

Nothing is planned here: what is looked at is the drawing, its inks and what is seen of it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pytest
import shapely

from controller.artwork.model import Drawing
from controller.artwork.read import read_drawing
from controller.config.examine import examine_files
from controller.config.job import Job
from controller.config.load import load_job, load_machine
from controller.strokes.inks import Assigned, assign, mistakes_of
from controller.strokes.regions import NO_SCREEN, Regions, Work, regions
from controller.strokes.screen import Lattice, lattice, screen_dots
from controller.strokes.traps import Trapped, trapped
from tests.bench.mural import ARTWORK, JOB, MACHINE, drawing
from tests.bench.mural_shore import LETTERS


@dataclass(frozen=True)
class Wall:
    """The job read, and what is seen of it."""

    job: Job
    drawing: Drawing
    assigned: Assigned
    regions: Regions
    trapped: Trapped

    def layer(self, work: Work) -> str | None:
        """The layer that the work's technique names."""
        return self.job.techniques[work.technique].layer if work.technique >= 0 else None

    def dots(self) -> dict[str, int]:
        """By layer: how many dots screens and circles give."""
        found: dict[str, int] = {}
        for work in self.regions.works:
            count = 0
            if work.dots is not None:
                count = len(work.dots)
            elif work.kind == "screen" and work.screen != NO_SCREEN:
                screen = self.drawing.screens[work.screen]
                places = Lattice(screen.pitch_mm, screen.origin_mm)
                count = len(screen_dots(work.area, places, screen.diameter_mm).centre_mm)
            elif work.kind == "screen":
                how = self.job.techniques[work.technique]
                assert how.pitch_mm is not None
                places = lattice(how.lattice, how.pitch_mm, how.angle_deg)
                count = len(screen_dots(work.area, places, 1.0, how.borders).centre_mm)
            if count:
                layer = self.layer(work) or "none"
                found[layer] = found.get(layer, 0) + count
        return found


@pytest.fixture(scope="module")
def wall() -> Wall:
    """Read once."""
    job = load_job(JOB)
    found = read_drawing(job, JOB)
    assigned = assign(found, job)
    seen = regions(found, assigned, job)
    return Wall(job, found, assigned, seen, trapped(seen.works, job))


def test_the_drawing_is_what_the_generator_writes() -> None:
    """The SVG in the repository is the generator's, to the last byte, and below 4 MB."""
    text = drawing()
    assert ARTWORK.read_text(encoding="utf-8") == text
    assert len(text.encode()) < 4_000_000
    assert text == drawing()


def test_no_mistakes(wall: Wall) -> None:
    """Files, inks, groups and layers fit one another; nothing is without an ink, nothing is left out."""
    findings = examine_files([MACHINE, JOB])
    assert len(findings.machines) == len(findings.jobs) == 1
    assert mistakes_of(wall.drawing, wall.assigned, wall.job, JOB, wall.regions.skipped) == []
    assert wall.assigned.unmatched == ()
    assert [one for one in (*wall.drawing.skipped, *wall.regions.skipped) if one.kind == "left out"] == []


def test_seven_inks_have_work(wall: Wall) -> None:
    """All inks paint something, and no trap will be seen on top."""
    assert len(wall.job.inks) >= 5
    assert {work.ink for work in wall.regions.works} == set(range(len(wall.job.inks)))
    assert wall.trapped.on_top == ()
    assert all(area > 0.0 for area in wall.trapped.trap_mm2[:-1])


def test_dots_by_the_thousand(wall: Wall) -> None:
    """12 000 dots at least: in screens as drawn, in a screen of the job's, and drawn one by one."""
    dots = wall.dots()
    assert sum(dots.values()) >= 12_000
    assert min(dots["sky"], dots["sea"]) > 2000
    assert min(dots["glow"], dots["grain"]) > 100


def test_every_technique_is_used(wall: Wall) -> None:
    """Each technique of the job paints something; every kind of work and of fill is there."""
    assert {work.technique for work in wall.regions.works} >= set(range(len(wall.job.techniques)))
    assert {work.kind for work in wall.regions.works} == {"flat", "screen", "band", "line", "dots"}
    assert {how.style for how in wall.job.techniques if how.fill == "flat"} == {"contour", "hatch"}


def test_it_fits_canvas_and_frame(wall: Wall) -> None:
    """All that is seen lies on the machine's canvas with room for a tip."""
    width, height = load_machine(MACHINE).canvas.size_mm
    drawn = np.array(wall.drawing.size_mm) + 2 * np.array(wall.job.origin_mm)
    assert drawn == pytest.approx([width, height], abs=1e-6)
    bounds = np.array([work.area.bounds for work in wall.trapped.works if work.area is not None])
    assert bounds[:, :2].min() > 5.0
    assert bounds[:, 2].max() < width - 5.0
    assert bounds[:, 3].max() < height - 5.0
    assert bounds[:, 2].max() - bounds[:, 0].min() > 2800.0


def test_the_words_are_there(wall: Wall) -> None:
    """Each letter of LOW TIDE is there twice, night above the water's line and teal below, and cut by nothing else."""
    names = [wall.drawing.element_ids[one] for one in wall.drawing.shapes["element"]]
    for place, letter in enumerate("LOW TIDE"):
        if letter != " ":
            shapes = [
                row for row, name in enumerate(names) if name.endswith(f"letter-{place}-{letter.lower()}")
            ]
            inks = {wall.job.inks[wall.assigned.fill_ink[row]].name for row in shapes}
            assert (len(shapes), inks) == (2, {"night", "teal"})
    areas = {
        ink.name: shapely.union_all(
            [work.area for work in wall.regions.works if work.ink == row and work.area]
        )
        for row, ink in enumerate(wall.job.inks)
    }
    # An I is a bar of 58 mm x 216 mm, less 12 mm where the sand shows between the inks.
    row = next(row for row, name in enumerate(names) if name.endswith("letter-5-i"))
    points = wall.drawing.outline_mm(int(wall.drawing.first_outline()[row]))
    bar = shapely.box(*points.min(axis=0), *points.max(axis=0))
    assert bar.area == pytest.approx(LETTERS["I"][0] * 216.0)
    both = shapely.union(areas["night"], areas["teal"])
    assert shapely.intersection(both, bar).area == pytest.approx(bar.area - 58.0 * 12.0, abs=10.0)
