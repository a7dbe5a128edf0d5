"""The picture of a gap map: gaps are to be seen in it, and nothing loud where there are none."""

from __future__ import annotations

from io import BytesIO

import numpy as np
from PIL import Image

from controller.report.gaps import SHOWN, gap_picture
from controller.strokes.inks import assign
from controller.strokes.regions import seen
from controller.strokes.traps import gap_map, trapped
from tests.strokes.scenes import BLACK, OCHRE, Sheet, job, rectangle


def loud(png: bytes) -> int:
    """Number of pixels in the colour of gaps."""
    pixels = np.asarray(Image.open(BytesIO(png)).convert("RGB")).reshape(-1, 3)
    return int((pixels == tuple(bytes.fromhex(SHOWN[1:]))).all(axis=1).sum())


def test_gaps_are_seen() -> None:
    """A 4 mm error on a 3 mm trap is seen in the picture, a 2 mm error is not there to be seen."""
    made = job(("ochre", OCHRE), ("black", BLACK), trap_mm=3.0)
    drawing = (
        Sheet().add(rectangle(0, 0, 900, 500), fill=OCHRE).add(rectangle(300, 100, 300, 300), fill=BLACK)
    ).drawing()
    works = seen(drawing, assign(drawing, made), made)
    painted = trapped(works, made).works
    narrow, wide = (gap_map(works, painted, made, error) for error in (2.0, 4.0))
    assert loud(gap_picture(painted, narrow, made)) == 0
    assert loud(gap_picture(painted, wide, made)) > 1000


def test_a_picture_without_areas_is_a_picture() -> None:
    """Nothing flat, nothing to show: still a page."""
    made = job(("ochre", OCHRE), trap_mm=3.0)
    assert loud(gap_picture((), gap_map((), (), made, 4.0), made)) == 0
