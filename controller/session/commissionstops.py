"""Proving the stops: each stop input opened by hand and seen by the guard, the power-cut output, ``giornata stop``.

Owns the order of it and what counts as seen. The guard's own inputs are proved with the drives never enabled. A drive's
input is read only while the drive is in operation: for these the axes are held where they stand, and nothing else is
let through (``Service.bring_up``).
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Mapping
from typing import Any, Final

from controller.config.errors import HaltedError, RefusedError
from controller.session.commissionask import Ask
from controller.session.commissionbench import Bench, StepResult
from controller.session.service import Service, StoppedError
from controller.session.stopproof import INPUT, POWER_CUT, stops_digest, unproved
from controller.stream.spec import HoldTask
from drivers.errors import LinkError
from drivers.settings import DriveInputSettings
from safety import latch
from safety.client import GuardUnreachableError

NONE_FITTED: Final = (
    "no stop input and no power-cut output in the machine file: nothing beside your hardware stops this machine when "
    "this program fails"
)

DRIVES_INPUT: Final = "a stop input wired to a drive is open"
"""The guard's words (``safety.verdict``) for a bit of a beat, which has no name."""

LOOK_S: Final = 0.05
LATCH_S: Final = 3.0


async def stops(bench: Bench) -> StepResult:
    """Everything of [stops] that is not proved yet: the guard's own inputs, the power-cut output, then what needs
    drives under power."""
    machine = bench.machine
    with bench.journal() as journal:
        missing = unproved(journal.calibration, machine)
    if machine.wire.is_simulated:
        return StepResult(
            "done", ("the wire is simulated: nobody can be hurt by it, so no hand has to prove its stops",)
        )
    if not machine.stops.inputs and machine.stops.power_cut is None:
        return StepResult(
            "done",
            (NONE_FITTED,),
        )
    on_drives = {f"{INPUT}{one.name}" for one in machine.stops.inputs if isinstance(one, DriveInputSettings)}
    said: list[str] = []
    for name in sorted(missing, key=lambda one: (one in on_drives, one == POWER_CUT)):
        if name == POWER_CUT:
            seen = await _power_cut(bench)
        elif name in on_drives:
            seen = await _drive_input(bench, name.removeprefix(INPUT))
        else:
            seen = await _guard_input(bench, name.removeprefix(INPUT))
        if not seen.good:
            return StepResult("failed", (*said, seen.words))
        said.append(seen.words)
        with bench.journal() as journal:
            journal.calibration.add_proof(
                stops_digest(machine),
                name,
                seen.words,
                session=bench.session_id,
                person=bench.questioner.person,
            )
    return StepResult("done", tuple(said) or ("all were proved before on this wiring",))


class _Seen:
    """Whether it worked, in words."""

    def __init__(self, good: bool, words: str) -> None:
        self.good, self.words = good, words


async def _guard_input(bench: Bench, name: str) -> _Seen:
    """With the guard alone: open, seen, latched, closed again. The drives stay without power."""
    async with bench.session("stops") as service:
        await service.bring_up("stops", (), placed=False, proving=True)
        await bench.ask(
            Ask(f"open {name}", f"Open the loop {name} now (press its button, pull its plug) and leave it open. "
                f"The drives are not enabled; you have {bench.by_hand_s:g} s.", "do", about={"input": name}),
            service,
        )  # fmt: skip
        opened = await _until(bench, service, _open)
        if name not in opened:
            told = (
                f"{', '.join(opened)} opened instead: are two swapped?"
                if opened
                else "the guard saw nothing open"
            )
            return await _failed(bench, f"stop input {name}: expected it to open, {told}")
        latched = await _latched(bench)
        if latched is None or latched.reason != "input-open":
            return _Seen(False, f"stop input {name}: the guard saw it open and did not latch")
        await bench.ask(
            Ask(f"close {name}", f"Seen. Close {name} again.", "do", about={"input": name}), service
        )
        still = await _until(bench, service, lambda inputs: () if _open(inputs) else ("closed",))
    await bench.clear(f"stop input {name}")
    if not still:
        return _Seen(False, f"stop input {name}: it opened, and did not close again")
    others = [one for one in opened if one != name]
    return _Seen(True, f"stop input {name}: opened by hand, the guard stopped and latched"
                 + (f" ({', '.join(others)} opened with it)" if others else ""))  # fmt: skip


async def _failed(bench: Bench, words: str) -> _Seen:
    """A proof that failed; a latch that it has left is told of and stays for the person."""
    standing = latch.read(bench.state.latch)
    left = "" if standing is None else f"; latched ({standing.reason}): look, then giornata clear"
    return _Seen(False, words + left)


