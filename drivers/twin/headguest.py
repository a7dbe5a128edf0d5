"""Which simulated device moves the pen lift, by the kind of head. Owns the choice and the lift's own sensors."""

from __future__ import annotations

from typing import Protocol

from drivers.heads.settings import AnyHead, DescribedHead, NodeHead
from drivers.twin.head import PenLift
from drivers.twin.headnode import Emit, FrameNode, Guest, IoNode


class Holder(Protocol):
    """The gantry, as far as its lift goes."""

    now_ns: int

    @property
    def pen_lift(self) -> PenLift:
        """The lift."""
        ...

    def lower(self, down: bool) -> None:
        """Set its output."""
        ...


class LiftAtHand:
    """The lift's sensors at the gantry's present instant, and its output."""

    __slots__ = ("_holder",)

    def __init__(self, holder: Holder) -> None:
        self._holder = holder

    @property
    def is_up(self) -> bool:
        """Upper switch."""
        return self._holder.pen_lift.is_up(self._holder.now_ns)

    @property
    def is_down(self) -> bool:
        """Lower switch."""
        return self._holder.pen_lift.is_down(self._holder.now_ns)

    @property
    def travel_mm(self) -> float:
        """Ruler."""
        return self._holder.pen_lift.travel_mm(self._holder.now_ns)

    @property
    def force_n(self) -> float:
        """Force cell."""
        return self._holder.pen_lift.force_n(self._holder.now_ns)

    def lower(self, down: bool) -> None:
        """Set the output that moves it."""
        self._holder.lower(down)


def guest_of(head: AnyHead, lift: LiftAtHand, emit: Emit, start_ns: int) -> Guest | None:
    """What hangs on the bus beside the drives; None where the head does not."""
    if isinstance(head, NodeHead):
        return IoNode(head, lift, emit)
    if isinstance(head, DescribedHead) and head.device is not None and head.is_on_bus:
        return FrameNode(head.device, head.node_id, lift, emit, start_ns)
    return None
