"""A group of drives and a head with a voice of its own, as one DriveGroup.

Owns their order: drives first, for they carry the instant; on a stop the drives' stop first, then the pen. What the
drives promise stays theirs. A head that cannot be reached never keeps drives from stopping.
"""

from __future__ import annotations

from drivers.errors import MisuseError
from drivers.head import HEAD_DOWN, HEAD_UP, HeadLine
from drivers.interface import DriveGroup, DriveState, GroupFeedback, TellsNotes


class HeadedGroup:
    """A DriveGroup that HasHead. ``outputs`` of a tick go to the head; the drives' own outputs stay off."""

    def __init__(self, drives: DriveGroup, head: HeadLine) -> None:
        self._drives = drives
        self._head = head
        self._is_told_up = False
        self._closed = False

    @property
    def head(self) -> HeadLine:
        """The head."""
        return self._head

    @property
    def drives(self) -> DriveGroup:
        """The drives alone."""
        return self._drives

    @property
    def is_pen_told_up(self) -> bool:
        """Whether the wire took the last order to raise the pen that an abort gave."""
        return self._is_told_up

    @property
    def axes(self) -> tuple[str, ...]:
        """Axis names in order."""
        return self._drives.axes

    @property
    def feedback(self) -> GroupFeedback:
        """The drives' latest feedback."""
        return self._drives.feedback

    @property
    def notes(self) -> tuple[str, ...]:
        """The drives' notes."""
        return self._drives.notes if isinstance(self._drives, TellsNotes) else ()

    def configure(self) -> None:
        """The head first: while the pen may be down nothing else is touched."""
        self._head.configure()
        self._drives.configure()

    def enable(self) -> None:
        """The drives; the pen is told to stay up."""
        self._drives.enable()
        self._head.command(HEAD_UP)
        self._head.poll()

    def send_tick(self, velocity_units: tuple[int, ...], outputs: int) -> None:
        """The drives' tick, then the head. Raises MisuseError for an output that no head has; nothing was sent then."""
        if outputs not in (HEAD_UP, HEAD_DOWN):
            raise MisuseError("outputs", "0 (pen up) or 1 (pen down)", str(outputs))
        self._drives.send_tick(velocity_units, HEAD_UP)
        self._head.command(outputs)

    def poll(self) -> None:
        """Both."""
        self._drives.poll()
        self._head.poll()

    def clear_fault(self) -> tuple[str, ...]:
        """The drives' faults."""
        return self._drives.clear_fault()

    def abort(self) -> None:
        """The drives' stop, then the pen up."""
        self._drives.abort()
        self._is_told_up = self._head.raise_now()

    def disable(self) -> None:
        """The pen up, then the drives."""
        self._head.raise_now()
        self._drives.disable()

    def close(self) -> None:
        """Drives in operation are told to stop; then the pen up, both ends given back. Never raises."""
        if self._closed:
            return
        self._closed = True
        try:
            if any(axis.state is DriveState.OPERATION_ENABLED for axis in self.feedback.axes):
                self._drives.abort()
            self._head.raise_now()
            self._head.close()
        except Exception:  # noqa: BLE001
            # A port that is gone may fail even here. It must not keep the drives' wire open.
            return
        finally:
            self._drives.close()
