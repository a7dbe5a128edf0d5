"""The simulated world: the gantry's process, and the hands of the person who loads its pens.

Used only where the machine file says that its wire is simulated. Everything that moves goes over the wire; the
hands alone have a line of their own, as a person's hands would.
"""

from __future__ import annotations

import contextlib
import os
from pathlib import Path

from controller.config.errors import InputError, Mistake, RefusedError
from controller.config.machine import Machine
from controller.config.places import StateDir
from controller.session.prepared import PreparedPass
from controller.session.processes import Child, ChildError
from drivers.errors import LinkError
from drivers.twin.settings import TwinSettings

START_TIMEOUT_S = 30.0
"""The first start compiles and caches; later ones take about a second."""

SAVE_TIMEOUT_S = 60.0


PRIORITY = 60
"""Real drives keep time whatever our computer does; so the simulated ones go before ordinary programs, where that is
permitted, and after streamer and guard."""


class SimulatedWorld:
    """The gantry's process. ``open`` before use; ``close`` saves its canvas and record."""

    def __init__(self, child: Child, channel: str, head_channel: str | None) -> None:
        self._child = child
        self.channel = channel
        self.head_channel = head_channel

    @classmethod
    async def open(cls, machine: Machine, machine_path: Path, state: StateDir) -> SimulatedWorld:
        """Start it. Raises LinkError when it does not come up."""
        if machine.twin is None:
            raise InputError(
                [
                    Mistake(
                        machine_path,
                        "twin",
                        "a [twin] table for the simulated gantry",
                        "none",
                        code="twin-missing",
                    )
                ]
            )
        settings = TwinSettings(
            group=machine.group_settings(),
            parameters=machine.twin,
            state_dir=str(state.twin),
            parent_pid=os.getpid(),
        )
        state.twin_settings.write_text(settings.model_dump_json(indent=1) + "\n")
        child = await Child.start(
            "simulated gantry", "drivers.twin", str(state.twin_settings), stderr_path=state.run / "twin.err"
        )
        try:
            ready = await child.expect("ready", "refused", timeout_s=START_TIMEOUT_S)
            if ready["event"] == "refused":
                raise RefusedError(
                    str(ready.get("why")),
                    "an earlier session's gantry is still saving: wait a few seconds and try again",
                    code="twin-busy",
                )
        except ChildError as error:
            await child.end(patience_s=0.5)
            raise LinkError(error.name, error.expected, error.got, code="twin-failed") from None
        except BaseException:
            await child.end(patience_s=0.5)
            raise
        _schedule(child.pid, os.SCHED_FIFO, PRIORITY)
        head_channel = ready.get("head_channel")
        return cls(child, str(ready["channel"]), None if head_channel is None else str(head_channel))

    @property
    def pid(self) -> int:
        """Process id of the gantry."""
        return self._child.pid

    async def load_pen(self, part: PreparedPass) -> None:
        """Put a pen in. Raises LinkError when the gantry is gone."""
        await self._tell({"load_pen": {"ink": part.ink, "colour": part.colour, "tip_mm": part.tip_mm}})

    async def save(self) -> None:
        """Have canvas, record and positions written. Raises LinkError when that does not happen."""
        await self._tell({"save": True})
        try:
            await self._child.expect("saved", timeout_s=SAVE_TIMEOUT_S)
        except ChildError as error:
            raise LinkError(error.name, error.expected, error.got, code="twin-failed") from None

    async def close(self) -> None:
        """Save and end. Never raises."""
        # Saving draws a picture; nothing ticks any more that it might hold up, and it must hold up nothing else.
        _schedule(self._child.pid, os.SCHED_OTHER, 0)
        with contextlib.suppress(LinkError):
            await self._tell({"quit": True})
        await self._child.end(patience_s=20.0)

    async def _tell(self, message: dict[str, object]) -> None:
        try:
            await self._child.tell(message)
        except ChildError as error:
            raise LinkError(error.name, error.expected, error.got, code="twin-failed") from None


def _schedule(pid: int, policy: int, priority: int) -> None:
    with contextlib.suppress(OSError):
        os.sched_setscheduler(pid, policy, os.sched_param(priority))
