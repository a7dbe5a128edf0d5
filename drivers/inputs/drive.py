"""Stop loops on the digital inputs of drives (60FDh), read out of the group's feedback.

Owns the bit and the silence; sends nothing. Whoever polls the group looks here once a tick.
"""

from __future__ import annotations

from collections.abc import Sequence

from drivers.clock import NS_PER_MS
from drivers.inputs.debounce import Debounce
from drivers.interface import GroupFeedback
from drivers.settings import DriveInputSettings, StopsSettings


class DriveStopInput:
    """A StopInput on one bit of one drive's inputs: set while the loop is closed."""

    __slots__ = ("_axis", "_debounce", "_feedback", "_mask", "_seen_ns", "_sequence", "_silent_ns", "name")

    def __init__(
        self,
        settings: DriveInputSettings,
        axis: int,
        feedback: GroupFeedback,
        debounce_ns: int,
        silent_ns: int,
    ) -> None:
        """``axis``: place in the feedback. Without a new round for ``silent_ns`` the loop counts as open."""
        self.name = settings.name
        self._axis = axis
        self._mask = 1 << settings.bit
        self._feedback = feedback
        self._debounce = Debounce(debounce_ns)
        self._silent_ns = silent_ns
        self._sequence = feedback.sequence
        self._seen_ns: int | None = None

    def is_closed(self, now_ns: int) -> bool:
        """As StopInput."""
        feedback = self._feedback
        if feedback.sequence != self._sequence:
            self._sequence = feedback.sequence
            self._seen_ns = now_ns
            return self._debounce.read(bool(feedback.axes[self._axis].inputs & self._mask), now_ns)
        if self._seen_ns is None or now_ns - self._seen_ns > self._silent_ns:
            return False
        return self._debounce.is_closed


def drive_stop_inputs(
    stops: StopsSettings, axes: Sequence[str], feedback: GroupFeedback, silent_ns: int
) -> tuple[DriveStopInput, ...]:
    """The stop inputs among ``stops`` that hang on drives, reading ``feedback`` (in the order of ``axes``)."""
    debounce_ns = round(stops.debounce_ms * NS_PER_MS)
    return tuple(
        DriveStopInput(one, axes.index(one.axis), feedback, debounce_ns, silent_ns)
        for one in stops.inputs
        if isinstance(one, DriveInputSettings)
    )
