"""The pen lift: an output moves it, end switches, a ruler and a force cell tell of it, and it takes its time.

Owns the lift's place over time, and how it can jam. Knows no bus and no canvas.
"""

from __future__ import annotations

import math

FAR_NS = 1 << 62


class PenLift:
    """A lift that travels evenly between up (0) and down (1); the tip touches only at 1.

    The force builds up from touching on as that of a spring through a damper: 1 - exp(-t / rise).
    """

    __slots__ = ("_force_n", "_from", "_goal", "_jam", "_rise_ns", "_since_ns", "_stroke_mm", "_travel_ns")

    def __init__(
        self, travel_ms: float, stroke_mm: float = 8.0, force_n: float = 3.0, rise_ms: float = 10.0
    ) -> None:
        self._travel_ns = max(1, round(travel_ms * 1e6))
        self._stroke_mm = stroke_mm
        self._force_n = force_n
        self._rise_ns = max(1.0, rise_ms * 1e6)
        self._from = 0.0
        self._goal = 0.0
        self._since_ns = 0
        self._jam: float | None = None

    def command(self, down: bool, now_ns: int) -> None:
        """Set the output; a lift under way turns where it is."""
        goal = 1.0 if down else 0.0
        if goal != self._goal:
            self._from = self.place(now_ns)
            self._goal, self._since_ns = goal, now_ns

    @property
    def is_jammed(self) -> bool:
        """Whether it sticks."""
        return self._jam is not None

    def jam(self, now_ns: int) -> None:
        """From here on it sticks where it is."""
        self._jam = self.place(now_ns)

    def free(self, now_ns: int) -> None:
        """It moves on from where it stuck."""
        if self._jam is not None:
            self._from, self._since_ns = self._jam, now_ns
            self._jam = None

    @property
    def _arrives_ns(self) -> int:
        return self._since_ns + round(abs(self._goal - self._from) * self._travel_ns)

    def next_ns(self, now_ns: int) -> int:
        """When it arrives, or far away when it already has."""
        arrives_ns = self._arrives_ns
        return arrives_ns if arrives_ns > now_ns and self._jam is None else FAR_NS

    def place(self, now_ns: int) -> float:
        """0 = up, 1 = down."""
        if self._jam is not None:
            return self._jam
        if now_ns >= self._arrives_ns:
            return self._goal
        done = (now_ns - self._since_ns) / self._travel_ns
        return self._from + done if self._goal > self._from else self._from - done

    def is_down(self, now_ns: int) -> bool:
        """Whether the lower end switch is closed and the tip presses."""
        if self._jam is not None:
            return self._jam == 1.0
        return self._goal == 1.0 and now_ns >= self._arrives_ns

    def is_up(self, now_ns: int) -> bool:
        """Whether the upper end switch is closed."""
        if self._jam is not None:
            return self._jam == 0.0
        return self._goal == 0.0 and now_ns >= self._arrives_ns

    def travel_mm(self, now_ns: int) -> float:
        """What the ruler tells: 0 is up."""
        return self.place(now_ns) * self._stroke_mm

    def force_n(self, now_ns: int) -> float:
        """What the force cell tells."""
        if not self.is_down(now_ns):
            return 0.0
        pressing_ns = max(0, now_ns - self._arrives_ns)
        return self._force_n * -math.expm1(-pressing_ns / self._rise_ns)
