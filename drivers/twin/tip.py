"""The tip in its holder, compiled: it has a clearance, stays where the canvas holds it, and is dragged behind.

Owns the pursuit of the tip after the holder. Knows no pen lift and no canvas.

The tip rests on the canvas while it is closer to the holder's centre than the clearance; at the clearance it is
dragged along the line to the centre (a body without inertia under friction, pulled by a rod). On a straight way of
the holder that is the tractrix: with a the angle between the rod and the way ahead, tan(a/2) falls by
exp(-way / clearance). Each straight piece is solved so, and the cutting of a straight way changes nothing. An
elliptic clearance is a circle after scaling the axes.
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from drivers.twin.compiled import compiled
from drivers.twin.parameters import TwinParameters

Floats = npt.NDArray[np.float64]


@compiled
def drag(offset: Floats, holder: Floats, start: Floats, radii: Floats, tips: Floats) -> None:
    """Drag the tip after the holder.

    ``offset`` (2,): tip minus holder, changed in place. ``holder`` (n, 2): its places, reached on straight lines from
    ``start`` (2,). ``radii`` (2,): clearance along x and y. ``tips`` (n, 2) takes the tip's places.
    """
    ox, oy = offset[0], offset[1]
    px, py = start[0], start[1]
    rx, ry = radii[0], radii[1]
    for j in range(holder.shape[0]):
        qx, qy = holder[j, 0], holder[j, 1]
        if rx == 0.0 or ry == 0.0:  # no clearance along one axis: along the other it is a play operator
            ox = min(max(ox - (qx - px), -rx), rx)
            oy = min(max(oy - (qy - py), -ry), ry)
        else:
            dx, dy = (qx - px) / rx, (qy - py) / ry
            way = math.sqrt(dx * dx + dy * dy)
            if way > 0.0:
                dx, dy = dx / way, dy / way
                ahead = (ox / rx) * dx + (oy / ry) * dy
                aside = (oy / ry) * dx - (ox / rx) * dy
                # free until the circle of radius 1 around the holder has come to the tip
                free = ahead + math.sqrt(max(1.0 - aside * aside, 0.0))
                if free >= way:
                    ahead -= way
                else:
                    ahead -= max(free, 0.0)
                    half = math.atan2(aside, -ahead)  # angle of the rod, zero when the tip trails straight
                    if abs(half) < math.pi:
                        half = 2.0 * math.atan(math.tan(0.5 * half) * math.exp(-(way - max(free, 0.0))))
                    ahead, aside = -math.cos(half), math.sin(half)
                ox, oy = (ahead * dx - aside * dy) * rx, (ahead * dy + aside * dx) * ry
        tips[j, 0], tips[j, 1] = qx + ox, qy + oy
        px, py = qx, qy
    offset[0], offset[1] = ox, oy


class Tip:
    """The tip of whatever pen is in the holder, while it touches. Places in one frame of mm, the caller's choice."""

    def __init__(self, parameters: TwinParameters) -> None:
        self._radii = np.array(parameters.pen_clearance_mm, dtype=np.float64)
        self._landing = np.array(parameters.pen_landing_mm, dtype=np.float64)
        self.is_firm = not self._radii.any()
        self._offset = np.zeros(2)
        self._holder = np.zeros(2)

    def land(self, holder_mm: Floats) -> Floats:
        """The tip touches, with the holder's centre at (2,); returns the tip's place (2,)."""
        if self.is_firm:
            return holder_mm
        self._offset = self._landing.copy()
        self._holder = holder_mm.copy()
        place: Floats = holder_mm + self._offset
        return place

    def follow(self, holder_mm: Floats, *, look_only: bool = False) -> Floats:
        """The holder's centre goes on through (n, 2); returns the tip's places (n, 2)."""
        if self.is_firm or len(holder_mm) == 0:
            return holder_mm
        tips = np.empty_like(holder_mm)
        offset = self._offset.copy()
        drag(offset, np.ascontiguousarray(holder_mm), self._holder, self._radii, tips)
        if not look_only:
            self._offset = offset
            self._holder = np.array(holder_mm[-1])
        return tips