async def _drive_input(bench: Bench, name: str) -> _Seen:
    """With both axes held: the streamer sees it, stops the drives, and the guard latches."""
    hold = (HoldTask(seconds=bench.by_hand_s),)
    ask = Ask(
        f"open {name}",
        f"Both motors hold, nothing moves; hand on the emergency stop. Open the loop {name} now; you have "
        f"{bench.by_hand_s:g} s.",
        "do",
        about={"input": name},
    )
    try:
        async with bench.session("stops") as service:
            await bench.meanwhile(service, "stops", hold, ask, proving=True)
    except HaltedError as error:
        seen = error.reason
        named = any(f"stop input {one.name} is open" in seen for one in bench.machine.stops.inputs)
        if DRIVES_INPUT in seen and not named:
            # The guard has ended the streamer before it could say which of the drives' inputs it was.
            seen = await _which(bench, name)
        if f"stop input {name} is open" not in seen:
            return await _failed(bench, f"stop input {name}: expected it to stop the machine, got {seen}")
        await bench.ask(Ask(f"close {name}", f"Seen. Close {name} again.", "do", about={"input": name}))
        await bench.clear(f"stop input {name}")
        return _Seen(
            True, f"stop input {name}: opened by hand, the drives were stopped and the guard latched"
        )
    return _Seen(
        False, f"stop input {name}: expected it to open, the drive saw nothing in {bench.by_hand_s:g} s"
    )


async def _which(bench: Bench, name: str) -> str:
    """With the latch cleared and the loop left open: what a streamer says that refuses to hold."""
    await bench.ask(
        Ask(f"leave {name}", f"The drives were stopped. Leave {name} open and take your hands away: once the latch is "
            "cleared, both motors will hold again for a moment, so that the loop can be told by name. Nothing moves; "
            "hand on the emergency stop.", "do", about={"input": name})
    )  # fmt: skip
    await bench.clear(f"stop input {name}")
    try:
        async with bench.session("stops") as service:
            await service.bring_up("stops", (HoldTask(seconds=LOOK_S),), placed=False, proving=True)
    except (LinkError, HaltedError) as error:
        return error.reason if isinstance(error, HaltedError) else error.got
    return "a stop by a drive's input that was closed again: leave the loop open until you are told"


async def _power_cut(bench: Bench) -> _Seen:
    """The contactor holds while a guard lives, and drops with it."""
    async with bench.session("stops") as service:
        await service.bring_up("stops", (), placed=False, proving=True)
        if not await bench.confirm(
            "power on", "Press the start button of the motors' power. Does the contactor hold?", service
        ):
            return _Seen(False, "power-cut output: the contactor does not hold while the guard lives")
    if not await bench.confirm("power off", "The guard has ended. Has the contactor dropped?"):
        return _Seen(
            False, "power-cut output: the contactor holds without a guard: nothing may move with that wiring"
        )
    return _Seen(True, "power-cut output: the contactor dropped when the guard ended")


async def stop_command(bench: Bench) -> StepResult:
    """``giornata stop`` from another terminal, both axes held."""
    ask = Ask(
        "giornata stop",
        "Both motors hold, nothing moves. In another terminal, run giornata stop with this machine file; you have "
        f"{bench.by_hand_s:g} s.",
        "do",
    )
    try:
        async with bench.session("stop-command") as service:
            await bench.meanwhile(
                service,
                "stop-command",
                (HoldTask(seconds=bench.by_hand_s),),
                Ask(ask.key, ask.text, "do", about={"service": service}),
            )
    except (HaltedError, RefusedError) as error:
        # A stop that comes before the axes are held (as in virtual time) refuses the hold: the latch tells.
        standing = latch.read(bench.state.latch)
        if standing is None or standing.reason != "stop-asked":
            return StepResult("failed", (f"expected a stop that was asked for, got {error}",))
        words = (
            f"giornata stop: stopped and latched ({standing.text}), standstill {standing.standstill_words()}",
        )
        await bench.clear("giornata stop")
        return StepResult("done", words)
    return StepResult("failed", ("nobody asked for a stop in time",))


def _open(inputs: Mapping[str, Any]) -> tuple[str, ...]:
    return tuple(name for name, one in inputs.items() if one.get("open"))


async def _until(
    bench: Bench, service: Service, found: Callable[[Mapping[str, Any]], tuple[str, ...]]
) -> tuple[str, ...]:
    """Look at the guard's inputs until ``found`` answers something, for as long as a person may take; else nothing.

    Raises StoppedError when the session is asked to stop meanwhile.
    """
    path = bench.state.stop_socket
    for _ in range(round(bench.by_hand_s / LOOK_S)):
        if service.stop_asked:
            raise StoppedError(f"stop asked for: {service.stop_asked}")
        try:
            inputs = (await asyncio.to_thread(bench.look_at_guard, path)).get("inputs")
        except GuardUnreachableError:
            return ()
        if isinstance(inputs, Mapping) and (told := found(inputs)):
            return told
        await bench.pause(LOOK_S)
    return ()


async def _latched(bench: Bench) -> latch.Latch | None:
    """The latch, once the guard has written it."""
    path = bench.state.latch
    for _ in range(round(LATCH_S / LOOK_S)):
        if (standing := latch.read(path)) is not None:
            return standing
        await bench.pause(LOOK_S)
    return None
