"""A reader for small drawings: one ink ``k`` painting the group ``k``, one user unit a millimetre."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from controller.artwork.limits import Limits
from controller.artwork.model import Artwork, Drawing
from controller.artwork.read import read_artwork, read_drawing
from controller.config.job import Ink, Job

MILLIMETRES = 'xmlns="http://www.w3.org/2000/svg" width="200mm" height="100mm" viewBox="0 0 200 100"'


def make_job(inks: tuple[str, ...] = ("k",), tolerance_mm: float = 0.01) -> Job:
    return Job(
        format=1,
        name="small",
        artwork="small.svg",
        origin_mm=(0.0, 0.0),
        flatten_tolerance_mm=tolerance_mm,
        inks=tuple(Ink(name=ink, group=ink, colour="#000000", tip_mm=2.0) for ink in inks),
    )


@pytest.fixture
def read_svg(tmp_path: Path) -> Callable[..., Artwork]:
    """Reads a whole SVG text."""

    def read(text: str, inks: tuple[str, ...] = ("k",), tolerance_mm: float = 0.01) -> Artwork:
        (tmp_path / "small.svg").write_text(text)
        return read_artwork(make_job(inks, tolerance_mm), tmp_path / "job.toml")

    return read


@pytest.fixture
def read_k(read_svg: Callable[..., Artwork]) -> Callable[..., Artwork]:
    """Reads what stands inside the group ``k``; black outlines, no fill, unless it says otherwise."""

    def read(inside: str, look: str = 'fill="none" stroke="black"', tolerance_mm: float = 0.01) -> Artwork:
        return read_svg(f'<svg {MILLIMETRES}><g id="k" {look}>{inside}</g></svg>', tolerance_mm=tolerance_mm)

    return read


@pytest.fixture
def draw(tmp_path: Path) -> Callable[..., Drawing]:
    """Reads what stands inside the root as a drawing, one user unit a millimetre."""

    def read(
        inside: str, root: str = MILLIMETRES, tolerance_mm: float = 0.01, limits: Limits | None = None
    ) -> Drawing:
        (tmp_path / "small.svg").write_text(f"<svg {root}>{inside}</svg>")
        return read_drawing(
            make_job(tolerance_mm=tolerance_mm), tmp_path / "job.toml", *([limits] if limits else [])
        )

    return read
