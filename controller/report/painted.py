"""What the simulated gantry's tip touched, read from the file that it leaves. Data only.

The report knows the gantry's canvas by its file alone, as it would know a scan of a real one. ``canvas.npz``:
``points_mm`` (N, 2) float64 canvas mm, ``t_ns`` (N,) int64, ``offsets`` (C + 1,) int64 (contact c is the points
offsets[c]:offsets[c + 1]), ``ink`` (C,) int32 index into ``ink_names`` (K,), ``ink_colours`` (K,), ``ink_tip_mm``
(K,); ``size_mm`` (2,).
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt

from controller.config.errors import InputError, Mistake
from controller.report.runfiles import UNREADABLE


@dataclass(frozen=True, slots=True)
class Painted:
    """Every contact of the tip with the canvas, in order of time. Arrays as in the file."""

    points_mm: npt.NDArray[np.float64]
    t_ns: npt.NDArray[np.int64]
    offsets: npt.NDArray[np.int64]
    ink: npt.NDArray[np.int32]
    ink_names: tuple[str, ...]
    ink_colours: tuple[str, ...]
    ink_tip_mm: tuple[float, ...]
    size_mm: tuple[float, float]

    @property
    def contacts(self) -> int:
        """How often the tip came down."""
        return len(self.ink)

    def of(self, ink: str, window_ns: tuple[int, int] | None = None) -> npt.NDArray[np.int64]:
        """Indices of the contacts of one ink that began within ``window_ns`` (both ends included)."""
        names = np.array([name == ink for name in self.ink_names], dtype=np.bool_)
        chosen = names[self.ink] if len(names) else np.zeros(0, dtype=np.bool_)
        chosen = chosen & (np.diff(self.offsets) > 0)
        found = np.flatnonzero(chosen)
        if window_ns is not None:
            begun = self.t_ns[self.offsets[found]]
            found = found[(begun >= window_ns[0]) & (begun <= window_ns[1])]
        return found.astype(np.int64)


def load_painted(path: Path) -> Painted:
    """Read ``canvas.npz``. Raises InputError when the file is missing or not of this kind."""
    try:
        # numpy leaves a file open that it opened itself and finds to be no archive.
        with path.open("rb") as stream, np.load(stream, allow_pickle=False) as data:
            painted = Painted(
                np.asarray(data["points_mm"], dtype=np.float64).reshape(-1, 2),
                np.asarray(data["t_ns"], dtype=np.int64),
                np.asarray(data["offsets"], dtype=np.int64),
                np.asarray(data["ink"], dtype=np.int32),
                tuple(str(name) for name in data["ink_names"]),
                tuple(str(colour) for colour in data["ink_colours"]),
                tuple(float(tip) for tip in data["ink_tip_mm"]),
                (float(data["size_mm"][0]), float(data["size_mm"][1])),
            )
    except UNREADABLE as error:
        raise InputError(
            [Mistake(path, "canvas", "a painted canvas (canvas.npz)", str(error), code="canvas-file")]
        ) from None
    if (
        len(painted.offsets) != painted.contacts + 1
        or int(painted.offsets[0]) != 0
        or int(painted.offsets[-1]) != len(painted.points_mm)
        or len(painted.t_ns) != len(painted.points_mm)
        or bool(np.any(np.diff(painted.offsets) < 0))
        or not len(painted.ink_names) == len(painted.ink_colours) == len(painted.ink_tip_mm)
        or (painted.contacts > 0 and not 0 <= painted.ink.min() <= painted.ink.max() < len(painted.ink_names))
    ):
        raise InputError(
            [Mistake(path, "canvas", "arrays that agree in length", "arrays that do not", code="canvas-file")]
        )
    return painted
