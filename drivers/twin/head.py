"""The pen lift: an output moves it, two end switches tell where it is, and it takes its time.

Owns the lift's place over time. Knows no bus and no canvas.
"""

from __future__ import annotations

FAR_NS = 1 << 62


class PenLift:
    """A lift that travels evenly between up (0) and down (1); the tip touches only at 1."""

    __slots__ = ("_from", "_goal", "_since_ns", "_travel_ns")

    def __init__(self, travel_ms: float) -> None:
        self._travel_ns = max(1, round(travel_ms * 1e6))
        self._from = 0.0
        self._goal = 0.0
        self._since_ns = 0

    def command(self, down: bool, now_ns: int) -> None:
        """Set the output; a lift under way turns where it is."""
        goal = 1.0 if down else 0.0
        if goal != self._goal:
            self._from = self.place(now_ns)
            self._goal, self._since_ns = goal, now_ns

    @property
    def _arrives_ns(self) -> int:
        return self._since_ns + round(abs(self._goal - self._from) * self._travel_ns)

    def next_ns(self, now_ns: int) -> int:
        """When it arrives, or far away when it already has."""
        arrives_ns = self._arrives_ns
        return arrives_ns if arrives_ns > now_ns else FAR_NS

    def place(self, now_ns: int) -> float:
        """0 = up, 1 = down."""
        if now_ns >= self._arrives_ns:
            return self._goal
        done = (now_ns - self._since_ns) / self._travel_ns
        return self._from + done if self._goal > self._from else self._from - done

    def is_down(self, now_ns: int) -> bool:
        """Whether the lower end switch is closed and the tip presses."""
        return self._goal == 1.0 and now_ns >= self._arrives_ns

    def is_up(self, now_ns: int) -> bool:
        """Whether the upper end switch is closed."""
        return self._goal == 0.0 and now_ns >= self._arrives_ns
