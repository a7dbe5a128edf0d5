"""What every simulated gantry in virtual time shares, whatever its wire: the world, its pen, its files."""

from __future__ import annotations

from abc import ABC, abstractmethod
from pathlib import Path

from drivers.clock import VirtualClock
from drivers.settings import GroupSettings
from drivers.twin import store
from drivers.twin.canvas import Pen
from drivers.twin.describedlink import DescribedLink
from drivers.twin.gantry import Gantry
from drivers.twin.headport import VirtualHeadLine, lift_at_port
from drivers.twin.parameters import TwinParameters
from drivers.twin.virtuallinks import VirtualLine, VirtualLink

SAMPLES_MAX = 1_500_000  # 25 min of uninterrupted motion, as in a process of its own


class VirtualWorld(ABC):
    """A gantry on a virtual clock. With ``state_dir`` it stands where an earlier life left it.

    A wire's own class sets ``link`` and says how the guard's stop gets onto it.
    """

    link: VirtualLink | VirtualLine | DescribedLink

    def __init__(
        self,
        settings: GroupSettings,
        parameters: TwinParameters,
        clock: VirtualClock,
        state_dir: Path | None = None,
        *,
        max_samples: int | None = SAMPLES_MAX,
    ) -> None:
        self.gantry = Gantry(settings, parameters, clock.now_ns(), max_samples=max_samples)
        self._state_dir = state_dir
        if state_dir is not None:
            store.restore(self.gantry, state_dir)
        self._attach(settings, clock)
        port = lift_at_port(self.gantry, settings)
        self.head_line = None if port is None else VirtualHeadLine(port, clock)
        """The head's own port, where it has one."""

    @abstractmethod
    def _attach(self, settings: GroupSettings, clock: VirtualClock) -> None:
        """Set ``link``."""

    @abstractmethod
    def put_stop(self) -> None:
        """The guard's stop, on the wire now. Raises LinkError when closed."""

    def load_pen(self, ink: str, colour: str, tip_mm: float) -> None:
        """Put a pen into the holder."""
        self.gantry.load_pen(Pen(ink, colour, tip_mm))

    def save(self, *, picture: bool = False) -> None:
        """Write state, canvas and record into ``state_dir`` (nothing without one); the picture on request."""
        if self._state_dir is not None:
            store.save_all(self.gantry, self._state_dir, picture=picture)
