"""Stop inputs as the session sees them: what the guard is told, the reader process, and whether all loops are closed.

Owns starting and ending ``python -m drivers.inputs`` where the machine file has GPIO inputs. Judges nothing: whether an
input is open is the guard's word.
"""

from __future__ import annotations

import asyncio
import time
from pathlib import Path

from controller.config.errors import RefusedError
from controller.config.machine import Machine
from controller.config.places import StateDir
from controller.session.processes import Child, ChildError
from drivers.settings import GpioInputSettings, InputReaderSettings, ModemLineInput
from safety import client
from safety.settings import PowerCut, StopInput

START_TIMEOUT_S = 10.0
CLOSED_TIMEOUT_S = 2.0
"""How long a loop that was never seen closed is waited for; a reader reports every few ms."""


def gpio_inputs(machine: Machine) -> tuple[GpioInputSettings, ...]:
    """The inputs that a reader process reports."""
    return tuple(one for one in machine.stops.inputs if isinstance(one, GpioInputSettings))


def guards_inputs(machine: Machine) -> tuple[StopInput, ...]:
    """The inputs that the guard itself answers for; those of drives come to it with the beats.

    A reported input was debounced by its reader, so that it is not a second time.
    """
    found = []
    for one in machine.stops.inputs:
        if isinstance(one, ModemLineInput):
            found.append(
                StopInput(one.name, "modem-line", one.device, one.line, debounce_ms=machine.stops.debounce_ms)
            )
        elif isinstance(one, GpioInputSettings):
            found.append(StopInput(one.name, "reported", debounce_ms=0.0))
    return tuple(found)


def power_cut(machine: Machine) -> PowerCut | None:
    """The output that takes the motors' power, if there is one."""
    cut = machine.stops.power_cut
    return None if cut is None else PowerCut(cut.device, cut.line, cut.open_after_ms)


class StopReader:
    """The reader process."""

    def __init__(self, child: Child) -> None:
        self._child = child

    @classmethod
    async def start(cls, machine: Machine, state: StateDir) -> StopReader | None:
        """Start it where there is something to read. Raises RefusedError when it does not come up."""
        inputs = gpio_inputs(machine)
        if not inputs:
            return None
        settings = InputReaderSettings(
            input_socket=str(state.input_socket), inputs=inputs, debounce_ms=machine.stops.debounce_ms
        )
        path = state.run / "inputs.json"
        path.write_text(settings.model_dump_json(indent=1) + "\n")
        child = await Child.start(
            "stop inputs", "drivers.inputs", str(path), stderr_path=state.run / "inputs.err"
        )
        try:
            said = await child.expect("ready", "refused", timeout_s=START_TIMEOUT_S)
        except BaseException as error:
            await child.end(patience_s=0.5)
            if isinstance(error, ChildError):
                raise RefusedError(
                    f"stop inputs cannot be read: {error}", _REMEDY, code="stop-inputs-unreadable"
                ) from None
            raise
        if said["event"] == "refused":
            await child.end(patience_s=0.5)
            raise RefusedError(
                f"stop inputs cannot be read: {said.get('reason')}", _REMEDY, code="stop-inputs-unreadable"
            )
        return cls(child)

    @property
    def pid(self) -> int:
        """Process id of the reader."""
        return self._child.pid

    async def close(self) -> None:
        """End it; only once the guard is gone, for whom its silence is an open loop."""
        await self._child.end()


_REMEDY = (
    "look at [stops] in the machine file and at the wiring; without its stop inputs the machine does not move"
)


async def await_closed(stop_socket: Path, timeout_s: float = CLOSED_TIMEOUT_S) -> None:
    """Until the guard calls every stop input closed. Raises RefusedError naming those that stay open."""
    deadline_s = time.monotonic() + timeout_s
    while True:
        try:
            inputs = (await asyncio.to_thread(client.request_status, stop_socket)).get("inputs")
        except client.GuardUnreachableError:
            return  # whoever asks the guard next will say so
        states = inputs if isinstance(inputs, dict) else {}
        still_open = [
            f"{name} ({one.get('why') or 'open'})" for name, one in states.items() if one.get("open")
        ]
        if not still_open:
            return
        if time.monotonic() >= deadline_s:
            raise RefusedError(
                f"stop inputs are open: {', '.join(still_open)}",
                "release the emergency stop, close the loops, then try again",
                code="stop-inputs-open",
            )
        await asyncio.sleep(0.02)
